//! Lengths of everything, from the sample rate, so that all work spans the same time at every rate.

/// A frame, s, at least: 8192 samples at 44.1 and 48 kHz. Short enough for the rests of a voice, and several times as long as
/// the longest filter.
const FRAME_S: f64 = 0.17;

/// Lengths in samples.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sizes {
    /// A frame of the transform; from one to the next is half of that.
    pub frame_samples: usize,
}

impl Sizes {
    /// At a sample rate, Hz.
    pub fn new(sample_rate_hz: f64) -> Self {
        Self { frame_samples: ((FRAME_S * sample_rate_hz) as usize).next_power_of_two().max(256) }
    }

    /// From one frame to the next.
    pub fn hop_samples(&self) -> usize {
        self.frame_samples / 2
    }

    /// Bins of a spectrum.
    pub fn num_bins(&self) -> usize {
        self.frame_samples / 2 + 1
    }

    /// Reach of the longest filter to either side: 21 ms at 48 kHz, in which an equaliser has died away by 60 dB from a
    /// bandwidth of 100 Hz on.
    pub fn reach_samples(&self) -> usize {
        self.frame_samples / 8
    }

    /// Reach of a short filter to either side: enough for a fraction of a sample, and for a gentle slope.
    pub fn short_samples(&self) -> usize {
        self.frame_samples / 256
    }
}
