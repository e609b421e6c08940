//! A backing from the song itself.
//!
//! Much music is programmed: a bar comes again sample for sample. Where the voice rests or sings something else there, that
//! bar is the backing. [`Finder`] tells where each two seconds of the song come again; [`similarity`] whether that is enough;
//! [`Builder`] merges the repeats into what they have in common. Nothing here knows a file, a thread or a clock.

mod builder;
mod cells;
mod centre;
mod correlator;
mod decimate;
mod finder;
mod grade;
mod layers;
mod level;
mod local_mean;
mod median;
mod merge;
#[cfg(test)]
mod noise;
mod refine;
mod sizes;
mod song;
mod sorting_network;
mod stft;
mod whiten;

pub use builder::{BlockSources, Builder, Stretch};
pub use finder::{Finder, Repeat, Searchable, Segment};
pub use grade::{Grade, similarity};
pub use sizes::Sizes;
pub use song::Song;
