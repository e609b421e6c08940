//! Learning: everything that comes in lumps. It runs as jobs, on whatever thread.

pub mod heard;
pub mod learner;
pub mod level_test;
pub mod level_track;
pub mod locate;
pub mod memory;
pub mod model_selection;
pub mod request;
pub mod schedule;
mod silences;
