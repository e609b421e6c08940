//! By how much a few seconds of one recording are later than in another.

use std::sync::Arc;

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex, num_complex::Complex32};

/// The lag found must stand out from all others by so many of their standard deviations: the highest of some thousand chance
/// values reaches 4 (normal distribution).
const CLEAR: f32 = 7.0;

/// Compares stretches of one length with others that are about as late.
pub struct Offsets {
    len: usize,
    reach: usize,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
}

impl Offsets {
    /// Of stretches of so many samples, up to `reach` samples apart to either side.
    pub fn new(len: usize, reach: usize) -> Self {
        let size = (len + 2 * reach).next_power_of_two();
        let mut planner = RealFftPlanner::new();
        Self { len, reach, forward: planner.plan_fft_forward(size), inverse: planner.plan_fft_inverse(size) }
    }

    /// By how many samples the first is later than the second, if that is clear: where both stand under the same place of their
    /// stretches, it is 0. The first is as long as was said, the second longer by the reach on both sides.
    ///
    /// Generalised cross-correlation with phase transform (Knapp and Carter 1976).
    pub fn find(&self, first: &[f32], second: &[f32]) -> Option<i64> {
        debug_assert!(first.len() == self.len && second.len() == self.len + 2 * self.reach);
        let spectrum = |signal: &[f32]| {
            let mut time = self.forward.make_input_vec();
            time[..signal.len()].copy_from_slice(signal);
            let mut spectrum = self.forward.make_output_vec();
            self.forward.process(&mut time, &mut spectrum).expect("lengths are the plan's");
            spectrum
        };
        let mut cross: Vec<Complex32> = spectrum(second);
        for (cross, first) in cross.iter_mut().zip(spectrum(first)) {
            *cross *= first.conj();
        }
        let mean = cross.iter().map(|bin| bin.norm()).sum::<f32>() / cross.len() as f32;
        // Bins far below the average carry noise, and count for less.
        cross.iter_mut().for_each(|bin| *bin /= bin.norm() + 1e-2 * mean + f32::MIN_POSITIVE);
        let mut values = self.inverse.make_output_vec();
        // Of a real signal these are real.
        cross[0].im = 0.0;
        cross.last_mut().expect("a spectrum has bins").im = 0.0;
        self.inverse.process(&mut cross, &mut values).expect("lengths are the plan's");
        // The place in the second stretch at which the first begins.
        let values = &values[..=2 * self.reach];
        let deviation = (values.iter().map(|x| x * x).sum::<f32>() / values.len() as f32).sqrt();
        let (at, peak) = values.iter().enumerate().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))?;
        (peak.abs() > CLEAR * deviation).then(|| self.reach as i64 - at as i64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::made::noise;

    /// Known lags on either side, upside down too; and none of what has nothing in common.
    #[test]
    fn a_lag_is_found_where_there_is_one() {
        let (len, reach) = (4000, 500);
        let offsets = Offsets::new(len, reach);
        let long = noise(1, len + 2 * reach);
        for lag in [-500, -3, 0, 499] {
            let from = (reach as i64 - lag) as usize;
            let first: Vec<f32> = long[from..from + len].iter().map(|x| -0.3 * x).collect();
            assert_eq!(offsets.find(&first, &long), Some(lag));
        }
        assert_eq!(offsets.find(&noise(77_777, len), &long), None);
        assert_eq!(offsets.find(&vec![0.0; len], &long), None);
    }
}
