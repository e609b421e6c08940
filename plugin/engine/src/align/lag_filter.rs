//! The filter through which the backing is compared with the mix, as its responses.

use crate::matching::taps::{Taps, bulk_delay_samples};
use crate::spectral::spectrum::Spectrum;
use realfft::num_complex::Complex32;

/// Responses of a filter at the bins of a frame.
pub struct LagFilter {
    spectrum: Spectrum,
    /// `[to_side][from_side][bin]`.
    pub responses: [[Vec<Complex32>; 2]; 2],
    is_silent: bool,
    delay_samples: f64,
}

impl LagFilter {
    /// A filter that lets nothing pass, for frames of `frame` samples. Allocates.
    pub fn new(frame: usize) -> Self {
        let spectrum = Spectrum::new(frame);
        let zeros = || vec![Complex32::default(); spectrum.num_bins()];
        Self {
            responses: std::array::from_fn(|_| std::array::from_fn(|_| zeros())),
            is_silent: true,
            delay_samples: 0.0,
            spectrum,
        }
    }

    /// Takes a filter.
    pub fn set(&mut self, taps: &Taps) {
        self.is_silent = taps.is_silent();
        let frame = self.spectrum.len();
        let centre = taps.num_taps() / 2;
        let half = frame.min(taps.num_taps()) / 2;
        for (response, h) in self.responses.iter_mut().flatten().zip(taps.h.iter().flatten()) {
            let time = self.spectrum.time();
            time.fill(0.0);
            time[..half].copy_from_slice(&h[centre..centre + half]);
            time[frame - half..].copy_from_slice(&h[centre - half..centre]);
            self.spectrum.forward(response);
        }
        self.delay_samples = bulk_delay_samples(&self.responses, frame);
    }

    /// Whether nothing passes.
    pub fn is_silent(&self) -> bool {
        self.is_silent
    }

    /// Delay of the whole filter, samples.
    pub fn delay_samples(&self) -> f64 {
        self.delay_samples
    }
}
