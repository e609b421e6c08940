//! Finds out how a value moves, with a bank of trackers that differ in their process noise (multiple-model estimation,
//! after Magill 1965; from memory).
//!
//! The value is measured in two halves that share nothing but its movement. Each tracker follows it in one half and is
//! judged by how well it predicts the other: what moves in both alike is movement, all else is an error of measurement.
//! That rule is ours; maximum likelihood within one half sees movement where there is none, because a voice is no white
//! noise.

use crate::dsp::kalman::Track;

/// A bank of `N` trackers.
#[derive(Clone)]
pub struct ProcessNoiseBank<T: Track, const N: usize> {
    dynamics: [T::Dynamics; N],
    trials: [Trial<T>; N],
    blocks: Blocks,
    /// Steps in the present block.
    block_steps: usize,
    num_blocks: usize,
}

/// How costs are summed.
#[derive(Clone, Copy)]
pub struct Blocks {
    /// Steps in a block.
    pub steps: usize,
    /// Factor by which what was summed counts less after each block.
    pub decay: f64,
    /// Most that one block counts for in the votes; infinite = as much as it reduced the cost.
    pub max_vote: f64,
}

/// One tracker of the bank.
#[derive(Clone, Copy)]
pub struct Trial<T> {
    /// The value as tracked in either half.
    pub tracks: [T; 2],
    /// Cost reduction in this block.
    block: f64,
    /// Cost reduction in all blocks, of which older ones count less.
    pub reduction: f64,
    /// The same with no block counting for more than [`Blocks::max_vote`], and the sum of its squares.
    pub votes: f64,
    /// See [`Trial::votes`].
    pub squares: f64,
}

impl<T: Track, const N: usize> ProcessNoiseBank<T, N> {
    /// A bank that has heard nothing; all trackers start from one state.
    pub fn new(dynamics: [T::Dynamics; N], blocks: Blocks, start: T) -> Self {
        Self { dynamics, trials: [Trial::new(start); N], blocks, block_steps: 0, num_blocks: 0 }
    }

    /// Starts over.
    pub fn restart(&mut self, start: T) {
        self.trials = [Trial::new(start); N];
        (self.block_steps, self.num_blocks) = (0, 0);
    }

    /// The trackers.
    pub fn trials(&self) -> &[Trial<T>; N] {
        &self.trials
    }

    /// What all trackers follow.
    pub fn tracks_mut(&mut self) -> impl Iterator<Item = &mut T> {
        self.trials.iter_mut().flat_map(|trial| &mut trial.tracks)
    }

    /// How the tracker of this index takes the value to move.
    pub fn dynamics(&self, trial: usize) -> T::Dynamics {
        self.dynamics[trial]
    }

    /// Whole blocks heard.
    pub fn num_blocks(&self) -> usize {
        self.num_blocks
    }

    /// Passes a step in which nothing was measured.
    pub fn pass(&mut self) {
        for (trial, &dynamics) in self.trials.iter_mut().zip(&self.dynamics) {
            trial.tracks.iter_mut().for_each(|track| track.predict(dynamics));
        }
    }

    /// Takes the value measured in either half, with its variance; true at the end of a block. `cost(half, expected)` is
    /// what it costs to have expected a value in a half; `still` is what a value that does not move, as far as one half
    /// knows it, makes expect in the other.
    pub fn hear(
        &mut self,
        measured: [f64; 2],
        variance: [f64; 2],
        still: [f64; 2],
        cost: impl Fn(usize, f64) -> f64,
    ) -> bool {
        let still_cost = [cost(1, still[0]), cost(0, still[1])];
        for (trial, &dynamics) in self.trials.iter_mut().zip(&self.dynamics) {
            for half in 0..2 {
                let track = &mut trial.tracks[half];
                track.predict(dynamics);
                track.correct(measured[half], variance[half]);
                trial.block += still_cost[half] - cost(1 - half, track.value());
            }
        }
        self.block_steps += 1;
        let is_whole = self.block_steps == self.blocks.steps;
        if is_whole {
            self.end_block();
        }
        is_whole
    }

    fn end_block(&mut self) {
        let Blocks { decay, max_vote, .. } = self.blocks;
        for trial in &mut self.trials {
            let block = std::mem::take(&mut trial.block);
            trial.reduction = decay * trial.reduction + block;
            let vote = block.clamp(-max_vote, max_vote);
            trial.votes = decay * trial.votes + vote;
            trial.squares = decay * trial.squares + vote * vote;
        }
        self.block_steps = 0;
        self.num_blocks += 1;
    }
}

impl<T: Copy> Trial<T> {
    fn new(start: T) -> Self {
        Self { tracks: [start; 2], block: 0.0, reduction: 0.0, votes: 0.0, squares: 0.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::kalman::decaying_level::{DecayingLevel, LevelDynamics};
    use crate::dsp::noise::noise;

    /// A level that moves up and down in both halves, and one that does so in one half alone: the first is predicted best
    /// with a process noise between too little and too much, the second never.
    #[test]
    fn what_moves_in_both_halves_is_movement() {
        let reductions = |in_other: f64| {
            let dynamics =
                [1e-8, 1e-3, 10.0].map(|process_noise| LevelDynamics { decay: 1.0, process_noise });
            let blocks = Blocks { steps: 10, decay: 0.9, max_vote: f64::INFINITY };
            let mut bank = ProcessNoiseBank::new(dynamics, blocks, DecayingLevel::default());
            for (step, errors) in noise(2_000, 1).chunks_exact(2).enumerate() {
                let level = 0.5 * (0.05 * step as f64).sin();
                let measured =
                    [level + 0.3 * f64::from(errors[0]), in_other * level + 0.3 * f64::from(errors[1])];
                let cost = |half: usize, expected: f64| (measured[half] - expected).powi(2) / 0.03;
                let is_whole = bank.hear(measured, [0.03; 2], [0.0; 2], cost);
                assert_eq!(is_whole, step % 10 == 9);
            }
            assert_eq!(bank.num_blocks(), 100);
            bank.trials().map(|trial| {
                assert_eq!(trial.votes, trial.reduction);
                trial.reduction
            })
        };
        let [little, right, much] = reductions(1.0);
        assert!(right > 0.0 && right > little && right > much, "{little} {right} {much}");
        assert!(reductions(0.0).iter().all(|&reduction| reduction < 0.0), "{:?}", reductions(0.0));
    }
}
