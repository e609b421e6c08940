//! The filter that brings one signal closest to another.

use std::sync::Arc;

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex, num_complex::Complex};

/// Length of the filter, samples.
const TAPS: usize = 512;
/// Taps before time 0: a filter may also be early, as one without phase is.
const TAPS_BEFORE: usize = 64;
/// By what the energy on the diagonal is raised, so that a voice without energy in some band has a filter too.
const REGULARISATION: f64 = 1e-6;

/// Fits filters of 512 taps, 64 of them before time 0, between signals of one length.
///
/// Wiener's filter by least squares over all samples, with silence assumed around the signals, which makes its equations
/// Toeplitz: Levinson, "The Wiener RMS error criterion in filter design and prediction", 1946.
pub struct WienerFilter {
    num_samples: usize,
    forward: Arc<dyn RealToComplex<f64>>,
    inverse: Arc<dyn ComplexToReal<f64>>,
}

impl WienerFilter {
    /// Plans for signals of this many samples.
    pub fn new(num_samples: usize) -> Self {
        // Silence between the end and the start, which the transform joins.
        let length = (num_samples + TAPS).next_power_of_two();
        let mut planner = RealFftPlanner::new();
        Self {
            num_samples,
            forward: planner.plan_fft_forward(length),
            inverse: planner.plan_fft_inverse(length),
        }
    }

    /// The input through the filter that brings it closest to the target; both of the length planned for.
    pub fn fitted(&self, input: &[f64], target: &[f64]) -> Vec<f64> {
        let (input, target) = (self.spectrum(input), self.spectrum(target));
        let mut autocorrelation = self.signal(input.iter().map(|x| x * x.conj()));
        autocorrelation.truncate(TAPS);
        autocorrelation[0] *= 1.0 + REGULARISATION;
        let mut cross_correlation = self.signal(target.iter().zip(&input).map(|(y, x)| y * x.conj()));
        cross_correlation.rotate_right(TAPS_BEFORE);
        cross_correlation.truncate(TAPS);
        let taps = solve_toeplitz(&autocorrelation, &cross_correlation);
        let output = self.signal(self.spectrum(&taps).iter().zip(&input).map(|(h, x)| h * x));
        output[TAPS_BEFORE..][..self.num_samples].to_vec()
    }

    fn spectrum(&self, signal: &[f64]) -> Vec<Complex<f64>> {
        let mut input = signal.to_vec();
        input.resize(self.forward.len(), 0.0);
        let mut spectrum = self.forward.make_output_vec();
        self.forward.process(&mut input, &mut spectrum).expect("lengths are the plan's");
        spectrum
    }

    fn signal(&self, spectrum: impl Iterator<Item = Complex<f64>>) -> Vec<f64> {
        let length = self.inverse.len() as f64;
        let mut spectrum: Vec<_> = spectrum.map(|x| x / length).collect();
        let mut signal = self.inverse.make_output_vec();
        self.inverse.process(&mut spectrum, &mut signal).expect("lengths are the plan's");
        signal
    }
}

/// Solves `T x = b`, `T` being the symmetric Toeplitz matrix with this first column, by Levinson's recursion in the form
/// of Golub and Van Loan, "Matrix Computations", 4th edition, section 4.7 (from memory). Nothing but zeros if the column
/// starts with zero, as that of silence does.
fn solve_toeplitz(column: &[f64], b: &[f64]) -> Vec<f64> {
    if column[0] == 0.0 {
        return vec![0.0; b.len()];
    }
    // `predictor` solves the same system for the column that follows the one of `T`, with its sign turned.
    let (mut x, mut predictor, mut error) = (vec![b[0] / column[0]], Vec::<f64>::new(), column[0]);
    for n in 1..b.len() {
        let backwards =
            |x: &[f64]| -> f64 { column[1..].iter().zip(x.iter().rev()).map(|(c, x)| c * x).sum() };
        let reflection = -(column[n] + backwards(&predictor)) / error;
        let mirrored: Vec<_> = predictor.iter().rev().copied().collect();
        predictor.iter_mut().zip(mirrored).for_each(|(a, mirrored)| *a += reflection * mirrored);
        predictor.push(reflection);
        error *= 1.0 - reflection * reflection;
        let next = (b[n] - backwards(&x)) / error;
        x.iter_mut().zip(predictor.iter().rev()).for_each(|(x, a)| *x += next * a);
        x.push(next);
    }
    x
}

#[cfg(test)]
mod tests {
    use super::{TAPS, WienerFilter, solve_toeplitz};
    use minuend_files::noise::noise;

    /// The example of O-Matrix's manual for its `levinson`, and a larger system by definition: what solves it gives the
    /// right-hand side again.
    #[test]
    fn solves_toeplitz_systems() {
        assert_eq!(solve_toeplitz(&[1.0, 0.5], &[1.0, 2.0]), [0.0, 2.0]);
        let column: Vec<_> = (0..40).map(|n| 3.0 * 0.9_f64.powi(n) * (0.7 * f64::from(n)).cos()).collect();
        let b: Vec<_> = noise(1).take(40).collect();
        let x = solve_toeplitz(&column, &b);
        for (row, b) in b.iter().enumerate() {
            let found: f64 = x.iter().enumerate().map(|(n, x)| column[row.abs_diff(n)] * x).sum();
            assert!((found - b).abs() < 1e-12, "{found}, not {b}");
        }
    }

    /// What comes 64 samples early or 447 late lies within the filter, a sample more does not.
    #[test]
    fn reaches_as_far_as_its_taps() {
        let filter = WienerFilter::new(4 * TAPS);
        let mut input: Vec<_> = noise(1).take(4 * TAPS).collect();
        // Silence at either end, so that nothing leaves the signal when it is moved.
        input[..TAPS].fill(0.0);
        input[3 * TAPS..].fill(0.0);
        let energy = |signal: &[f64]| signal.iter().map(|x| x * x).sum::<f64>();
        for (later, is_reached) in [(-65, false), (-64, true), (447, true), (448, false)] {
            let mut target = input.clone();
            if later < 0 {
                target.rotate_left(-later as usize)
            } else {
                target.rotate_right(later as usize)
            };
            let fitted = filter.fitted(&input, &target);
            let left: Vec<_> = target.iter().zip(&fitted).map(|(y, f)| y - f).collect();
            assert_eq!(energy(&left) < 1e-9 * energy(&target), is_reached, "{later}");
        }
    }
}
