//! The null depth as the engine tells it, beside the truth of the same music.

use minuend_engine::{NULL_DEPTH_S, Readings};

use minuend_files::passes::depth::MeanDepth;

use crate::metrics::null_depth::Rests;

/// How far a reading may be off and still be right, dB.
pub(super) const RIGHT_DB: f64 = 3.0;

/// Deeper nulls are all alike, dB: 24 bits end at 144.
pub(super) const DEEPEST_DB: f64 = 120.0;

/// What the engine told at a moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// The sample up to which it had put out.
    pub end: usize,
    /// Null depth, dB, of the seconds before, as far as there were any; `None` if it could not tell.
    pub told_db: Option<f32>,
    /// What it is at least, dB, if no more could be told.
    pub at_least_db: Option<f32>,
}

impl Reading {
    /// What was read up to a sample.
    pub fn new(end: usize, readings: &Readings) -> Self {
        Self { end, told_db: readings.null_depth_db, at_least_db: readings.withheld.at_least_db() }
    }
}

/// How right the engine was. A reading is of the ten seconds before it, where the voice rests in them, so it is held
/// against the true null depth of those same ten seconds; readings of anything outside what is scored do not count.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ToldDepth {
    /// As told, dB: over all readings the mean of what is left, as power. `None` if it was never told.
    pub told_db: Option<f64>,
    /// What was true of the same seconds, dB, averaged alike. `None` if the voice did not rest.
    pub true_db: Option<f64>,
    /// Part of the readings that told a depth, 0 to 1.
    pub told: f64,
    /// Part of the readings that told one which was off by more than 3 dB, 0 to 1.
    /// `None` if the truth is not known, as of a mastered pair.
    pub wrong: Option<f64>,
    /// What it was at least, dB: the mean over all readings that told no more. `None` if there were none.
    pub at_least_db: Option<f64>,
    /// Part of the readings that told no more, 0 to 1.
    pub at_least: f64,
    /// Part of the readings that told more than 3 dB more than was true, 0 to 1. `None` if the truth is not known.
    pub too_deep: Option<f64>,
}

impl ToldDepth {
    /// Of all readings of a play that is scored from a sample on; without the truth of it, as far as that is not needed.
    pub fn new(readings: &[Reading], rests: Option<&Rests>, from: usize, sample_rate_hz: u32) -> Self {
        let span = (NULL_DEPTH_S * f64::from(sample_rate_hz)) as usize;
        let [mut told, mut truth, mut at_least] = [MeanDepth::default(); 3];
        let (mut num_scored, mut num_told, mut num_wrong, mut num_bounds, mut num_too_deep) = (0, 0, 0, 0, 0);
        for &Reading { end, told_db, at_least_db } in readings {
            let begin = end.saturating_sub(span);
            if begin < from {
                continue;
            }
            num_scored += 1;
            // Where it is told though the voice did not rest, the truth of all of it must do.
            let true_db = rests
                .and_then(|rests| rests.depth_db(begin..end).or_else(|| rests.depth_db(from..usize::MAX)));
            let off_db = |db: f64| true_db.map(|true_db| db.min(DEEPEST_DB) - true_db.min(DEEPEST_DB));
            if let Some(at_least_db) = at_least_db.map(f64::from) {
                num_bounds += 1;
                at_least.add(at_least_db);
                num_too_deep += usize::from(off_db(at_least_db).is_none_or(|off_db| off_db > RIGHT_DB));
            }
            let Some(told_db) = told_db.map(f64::from) else { continue };
            num_told += 1;
            told.add(told_db);
            let off_db = off_db(told_db);
            num_wrong += usize::from(off_db.is_none_or(|off_db| off_db.abs() > RIGHT_DB));
            if let Some(true_db) = true_db {
                truth.add(true_db);
            }
        }
        let part = |count: usize| count as f64 / num_scored.max(1) as f64;
        Self {
            told_db: told.db(),
            true_db: truth.db(),
            told: part(num_told),
            wrong: rests.map(|_| part(num_wrong)),
            at_least_db: at_least.db(),
            at_least: part(num_bounds),
            too_deep: rests.map(|_| part(num_too_deep)),
        }
    }

    /// Whether what was told is within 3 dB of the truth; `None` if nothing was, or the truth is not known.
    pub fn is_right(&self) -> Option<bool> {
        self.wrong?;
        let told_db = self.told_db?.min(DEEPEST_DB);
        Some(self.true_db.is_some_and(|true_db| (told_db - true_db.min(DEEPEST_DB)).abs() <= RIGHT_DB))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: u32 = 1_000;
    const SECOND: usize = 1_000;

    /// A backing of which a tenth remains for 12 s and a hundredth after that: 20 and 40 dB (textbook arithmetic).
    fn rests(voice: f32) -> Rests {
        let constant = |level: f32| vec![vec![level; 30 * SECOND]];
        let mut estimate = constant(voice + 0.05);
        estimate[0][12 * SECOND..].fill(voice + 0.005);
        Rests::new(&constant(voice), &constant(0.5), &estimate, RATE_HZ)
    }

    fn reading(seconds: usize, told_db: Option<f32>, at_least_db: Option<f32>) -> Reading {
        Reading { end: seconds * SECOND, told_db, at_least_db }
    }

    #[test]
    fn readings_are_held_against_their_own_seconds() {
        let told = |seconds, told_db| reading(seconds, told_db, None);
        let readings = [
            told(9, Some(60.0)),
            told(12, Some(22.9)),
            told(20, None),
            told(24, Some(37.2)),
            told(25, Some(20.0)),
        ];
        let found = ToldDepth::new(&readings, Some(&rests(0.0)), 2 * SECOND, RATE_HZ);
        // The first began before what is scored.
        assert_eq!((found.told, found.wrong), (0.75, Some(0.25)));
        // 10 log10 of the means of 1e-2, 1e-4 and 1e-4, and of 10^-2.29, 10^-3.72 and 1e-2, by hand.
        assert!((found.true_db.unwrap() - 24.685).abs() < 0.01, "{found:?}");
        assert!((found.told_db.unwrap() - 22.919).abs() < 0.01, "{found:?}");
        assert_eq!(found.is_right(), Some(true));
        let deep = ToldDepth::new(&[told(12, Some(24.0))], Some(&rests(0.0)), 0, RATE_HZ);
        assert_eq!((deep.wrong, deep.is_right()), (Some(1.0), Some(false)));
    }

    #[test]
    fn nothing_told_is_neither_right_nor_wrong() {
        let found = ToldDepth::new(&[reading(12, None, None)], Some(&rests(0.0)), 0, RATE_HZ);
        assert_eq!((found.told, found.wrong, found.is_right()), (0.0, Some(0.0), None));
        // Without the truth, what was told is neither.
        let found = ToldDepth::new(&[reading(12, Some(20.0), None)], None, 0, RATE_HZ);
        assert_eq!((found.told, found.told_db.map(f64::round)), (1.0, Some(20.0)));
        assert_eq!((found.wrong, found.too_deep, found.is_right()), (None, None, None));
        // A voice that never rests has no depth, and whoever tells one is wrong.
        let found = ToldDepth::new(&[reading(12, Some(20.0), None)], Some(&rests(0.5)), 0, RATE_HZ);
        assert_eq!((found.wrong, found.is_right()), (Some(1.0), Some(false)));
    }

    /// A bound may be as far below the truth as it likes.
    #[test]
    fn bounds_are_wrong_only_beyond_the_truth() {
        let bounds = [(12, 5.0), (12, 22.9), (12, 23.1), (24, 42.9), (25, 60.0)]
            .map(|(seconds, db)| reading(seconds, None, Some(db)));
        let found = ToldDepth::new(&bounds, Some(&rests(0.0)), 0, RATE_HZ);
        assert_eq!((found.told, found.at_least, found.too_deep), (0.0, 1.0, Some(0.4)));
        // 10 log10 of the mean of what they leave, by hand.
        assert!((found.at_least_db.unwrap() - 11.853).abs() < 0.01, "{found:?}");
        let nowhere = ToldDepth::new(&[reading(12, None, Some(20.0))], Some(&rests(0.5)), 0, RATE_HZ);
        assert_eq!((nowhere.at_least, nowhere.too_deep), (1.0, Some(1.0)));
    }
}
