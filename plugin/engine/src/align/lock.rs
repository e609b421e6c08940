//! Whether it is known where the backing lies, with hysteresis: two global searches must agree to lock, two local searches in
//! a row must miss to let go.

use crate::align::search::{Found, LOCK_CONFIDENCE};
use crate::readings::Lock;

/// The same for holding on to an alignment already known.
const HOLD_CONFIDENCE: f32 = 1.3;
/// How far two findings may differ and still agree, seconds: clocks may run apart meanwhile.
const AGREE_S: f64 = 1.5e-4;
/// Deviation from the current alignment, samples, at which two local searches that agree move it.
const RECENTRE: f64 = 1.0;
/// Local searches in a row that must miss before the alignment is given up.
const MISSES: u32 = 2;

/// What a finding changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Change {
    /// Nothing.
    None,
    /// The alignment is known now, or is another one.
    Found,
    /// The alignment is no longer known.
    Lost,
}

/// How far two findings may differ and still be of one alignment, samples.
pub fn agree_samples(sample_rate_hz: f64) -> f64 {
    (AGREE_S * sample_rate_hz).max(2.0)
}

/// The lock, and the alignment that it holds: at which delay the backing lies in the mix.
#[derive(Clone, Copy, Debug)]
pub struct LockState {
    /// Searching, locked, lost or too late.
    pub state: Lock,
    /// Delay in force or last in force, whole samples.
    pub delay_samples: i64,
    /// Delay as last found, with its fraction.
    pub found_samples: f64,
    /// Whether the polarity was found flipped.
    pub inverted: bool,
    /// Confidence of the last finding.
    pub confidence: f32,
    candidate: Option<f64>,
    moved: Option<f64>,
    misses: u32,
    cover_samples: i64,
    agree_samples: f64,
}

impl LockState {
    /// Nothing known; a backing may be late by up to `cover_samples`.
    pub fn new(cover_samples: usize, sample_rate_hz: f64) -> Self {
        Self::unknown(cover_samples as i64, agree_samples(sample_rate_hz))
    }

    fn unknown(cover_samples: i64, agree_samples: f64) -> Self {
        Self {
            state: Lock::Searching,
            delay_samples: 0,
            found_samples: 0.0,
            inverted: false,
            confidence: 0.0,
            candidate: None,
            moved: None,
            misses: 0,
            cover_samples,
            agree_samples,
        }
    }

    /// Forgets the alignment.
    pub fn reset(&mut self) {
        *self = Self::unknown(self.cover_samples, self.agree_samples);
    }

    /// Takes an alignment as known.
    pub fn recall(&mut self, delay_samples: i64, inverted: bool) {
        self.reset();
        (self.delay_samples, self.found_samples, self.inverted) =
            (delay_samples, delay_samples as f64, inverted);
        self.settle();
    }

    fn settle(&mut self) {
        self.state = if -self.delay_samples > self.cover_samples { Lock::TooLate } else { Lock::Locked };
        self.misses = 0;
        self.candidate = None;
        self.moved = None;
    }

    fn move_to(&mut self, found: Found) -> Change {
        let known = matches!(self.state, Lock::Locked | Lock::TooLate);
        self.take(found);
        let moved = self.delay_samples != found.delay_samples.round() as i64;
        self.delay_samples = found.delay_samples.round() as i64;
        self.settle();
        if known && !moved { Change::None } else { Change::Found }
    }

    /// Gives the alignment up.
    pub fn lose(&mut self) {
        self.state = Lock::Lost;
        self.candidate = None;
        self.moved = None;
    }

    /// Takes the result of a global search; one that was confirmed by the null itself needs no second.
    pub fn take_global(&mut self, found: Option<Found>, confirmed: bool) -> Change {
        let Some(found) = found.filter(|f| confirmed || f.confidence >= LOCK_CONFIDENCE) else {
            self.candidate = None;
            return Change::None;
        };
        let agrees = |known: f64| (known - found.delay_samples).abs() <= self.agree_samples;
        let known_before = self.state == Lock::Lost && agrees(self.found_samples);
        if !confirmed && !known_before && !self.candidate.is_some_and(agrees) {
            self.candidate = Some(found.delay_samples);
            return Change::None;
        }
        self.move_to(found)
    }

    fn take(&mut self, found: Found) {
        self.found_samples = found.delay_samples;
        self.inverted = found.inverted;
        self.confidence = found.confidence;
    }

    /// Takes the result of a local search about the alignment; one that is confirmed by its null is not missed.
    pub fn take_local(&mut self, found: Option<Found>, confirmed: bool) -> Change {
        let Some(found) = found else {
            return Change::None; // Silence tells nothing.
        };
        let near = (found.delay_samples - self.delay_samples as f64).abs() <= self.agree_samples;
        if near && found.confidence >= HOLD_CONFIDENCE {
            self.take(found);
            self.misses = 0;
            // A first finding in little music may be some samples off.
            let off = (found.delay_samples - self.delay_samples as f64).abs() >= RECENTRE
                && found.confidence >= LOCK_CONFIDENCE;
            let agrees = self.moved.is_some_and(|w| (w - found.delay_samples).abs() < 0.5 * RECENTRE);
            self.moved = off.then_some(found.delay_samples);
            return if off && agrees { self.move_to(found) } else { Change::None };
        }
        if confirmed {
            self.misses = 0;
            return Change::None;
        }
        self.confidence = found.confidence;
        self.misses += 1;
        if self.misses < MISSES {
            return Change::None;
        }
        self.lose();
        Change::Lost
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(delay_samples: f64, confidence: f32) -> Option<Found> {
        Some(Found { delay_samples, inverted: false, confidence })
    }

    #[test]
    fn locks_on_two_that_agree_and_lets_go_after_two_misses() {
        let mut lock = LockState::new(1000, 48_000.0);
        assert_eq!(lock.take_global(found(100.2, 3.0), false), Change::None);
        assert_eq!(lock.take_global(found(900.0, 3.0), false), Change::None);
        assert_eq!(lock.take_global(found(900.4, 1.5), false), Change::None);
        assert_eq!(lock.take_global(found(900.4, 3.0), false), Change::None);
        assert_eq!(lock.take_global(found(900.4, 3.0), false), Change::Found);
        assert_eq!((lock.state, lock.delay_samples), (Lock::Locked, 900));
        assert_eq!(lock.take_local(found(500.0, 3.0), false), Change::None);
        assert_eq!(lock.take_local(found(900.4, 2.0), false), Change::None);
        assert_eq!(lock.take_local(None, false), Change::None);
        assert_eq!(lock.take_local(found(500.0, 3.0), false), Change::None);
        assert_eq!(lock.take_local(found(500.0, 3.0), false), Change::Lost);
        // The alignment it knew is taken back at once.
        assert_eq!(lock.take_global(found(900.4, 3.0), false), Change::Found);
    }

    #[test]
    fn a_backing_later_than_the_latency_is_told() {
        let mut lock = LockState::new(1000, 48_000.0);
        lock.take_global(found(-1500.0, 3.0), false);
        lock.take_global(found(-1500.0, 3.0), false);
        assert_eq!(lock.state, Lock::TooLate);
    }
}
