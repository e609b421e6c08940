//! A hop of a signal and where it belongs.

use crate::dsp::ring::{Stereo, stereo};

/// One hop of a stereo signal. Stages hand these on, so that nobody needs to know how far a stage lags.
pub struct Hop {
    /// Position, in samples of the mix since the last reset, of the first sample.
    pub at: i64,
    /// Left and right.
    pub audio: Stereo,
}

impl Hop {
    /// Silence of `len` samples.
    pub fn new(len: usize) -> Self {
        Self { at: 0, audio: stereo(len) }
    }

    /// Length, samples.
    pub fn len(&self) -> usize {
        self.audio[0].len()
    }

    /// Left and right as slices.
    pub fn sides(&self) -> [&[f32]; 2] {
        [&self.audio[0], &self.audio[1]]
    }
}
