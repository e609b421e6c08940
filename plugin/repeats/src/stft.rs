//! Short-time Fourier transform of a signal that is all there.

use std::{f32::consts::TAU, sync::Arc};

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex, num_complex::Complex32};

/// Cuts frames out of a signal under a Hann window, and adds them up again under another one.
#[derive(Clone)]
pub struct Stft {
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    window: Vec<f32>,
    time: Vec<f32>,
    scratch: Vec<Complex32>,
}

impl Stft {
    /// Frames of `len` samples, a quarter of that apart.
    pub fn new(len: usize) -> Self {
        let mut planner = RealFftPlanner::new();
        let (forward, inverse) = (planner.plan_fft_forward(len), planner.plan_fft_inverse(len));
        let scratch = forward.get_scratch_len().max(inverse.get_scratch_len());
        Self {
            window: (0..len).map(|n| 0.5 - 0.5 * (TAU * n as f32 / len as f32).cos()).collect(),
            time: vec![0.0; len],
            scratch: vec![Complex32::default(); scratch],
            forward,
            inverse,
        }
    }

    /// Bins of a spectrum.
    pub fn num_bins(&self) -> usize {
        self.window.len() / 2 + 1
    }

    /// The spectrum of the frame that begins at a sample of the signal, silent outside it.
    pub fn analyse(&mut self, signal: &[f32], at: i64, spectrum: &mut [Complex32]) {
        let len = self.window.len() as i64;
        let from = at.clamp(0, signal.len() as i64);
        let to = (at + len).clamp(from, signal.len() as i64);
        let inside = if from < to { (from - at) as usize..(to - at) as usize } else { 0..0 };
        self.time.fill(0.0);
        let heard = &signal[from as usize..to as usize];
        for ((time, x), w) in self.time[inside.clone()].iter_mut().zip(heard).zip(&self.window[inside]) {
            *time = x * w;
        }
        let planned = self.forward.process_with_scratch(&mut self.time, spectrum, &mut self.scratch);
        debug_assert!(planned.is_ok(), "lengths are those that were planned");
    }

    /// Adds the frame of a spectrum to a signal; `spectrum` is used up.
    pub fn synthesise(&mut self, spectrum: &mut [Complex32], out: &mut [f32]) {
        // Of a real signal these are real.
        spectrum[0].im = 0.0;
        spectrum[self.window.len() / 2].im = 0.0;
        let planned = self.inverse.process_with_scratch(spectrum, &mut self.time, &mut self.scratch);
        debug_assert!(planned.is_ok(), "lengths are those that were planned");
        // The squares of Hann windows a quarter apart add up to 1.5.
        let scale = 1.0 / (1.5 * self.window.len() as f32);
        for ((out, x), w) in out.iter_mut().zip(&self.time).zip(&self.window) {
            *out += x * w * scale;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::noise;

    /// Taken apart and put together, a signal is itself, up to its ends and beyond.
    #[test]
    fn frames_add_up_to_the_signal() {
        let (len, hop) = (64, 16);
        let signal = noise(1, 1000);
        let mut stft = Stft::new(len);
        let mut spectrum = vec![Complex32::default(); stft.num_bins()];
        let num_frames = (signal.len() + len) / hop + 1;
        let mut out = vec![0.0; num_frames * hop + len];
        for frame in 0..num_frames {
            stft.analyse(&signal, (frame * hop) as i64 - len as i64, &mut spectrum);
            stft.synthesise(&mut spectrum, &mut out[frame * hop..][..len]);
        }
        for (found, expected) in out[len..].iter().zip(&signal) {
            assert!((found - expected).abs() < 1e-6, "{found}, not {expected}");
        }
        stft.analyse(&signal, 5000, &mut spectrum);
        assert!(spectrum.iter().all(|bin| bin.norm() == 0.0), "nothing beyond the end");
    }
}
