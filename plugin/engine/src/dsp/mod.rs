//! Ground floor: signals in time. Knows nothing of mix, backing or match.

pub mod at_once;
pub mod cholesky;
pub mod delay_line;
pub mod frame_ring;
pub mod glide;
pub mod hop;
pub mod kalman;
pub mod line_fit;
#[cfg(test)]
pub mod noise;
pub mod part_mean;
pub mod ring;
pub mod sinc;
pub mod sizes;
pub mod timeline;
pub mod units;
