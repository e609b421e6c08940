//! Where a part lies, near where it is looked for.

use minuend_fourier::Transform;
use realfft::num_complex::Complex32;

use crate::{delays::Peak, residue::Frame, sizes::Sizes};

/// So many times the standard deviation of the correlation a peak must be high: the highest of thousands of chance values
/// reaches 4.5.
const SIGNIFICANT: f32 = 8.0;

/// So many times as high a peak must be that lies elsewhere than looked for: a bass of few notes agrees as well a period later.
/// Where the place was wrong it was 8 to 60 times as high, and one period off 1.1 to 1.3 times.
const CLEAR: f32 = 2.0;

/// Generalised cross-correlation of mix and parts over the song (Knapp and Carter 1976), with the weights of the cells and
/// smoothed coherence transform: of one side.
pub struct Correlation {
    sizes: Sizes,
    cross: Vec<Vec<Complex32>>,
    powers: Vec<Vec<f32>>,
}

impl Correlation {
    /// Of so many parts.
    pub fn new(sizes: Sizes, num_parts: usize) -> Self {
        Self {
            sizes,
            cross: vec![vec![Complex32::default(); sizes.num_bins()]; num_parts],
            powers: vec![vec![0.0; sizes.num_bins()]; num_parts],
        }
    }

    /// Adds a frame, each bin with its weight.
    pub fn add(&mut self, frame: &Frame, weights: &[f32]) {
        for ((part, cross), powers) in frame.parts.iter().zip(&mut self.cross).zip(&mut self.powers) {
            for bin in 0..weights.len() {
                let weighted = part[bin].conj() * weights[bin];
                cross[bin] += weighted * frame.mix[bin];
                powers[bin] += (weighted * part[bin]).re;
            }
        }
    }

    /// How much later, samples, the mix has a part than it was looked for, by all sides together, and how high the correlation is
    /// there; `None` if that is not clear.
    pub fn peak(sides: &[Self], part: usize) -> Option<Peak> {
        let sizes = sides[0].sizes;
        let mut transform = Transform::new(sizes.frame_samples);
        let mut sum = vec![0.0; sizes.frame_samples];
        for side in sides {
            let whitened: Vec<Complex32> = side.cross[part]
                .iter()
                .zip(&side.powers[part])
                .map(|(cross, power)| if *power > 0.0 { cross / power.sqrt() } else { Complex32::default() })
                .collect();
            transform.inverse(&whitened).iter().zip(&mut sum).for_each(|(x, sum)| *sum += x);
        }
        let square: f64 = sum.iter().map(|x| f64::from(x * x)).sum();
        let deviation = (square / sum.len() as f64).sqrt() as f32;
        let lag_of = |at: usize| if at < sum.len() / 2 { at as i64 } else { at as i64 - sum.len() as i64 };
        let peaks = || sum.iter().enumerate().map(|(at, x)| (lag_of(at), x.abs()));
        let highest = |near: u64| {
            peaks().filter(|(lag, _)| lag.unsigned_abs() <= near).max_by(|a, b| a.1.total_cmp(&b.1))
        };
        let (near, elsewhere) = (highest(sizes.short_samples() as u64)?, highest(u64::MAX)?);
        let (lag, height) = if elsewhere.1 > CLEAR * near.1 { elsewhere } else { near };
        (height > SIGNIFICANT * deviation).then_some(Peak { lag, height })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Residue, Taps, Weights, noise::noise};

    #[test]
    fn a_part_is_found_near_by_and_what_is_none_is_not() {
        let sizes = Sizes { frame_samples: 256 };
        let hop = sizes.hop_samples();
        let [part, other, voice] = [1, 77_777, 987_654_321].map(|seed| noise(seed, 60 * hop));
        let mix: Vec<f32> = (0..part.len()).map(|n| voice[n] - 0.5 * part[n.saturating_sub(21)]).collect();
        let mut residue = Residue::new(sizes, &[Taps::silent(sizes), Taps::silent(sizes)]);
        let mut correlation = Correlation::new(sizes, 2);
        let mut weights = Weights::default();
        for n in (0..part.len()).step_by(hop) {
            let frame = residue.hear(&mix[n..n + hop], &[&part[n..n + hop], &other[n..n + hop]]);
            correlation.add(&frame, weights.of(frame.mix, frame.residue));
        }
        let sides = [correlation];
        assert_eq!(Correlation::peak(&sides, 0).map(|peak| peak.lag), Some(21));
        assert_eq!(Correlation::peak(&sides, 1), None);
    }

    /// The same once more 40 samples later, as a bass agrees a period later: that wins only where it is clear.
    #[test]
    fn a_part_stays_where_it_was_looked_for_unless_another_place_is_clear() {
        let sizes = Sizes { frame_samples: 256 };
        let hop = sizes.hop_samples();
        let [part, voice] = [1, 987_654_321].map(|seed| noise(seed, 60 * hop));
        for (later, lag) in [(1.5, 0), (3.0, 40)] {
            let sung = |n: usize| 0.3 * voice[n] + part[n] + later * part[n.saturating_sub(40)];
            let mix: Vec<f32> = (0..part.len()).map(sung).collect();
            let mut residue = Residue::new(sizes, &[Taps::silent(sizes)]);
            let mut correlation = Correlation::new(sizes, 1);
            let mut weights = Weights::default();
            for n in (0..part.len()).step_by(hop) {
                let frame = residue.hear(&mix[n..n + hop], &[&part[n..n + hop]]);
                correlation.add(&frame, weights.of(frame.mix, frame.residue));
            }
            assert_eq!(Correlation::peak(&[correlation], 0).map(|peak| peak.lag), Some(lag));
        }
    }
}
