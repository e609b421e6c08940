//! How exact the measured lags are, re what their weights promise: a filter that is wrong, as one is that was learned from
//! a delay that moved, promises far too much.

/// Factor by which older frames count less at each frame. Chosen by hand; not measured.
const DECAY: f64 = 0.99;
/// Frames that the promise counts for, against how far apart the halves are seen. Chosen by hand; not measured.
const PROMISED_FRAMES: f64 = 3.0;
/// Bounds of the ratio. Chosen by hand; not measured.
const RATIOS: (f64, f64) = (1e-4, 100.0);
/// Bounds of what is seen in a single frame, re what is promised, so that its logarithm is finite. Chosen by hand; not measured.
const SPREADS: (f64, f64) = (1e-6, 1e4);
/// Mean logarithm of the square of a normal deviate, with its sign turned: Euler's constant plus ln 2 (textbook).
const MEAN_LOG_OF_SQUARE: f64 = 1.27;

/// Ratio of the variance seen between the halves of the spectrum to the one promised. Taken from the mean logarithm, so
/// that single frames do not count for many.
#[derive(Clone, Copy, Default)]
pub struct LagVariance {
    /// Sums, of which older frames count less: of the logarithms, and of the frames.
    log_sum: f64,
    frames: f64,
}

impl LagVariance {
    /// The ratio; 1 as long as nothing was seen.
    pub fn ratio(&self) -> f64 {
        let (sum, frames) = (self.log_sum + MEAN_LOG_OF_SQUARE * self.frames, self.frames + PROMISED_FRAMES);
        (sum / frames).exp().clamp(RATIOS.0, RATIOS.1)
    }

    /// Takes the lags of one frame in either half, and their inverse variances as promised.
    pub fn add(&mut self, lags: [f64; 2], information: [f64; 2]) {
        let spread = (lags[0] - lags[1]).powi(2) / (1.0 / information[0] + 1.0 / information[1]);
        self.log_sum = DECAY * self.log_sum + spread.clamp(SPREADS.0, SPREADS.1).ln();
        self.frames = DECAY * self.frames + 1.0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;

    /// Lags of variance 1/12 each (of uniform noise between -0.5 and 0.5), promised right and ten times too exact.
    #[test]
    fn the_ratio_is_that_of_the_variances() {
        let errors = noise(2_000, 1);
        for (information, ratio) in [(12.0, 1.0), (120.0, 10.0)] {
            let mut variance = LagVariance::default();
            assert_eq!(variance.ratio(), 1.0);
            for pair in errors.chunks_exact(2) {
                variance.add([0, 1].map(|half| 0.5 * f64::from(pair[half])), [information; 2]);
            }
            // The difference of two uniform errors is not quite normal, and a hundred frames scatter.
            assert!((variance.ratio() / ratio).ln().abs() < 0.4, "{} of {ratio}", variance.ratio());
        }
    }
}
