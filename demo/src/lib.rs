//! The demo: "Nine Lamps", a short song on a quay at night, and the files a remixer would be handed of it.
//!
//! All of it is synthesis in code: nothing is sampled, and the same samples come out on every run.

mod bass;
mod bell;
mod compressor;
mod drums;
mod harmony;
mod random;
mod room;
mod score;
mod shift;
mod situation;
mod song;
mod stereo;
mod voice;

pub use situation::{Situation, Truth, situation};
pub use song::{Song, song};
pub use stereo::{SAMPLE_RATE_HZ, Stereo};
