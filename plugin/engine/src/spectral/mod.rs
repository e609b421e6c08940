//! Ground floor: signals in frequency. Knows nothing of mix, backing or match.

pub mod covariance;
pub mod halves;
pub mod lanes;
pub mod spectrum;
