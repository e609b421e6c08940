//! By what a difference is held against the true vocal.

use std::fmt;

use crate::{metrics::tolerant_sdr::tolerant_sdr_db, si_sdr::si_sdr_db};

/// The figure that fits a pair.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Measure {
    /// The vocal lies in the mix as it is: SI-SDR.
    SiSdr,
    /// The mix was mastered, and its vocal with it: tolerant SDR; see [`tolerant_sdr_db`].
    TolerantSdr,
}

impl Measure {
    /// All of them.
    pub const ALL: [Self; 2] = [Self::SiSdr, Self::TolerantSdr];

    /// The figure of an estimate of the vocal, dB. Both are `[channel_idx][sample_idx]` of equal shape.
    pub(super) fn sdr_db(self, vocal: &[Vec<f32>], estimate: &[Vec<f32>], sample_rate_hz: u32) -> f64 {
        match self {
            Self::SiSdr => si_sdr_db(vocal, estimate),
            Self::TolerantSdr => tolerant_sdr_db(vocal, estimate, sample_rate_hz),
        }
    }
}

impl fmt::Display for Measure {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str(match self {
            Self::SiSdr => "SI-SDR",
            Self::TolerantSdr => "tolerant SDR",
        })
    }
}
