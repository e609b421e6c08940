//! What is added to the backing to bring its bands to their levels: overlapping frames, summed.

use crate::dsp::ring::{Stereo, advance, stereo};
use crate::spectral::lanes;
use crate::spectral::stft::StereoBins;
use crate::spectral::twin_spectrum::TwinSpectrum;
use crate::spectral::window::hann;
use realfft::num_complex::Complex32;

/// The sum.
pub struct BandCorrection {
    spectrum: TwinSpectrum,
    window: Vec<f32>,
    twin: Vec<Complex32>,
    step: usize,
    /// Leaves from the front.
    sum: Stereo,
}

impl BandCorrection {
    /// For frames of `len` samples, a quarter of which is `step`.
    pub fn new(len: usize, step: usize) -> Self {
        Self {
            spectrum: TwinSpectrum::new(len),
            window: hann(len),
            twin: vec![Complex32::default(); len],
            step,
            sum: stereo(len + step),
        }
    }

    /// Length of a frame, samples.
    pub fn frame_samples(&self) -> usize {
        self.window.len()
    }

    /// Forgets the signals.
    pub fn reset(&mut self) {
        self.sum.iter_mut().for_each(|side| side.fill(0.0));
    }

    /// The sum, one step of it whole.
    pub fn sum(&self) -> &Stereo {
        &self.sum
    }

    /// Lets one step leave.
    pub fn advance(&mut self) {
        advance(&mut self.sum, self.step);
    }

    /// Adds the backing in one frame, each bin times its level, and turned by its phase. The frame was taken under a Hann window.
    pub fn add(&mut self, backing: &StereoBins, level: impl Fn(usize) -> Complex32) {
        let len = self.twin.len();
        for bin in 0..=len / 2 {
            let mut level = level(bin);
            if bin == 0 || bin == len / 2 {
                // There is no phase.
                level.im = 0.0;
            }
            let [left, right] = backing.each_ref().map(|side| level * lanes::bin(side, bin));
            self.twin[bin] = left + Complex32::i() * right;
            self.twin[(len - bin) % len] = left.conj() + Complex32::i() * right.conj();
        }
        self.spectrum.inverse(&mut self.twin);
        // Squared Hann windows a quarter apart sum to 3/2.
        let scale = 1.0 / (1.5 * len as f32);
        let [left, right] = &mut self.sum;
        for (((left, right), twin), window) in left.iter_mut().zip(right).zip(&self.twin).zip(&self.window) {
            *left += scale * window * twin.re;
            *right += scale * window * twin.im;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;
    use crate::spectral::stft::{Stft, stereo_bins};

    /// With the same level everywhere it is the backing times that level.
    #[test]
    fn a_level_of_all_bins_scales_the_backing() {
        let (len, step) = (64, 16);
        let signal = [noise(40 * step, 1), noise(40 * step, 2)];
        let (mut stft, mut correction) = (Stft::new(len, 0, len / 2 + 1), BandCorrection::new(len, step));
        let mut spectra = [stereo_bins(len / 2 + 1), stereo_bins(len / 2 + 1)];
        let silence = vec![0.0; step];
        for at in (0..40 * step).step_by(step) {
            stft.push([[&silence, &silence], signal.each_ref().map(|side| &side[at..at + step])]);
            stft.analyse(&mut spectra);
            correction.advance();
            correction.add(&spectra[1], |_| 0.25.into());
            // The frame ends with the newest sample.
            for (sum, signal) in correction.sum().iter().zip(&signal).filter(|_| at + step >= 2 * len) {
                for (n, x) in sum[..step].iter().enumerate() {
                    assert!((x - 0.25 * signal[at + step - len + n]).abs() < 1e-5, "{at} {n}");
                }
            }
        }
    }
}
