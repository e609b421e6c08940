//! What is added to the backing to bring its bands to their levels: overlapping frames, summed.

use crate::dsp::ring::{Stereo, advance, stereo};
use crate::spectral::lanes::{self, LANES, Lanes, times};
use crate::spectral::stft::StereoBins;
use crate::spectral::twin_spectrum::TwinSpectrum;
use crate::spectral::window::hann;
use multiversion::multiversion;
use realfft::num_complex::{Complex, Complex32};

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
    pub fn add(&mut self, backing: &StereoBins, levels: &[Complex<Lanes>]) {
        add(self, backing, levels);
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn add(correction: &mut BandCorrection, [left, right]: &StereoBins, levels: &[Complex<Lanes>]) {
    let twin = &mut correction.twin;
    let (len, half) = (twin.len(), twin.len() / 2);
    for (group, ((&left, &right), &level)) in left.iter().zip(right).zip(levels).enumerate() {
        let at = group * LANES;
        let (left, right) = (times(level, left), times(level, right));
        let (re, im) = (left.re - right.im, left.im + right.re);
        let (mirrored_re, mirrored_im) = (left.re + right.im, right.re - left.im);
        // Above half the sample rate lie the mirrored bins.
        for lane in 0..LANES.min(half + 1 - at) {
            twin[(len - at - lane) % len] = Complex32::new(mirrored_re.0[lane], mirrored_im.0[lane]);
            twin[at + lane] = Complex32::new(re.0[lane], im.0[lane]);
        }
    }
    for (bin, group) in [(0, 0), (half, half / LANES)] {
        // There is no phase.
        let level = levels[group].re.0[bin % LANES];
        let [left, right] = [left, right].map(|side| level * lanes::bin(side, bin).re);
        twin[bin] = Complex32::new(left, right);
    }
    correction.spectrum.inverse(twin);
    // Squared Hann windows a quarter apart sum to 3/2.
    let scale = 1.0 / (1.5 * len as f32);
    let [left, right] = &mut correction.sum;
    for (((left, right), twin), window) in left.iter_mut().zip(right).zip(twin).zip(&correction.window) {
        *left += scale * window * twin.re;
        *right += scale * window * twin.im;
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
        let levels = vec![Complex { re: Lanes([0.25; LANES]), im: Lanes::default() }; len / 2 / LANES + 1];
        for at in (0..40 * step).step_by(step) {
            stft.push([[&silence, &silence], signal.each_ref().map(|side| &side[at..at + step])]);
            stft.analyse(&mut spectra);
            correction.advance();
            correction.add(&spectra[1], &levels);
            // The frame ends with the newest sample.
            for (sum, signal) in correction.sum().iter().zip(&signal).filter(|_| at + step >= 2 * len) {
                for (n, x) in sum[..step].iter().enumerate() {
                    assert!((x - 0.25 * signal[at + step - len + n]).abs() < 1e-5, "{at} {n}");
                }
            }
        }
    }
}
