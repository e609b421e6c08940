//! Frames of a stereo signal that is known as a whole.

use crate::dsp::ring::{Signal, Stereo, stereo};
use crate::spectral::twin_spectrum::{self, TwinSpectrum};
use crate::spectral::window::hann;
use realfft::num_complex::Complex32;
use std::ops::Range;
use std::sync::Arc;

/// Half-overlapping frames under a Hann window, of a stereo signal that may be shorter than one.
#[derive(Clone)]
pub struct Frames {
    spectrum: TwinSpectrum,
    window: Arc<[f32]>,
    twin: Vec<Complex32>,
    heard: Stereo,
}

impl Frames {
    /// Frames of `len` samples.
    pub fn new(len: usize) -> Self {
        Self {
            spectrum: TwinSpectrum::new(len),
            window: hann(len).into(),
            twin: vec![Complex32::default(); len],
            heard: stereo(len),
        }
    }

    /// How many frames a signal of `samples` gives; at least one.
    pub fn count(&self, samples: usize) -> usize {
        let len = self.window.len();
        1 + samples.saturating_sub(len) / (len / 2)
    }

    /// Bins from 0 Hz to half the sample rate.
    pub fn num_bins(&self) -> usize {
        self.window.len() / 2 + 1
    }

    /// The samples of one frame.
    pub fn part(&self, frame: usize) -> Range<usize> {
        let len = self.window.len();
        frame * len / 2..frame * len / 2 + len
    }

    /// Twin spectrum (see [`TwinSpectrum`]) of one frame.
    pub fn twin(&mut self, signal: &impl Signal, frame: usize) -> &[Complex32] {
        let part = self.part(frame);
        let num_samples = part.len().min(signal.num_samples() - part.start);
        let mut heard = std::mem::take(&mut self.heard);
        for (side, heard) in heard.iter_mut().enumerate() {
            signal.read(side, part.start, &mut heard[..num_samples]);
        }
        self.load(heard.each_ref().map(|side| &side[..num_samples]));
        self.heard = heard;
        self.spectrum.forward(&mut self.twin);
        &self.twin
    }

    /// Twin spectrum of the frame with which a signal begins; one shorter than a frame lies at its end.
    pub fn twin_of(&mut self, signal: [&[f32]; 2]) -> &[Complex32] {
        self.load(signal);
        self.spectrum.forward(&mut self.twin);
        &self.twin
    }

    fn load(&mut self, signal: [&[f32]; 2]) {
        let len = self.window.len();
        let heard = len.min(signal[0].len());
        let (rest, twin) = self.twin.split_at_mut(len - heard);
        rest.fill(Complex32::default());
        let [left, right] = signal.map(|side| &side[..heard]);
        twin_spectrum::load(&self.window[len - heard..], left, right, twin);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A step in the middle of each of three frames; and a signal shorter than a frame, which is one.
    #[test]
    fn frames_overlap_by_half() {
        let mut frames = Frames::new(16);
        assert_eq!([0, 15, 16, 23, 24, 32].map(|len| frames.count(len)), [1, 1, 1, 1, 2, 3]);
        assert_eq!((frames.part(2), frames.num_bins()), (16..32, 9));
        let (ones, zeros) = (vec![1.0; 32], vec![0.0; 32]);
        // The sum of a Hann window is half its length (textbook); its middle sample, 1, is the first of its later half.
        for frame in 0..3 {
            let twin = frames.twin(&[ones.clone(), zeros.clone()], frame);
            assert!((twin[0] - Complex32::new(8.0, 0.0)).norm() < 1e-5, "{frame}");
        }
        let short = frames.twin_of([&zeros[..8], &ones[..8]])[0];
        assert!((short - Complex32::new(0.0, 4.5)).norm() < 1e-5, "{short}");
    }
}
