//! Spectra of short frames.

use std::sync::Arc;

use realfft::{RealFftPlanner, RealToComplex, num_complex::Complex32};

/// Takes spectra of frames under a Hann window.
pub struct Spectra {
    forward: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    time: Vec<f32>,
    scratch: Vec<Complex32>,
}

impl Spectra {
    /// Of frames of so many samples.
    pub fn new(len: usize) -> Self {
        let forward = RealFftPlanner::new().plan_fft_forward(len);
        let angle = |n: usize| std::f32::consts::TAU * n as f32 / len as f32;
        Self {
            window: (0..len).map(|n| 0.5 - 0.5 * angle(n).cos()).collect(),
            time: vec![0.0; len],
            scratch: forward.make_scratch_vec(),
            forward,
        }
    }

    /// Room for one.
    pub fn room(&self) -> Vec<Complex32> {
        self.forward.make_output_vec()
    }

    /// The spectrum of a frame, which is as long as was said.
    pub fn take(&mut self, frame: &[f32], spectrum: &mut [Complex32]) {
        for ((time, x), w) in self.time.iter_mut().zip(frame).zip(&self.window) {
            *time = x * w;
        }
        let planned = self.forward.process_with_scratch(&mut self.time, spectrum, &mut self.scratch);
        debug_assert!(planned.is_ok(), "lengths are those that were planned");
    }
}
