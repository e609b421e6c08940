//! How a level around 1 moves, and the level itself, from noisy measurements in frames that follow each other.
//!
//! Whether and how fast the level moves is decided by prediction across the spectrum: of several speeds, that one is
//! followed with which the level tracked in one half of the bins best predicts the level measured in the other half.
//! That rule is ours; maximum likelihood sees movement where there is none, because a voice is no white noise. The level
//! is then tracked by a Kalman filter (Kalman 1960) with fixed-lag smoothing (Rauch, Tung, Striebel 1965).

/// Speeds on trial: variance of the movement per frame at 1/3 of a decade from each other.
const NUM_SPEEDS: usize = 14;
const NUM_TRIALS: usize = TAUS_S.len() * NUM_SPEEDS;
/// Times on trial after which an unmeasured level is back at 1, seconds: a limiter that lets go between words, a
/// compressor that leans on a whole verse.
const TAUS_S: [f64; 2] = [0.5, 8.0];
/// Time over which one verdict on the speeds is summed, hops at 44.1 and 48 kHz.
const BLOCK_HOPS: usize = 32;
/// Memory of the statistics, seconds.
const MEMORY_S: f64 = 6.0;
/// Blocks after which, statistics having started over, the movement known before is replaced; one that is recalled
/// was learned through the match in force and holds until the statistics are as long as their memory.
const ENOUGH_BLOCKS: usize = 6;
const ENOUGH_BLOCKS_RECALLED: usize = 64;
/// Most that a single frame can say for or against a speed, in units of its variance.
const MOST: f64 = 25.0;
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

    /// Whether every value is within what could have been learned, of a level that moves by at most `fastest`, variance per
    /// frame.
    pub fn is_sound(&self, fastest: f64) -> bool {
        (0.0..=fastest).contains(&self.process)
            && (0.01..=100.0).contains(&self.tau_s)
            && (0.1..=100.0).contains(&self.measurement)
    }
}

/// A level around 1, or the movement of one, and the variance of what is known of it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Estimate {
    /// Movement re 1.
    pub level: f64,
    /// Its variance.
    pub variance: f64,
}

impl Estimate {
    /// Nothing measured.
    pub const NONE: Self = Self { level: 0.0, variance: 1e9 };
}

/// Measurements in two halves of the spectrum: the level's movement, and the inverse of its variance.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Halves {
    /// Movement re 1.
    pub levels: [f64; 2],
    /// Inverse variance; never 0.
    pub information: [f64; 2],
}

/// The speeds on trial, and the movement they told of.
#[derive(Clone)]
pub struct Speeds {
    frame_s: f64,
    /// Variance per frame.
    variances: [f64; NUM_SPEEDS],
    block: usize,
    block_decay: f64,
    trials: [Trial; NUM_TRIALS],
    /// The trial whose speed is followed.
    best: usize,
    spread: Spread,
    block_frames: usize,
    num_blocks: usize,
    enough_blocks: usize,
    movement: Movement,
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

impl Speeds {
    /// Nothing known of a level in frames of `hops` hops, each of `hop` samples; the slowest movement on trial has this
    /// variance per frame.
    pub fn new(slowest: f64, hops: usize, hop: usize, sample_rate_hz: f64) -> Self {
        Self {
            frame_s: (hops * hop) as f64 / sample_rate_hz,
            variances: std::array::from_fn(|speed| slowest * 10f64.powf(speed as f64 / 3.0)),
            block: BLOCK_HOPS / hops,
            block_decay: (-((BLOCK_HOPS * hop) as f64) / sample_rate_hz / MEMORY_S).exp(),
            trials: [Trial::default(); NUM_TRIALS],
            best: 0,
            spread: Spread::default(),
            block_frames: 0,
            num_blocks: 0,
            enough_blocks: ENOUGH_BLOCKS,
            movement: Movement::STILL,
        }
    }

    /// Starts the statistics over; the movement stays until there are enough.
    pub fn forget(&mut self) {
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

    /// Takes a movement as known.
    pub fn recall(&mut self, movement: Movement) {
        self.movement = movement;
        let apart = |trial: &usize| {
            let speed = self.variances[trial % NUM_SPEEDS] / movement.process;
            let tau = TAUS_S[trial / NUM_SPEEDS] / movement.tau_s;
            speed.ln().abs() + tau.ln().abs()
        };
        self.best = (0..NUM_TRIALS).min_by(|a, b| apart(a).total_cmp(&apart(b))).expect("there are trials");
        self.enough_blocks = if movement.moves() { ENOUGH_BLOCKS_RECALLED } else { ENOUGH_BLOCKS };
    }

    /// Factor by which an unmeasured level approaches 1 from frame to frame.
    fn decay_of(&self, tau_s: f64) -> f64 {
        (-self.frame_s / tau_s).exp()
    }

    /// The same for the movement in force.
    pub fn decay(&self) -> f64 {
        self.decay_of(self.movement.tau_s)
    }

    /// Puts every speed to the test in the next frame.
    pub fn hear(&mut self, &Halves { levels, information }: &Halves) {
        let harmonic = 1.0 / (1.0 / information[0] + 1.0 / information[1]);
        if harmonic > 1.0 {
            let weight = harmonic.sqrt();
            self.spread.sum += weight * ((levels[0] - levels[1]).powi(2) * harmonic).min(50.0);
            self.spread.weight += weight;
        }
        let noise = self.movement.measurement;
        let cost = |half: usize, predicted: f64| {
            ((levels[half] - predicted).powi(2) * information[half] / noise).min(MOST)
        };
        let still = [cost(0, 0.0), cost(1, 0.0)];
        let decays = TAUS_S.map(|tau_s| self.decay_of(tau_s));
        for (idx, trial) in self.trials.iter_mut().enumerate() {
            let decay = decays[idx / NUM_SPEEDS];
            for half in 0..2 {
                let (mean, variance) = &mut trial.tracks[half];
                *mean *= decay;
                *variance = decay * decay * *variance + self.variances[idx % NUM_SPEEDS];
                let gain = *variance / (*variance + noise / information[half]);
                *mean += gain * (levels[half] - *mean);
                *variance *= 1.0 - gain;
                let other = 1 - half;
                trial.block += still[other] - cost(other, *mean);
            }
        }
        self.block_frames += 1;
        if self.block_frames == self.block {
            self.block_frames = 0;
            self.judge();
        }
    }

    fn judge(&mut self) {
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
        self.best = best;
        self.movement = Movement {
            process: if moves { self.variances[best % NUM_SPEEDS] } else { Movement::STILL.process },
            tau_s: TAUS_S[best / NUM_SPEEDS],
            measurement: (INFLATION * self.spread.sum / (self.spread.weight + 1e-9)).clamp(0.5, 40.0),
        };
    }

    /// Movement in the last frame heard as either half is told it by the other; 0 where nothing moves.
    pub fn told_by_the_other(&self) -> [f64; 2] {
        let [low, high] = self.trials[self.best].tracks;
        if self.movement.moves() { [high.0, low.0] } else { [0.0; 2] }
    }

    /// Smooths a stretch of measurements, oldest first, in place. `prior` is what is known before the first of them,
    /// and then what is known before the second.
    pub fn smooth(&self, prior: &mut Estimate, stretch: &mut [Estimate]) {
        let (a, q) = (self.decay(), self.movement.process);
        let Estimate { level: mut mean, mut variance } = *prior;
        for (idx, frame) in stretch.iter_mut().enumerate() {
            (mean, variance) = (a * mean, a * a * variance + q);
            let gain = variance / (variance + frame.variance * self.movement.measurement);
            mean += gain * (frame.level - mean);
            variance *= 1.0 - gain;
            *frame = Estimate { level: mean, variance };
            if idx == 0 {
                *prior = *frame;
            }
        }
        let mut smoothed = mean;
        for Estimate { level, variance } in stretch.iter_mut().rev().skip(1) {
            smoothed = *level + *variance * a / (a * a * *variance + q) * (smoothed - a * *level);
            *level = smoothed;
        }
    }
}
