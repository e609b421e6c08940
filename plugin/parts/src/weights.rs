//! How much a cell of the song counts.

use realfft::num_complex::Complex32;

/// What is this far below the mix, power, tells no more than what is louder: -70 dB.
const FLOOR: f64 = 1e-7;
/// Neighbours to either side over which power is averaged: at least so many bins, and one more every so many.
const LEAST_BINS: usize = 4;
const BINS_A_BIN: usize = 64;
/// A frame of the mix that is softer, mean square re full scale, is left out: where it was muted no part is to be learned from.
const AUDIBLE: f64 = 1e-9;
/// No cell counts as if less than this were left in it, mean square re full scale spread over the spectrum.
const LEAST: f64 = 1e-14;

/// The weight of each cell: one over the power of what is not explained there, averaged over neighbours. A voice weighs its own
/// cells down, and what is learned comes from its rests and from between its harmonics: iteratively reweighted least squares,
/// which for a Gaussian voice of unknown spectrum comes to its maximum likelihood (Rubin 1983 for the algorithm; from memory).
#[derive(Default)]
pub struct Weights {
    /// One a bin.
    pub values: Vec<f32>,
    up_to: Vec<f64>,
}

impl Weights {
    /// Those of a frame, from its mix and what of it is not explained.
    pub fn of(&mut self, mix: &[Complex32], residue: &[Complex32]) -> &[f32] {
        self.values.clear();
        self.values.resize(mix.len(), 0.0);
        self.add_mean(residue, 1.0);
        self.add_mean(mix, FLOOR);
        // The mean square of a Hann window is 3/8, and a frame is twice as long as its spectrum.
        let power = |mean_square: f64| mean_square * 0.75 * mix.len() as f64;
        let mean = mix.iter().map(|bin| f64::from(bin.norm_sqr())).sum::<f64>() / mix.len() as f64;
        if mean < power(AUDIBLE) {
            self.values.fill(0.0);
        } else {
            let least = power(LEAST) as f32;
            self.values.iter_mut().for_each(|x| *x = 1.0 / x.max(least));
        }
        &self.values
    }

    fn add_mean(&mut self, spectrum: &[Complex32], share: f64) {
        self.up_to.clear();
        self.up_to.push(0.0);
        let mut sum = 0.0;
        for bin in spectrum {
            sum += f64::from(bin.norm_sqr());
            self.up_to.push(sum);
        }
        let last = spectrum.len();
        for (bin, value) in self.values.iter_mut().enumerate() {
            let reach = LEAST_BINS + bin / BINS_A_BIN;
            let (from, to) = (bin.saturating_sub(reach), (bin + reach + 1).min(last));
            *value += (share * (self.up_to[to] - self.up_to[from]) / (to - from) as f64) as f32;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A cell that is explained counts as much more as it is quieter, down to the floor.
    #[test]
    fn loud_residues_count_less() {
        let flat = |level: f32| vec![Complex32::new(level, 0.0); 500];
        let mut weights = Weights::default();
        for (residue, expected) in [(1.0, 1.0), (0.1, 100.0), (0.0, 1e7)] {
            let found = weights.of(&flat(1.0), &flat(residue))[250];
            assert!((found / expected - 1.0).abs() < 1e-3, "{found}, not {expected}");
        }
        assert!(weights.of(&flat(0.0), &flat(0.1)).iter().all(|&x| x == 0.0), "the mix is muted");
    }
}
