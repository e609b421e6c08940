//! Floats to integers with triangular dither.

/// Rounds samples to integers of some bits, with dither: noise of triangular density and 2 LSB width added before
/// rounding makes the error's mean and variance independent of the signal, at (1/12 + 1/6) LSB squared.
///
/// Lipshitz, Wannamaker, Vanderkooy: "Quantization and dither: a theoretical survey", J. Audio Eng. Soc. 40 (1992), 355.
/// The noise is the same in every run.
pub struct Dither {
    full_scale: f64,
    state: u64,
    /// Samples that passed full scale and were clipped.
    pub clipped_samples: u64,
}

impl Dither {
    /// For integers of so many bits, sign included, at most 32; each seed gives another noise.
    pub fn new(seed: usize, bits: u32) -> Self {
        Self { full_scale: f64::from(1u32 << (bits - 1)), state: (seed as u64) << 32, clipped_samples: 0 }
    }

    /// The next sample, full scale at 1.0, as an integer. What is not a number becomes 0.
    pub fn quantise(&mut self, sample: f32) -> i32 {
        let noise = self.uniform() - self.uniform();
        let scaled = f64::from(sample) * self.full_scale;
        // Dither alone must not count as clipping: a sample at full scale is as loud as the file can be.
        let (low, high) = (-self.full_scale, self.full_scale - 1.0);
        self.clipped_samples += u64::from(scaled < low - 0.5 || scaled > high + 1.0);
        (scaled + noise).round().clamp(low, high) as i32
    }

    /// Evenly between 0 and 1: SplitMix64 (Steele, Lea, Flood: "Fast splittable pseudorandom number generators", 2014).
    fn uniform(&mut self) -> f64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
}

#[cfg(test)]
mod tests {
    use super::Dither;

    /// Mean and variance of the total error by Lipshitz, Wannamaker and Vanderkooy 1992: 0 and 1/4 LSB squared, wherever
    /// between two steps the sample lies. Over 100,000 samples the standard error of either is below 0.002.
    #[test]
    fn the_error_does_not_depend_on_the_sample() {
        const COUNT: usize = 100_000;
        for bits in [16, 24] {
            let lsb = 2f64.powi(1 - bits as i32);
            for part in [0.0, 0.125, 0.25, 0.5, 0.9375] {
                let mut dither = Dither::new(0, bits);
                let sample = ((100.0 + part) * lsb) as f32;
                let errors: Vec<f64> = (0..COUNT)
                    .map(|_| f64::from(dither.quantise(sample)) - f64::from(sample) / lsb)
                    .collect();
                let mean = errors.iter().sum::<f64>() / COUNT as f64;
                let variance = errors.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / COUNT as f64;
                assert!(mean.abs() < 0.01, "{bits} bits, {part}: mean {mean}");
                assert!((variance - 0.25).abs() < 0.01, "{bits} bits, {part}: variance {variance}");
            }
        }
    }

    #[test]
    fn what_passes_full_scale_is_clipped_and_counted() {
        let mut dither = Dither::new(0, 16);
        for (sample, low, high, clipped) in [
            (1.0, 32_766, 32_767, 0),
            (-1.0, -32_768, -32_767, 0),
            (1.1, 32_767, 32_767, 1),
            (-7.0, -32_768, -32_768, 2),
            (f32::NAN, 0, 0, 2),
            (f32::INFINITY, 32_767, 32_767, 3),
        ] {
            let found = dither.quantise(sample);
            assert!((low..=high).contains(&found), "{sample} became {found}");
            assert_eq!(dither.clipped_samples, clipped, "at {sample}");
        }
    }
}
