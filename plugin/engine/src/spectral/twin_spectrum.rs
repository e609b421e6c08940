//! Fourier transforms of both sides of a stereo signal at once: left as the real part, right as the imaginary part.

use rustfft::{Fft, FftPlanner, num_complex::Complex32};
use std::cell::RefCell;
use std::sync::Arc;

thread_local! {
    // Planning takes longer than a transform, and jobs plan the same lengths over and over.
    static PLANNER: RefCell<FftPlanner<f32>> = RefCell::new(FftPlanner::new());
}

/// Complex transforms of one length, forward and back. Allocates nothing after [`TwinSpectrum::new`].
#[derive(Clone)]
pub struct TwinSpectrum {
    forward: Arc<dyn Fft<f32>>,
    inverse: Arc<dyn Fft<f32>>,
    scratch: Vec<Complex32>,
}

impl TwinSpectrum {
    /// Plans transforms of `len` samples.
    pub fn new(len: usize) -> Self {
        let (forward, inverse) =
            PLANNER.with_borrow_mut(|planner| (planner.plan_fft_forward(len), planner.plan_fft_inverse(len)));
        let scratch = forward.get_inplace_scratch_len().max(inverse.get_inplace_scratch_len());
        Self { scratch: vec![Complex32::default(); scratch], forward, inverse }
    }

    /// Transforms in place, unscaled.
    pub fn forward(&mut self, twin: &mut [Complex32]) {
        self.forward.process_with_scratch(twin, &mut self.scratch);
    }

    /// Transforms back in place; forward and inverse multiply by the length.
    pub fn inverse(&mut self, twin: &mut [Complex32]) {
        self.inverse.process_with_scratch(twin, &mut self.scratch);
    }
}

/// Spectra of left and right in one bin, of the twin spectrum's values there and in the mirrored bin.
#[inline(always)]
pub fn sides(twin: Complex32, mirrored: Complex32) -> [Complex32; 2] {
    let (sum, difference) = (twin + mirrored.conj(), twin - mirrored.conj());
    [sum * 0.5, Complex32::new(0.5 * difference.im, -0.5 * difference.re)]
}

/// Spectra of left and right, from 0 Hz to half the sample rate; either has room for at least as many bins.
pub fn split(twin: &[Complex32], left: &mut [Complex32], right: &mut [Complex32]) {
    [left[0], right[0]] = sides(twin[0], twin[0]);
    let half = twin.len() / 2;
    let mirrored = twin[1..=half].iter().zip(twin[half..].iter().rev());
    for ((left, right), (x, m)) in left[1..].iter_mut().zip(&mut right[1..]).zip(mirrored) {
        [*left, *right] = sides(*x, *m);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;
    use crate::spectral::spectrum::Spectrum;

    #[test]
    fn splits_into_what_one_transform_a_side_gives() {
        let (len, left, right) = (64, noise(64, 1), noise(64, 2));
        let mut twin: Vec<_> = left.iter().zip(&right).map(|(&l, &r)| Complex32::new(l, r)).collect();
        TwinSpectrum::new(len).forward(&mut twin);
        let mut sides = [(); 2].map(|()| vec![Complex32::default(); len / 2 + 1]);
        let [l, r] = &mut sides;
        split(&twin, l, r);
        let mut spectrum = Spectrum::new(len);
        for (signal, side) in [left, right].iter().zip(&sides) {
            let mut bins = vec![Complex32::default(); len / 2 + 1];
            spectrum.time().copy_from_slice(signal);
            spectrum.forward(&mut bins);
            assert!(bins.iter().zip(side).all(|(a, b)| (a - b).norm() < 1e-5));
        }
    }
}
