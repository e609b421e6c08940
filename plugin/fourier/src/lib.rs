//! Fourier transforms of real signals, of one length, with their own scratch memory: for what works on whole songs. The engine has
//! its own, which scales, and plans once a thread.

use std::{f32::consts::TAU, sync::Arc};

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex, num_complex::Complex32};

/// Forth and back; neither is scaled.
#[derive(Clone)]
pub struct Transform {
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    time: Vec<f32>,
    bins: Vec<Complex32>,
    scratch: Vec<Complex32>,
}

impl Transform {
    /// Of so many samples, an even number.
    pub fn new(len: usize) -> Self {
        let mut planner = RealFftPlanner::new();
        let (forward, inverse) = (planner.plan_fft_forward(len), planner.plan_fft_inverse(len));
        let scratch = forward.get_scratch_len().max(inverse.get_scratch_len());
        Self {
            time: vec![0.0; len],
            bins: vec![Complex32::default(); len / 2 + 1],
            scratch: vec![Complex32::default(); scratch],
            forward,
            inverse,
        }
    }

    /// Bins of a spectrum, from 0 Hz to half the sample rate.
    pub fn num_bins(&self) -> usize {
        self.bins.len()
    }

    /// The spectrum of a signal.
    pub fn forward(&mut self, signal: &[f32], spectrum: &mut [Complex32]) {
        self.time.copy_from_slice(signal);
        self.transform(spectrum);
    }

    /// The spectrum of a signal under a window.
    pub fn forward_under(&mut self, window: &[f32], signal: &[f32], spectrum: &mut [Complex32]) {
        self.time.iter_mut().zip(signal).zip(window).for_each(|((time, x), w)| *time = x * w);
        self.transform(spectrum);
    }

    fn transform(&mut self, spectrum: &mut [Complex32]) {
        let planned = self.forward.process_with_scratch(&mut self.time, spectrum, &mut self.scratch);
        debug_assert!(planned.is_ok(), "lengths are those that were planned");
    }

    /// The signal of a spectrum, as many times as it is long.
    pub fn inverse(&mut self, spectrum: &[Complex32]) -> &[f32] {
        self.bins.copy_from_slice(spectrum);
        // Of a real signal these are real.
        self.bins[0].im = 0.0;
        let last = self.bins.len() - 1;
        self.bins[last].im = 0.0;
        let planned = self.inverse.process_with_scratch(&mut self.bins, &mut self.time, &mut self.scratch);
        debug_assert!(planned.is_ok(), "lengths are those that were planned");
        &self.time
    }
}

/// A Hann window of a length, periodic.
pub fn hann(len: usize) -> Vec<f32> {
    (0..len).map(|n| 0.5 - 0.5 * (TAU * n as f32 / len as f32).cos()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A cosine of three periods is half in bin 3, under a Hann window a quarter in it and an eighth, upside down, in either
    /// neighbour (Harris 1978, from memory); and it comes back.
    #[test]
    fn a_cosine_is_its_bins_and_comes_back() {
        let len = 16;
        let signal: Vec<f32> = (0..len).map(|n| (TAU * 3.0 * n as f32 / len as f32).cos()).collect();
        let mut transform = Transform::new(len);
        let mut spectrum = vec![Complex32::default(); transform.num_bins()];
        let expect = |spectrum: &[Complex32], lines: &[(usize, f32)]| {
            for (bin, found) in spectrum.iter().enumerate() {
                let line = lines.iter().find(|line| line.0 == bin).map_or(0.0, |line| line.1 * len as f32);
                assert!((found - line).norm() < 1e-5, "bin {bin}: {found}, not {line}");
            }
        };
        transform.forward_under(&hann(len), &signal, &mut spectrum);
        expect(&spectrum, &[(2, -0.125), (3, 0.25), (4, -0.125)]);
        transform.forward(&signal, &mut spectrum);
        expect(&spectrum, &[(3, 0.5)]);
        let back = transform.inverse(&spectrum);
        assert!(back.iter().zip(&signal).all(|(back, x)| (back / len as f32 - x).abs() < 1e-6));
    }
}
