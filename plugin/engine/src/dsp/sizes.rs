//! Lengths in samples, scaled with the sample rate by powers of two so that they span about the same time.

/// Lowest sample rate that there are sizes for, Hz.
pub const MIN_SAMPLE_RATE_HZ: f64 = 8_000.0;
/// Highest sample rate that there are sizes for, Hz.
pub const MAX_SAMPLE_RATE_HZ: f64 = 192_000.0;

/// Scaling of lengths given for 44.1 and 48 kHz.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sizes {
    /// Sample rate, Hz.
    pub sample_rate_hz: f64,
    octaves: i32,
}

impl Sizes {
    /// Sizes for a rate in Hz; the nearest power of two to the ratio to 46 kHz.
    pub fn new(sample_rate_hz: f64) -> Self {
        let octaves = (sample_rate_hz / 46_000.0).log2().round().clamp(-2.0, 2.0) as i32;
        Self { sample_rate_hz, octaves }
    }

    /// A length that is `at_48k_samples` at 44.1 and 48 kHz, a power of two or a multiple of [`Self::hop`] there.
    pub fn scaled(&self, at_48k_samples: usize) -> usize {
        if self.octaves >= 0 { at_48k_samples << self.octaves } else { at_48k_samples >> -self.octaves }
    }

    /// The fixed step in which the engine works, samples.
    pub fn hop(&self) -> usize {
        self.scaled(128)
    }

    /// Whole hops that cover a time in seconds.
    pub fn hops(&self, seconds: f64) -> u64 {
        (seconds * self.sample_rate_hz / self.hop() as f64).ceil() as u64
    }

    /// A time in seconds as whole samples.
    pub fn samples(&self, seconds: f64) -> usize {
        (seconds * self.sample_rate_hz).ceil() as usize
    }
}

#[cfg(test)]
mod tests {
    use super::Sizes;

    #[test]
    fn lengths_follow_the_rate_in_octaves() {
        let hop = |hz| Sizes::new(hz).hop();
        assert_eq!([8e3, 22_050.0, 44.1e3, 48e3, 96e3, 192e3].map(hop), [32, 64, 128, 128, 256, 512]);
    }
}
