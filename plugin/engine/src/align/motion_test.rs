//! Decides whether a delay moves, and with which process noise: a bank of process noises is tried across the spectrum
//! ([`ProcessNoiseBank`]), against a delay that stands still.

use crate::dsp::kalman::Track;
use crate::dsp::kalman::constant_velocity::ConstantVelocity;
use crate::dsp::kalman::decaying_level::{DecayingLevel, LevelDynamics};
use crate::dsp::kalman::process_noise_bank::{Blocks, ProcessNoiseBank};

/// Process noises in the bank: variance of the change of rate, (samples per step)^2 per step, a decade apart from the
/// least on. Chosen by hand; not measured.
const NUM_PROCESS_NOISES: usize = 8;
const LEAST_PROCESS_NOISE: f64 = 1e-11;
/// The member of the bank that says where a delay is expected that is not known to move yet. Chosen by hand; not measured.
const EXPECTING: usize = NUM_PROCESS_NOISES - 2;
/// A delay that stands still; process noise: variance per step, samples^2. Chosen by hand; not measured.
const STILL_DYNAMICS: LevelDynamics = LevelDynamics { decay: 1.0, process_noise: 1e-9 };
/// Share of the greatest cost reduction that a lesser process noise must reach to be taken. Chosen by hand; not measured.
const NEARLY_BEST: f64 = 0.9;
/// Steps summed into one vote. Chosen by hand; not measured.
const BLOCK_STEPS: usize = 8;
/// Votes needed before the first verdict. Chosen by hand; not measured.
const MIN_BLOCKS: usize = 6;
/// Memory of the votes, seconds. Chosen by hand; not measured.
const VOTES_MEMORY_S: f64 = 6.0;
/// Most that one frame can cost, in units of its variance. Chosen by hand; not measured.
const MAX_COST: f64 = 25.0;
/// Most that a block counts for when it is decided whether the delay moves: following must reduce the cost often, not once by
/// much. Chosen by hand; not measured.
const MAX_VOTE: f64 = 40.0;
/// Standard errors of the votes by which following must reduce the cost. Chosen by hand; not measured.
const VOTE_ERRORS: f64 = 3.0;
/// Least movement that is followed, samples: under it following costs more than it gains (-33 dB at 5 kHz).
/// Chosen by hand; not measured.
const LEAST_MOVEMENT: f64 = 0.03;
/// To how much the delay of another filter is known, samples: codecs gave up to 0.05.
const EXCHANGE_ERROR: f64 = 0.1;

/// What a block of votes decided.
pub enum Verdict {
    /// The delay moves, with this process noise; one half saw it here last.
    Moves {
        /// (samples per step)^2 per step.
        process_noise: f64,
        /// Delay and rate per step.
        track: ConstantVelocity,
    },
    /// Following only cost.
    StandsStill,
}

/// The bank, and what it has found.
pub struct MotionTest {
    bank: ProcessNoiseBank<ConstantVelocity, NUM_PROCESS_NOISES>,
    /// The delay as measured in either half, if it stands still.
    still: [DecayingLevel; 2],
    /// Furthest that the best track was from the still one, samples; older ones count less.
    moved: f64,
    block_decay: f64,
}

impl MotionTest {
    /// Nothing measured of a delay that starts here; a step is `step_s` seconds.
    pub fn new(start: ConstantVelocity, step_s: f64) -> Self {
        let process_noises = std::array::from_fn(|trial| LEAST_PROCESS_NOISE * 10f64.powi(trial as i32));
        let block_decay = (-(BLOCK_STEPS as f64 * step_s) / VOTES_MEMORY_S).exp();
        let blocks = Blocks { steps: BLOCK_STEPS, decay: block_decay, max_vote: MAX_VOTE };
        Self {
            bank: ProcessNoiseBank::new(process_noises, blocks, start),
            still: [DecayingLevel { level: start.state[0], variance: start.covariance[0] }; 2],
            moved: 0.0,
            block_decay,
        }
    }

    /// Where the next delay is expected as long as it is not known to move, samples.
    pub fn expected(&self) -> f64 {
        let tracks = &self.bank.trials()[EXPECTING].tracks;
        0.5 * (tracks[0].predicted(0.0).state[0] + tracks[1].predicted(0.0).state[0])
    }

    /// Whether a block was judged.
    pub fn has_judged(&self) -> bool {
        self.bank.num_blocks() > 0
    }

    /// Adds to all delays.
    pub fn shift(&mut self, samples: f64) {
        self.bank.tracks_mut().for_each(|track| track.state[0] += samples);
        self.still.iter_mut().for_each(|still| still.level += samples);
    }

    /// The filter through which the delay is seen has become another one.
    pub fn exchange_filter(&mut self) {
        self.still.iter_mut().for_each(|still| still.variance += EXCHANGE_ERROR.powi(2));
    }

    /// Passes a step in which nothing was measured.
    pub fn pass(&mut self) {
        self.bank.pass();
    }

    /// Takes the delay measured in either half, with its variance; a verdict at the end of a block, unless nothing changes.
    pub fn hear(&mut self, measured: [f64; 2], variance: [f64; 2]) -> Option<Verdict> {
        for (half, still) in self.still.iter_mut().enumerate() {
            still.predict(STILL_DYNAMICS);
            still.correct(measured[half], variance[half]);
        }
        let still = self.still.map(|still| still.level);
        let cost =
            |half: usize, expected: f64| ((measured[half] - expected).powi(2) / variance[half]).min(MAX_COST);
        if self.bank.hear(measured, variance, still, cost) { self.judge() } else { None }
    }

    fn judge(&mut self) -> Option<Verdict> {
        // The least process noise that reduces the cost by nearly as much as the best: what wobbles in both halves of the
        // spectrum alike may be the filter's doing.
        let trials = self.bank.trials();
        let most = trials.iter().map(|trial| trial.reduction).fold(0.0, f64::max);
        let best = trials.iter().position(|trial| trial.reduction >= NEARLY_BEST * most).unwrap_or(0);
        let trial = &trials[best];
        let offset = |half: usize| trial.tracks[half].state[0] - self.still[half].level;
        self.moved = (0.5 * (offset(0) + offset(1))).abs().max(self.block_decay * self.moved);
        if self.bank.num_blocks() < MIN_BLOCKS {
            None
        } else if trial.votes > VOTE_ERRORS * trial.squares.sqrt() && self.moved > LEAST_MOVEMENT {
            Some(Verdict::Moves { process_noise: self.bank.dynamics(best), track: trial.tracks[0] })
        } else {
            (trial.reduction < 0.0).then_some(Verdict::StandsStill)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;

    /// The last verdict on delays measured in both halves, each with its own error of a tenth of a sample.
    fn verdict(steps: usize, delay: impl Fn(usize, usize) -> f64) -> Option<Verdict> {
        let mut test = MotionTest::new(ConstantVelocity::new([20.0, 0.0], [3.0, 0.1]), 0.01);
        let errors = noise(2 * steps, 1);
        let mut last = None;
        for (step, errors) in errors.chunks_exact(2).enumerate() {
            let measured = [0, 1].map(|half| delay(step, half) + 0.17 * f64::from(errors[half]));
            last = test.hear(measured, [0.01; 2]).or(last);
        }
        last
    }

    #[test]
    fn a_ramp_moves_and_noise_does_not() {
        assert!(!matches!(verdict(400, |_, _| 20.0), Some(Verdict::Moves { .. })));
        // What moves in one half alone is an error of that half.
        let alone = |step: usize, half: usize| 20.0 + if half == 0 { (step as f64 * 0.1).sin() } else { 0.0 };
        assert!(!matches!(verdict(400, alone), Some(Verdict::Moves { .. })));
        let Some(Verdict::Moves { track, .. }) = verdict(400, |step, _| 20.0 + 0.01 * step as f64) else {
            panic!("a ramp was not seen");
        };
        assert!(
            (track.state[0] - 24.0).abs() < 0.3 && (track.state[1] - 0.01).abs() < 0.005,
            "{:?}",
            track.state
        );
    }

    /// Faster movement asks for more process noise.
    #[test]
    fn the_process_noise_is_that_of_the_movement() {
        let found = |turns_per_step: f64| match verdict(600, |step, _| {
            20.0 + 2.0 * (turns_per_step * step as f64).sin()
        }) {
            Some(Verdict::Moves { process_noise, .. }) => process_noise,
            _ => 0.0,
        };
        assert!(found(0.005) > 0.0 && found(0.05) > 30.0 * found(0.005), "{} {}", found(0.005), found(0.05));
    }
}
