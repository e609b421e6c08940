//! Learns how a level around 1 moves, and tracks it, from measurements in frames that follow each other.
//!
//! Whether and how fast the level moves is decided by a bank of process noises, across the spectrum
//! ([`ProcessNoiseBank`]). The level is then tracked by a Kalman filter with fixed-lag smoothing ([`DecayingLevel`]).

use crate::dsp::kalman::decaying_level::{DecayingLevel, LevelDynamics};
use crate::dsp::kalman::process_noise_bank::{Blocks, ProcessNoiseBank};
use crate::matching::movement::{Movement, RELEASES_S};
use crate::matching::projection::ProjectionSums;

/// Process noises in the bank for either release, a third of a decade from each other. Chosen by hand; not measured.
const NUM_PROCESS_NOISES: usize = 14;
const NUM_TRIALS: usize = RELEASES_S.len() * NUM_PROCESS_NOISES;
/// Time over which one verdict is summed, hops at 44.1 and 48 kHz. Chosen by hand; not measured.
const BLOCK_HOPS: usize = 32;
/// Memory of the verdicts, seconds. Chosen by hand; not measured.
const VERDICT_MEMORY_S: f64 = 6.0;
/// Blocks after which, statistics having started over, the movement known before is replaced; one that is recalled
/// was learned through the match in force and holds until the statistics are as long as their memory. Chosen by hand; not
/// measured.
const MIN_BLOCKS: usize = 6;
const MIN_BLOCKS_RECALLED: usize = 64;
/// Hops that are passed once the statistics start over: they still hold what was matched through the filter before. Chosen by hand;
/// not measured.
const UNSETTLED_HOPS: usize = 64;
/// Most that a single frame can cost, in units of its variance. Chosen by hand; not measured.
const MAX_COST: f64 = 25.0;
/// Standard errors, from the scatter of the blocks, by which following must reduce the cost. Chosen by hand; not measured.
const REDUCTION_ERRORS: f64 = 2.0;
/// Reduction of the cost that needs no such errors: a limiter that acts a few times a minute wins all of it in a few blocks.
/// Three such limiters won 450 to 1,500 in one block, a level that stands still under a voice at most 54 (eight recordings).
/// Codecs can win 700; what following leaves of the mix is asked as well.
const BEYOND_CHANCE: f64 = 400.0;
/// Least reduction of the cost with which a level whose following pays goes on to move: it may stand still for a while. With 0 a
/// clock error of 20 ppm, for which the level stands in until it is known, went on as a level that moves, and cost 16 dB.
const STILL_CLEAR: f64 = 100.0;
/// How much larger the measurement variance is taken than it shows, since neighbouring frames overlap. Chosen by hand; not
/// measured.
const OVERLAP_INFLATION: f64 = 2.0;
/// Bounds of the factor on the measurement variance. Chosen by hand; not measured.
const MEASUREMENT_FACTORS: (f64, f64) = (0.5, 40.0);
/// Most that the halves of a frame can differ, in units of the variance predicted. Chosen by hand; not measured.
const MAX_SPREAD: f64 = 50.0;
/// Information, inverse variance, from which on a frame counts when the halves are compared: less is silence.
/// Chosen by hand; not measured.
const MIN_INFORMATION: f64 = 1.0;

/// Silence after which nothing more is learned from it, seconds: what was found of a song whose backing ends early would fade.
/// Chosen by hand; not measured.
const SILENT_S: f64 = 2.0;

/// Largest movement that is taken from one half of the spectrum, re 1. Chosen by hand; not measured.
const MAX_HALF_LEVEL: f64 = 0.7;
/// Information that is added to the measured one, so that it can be divided by.
const LEAST_INFORMATION: f64 = 1e-9;

/// The level's movement as measured in one frame.
pub fn measured_level([difference, backing]: ProjectionSums) -> DecayingLevel {
    let information = backing + LEAST_INFORMATION;
    DecayingLevel { level: difference / information, variance: 1.0 / information }
}

/// Measurements in two halves of the spectrum: the level's movement, and the inverse of its variance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeasuredHalves {
    /// Movement re 1.
    pub levels: [f64; 2],
    /// Inverse variance; never 0.
    pub information: [f64; 2],
}

impl MeasuredHalves {
    /// Nothing measured.
    pub const NONE: Self = Self { levels: [0.0; 2], information: [LEAST_INFORMATION; 2] };

    /// From the sums in either half.
    pub fn new(sums: [ProjectionSums; 2]) -> Self {
        let information = sums.map(|[_, backing]| backing + LEAST_INFORMATION);
        let level = |half: usize| (sums[half][0] / information[half]).clamp(-MAX_HALF_LEVEL, MAX_HALF_LEVEL);
        Self { levels: [level(0), level(1)], information }
    }
}

/// The bank, and the movement that it found.
#[derive(Clone)]
pub struct MovementEstimator {
    frame_s: f64,
    /// Frames passed when the statistics start over, and those still to be passed.
    unsettled_frames: usize,
    left_out: usize,
    /// Frames since anything was measured.
    silent_frames: usize,
    bank: ProcessNoiseBank<DecayingLevel, NUM_TRIALS>,
    /// Index of the trial that is followed.
    best: usize,
    spread: Spread,
    block_decay: f64,
    min_blocks: usize,
    movement: Movement,
    /// Following the movement in force was found to pay.
    pays: bool,
}

/// How far the halves differ, re what the weights predict: weighted sum, and sum of the weights.
#[derive(Clone, Copy, Default)]
struct Spread {
    sum: f64,
    weight: f64,
}

impl MovementEstimator {
    /// Nothing known of a level in frames of `hops` hops, each of `hop` samples; `least` is the least process noise in the
    /// bank, variance per frame.
    pub fn new(least: f64, hops: usize, hop: usize, sample_rate_hz: f64) -> Self {
        let frame_s = (hops * hop) as f64 / sample_rate_hz;
        let dynamics = std::array::from_fn(|trial| LevelDynamics {
            decay: decay(frame_s, RELEASES_S[trial / NUM_PROCESS_NOISES]),
            process_noise: least * 10f64.powf((trial % NUM_PROCESS_NOISES) as f64 / 3.0),
        });
        let block_decay = (-((BLOCK_HOPS * hop) as f64) / sample_rate_hz / VERDICT_MEMORY_S).exp();
        let blocks = Blocks { steps: BLOCK_HOPS / hops, decay: block_decay, max_vote: f64::INFINITY };
        Self {
            frame_s,
            unsettled_frames: UNSETTLED_HOPS / hops,
            left_out: UNSETTLED_HOPS / hops,
            silent_frames: 0,
            bank: ProcessNoiseBank::new(dynamics, blocks, DecayingLevel::default()),
            best: 0,
            spread: Spread::default(),
            block_decay,
            min_blocks: MIN_BLOCKS,
            movement: Movement::STILL,
            pays: false,
        }
    }

    /// Starts the statistics over; the movement stays until there are enough.
    pub fn forget(&mut self) {
        self.bank.restart(DecayingLevel::default());
        self.spread = Spread::default();
        self.min_blocks = MIN_BLOCKS;
        self.left_out = self.unsettled_frames;
        self.silent_frames = 0;
    }

    /// Whether following the movement in force pays. One that pays is not given up as soon as nothing moves.
    pub fn set_pays(&mut self, pays: bool) {
        self.pays = pays;
    }

    /// Movement in force.
    pub fn movement(&self) -> Movement {
        self.movement
    }

    /// Takes a movement as known.
    pub fn recall(&mut self, movement: Movement) {
        (self.movement, self.pays) = (movement, movement.moves());
        let apart = |trial: &usize| {
            let noise = self.bank.dynamics(*trial).process_noise / movement.process;
            let release = RELEASES_S[trial / NUM_PROCESS_NOISES] / movement.tau_s;
            noise.ln().abs() + release.ln().abs()
        };
        self.best = (0..NUM_TRIALS).min_by(|a, b| apart(a).total_cmp(&apart(b))).expect("there are trials");
        self.min_blocks = if movement.moves() { MIN_BLOCKS_RECALLED } else { MIN_BLOCKS };
    }

    /// Factor by which an unmeasured level approaches 1 from frame to frame.
    pub fn decay(&self) -> f64 {
        decay(self.frame_s, self.movement.tau_s)
    }

    /// Whether there has been nothing to measure for long of what moves.
    pub fn rests(&self) -> bool {
        self.movement.moves() && self.silent_frames as f64 * self.frame_s > SILENT_S
    }

    /// Puts the bank to the test in the next frame, and from time to time judges by it how the level moves.
    pub fn hear(&mut self, halves: &MeasuredHalves) {
        if self.left_out > 0 {
            self.left_out -= 1;
            return;
        }
        let MeasuredHalves { levels, information } = halves;
        let harmonic = 1.0 / (1.0 / information[0] + 1.0 / information[1]);
        self.silent_frames = if harmonic > MIN_INFORMATION { 0 } else { self.silent_frames + 1 };
        if self.rests() {
            return;
        }
        if harmonic > MIN_INFORMATION {
            let weight = harmonic.sqrt();
            self.spread.sum += weight * ((levels[0] - levels[1]).powi(2) * harmonic).min(MAX_SPREAD);
            self.spread.weight += weight;
        }
        if self.track(halves) {
            self.judge();
        }
    }

    /// Tracks the level in either half through the next frame, for [`Self::expected_in_halves`]; true if a block of frames is
    /// whole.
    pub fn track(&mut self, &MeasuredHalves { levels, information }: &MeasuredHalves) -> bool {
        let noise = self.movement.measurement;
        let cost = |half: usize, expected: f64| {
            ((levels[half] - expected).powi(2) * information[half] / noise).min(MAX_COST)
        };
        self.bank.hear(levels, information.map(|information| noise / information), [0.0; 2], cost)
    }

    fn judge(&mut self) {
        self.spread.sum *= self.block_decay;
        self.spread.weight *= self.block_decay;
        if self.bank.num_blocks() < self.min_blocks {
            return;
        }
        let trials = self.bank.trials().iter().enumerate();
        let best = trials.max_by(|a, b| a.1.reduction.total_cmp(&b.1.reduction));
        let (best, trial) = best.expect("there are trials");
        let is_clear = trial.reduction > (REDUCTION_ERRORS * trial.squares.sqrt()).min(BEYOND_CHANCE);
        if is_clear {
            self.best = best;
            self.movement.process = self.bank.dynamics(best).process_noise;
            self.movement.tau_s = RELEASES_S[best / NUM_PROCESS_NOISES];
        } else if !self.pays || trial.reduction < STILL_CLEAR {
            self.movement.process = Movement::STILL.process;
        }
        self.movement.measurement = (OVERLAP_INFLATION * self.spread.sum / (self.spread.weight + 1e-9))
            .clamp(MEASUREMENT_FACTORS.0, MEASUREMENT_FACTORS.1);
    }

    /// Movement in the last frame that either half of the spectrum makes expect in the other: first the one expected in the
    /// lower-numbered half; 0 where nothing moves.
    pub fn expected_in_halves(&self) -> [f64; 2] {
        let [first, second] = self.bank.trials()[self.best].tracks;
        if self.movement.moves() { [second.level, first.level] } else { [0.0; 2] }
    }

    /// Smooths a stretch of measurements, oldest first, in place. `prior` is what is known before the first of them,
    /// and then what is known before the second.
    pub fn smooth(&self, prior: &mut DecayingLevel, stretch: &mut [DecayingLevel]) {
        let dynamics = LevelDynamics { decay: self.decay(), process_noise: self.movement.process };
        DecayingLevel::smooth(prior, stretch, dynamics, self.movement.measurement);
    }
}

fn decay(frame_s: f64, release_s: f64) -> f64 {
    (-frame_s / release_s).exp()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;

    const INFORMATION: f64 = 1e5;

    fn estimator() -> MovementEstimator {
        MovementEstimator::new(1e-8, 1, 128, 44_100.0)
    }

    /// Hears levels in either half, measured as exactly as is promised.
    fn hear(estimator: &mut MovementEstimator, num_frames: usize, levels: impl Fn(usize) -> [f64; 2]) {
        // Noise between -0.5 and 0.5 has a variance of 1/12.
        let scale = (12.0 / INFORMATION).sqrt();
        for (frame, errors) in noise(2 * num_frames, 1).chunks_exact(2).enumerate() {
            let levels = levels(frame);
            let levels = std::array::from_fn(|half| levels[half] + scale * 0.5 * f64::from(errors[half]));
            estimator.hear(&MeasuredHalves { levels, information: [INFORMATION; 2] });
        }
    }

    /// A limiter that takes 0.3 dB away for a tenth of a second, every six seconds: what rests tell is beyond chance at once. In one
    /// half of the spectrum alone it is no movement of the level.
    #[test]
    fn a_limiter_that_acts_now_and_then_is_movement() {
        let dips = |frame: usize| if frame % 2_048 >= 2_016 { -0.035 } else { 0.0 };
        let moves = |levels: &dyn Fn(usize) -> [f64; 2]| {
            let mut estimator = estimator();
            hear(&mut estimator, 4_096, levels);
            estimator.movement().moves()
        };
        assert!(moves(&|frame| [dips(frame); 2]));
        assert!(!moves(&|frame| [dips(frame), 0.0]));
        assert!(!moves(&|_| [0.0; 2]));
    }

    /// What moved and stands still is followed for a while if that pays, and not at all if not.
    #[test]
    fn what_pays_goes_on() {
        let moves_after = |seconds: f64, pays: bool| {
            let mut estimator = estimator();
            hear(&mut estimator, 320, |frame| [if frame >= 288 { -0.035 } else { 0.0 }; 2]);
            assert!(estimator.movement().moves());
            estimator.set_pays(pays);
            hear(&mut estimator, (seconds * 44_100.0 / 128.0) as usize, |_| [0.0; 2]);
            estimator.movement().moves()
        };
        let moves = [(8.0, true), (8.0, false), (30.0, true)].map(|(s, pays)| moves_after(s, pays));
        assert_eq!(moves, [true, false, false]);
    }

    /// What moved goes on to do so where nothing is heard any more.
    #[test]
    fn what_was_found_does_not_fade_in_silence() {
        let mut estimator = estimator();
        hear(&mut estimator, 320, |frame| [if frame >= 288 { -0.035 } else { 0.0 }; 2]);
        (0..10_000).for_each(|_| estimator.hear(&MeasuredHalves::NONE));
        assert!(estimator.rests() && estimator.movement().moves());
        hear(&mut estimator, 5_000, |_| [0.0; 2]);
        assert!(!estimator.rests() && !estimator.movement().moves());
    }

    /// Frames in which the match before still sounds say nothing of the level.
    #[test]
    fn what_was_matched_before_is_passed() {
        let mut estimator = estimator();
        estimator.forget();
        hear(&mut estimator, 320, |frame| [if frame < 40 { -0.7 } else { 0.0 }; 2]);
        assert!(!estimator.movement().moves());
    }
}
