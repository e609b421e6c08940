//! What limits the null: in what mix and backing differ, and how many dB each difference is worth.
//!
//! Two sorts. What the chain *corrects* is worth what the null would lose with that stage left out; this follows from the
//! parameters in force and the backing's spectrum alone, so no voice disturbs it. What *remains* cannot be taken away by any
//! gain, delay or filter; it is found in what is left where the voice rests, or is weakest.

pub(crate) mod analysis;
mod beneath_voice;
mod cells;
pub(crate) mod chain;
mod corrected;
pub(crate) mod diagnosis;
mod flat_tops;
mod remaining;

pub use diagnosis::{Cause, Causes, EXCHANGED_DB, Kind, MOST_CAUSES, Signal};
