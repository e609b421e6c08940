//! Fourier transforms of real signals, of one length.

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
    /// Of so many samples.
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

    /// The spectrum of a signal.
    pub fn forward(&mut self, signal: &[f32], spectrum: &mut [Complex32]) {
        self.time.copy_from_slice(signal);
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

/// The spectrum of a frame under a Hann window from that of the frame without it: the window has three lines.
pub fn windowed(spectrum: &[Complex32], windowed: &mut [Complex32]) {
    let last = spectrum.len() - 1;
    let at = |bin: isize| match bin {
        -1 => spectrum[1].conj(),
        bin if bin as usize > last => spectrum[last - 1].conj(),
        bin => spectrum[bin as usize],
    };
    for (bin, windowed) in windowed.iter_mut().enumerate() {
        let bin = bin as isize;
        *windowed = at(bin) * 0.5 - (at(bin - 1) + at(bin + 1)) * 0.25;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::noise;

    #[test]
    fn a_window_can_be_laid_over_a_spectrum() {
        let len = 64;
        let signal = noise(1, len);
        let mut transform = Transform::new(len);
        let [mut plain, mut found, mut expected] = [0; 3].map(|_| vec![Complex32::default(); len / 2 + 1]);
        transform.forward(&signal, &mut plain);
        windowed(&plain, &mut found);
        let under: Vec<f32> = signal.iter().zip(hann(len)).map(|(x, w)| x * w).collect();
        transform.forward(&under, &mut expected);
        for (found, expected) in found.iter().zip(&expected) {
            assert!((found - expected).norm() < 1e-5, "{found}, not {expected}");
        }
        let back = transform.inverse(&plain);
        assert!(back.iter().zip(&signal).all(|(back, x)| (back / len as f32 - x).abs() < 1e-6));
    }
}
