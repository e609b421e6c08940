//! Where the backing sits in the mix: search, lock, and the delay line that brings it there.

pub mod aligner;
pub mod delay_smoother;
pub mod delay_tracker;
pub mod edge;
pub mod lag_filter;
pub mod lag_meter;
pub mod lag_variance;
pub mod lock;
pub mod motion;
pub mod motion_test;
pub mod presence;
pub mod search;
pub mod song_map;
pub mod supervisor;
