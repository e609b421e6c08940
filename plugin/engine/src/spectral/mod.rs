//! Ground floor: signals in frequency. Knows nothing of mix, backing or match.

pub mod covariance;
pub mod frames;
pub mod halves;
pub mod lanes;
pub mod octaves;
pub mod spectrum;
pub mod stft;
pub mod twin_spectrum;
pub mod window;
