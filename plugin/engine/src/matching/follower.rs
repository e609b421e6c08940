//! Follows the level of the backing in the mix as it moves (bus compressor, limiter), at millisecond resolution.
//!
//! A gain around 1 is tracked by a Kalman filter (Kalman 1960) with fixed-lag smoothing (Rauch, Tung, Striebel
//! 1965) from weighted projections of the mix on the matched backing; the weights are the inverse covariance of
//! the voice, taken from the residual itself (after Nakatani et al. 2010). Whether and how fast the level moves is
//! decided by prediction across the spectrum: of several speeds, that one is followed with which the level tracked
//! in one half of the bins best predicts the level measured in the other half. That rule is ours; maximum
//! likelihood sees movement where there is none, because a voice is no white noise.

use crate::lanes::{LANES, Lanes, Real, minus, scaled};
use crate::matching::weights::{Covariance, powers};
use crate::sizes::Sizes;
use crate::spectrum::{TwinSpectrum, hann, sides};
use realfft::num_complex::{Complex, Complex32};
use std::f64::consts::LN_2;

/// Fixed lag of the smoother, frames of one hop.
const LOOK: usize = 32;
/// Frames kept: those being smoothed and one neighbour on either side for the weights.
const KEPT: usize = LOOK + 3;
/// Frames after which a frame is weighted again with the level known by then.
const REWEIGHT: usize = 8;
/// Speeds on trial: variance of the movement per frame at 1/3 of a decade from each other.
const NUM_SPEEDS: usize = 14;
const NUM_TRIALS: usize = TAUS_S.len() * NUM_SPEEDS;
const SLOWEST: f64 = 1e-8;
/// Frames over which one verdict on the speeds is summed.
const BLOCK: usize = 32;
/// Blocks after which, statistics having started over, the movement known before is replaced; one that is recalled
/// was learned through the match in force and holds until the statistics are as long as their memory.
const ENOUGH_BLOCKS: usize = 6;
const ENOUGH_BLOCKS_RECALLED: usize = 64;
/// Most that a single frame can say for or against a speed, in units of its variance.
const MOST: f64 = 25.0;
/// Times on trial after which an unmeasured level is back at 1, seconds: a limiter that lets go between words, a
/// compressor that leans on a whole verse.
const TAUS_S: [f64; 2] = [0.5, 8.0];
/// Memory of the movement statistics, seconds.
const MEMORY_S: f64 = 6.0;
/// Band in which the level is read: codecs open holes above it that look like level changes.
const BAND_HZ: (f64, f64) = (40.0, 5_000.0);
/// Floor of the voice's power re the backing's in the weights.
const FLOOR: f32 = 3e-3;
/// Largest movements followed, re 1.
const LIMITS: (f64, f64) = (-0.7, 0.9);
/// Movement variance per frame at and under which the level counts as still.
const STILL: f64 = 2e-12;
/// How much larger the measurement variance is taken than it shows, since neighbouring frames overlap.
const INFLATION: f64 = 2.0;

/// What moves, as far as it is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Movement {
    /// Variance of the level's movement per frame; 1e-12 = not moving.
    pub process: f64,
    /// Time after which an unmeasured level is back at 1, seconds.
    pub tau_s: f64,
    /// Factor on the variance that the weights predict for one measurement.
    pub measurement: f64,
}

impl Movement {
    /// Nothing moves, as far as is known.
    pub const STILL: Self = Self { process: 1e-12, tau_s: TAUS_S[0], measurement: 2.0 };

    /// Whether the level moves at all.
    pub fn moves(&self) -> bool {
        self.process > STILL
    }
}

const SILENT: Complex<Lanes> = Complex { re: Lanes([0.0; LANES]), im: Lanes([0.0; LANES]) };

#[derive(Clone)]
struct Frame {
    /// Spectra, zero beyond the last bin.
    mix: [Vec<Complex<Lanes>>; 2],
    backing: [Vec<Complex<Lanes>>; 2],
    /// Movement assumed for the weights, then the smoothed one.
    level: f64,
    z: f64,
    variance: f64,
    halves: [f64; 2],
    information: [f64; 2],
}

/// The level follower.
pub struct Follower {
    spectrum: TwinSpectrum,
    window: Vec<f32>,
    /// Mix and backing, left as the real and right as the imaginary part.
    history: [Vec<Complex32>; 2],
    twin: Vec<Complex32>,
    first_bin: usize,
    num_bins: usize,
    /// Powers per bin over three frames, with one bin of room at either end.
    powers: [Vec<f32>; 5],
    /// Weighted projection of the difference and of the backing itself on the backing, per bin.
    projections: [Vec<f32>; 2],
    half_of_bin: Vec<Option<usize>>,
    /// Ring of frames; `newest` is the index of the newest.
    frames: Vec<Frame>,
    newest: usize,
    num_frames: u64,
    prior: (f64, f64),
    hop_s: f64,
    block_decay: f64,
    trials: [Trial; NUM_TRIALS],
    spread: Spread,
    block_frames: usize,
    num_blocks: usize,
    enough_blocks: usize,
    movement: Movement,
    learning: bool,
    hop: usize,
    output: f32,
}

/// One speed on trial: the level tracked in either half of the spectrum, and what it won in the other half against
/// no movement at all.
#[derive(Clone, Copy, Default)]
struct Trial {
    tracks: [(f64, f64); 2],
    block: f64,
    won: f64,
    squares: f64,
}

/// How far the halves differ, re what the weights predict.
#[derive(Clone, Copy, Default)]
struct Spread {
    sum: f64,
    weight: f64,
}

/// Gain for the hop that lies [`Follower::latency_samples`] back, gliding linearly.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FollowerGain {
    /// At the hop's start.
    pub from: f32,
    /// At its end.
    pub to: f32,
}

impl FollowerGain {
    /// At a sample of the hop.
    #[inline(always)]
    pub fn at(&self, hop: usize, sample: usize) -> f32 {
        self.from + (self.to - self.from) / hop as f32 * (sample + 1) as f32
    }
}

impl Follower {
    /// A follower at rest.
    pub fn new(sizes: Sizes) -> Self {
        let (len, hop) = (sizes.scaled(512), sizes.hop());
        let bin_hz = sizes.sample_rate_hz / len as f64;
        let first_bin = ((BAND_HZ.0 / bin_hz).ceil() as usize).max(1) - 1;
        // One neighbour more on either side, for the smoothing of the weights.
        let last_bin = ((BAND_HZ.1 / bin_hz) as usize + 1).min(len / 2);
        let num_bins = last_bin + 1 - first_bin;
        let num_lanes = num_bins.div_ceil(LANES);
        let frame = Frame {
            mix: std::array::from_fn(|_| vec![SILENT; num_lanes]),
            backing: std::array::from_fn(|_| vec![SILENT; num_lanes]),
            level: 0.0,
            z: 0.0,
            variance: 1e9,
            halves: [0.0; 2],
            information: [0.0; 2],
        };
        Self {
            spectrum: TwinSpectrum::new(len),
            twin: vec![Complex32::default(); len],
            window: hann(len),
            history: std::array::from_fn(|_| vec![Complex32::default(); len]),
            num_bins,
            powers: std::array::from_fn(|_| vec![0.0; num_lanes * LANES + 2]),
            projections: std::array::from_fn(|_| vec![0.0; num_lanes * LANES]),
            half_of_bin: halves(first_bin, num_bins),
            first_bin,
            frames: vec![frame; KEPT],
            newest: 0,
            num_frames: 0,
            prior: (0.0, 0.0),
            hop_s: hop as f64 / sizes.sample_rate_hz,
            block_decay: (-((BLOCK * hop) as f64) / sizes.sample_rate_hz / MEMORY_S).exp(),
            trials: [Trial::default(); NUM_TRIALS],
            spread: Spread::default(),
            block_frames: 0,
            num_blocks: 0,
            enough_blocks: ENOUGH_BLOCKS,
            movement: Movement::STILL,
            learning: true,
            hop,
            output: 0.0,
        }
    }

    /// How far behind its input the gain is, samples: half a window, one frame for the weights and the lag.
    pub fn latency_samples(&self) -> usize {
        self.window.len() / 2 + (LOOK + 2) * self.hop
    }

    /// Forgets the signals and what they told of movement.
    pub fn reset(&mut self) {
        self.history.iter_mut().for_each(|h| h.fill(Complex32::default()));
        for frame in &mut self.frames {
            frame.mix.iter_mut().chain(&mut frame.backing).for_each(|s| s.fill(SILENT));
            (frame.level, frame.z, frame.variance) = (0.0, 0.0, 1e9);
            (frame.halves, frame.information) = ([0.0; 2], [0.0; 2]);
        }
        self.num_frames = 0;
        self.output = 0.0;
        self.prior = (0.0, 0.0);
        self.forget_statistics();
    }

    /// Starts the movement statistics over, for when the match beneath them has changed.
    pub fn forget_statistics(&mut self) {
        self.trials = [Trial::default(); NUM_TRIALS];
        self.spread = Spread::default();
        self.block_frames = 0;
        self.num_blocks = 0;
        self.enough_blocks = ENOUGH_BLOCKS;
    }

    /// Movement in force.
    pub fn movement(&self) -> Movement {
        self.movement
    }

    /// Takes a movement as known; `learning` says whether it may be learned further.
    pub fn set_movement(&mut self, movement: Movement, learning: bool) {
        self.movement = movement;
        self.learning = learning;
        self.enough_blocks = if movement.moves() { ENOUGH_BLOCKS_RECALLED } else { ENOUGH_BLOCKS };
    }

    /// Takes one hop of mix and matched backing; `engaged` lets the level move at all.
    pub fn process(&mut self, mix: [&[f32]; 2], matched: [&[f32]; 2], engaged: bool) -> FollowerGain {
        self.take_frame(mix, matched);
        if self.num_frames >= 3 {
            self.weigh(1);
            if self.num_frames > REWEIGHT as u64 + 2 {
                self.weigh(REWEIGHT);
                if self.learning {
                    self.learn_movement();
                }
            }
        }
        let target = if engaged && self.movement.moves() { self.smooth() } else { self.rest() };
        let from = std::mem::replace(&mut self.output, target as f32);
        FollowerGain { from: 1.0 + from, to: 1.0 + self.output }
    }

    /// Factor by which an unmeasured level approaches 1 from frame to frame.
    fn decay(&self, tau_s: f64) -> f64 {
        (-self.hop_s / tau_s).exp()
    }

    fn index(&self, age: usize) -> usize {
        (self.newest + KEPT - age) % KEPT
    }

    fn take_frame(&mut self, mix: [&[f32]; 2], matched: [&[f32]; 2]) {
        self.newest = (self.newest + 1) % KEPT;
        self.num_frames += 1;
        let predicted = self.frames[self.index(1)].level * self.decay(self.movement.tau_s);
        let frame = &mut self.frames[self.newest];
        frame.level = predicted;
        (frame.z, frame.variance) = (0.0, 1e9);
        let (len, hop) = (self.window.len(), self.hop);
        for ((history, [left, right]), spectra) in
            self.history.iter_mut().zip([mix, matched]).zip([&mut frame.mix, &mut frame.backing])
        {
            history.copy_within(hop.., 0);
            for ((twin, &left), &right) in history[len - hop..].iter_mut().zip(left).zip(right) {
                *twin = Complex32::new(left, right);
            }
            self.twin.iter_mut().zip(&self.window).zip(&*history).for_each(|((x, &w), h)| *x = h * w);
            self.spectrum.forward(&mut self.twin);
            for k in 0..self.num_bins {
                let bin = self.first_bin + k;
                let sides = sides(self.twin[bin], self.twin[(len - bin) % len]);
                for (spectrum, side) in spectra.iter_mut().zip(sides) {
                    let lanes = &mut spectrum[k / LANES];
                    (lanes.re.0[k % LANES], lanes.im.0[k % LANES]) = (side.re, side.im);
                }
            }
        }
    }

    /// Measures the level in the frame `age` frames back, with weights from the residual around it.
    fn weigh(&mut self, age: usize) {
        let around = [self.index(age + 1), self.index(age), self.index(age - 1)];
        let at = around[1];
        let num_lanes = self.frames[at].mix[0].len();
        // Power and cross power of the residual per bin over the three frames.
        for k in 0..num_lanes {
            let mut sums = [Lanes::default(); 5];
            for &f in &around {
                let frame = &self.frames[f];
                let gain = Lanes::all(1.0 + frame.level as f32);
                let backing = [frame.backing[0][k], frame.backing[1][k]];
                let left = minus(frame.mix[0][k], scaled(backing[0], gain));
                let right = minus(frame.mix[1][k], scaled(backing[1], gain));
                let powers = powers([left, right], backing);
                for i in 0..5 {
                    sums[i] += powers[i];
                }
            }
            for i in 0..5 {
                self.powers[i][1 + k * LANES..][..LANES].copy_from_slice(&sums[i].0);
            }
        }
        // Smoothed over three bins they are the weights.
        for k in 0..num_lanes {
            let mean = |i: usize| {
                let load = |offset| Lanes::load(&self.powers[i], k * LANES + offset);
                (load(0) + load(1) + load(2)) / Lanes::all(9.0)
            };
            let mean = [mean(0), mean(1), mean(2), mean(3), mean(4)];
            let frame = &self.frames[at];
            let b = [frame.backing[0][k], frame.backing[1][k]];
            let weighted = Covariance::new(mean, FLOOR, 1e-12).weigh(b);
            let dot = |left: Complex<Lanes>, right: Complex<Lanes>| {
                let left = weighted[0].re * left.re + weighted[0].im * left.im;
                left + (weighted[1].re * right.re + weighted[1].im * right.im)
            };
            let difference = dot(minus(frame.mix[0][k], b[0]), minus(frame.mix[1][k], b[1]));
            self.projections[0][k * LANES..][..LANES].copy_from_slice(&difference.0);
            self.projections[1][k * LANES..][..LANES].copy_from_slice(&dot(b[0], b[1]).0);
        }
        let (mut sums, mut num, mut information) = ([[0.0f64; 2]; 2], 0.0f64, 0.0f64);
        let [difference, backing] = &self.projections;
        for ((&n, &d), half) in difference.iter().zip(backing).zip(&self.half_of_bin).skip(1) {
            let (n, d) = (f64::from(n), f64::from(d));
            num += n;
            information += d;
            if let Some(half) = *half {
                sums[half][0] += n;
                sums[half][1] += d;
            }
        }
        let frame = &mut self.frames[at];
        frame.z = num / (information + 1e-9);
        frame.variance = 1.0 / (information + 1e-9);
        for half in 0..2 {
            frame.information[half] = sums[half][1] + 1e-9;
            frame.halves[half] = (sums[half][0] / frame.information[half]).clamp(-0.7, 0.7);
        }
    }

    /// Puts every speed to the test in the frame that was just weighted again.
    fn learn_movement(&mut self) {
        let frame = &self.frames[self.index(REWEIGHT)];
        let (halves, information) = (frame.halves, frame.information);
        let harmonic = 1.0 / (1.0 / information[0] + 1.0 / information[1]);
        if harmonic > 1.0 {
            let weight = harmonic.sqrt();
            self.spread.sum += weight * ((halves[0] - halves[1]).powi(2) * harmonic).min(50.0);
            self.spread.weight += weight;
        }
        let noise = self.movement.measurement;
        let decays = TAUS_S.map(|tau_s| self.decay(tau_s));
        for (idx, trial) in self.trials.iter_mut().enumerate() {
            let decay = decays[idx / NUM_SPEEDS];
            for half in 0..2 {
                let (mean, variance) = &mut trial.tracks[half];
                *mean *= decay;
                *variance = decay * decay * *variance + speed_variance(idx % NUM_SPEEDS);
                let gain = *variance / (*variance + noise / information[half]);
                *mean += gain * (halves[half] - *mean);
                *variance *= 1.0 - gain;
                let other = 1 - half;
                let cost = |predicted: f64| {
                    ((halves[other] - predicted).powi(2) * information[other] / noise).min(MOST)
                };
                trial.block += cost(0.0) - cost(*mean);
            }
        }
        self.block_frames += 1;
        if self.block_frames == BLOCK {
            self.block_frames = 0;
            self.judge_speeds();
        }
    }

    fn judge_speeds(&mut self) {
        let decay = self.block_decay;
        for trial in &mut self.trials {
            let block = std::mem::take(&mut trial.block);
            trial.won = decay * trial.won + block;
            trial.squares = decay * trial.squares + block * block;
        }
        let (best, trial) = self
            .trials
            .iter()
            .enumerate()
            .max_by(|a, b| a.1.won.total_cmp(&b.1.won))
            .expect("there are speeds on trial");
        // Two standard errors, from the scatter of the blocks.
        let moves = trial.won > 2.0 * trial.squares.sqrt();
        self.spread.sum *= decay;
        self.spread.weight *= decay;
        self.num_blocks += 1;
        if self.num_blocks < self.enough_blocks {
            return;
        }
        self.movement = Movement {
            process: if moves { speed_variance(best % NUM_SPEEDS) } else { Movement::STILL.process },
            tau_s: TAUS_S[best / NUM_SPEEDS],
            measurement: (INFLATION * self.spread.sum / (self.spread.weight + 1e-9)).clamp(0.5, 40.0),
        };
    }

    /// Fixed-lag smoothing; returns the movement at the oldest frame.
    fn smooth(&mut self) -> f64 {
        let (a, q) = (self.decay(self.movement.tau_s), self.movement.process);
        let mut filtered = [(0.0, 0.0); LOOK + 1];
        let (mut mean, mut variance) = self.prior;
        for (step, filtered) in filtered.iter_mut().enumerate() {
            let frame = &self.frames[self.index(LOOK + 1 - step)];
            (mean, variance) = (a * mean, a * a * variance + q);
            let gain = variance / (variance + frame.variance * self.movement.measurement);
            mean += gain * (frame.z - mean);
            variance *= 1.0 - gain;
            *filtered = (mean, variance);
        }
        self.prior = filtered[0];
        let mut smoothed = filtered[LOOK].0;
        for step in (0..=LOOK).rev() {
            if step < LOOK {
                let (mean, variance) = filtered[step];
                smoothed = mean + variance * a / (a * a * variance + q) * (smoothed - a * mean);
            }
            let at = self.index(LOOK + 1 - step);
            self.frames[at].level = smoothed.clamp(LIMITS.0, LIMITS.1);
        }
        self.frames[self.newest].level = self.frames[self.index(1)].level * a;
        self.frames[self.index(LOOK + 1)].level
    }

    fn rest(&mut self) -> f64 {
        self.prior = (0.0, 0.0);
        self.frames.iter_mut().for_each(|f| f.level = 0.0);
        // From the last level back to none within the smoother's lag, so that letting go never steps.
        let level = f64::from(self.output) * 0.85;
        if level.abs() < 1e-6 { 0.0 } else { level }
    }
}

fn speed_variance(speed: usize) -> f64 {
    SLOWEST * 10f64.powf(speed as f64 / 3.0)
}

/// Interleaved quarter-octave cells, at least 12 bins wide and 2 bins apart: the half of the spectrum each bin
/// belongs to.
pub fn halves(first_bin: usize, num_bins: usize) -> Vec<Option<usize>> {
    let mut halves = vec![None; num_bins];
    let (mut from, mut cell) = (1usize, 0usize);
    while from < first_bin + num_bins {
        let width = 12.max((from as f64 * ((LN_2 / 4.0).exp() - 1.0)) as usize);
        for bin in from + 2..from + width - 2 {
            if let Some(half) = bin.checked_sub(first_bin).and_then(|k| halves.get_mut(k)) {
                *half = Some((cell + 1) % 2);
            }
        }
        from += width;
        cell += 1;
    }
    halves
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::noise;

    /// A level that stands still, under a voice: what was learned in this place gives way at once, what is recalled not
    /// before it was listened to for as long as the statistics remember.
    #[test]
    fn a_recalled_movement_is_not_given_up_at_once() {
        let rate = 16_000;
        let (song, voice) = (noise(10 * rate, 1), noise(10 * rate, 2));
        let mix: Vec<f32> = song.iter().zip(&voice).map(|(b, v)| b + v).collect();
        let known = Movement { process: 1e-4, tau_s: 0.5, measurement: 2.0 };
        let moves_after = |seconds: f64, is_recalled: bool| {
            let sizes = Sizes::new(rate as f64);
            let mut follower = Follower::new(sizes);
            follower.set_movement(known, true);
            if !is_recalled {
                follower.forget_statistics();
            }
            let hop = sizes.hop();
            for at in (0..(seconds * rate as f64) as usize).step_by(hop) {
                let (mix, matched) = (&mix[at..at + hop], &song[at..at + hop]);
                follower.process([mix, mix], [matched, matched], true);
            }
            follower.movement().moves()
        };
        let moves =
            [(2.0, true), (9.0, true), (2.0, false)].map(|(seconds, known)| moves_after(seconds, known));
        assert_eq!(moves, [true, false, false]);
    }
}
