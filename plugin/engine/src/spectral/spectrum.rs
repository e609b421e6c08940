//! Planned real Fourier transforms with their own scratch memory.

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex, num_complex::Complex32};
use std::sync::{Arc, LazyLock, Mutex, PoisonError};

/// Planning takes longer than a transform, and jobs plan the same lengths over and over, each on any thread.
static PLANNER: LazyLock<Mutex<RealFftPlanner<f32>>> = LazyLock::new(|| Mutex::new(RealFftPlanner::new()));

/// Transforms of one length, forward and back; allocates nothing after [`Spectrum::new`].
pub struct Spectrum {
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    scratch: Vec<Complex32>,
    time: Vec<f32>,
    bins: Vec<Complex32>,
}

impl Spectrum {
    /// Plans transforms of `len` samples, an even number.
    pub fn new(len: usize) -> Self {
        // A plan is whole or not there, whoever panicked.
        let mut planner = PLANNER.lock().unwrap_or_else(PoisonError::into_inner);
        let (forward, inverse) = (planner.plan_fft_forward(len), planner.plan_fft_inverse(len));
        drop(planner);
        let scratch = forward.get_scratch_len().max(inverse.get_scratch_len());
        Self {
            scratch: vec![Complex32::default(); scratch],
            time: forward.make_input_vec(),
            bins: forward.make_output_vec(),
            forward,
            inverse,
        }
    }

    /// Length of a transform, samples.
    pub fn len(&self) -> usize {
        self.time.len()
    }

    /// Number of bins, from 0 Hz to half the sample rate.
    pub fn num_bins(&self) -> usize {
        self.bins.len()
    }

    /// The time signal that the next [`Spectrum::forward`] transforms, to be filled by the caller; its content is
    /// undefined.
    pub fn time(&mut self) -> &mut [f32] {
        &mut self.time
    }

    /// Spectrum of [`Spectrum::time`], unscaled.
    pub fn forward(&mut self, bins: &mut [Complex32]) {
        // Lengths are fixed by the plan, so neither direction can fail.
        let done = self.forward.process_with_scratch(&mut self.time, bins, &mut self.scratch);
        debug_assert!(done.is_ok());
    }

    /// As [`Spectrum::forward`], where the spectrum is not kept.
    pub fn bins_of_time(&mut self) -> &[Complex32] {
        let done = self.forward.process_with_scratch(&mut self.time, &mut self.bins, &mut self.scratch);
        debug_assert!(done.is_ok());
        &self.bins
    }

    /// Time signal of `bins`, scaled so that forward and inverse cancel. Imaginary parts of the first and last
    /// bin are ignored.
    pub fn inverse(&mut self, bins: &[Complex32]) -> &mut [f32] {
        self.bins.copy_from_slice(bins);
        self.time_of_bins()
    }

    /// The spectrum that the next [`Spectrum::time_of_bins`] transforms, to be filled by the caller; its content is undefined.
    pub fn bins(&mut self) -> &mut [Complex32] {
        &mut self.bins
    }

    /// As [`Spectrum::inverse`], of [`Spectrum::bins`].
    pub fn time_of_bins(&mut self) -> &mut [f32] {
        self.bins[0].im = 0.0;
        let last = self.bins.len() - 1;
        self.bins[last].im = 0.0;
        let done = self.inverse.process_with_scratch(&mut self.bins, &mut self.time, &mut self.scratch);
        debug_assert!(done.is_ok());
        let scale = 1.0 / self.time.len() as f32;
        self.time.iter_mut().for_each(|x| *x *= scale);
        &mut self.time
    }
}
