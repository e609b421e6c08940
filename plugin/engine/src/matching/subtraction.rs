//! What a filter leaves of a long stretch, read part by part.

use crate::dsp::ring::{Signal, Stereo, stereo};
use crate::matching::taps::{Convolver, Taps};
use std::ops::Range;

/// Residual and matched backing, filtered as far as they are asked for.
pub struct Subtraction<'a, X, Y> {
    mix: &'a X,
    backing: &'a Y,
    convolver: Convolver,
    /// What is kept begins here.
    from: usize,
    matched: Stereo,
    residual: Stereo,
}

impl<'a, X: Signal, Y: Signal> Subtraction<'a, X, Y> {
    /// Nothing read yet of a mix, and of a backing that reaches half a filter beyond it at either end.
    pub fn new(mix: &'a X, backing: &'a Y, active: &Taps) -> Self {
        let convolver = Convolver::new(active);
        Self { mix, backing, convolver, from: 0, matched: stereo(0), residual: stereo(0) }
    }

    /// Residual and matched backing in a part, or what there is of it.
    pub fn read(&mut self, part: Range<usize>) -> [[&[f32]; 2]; 2] {
        let end = self.from + self.matched[0].len();
        if part.start < self.from || part.end.min(self.mix.num_samples()) > end {
            self.fill(part.start, part.end);
        }
        let at = part.start - self.from;
        [&self.residual, &self.matched].map(|signal| signal.each_ref().map(|side| &side[at..]))
    }

    /// Drops what lies before `from`, and filters what is missing up to `to`, as far as there is music.
    fn fill(&mut self, from: usize, to: usize) {
        let end = self.from + self.matched[0].len();
        let kept = if (self.from..end).contains(&from) { end - from } else { 0 };
        for side in self.matched.iter_mut().chain(&mut self.residual) {
            side.drain(..side.len() - kept);
        }
        self.from = from;
        let len = self.mix.num_samples();
        if from + kept < to.min(len) {
            // As much at once as the convolver takes.
            let ahead = self.convolver.block_samples();
            let part = from + kept..len.min(to.max(from + kept + ahead));
            self.convolver.run(self.backing, part.clone(), &mut self.matched);
            for (side, (residual, matched)) in self.residual.iter_mut().zip(&self.matched).enumerate() {
                residual.resize(matched.len(), 0.0);
                self.mix.read(side, part.start, &mut residual[kept..]);
                residual[kept..].iter_mut().zip(&matched[kept..]).for_each(|(e, b)| *e -= b);
            }
        }
    }
}
