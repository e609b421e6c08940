//! Which recording is in which, by sound.
//!
//! Of many recordings, a [`Fingerprint`] is compared of each with each: [`Search`] tells which ones may share music, and how far
//! apart it begins. [`Comparison`] then holds two of them against each other and tells whether one is the other with something
//! added. Nothing here knows a file, a thread or a clock. Signals are mono, at [`RATE_HZ`].

mod cells;
mod comparison;
mod fingerprint;
#[cfg(test)]
mod made;
mod offset;
mod search;

pub use comparison::{Comparison, Relation};
pub use fingerprint::Fingerprint;
pub use search::{Candidate, MOST_SAMPLES, Search};

/// Rate of all signals here, Hz: what tells songs apart lies below half of it, and few samples are soon compared.
pub const RATE_HZ: u32 = 8_000;
