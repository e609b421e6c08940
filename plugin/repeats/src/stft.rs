//! Short-time Fourier transform of a signal that is all there.

use minuend_fourier::{Transform, hann};
use realfft::num_complex::Complex32;

/// Cuts frames out of a signal under a Hann window, and adds them up again under another one.
#[derive(Clone)]
pub struct Stft {
    transform: Transform,
    window: Vec<f32>,
    frame: Vec<f32>,
}

impl Stft {
    /// Frames of `len` samples, a quarter of that apart.
    pub fn new(len: usize) -> Self {
        Self { transform: Transform::new(len), window: hann(len), frame: vec![0.0; len] }
    }

    /// Bins of a spectrum.
    pub fn num_bins(&self) -> usize {
        self.transform.num_bins()
    }

    /// The spectrum of the frame that begins at a sample of the signal, silent outside it.
    pub fn analyse(&mut self, signal: &[f32], at: i64, spectrum: &mut [Complex32]) {
        let len = self.window.len() as i64;
        let from = at.clamp(0, signal.len() as i64);
        let to = (at + len).clamp(from, signal.len() as i64);
        let inside = if from < to { (from - at) as usize..(to - at) as usize } else { 0..0 };
        self.frame.fill(0.0);
        self.frame[inside].copy_from_slice(&signal[from as usize..to as usize]);
        self.transform.forward_under(&self.window, &self.frame, spectrum);
    }

    /// Adds the frame of a spectrum to a signal.
    pub fn synthesise(&mut self, spectrum: &[Complex32], out: &mut [f32]) {
        // The squares of Hann windows a quarter apart add up to 1.5.
        let scale = 1.0 / (1.5 * self.window.len() as f32);
        for ((out, x), w) in out.iter_mut().zip(self.transform.inverse(spectrum)).zip(&self.window) {
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
            stft.synthesise(&spectrum, &mut out[frame * hop..][..len]);
        }
        for (found, expected) in out[len..].iter().zip(&signal) {
            assert!((found - expected).abs() < 1e-6, "{found}, not {expected}");
        }
        stft.analyse(&signal, 5000, &mut spectrum);
        assert!(spectrum.iter().all(|bin| bin.norm() == 0.0), "nothing beyond the end");
    }
}
