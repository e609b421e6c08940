//! Mix minus backing: the pure DSP of Minuend. Knows no host, window, file, thread or clock.

pub mod engine;
mod error;
mod job;
mod learner;
mod matching;
mod readings;
pub mod settings;

pub use engine::{Engine, MAX_SAMPLE_RATE_HZ, MIN_SAMPLE_RATE_HZ};
pub use error::PrepareError;
pub use job::{Inline, Job, Worker};
pub use matching::Match;
pub use readings::{Lock, Readings};
pub use settings::Settings;
