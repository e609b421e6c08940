//! The null depth under the voice as it is told of a song, beside the truth.

use minuend_engine::Estimate;

use super::told_depth::{DEEPEST_DB, RIGHT_DB};

/// What is left of the backing where the voice sings, as told and as it is.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct UnderVoice {
    /// As told; `None` if it was not.
    pub told: Option<Estimate>,
    /// The truth, dB; `None` if the voice does not sing. In a mastered pair the voice is the true one through a filter and a gain
    /// every 5 ms, and the backing is the rest of the mix.
    pub true_db: Option<f64>,
}

impl UnderVoice {
    /// Whether the figure that was told is within 3 dB of the truth; `None` if nothing was told or there is no truth.
    pub fn is_right(&self) -> Option<bool> {
        let told_db = f64::from(self.told?.depth_db).min(DEEPEST_DB);
        Some((told_db - self.true_db?.min(DEEPEST_DB)).abs() <= RIGHT_DB)
    }

    /// Whether the truth is within the range that was told; `None` if nothing was told or there is no truth.
    pub fn holds(&self) -> Option<bool> {
        let Estimate { from_db, to_db, .. } = self.told?;
        let [from_db, to_db] = [from_db, to_db].map(|db| f64::from(db).min(DEEPEST_DB));
        Some((from_db..=to_db).contains(&self.true_db?.min(DEEPEST_DB)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_is_right_within_3_db_and_a_range_where_it_holds_the_truth() {
        let told = |true_db| UnderVoice {
            told: Some(Estimate { depth_db: 30.0, from_db: 20.0, to_db: 32.0 }),
            true_db,
        };
        for (true_db, right, holds) in
            [(27.1, true, true), (26.9, false, true), (32.5, true, false), (19.0, false, false)]
        {
            let under_voice = told(Some(true_db));
            assert_eq!(
                (under_voice.is_right(), under_voice.holds()),
                (Some(right), Some(holds)),
                "{true_db}"
            );
        }
        for unknown in [told(None), UnderVoice { told: None, true_db: Some(30.0) }] {
            assert_eq!((unknown.is_right(), unknown.holds()), (None, None));
        }
        // All that is so deep is alike.
        let deep = Estimate { depth_db: 137.0, from_db: 121.0, to_db: 140.0 };
        for true_db in [120.0, 143.0, f64::INFINITY] {
            let deep = UnderVoice { told: Some(deep), true_db: Some(true_db) };
            assert_eq!((deep.is_right(), deep.holds()), (Some(true), Some(true)));
        }
    }
}
