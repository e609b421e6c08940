//! How a level around 1 moves: plain values.

/// Times after which an unmeasured level may be back at 1, seconds: a limiter that lets go between words, a compressor that
/// leans on a whole verse. Chosen by hand; not measured.
pub const RELEASES_S: [f64; 2] = [0.5, 8.0];
/// Largest movements followed, re 1: -34 dB and 12 dB. Songs fade; within -10 and 6 dB, three that faded out in 10 s were lost on the
/// way. Two masters of 13 changed by 0.3 dB, one by -0.7 dB.
pub const FOLLOWED_RANGE: (f64, f64) = (-0.98, 3.0);
/// Process noise, variance per frame, at and under which the level counts as still: between that of [`Movement::STILL`]
/// and the least that is learned, 1e-8.
const STILL_PROCESS_NOISE: f64 = 2e-12;

/// What moves, as far as it is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Movement {
    /// Process noise: variance of the level's movement per frame; 1e-12 = not moving.
    pub process: f64,
    /// Time after which an unmeasured level is back at 1, seconds.
    pub tau_s: f64,
    /// Factor on the variance that the weights predict for one measurement.
    pub measurement: f64,
}

impl Movement {
    /// Nothing moves, as far as is known.
    pub const STILL: Self = Self { process: 1e-12, tau_s: RELEASES_S[0], measurement: 2.0 };

    /// Whether the level moves at all.
    pub fn moves(&self) -> bool {
        self.process > STILL_PROCESS_NOISE
    }

    /// Whether every value is within what could have been learned, of a level that moves by at most `fastest`, variance per
    /// frame.
    pub fn is_sound(&self, fastest: f64) -> bool {
        (0.0..=fastest).contains(&self.process)
            && (0.01..=100.0).contains(&self.tau_s)
            && (0.1..=100.0).contains(&self.measurement)
    }
}
