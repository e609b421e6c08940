//! The overlapping sum of what is taken out of frames that overlap fourfold.

use crate::dsp::ring::{Stereo, advance, stereo};
use crate::spectral::spectrum::Spectrum;
use crate::spectral::window::root_hann;
use realfft::num_complex::Complex32;
use std::f32::consts::FRAC_1_SQRT_2;

/// What is taken out, frame by frame.
pub struct Removal {
    spectrum: Spectrum,
    window: Vec<f32>,
    step: usize,
    /// What is taken out of the present frame, mid and side; to be filled before [`Removal::add`].
    pub bins: [Vec<Complex32>; 2],
    /// Left and right; leaves from the front.
    removed: Stereo,
}

impl Removal {
    /// For frames of `frame` samples, `step` samples apart.
    pub fn new(frame: usize, step: usize) -> Self {
        let spectrum = Spectrum::new(frame);
        let num_bins = spectrum.num_bins();
        Self {
            window: root_hann(frame),
            step,
            bins: std::array::from_fn(|_| vec![Complex32::default(); num_bins]),
            removed: stereo(frame + step),
            spectrum,
        }
    }

    /// Forgets the signals.
    pub fn reset(&mut self) {
        self.removed.iter_mut().for_each(|x| x.fill(0.0));
    }

    /// The sum, one step of it whole.
    pub fn removed(&self) -> &Stereo {
        &self.removed
    }

    /// Goes on to the next frame, out of which nothing is taken so far.
    pub fn advance(&mut self) {
        advance(&mut self.removed, self.step);
    }

    /// Adds what is taken out of the frame; its bins are left and right then.
    pub fn add(&mut self) {
        let [mid, side] = &mut self.bins;
        for (m, s) in mid.iter_mut().zip(side) {
            (*m, *s) = ((*m + *s) * FRAC_1_SQRT_2, (*m - *s) * FRAC_1_SQRT_2);
        }
        // Squared root Hann windows a quarter apart sum to 2.
        let scale = 0.5;
        for (sum, bins) in self.removed.iter_mut().zip(&self.bins) {
            let frame = self.spectrum.inverse(bins);
            let to = &mut sum[..frame.len()];
            to.iter_mut().zip(frame).zip(&self.window).for_each(|((s, x), w)| *s += scale * *x * w);
        }
    }
}
