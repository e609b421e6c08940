//! Fourier transforms of both sides of a stereo signal at once: left as the real part, right as the imaginary part.

use crate::spectral::lanes::{LANES, Lanes, Real, power, reversed};
use multiversion::multiversion;
use rustfft::{
    Fft, FftPlanner,
    num_complex::{Complex, Complex32},
};
use std::sync::{Arc, LazyLock, Mutex, PoisonError};

/// Planning takes longer than a transform, and jobs plan the same lengths over and over, each on any thread.
static PLANNER: LazyLock<Mutex<FftPlanner<f32>>> = LazyLock::new(|| Mutex::new(FftPlanner::new()));

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
        // A plan is whole or not there, whoever panicked.
        let mut planner = PLANNER.lock().unwrap_or_else(PoisonError::into_inner);
        let (forward, inverse) = (planner.plan_fft_forward(len), planner.plan_fft_inverse(len));
        drop(planner);
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

/// Left and right under a window as real and imaginary parts.
#[multiversion(targets("x86_64+avx2"))]
pub fn load(window: &[f32], left: &[f32], right: &[f32], twin: &mut [Complex32]) {
    for (((twin, w), l), r) in twin.iter_mut().zip(window).zip(left).zip(right) {
        *twin = Complex32::new(w * l, w * r);
    }
}

/// Spectra of left and right in one bin, of the twin spectrum's values there and in the mirrored bin.
#[inline(always)]
pub fn sides<T: Real>(twin: Complex<T>, mirrored: Complex<T>) -> [Complex<T>; 2] {
    let half = T::all(0.5);
    let left = Complex { re: half * (twin.re + mirrored.re), im: half * (twin.im - mirrored.im) };
    let right = Complex { re: half * (twin.im + mirrored.im), im: -half * (twin.re - mirrored.re) };
    [left, right]
}

/// Spectra of left and right, from 0 Hz to half the sample rate; either has room for at least as many bins.
#[multiversion(targets("x86_64+avx2"))]
pub fn split(twin: &[Complex32], left: &mut [Complex32], right: &mut [Complex32]) {
    [left[0], right[0]] = sides(twin[0], twin[0]);
    let num_bins = twin.len() / 2 + 1;
    let mut at = 1;
    while at + LANES <= num_bins {
        let [l, r] = sides(Lanes::load_complex(twin, at), mirrored(twin, at));
        for lane in 0..LANES {
            left[at + lane] = Complex32::new(l.re.0[lane], l.im.0[lane]);
            right[at + lane] = Complex32::new(r.re.0[lane], r.im.0[lane]);
        }
        at += LANES;
    }
    for k in at..num_bins {
        [left[k], right[k]] = sides(twin[k], twin[twin.len() - k]);
    }
}

/// Power of both sides together, times `scale`, in the bins from `first` on: between mirrored bins the cross terms of a twin
/// spectrum cancel.
#[multiversion(targets("x86_64+avx2"))]
pub fn powers(twin: &[Complex32], first: usize, scale: f32, powers: &mut [f32]) {
    let end = first + powers.len();
    let single = |k: usize| scale * (twin[k].norm_sqr() + twin[(twin.len() - k) % twin.len()].norm_sqr());
    let mut at = first;
    if first == 0 {
        powers[0] = single(0);
        at = 1;
    }
    while at + LANES <= end {
        let both = power(Lanes::load_complex(twin, at)) + power(mirrored(twin, at));
        powers[at - first..][..LANES].copy_from_slice(&(Lanes::all(scale) * both).0);
        at += LANES;
    }
    (at..end).for_each(|k| powers[k - first] = single(k));
}

/// The bins that mirror those from `at` on, which is not 0.
#[inline(always)]
pub fn mirrored(twin: &[Complex32], at: usize) -> Complex<Lanes> {
    reversed(Lanes::load_complex(twin, twin.len() - at + 1 - LANES))
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
        // From 0 Hz on and further up, in whole lanes and what is left of them.
        for (first, num_bins) in [(0, len / 2 + 1), (0, 1), (5, 8), (5, 20), (30, 3)] {
            let mut powers = vec![0.0; num_bins];
            super::powers(&twin, first, 0.25, &mut powers);
            for (k, power) in (first..).zip(powers) {
                let both = 0.5 * (sides[0][k].norm_sqr() + sides[1][k].norm_sqr());
                assert!((power - both).abs() < 1e-5 * both, "bin {k} from {first} on: {power} for {both}");
            }
        }
    }
}
