//! A song's backing from its parts.
//!
//! Remix packs hand out drums, bass and keys, and the mix has them at other levels, in another tone, or later. [`places`] says
//! where each part may lie in the mix, [`Correlation`] where it does; [`Residue`] and [`Normal`] go over the song and gather what parts and mix have in common;
//! [`choose`] makes filters of it, as free as wins where they were not learned; [`Splitter`] parts what was taken away again.
//! Nothing here knows a file, a thread or a clock.

mod choice;
mod correlation;
mod delays;
mod filter;
mod mixer;
#[cfg(test)]
mod noise;
mod normal;
mod residue;
mod sizes;
mod solver;
mod splitter;
mod weights;
mod windowed;

pub use choice::{Choice, Model, OfEach, choose};
pub use correlation::Correlation;
pub use delays::{Peak, peaks, places};
pub use mixer::Mixer;
pub use normal::Normal;
pub use residue::{Frame, Residue};
pub use sizes::Sizes;
pub use solver::Taps;
pub use splitter::Splitter;
pub use weights::Weights;
