//! The null depth over a song, from what the engine tells of ten seconds at a time.

use minuend_engine::{Estimate, Readings, Withheld, settings::BackingKind};

use super::{
    pass::Pass,
    sections::{Section, State},
};

/// Null depth where the mix does not hold what is taken, dB, re nothing being taken away: all of the backing is left there at most;
/// how much is likely is chosen by hand, not measured.
const HOLDS_MORE_DB: [f64; 2] = [6.0, 0.0];

/// The mean of null depths, of what they leave: they are of powers, so they are averaged as such.
#[derive(Clone, Copy, Debug, Default)]
pub struct MeanDepth {
    left: f64,
    count: usize,
}

impl MeanDepth {
    /// Takes one, dB.
    pub fn add(&mut self, depth_db: f64) {
        self.left += 10f64.powf(-0.1 * depth_db);
        self.count += 1;
    }

    /// Their mean, dB; `None` of none.
    pub fn db(&self) -> Option<f64> {
        (self.count > 0).then(|| -10.0 * (self.left / self.count as f64).log10())
    }
}

/// Gathers readings.
#[derive(Clone, Copy, Debug, Default)]
pub struct Depth {
    told: MeanDepth,
    at_least: MeanDepth,
    withheld: Withheld,
}

impl Depth {
    /// Takes a reading.
    pub fn take(&mut self, readings: &Readings) {
        match (readings.null_depth_db, readings.withheld) {
            (Some(db), _) => self.told.add(db.into()),
            (None, Withheld::AtLeast(db)) => self.at_least.add(db.into()),
            // A song of minutes has more moments than those after a change.
            (None, Withheld::NoRest | Withheld::AlignmentChanged) => {}
            (None, withheld) => self.withheld = withheld,
        }
    }

    /// Null depth, dB; none of an estimate, whatever was told before it was known to be one.
    pub fn told_db(&self) -> Option<f64> {
        self.told.db().filter(|_| self.withheld != Withheld::Estimate)
    }

    /// Why there is none. A bound that was told for a part of the song is none where the rests tell nothing of the others.
    pub fn withheld(&self) -> Withheld {
        match (self.told_db(), self.withheld, self.at_least.db()) {
            (Some(_), ..) => Withheld::default(),
            (None, withheld @ (Withheld::Forbidden(_) | Withheld::Estimate), _) | (None, withheld, None) => {
                withheld
            }
            (None, _, Some(db)) => Withheld::AtLeast(db as f32),
        }
    }
}

/// What is told of a whole song.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SongDepth {
    /// Null depth, dB; `None` where less than that is left under the voice.
    pub told_db: Option<f32>,
    /// Why there is none.
    pub withheld: Withheld,
    /// Null depth where the voice rests, dB, if that is all that can be told.
    pub rests_db: Option<f32>,
    /// Null depth under the voice and the range in which it is: about what was measured, or else an estimate.
    pub under_voice: Option<Estimate>,
}

impl SongDepth {
    /// The same over sections of which the backing holds more than the mix in some: the readings tell of the others.
    pub fn over_sections(self, sections: &[Section]) -> Self {
        let taken_s = |counts: fn(State) -> bool| -> f64 {
            let counted = sections.iter().filter(|section| counts(section.state));
            counted.map(|section| section.range_s.1 - section.range_s.0).sum()
        };
        let more_s = taken_s(|state| state == State::HoldsMore);
        if more_s <= 0.0 {
            return self;
        }
        let share = more_s / taken_s(State::is_subtracted);
        let [likely_db, least_db] = HOLDS_MORE_DB.map(|depth_db| (depth_db - 10.0 * share.log10()) as f32);
        let under_voice = self.under_voice.map(|found| Estimate {
            depth_db: found.depth_db.min(likely_db),
            from_db: found.from_db.min(least_db),
            ..found
        });
        Self { under_voice, ..self }
    }

    /// Null depth under the voice, where it was not measured.
    pub fn estimate(&self) -> Option<Estimate> {
        self.under_voice.filter(|_| self.told_db.is_none())
    }
}

impl Depth {
    /// What is told of the song, with the readings that know what limits the null in it and what the backing is. A few moments
    /// without a voice tell nothing of a song in which it hides more.
    pub fn over_song(&self, readings: &Readings) -> SongDepth {
        let causes = &readings.causes;
        let told_db = self.told_db().map(|db| db as f32);
        let forbidding = told_db.and_then(|db| causes.forbidding(db));
        let withheld = forbidding.map_or(self.withheld(), Withheld::Forbidden);
        let rests_db = told_db.filter(|_| forbidding.is_some());
        let told_db = told_db.filter(|_| forbidding.is_none());
        let under_voice = match (told_db, withheld) {
            (Some(db), _) => Some(causes.about_measured(db)),
            (None, _) if readings.backing_kind == BackingKind::Estimated => None,
            (None, Withheld::AtLeast(db)) => causes.estimate().map(|estimate| estimate.at_least(db)),
            (None, _) => causes.estimate(),
        };
        SongDepth { told_db, withheld, rests_db, under_voice }
    }

    /// The same of files: what was put out by `pass`, over its sections. What limits the null is known by the pass that learned.
    pub fn over_files(&self, pass: &Pass, learning: &Pass, sections: &[Section]) -> SongDepth {
        let readings = Readings { backing_kind: pass.readings.backing_kind, ..learning.readings };
        self.over_song(&readings).over_sections(sections)
    }
}

#[cfg(test)]
mod tests {
    use minuend_engine::{
        Evidence, Limit,
        causes::{Causes, Kind},
    };

    use super::*;

    fn reading(null_depth_db: Option<f32>, withheld: Withheld) -> Readings {
        Readings { null_depth_db, withheld, ..Readings::default() }
    }

    /// 10 log10 of the mean of 1e-2 and 1e-4, by hand.
    #[test]
    fn powers_are_averaged() {
        let mut depth = Depth::default();
        assert_eq!(depth.told_db(), None);
        for db in [Some(20.0), None, Some(40.0)] {
            depth.take(&reading(db, Withheld::NoRest));
        }
        assert!((depth.told_db().unwrap() - 22.967).abs() < 1e-3, "{depth:?}");
    }

    /// A voice that does not rest now hides no other reason.
    #[test]
    fn the_reason_that_can_be_told_stays() {
        let mut depth = Depth::default();
        depth.take(&reading(None, Withheld::Forbidden(Kind::Clipping)));
        depth.take(&reading(None, Withheld::NoRest));
        assert_eq!(depth.withheld(), Withheld::Forbidden(Kind::Clipping));
        depth.take(&reading(None, Withheld::AtLeast(60.0)));
        assert_eq!(depth.withheld(), Withheld::Forbidden(Kind::Clipping));
    }

    #[test]
    fn of_an_estimate_nothing_is_told() {
        let mut depth = Depth::default();
        depth.take(&reading(Some(60.0), Withheld::NoRest));
        depth.take(&reading(None, Withheld::Estimate));
        depth.take(&reading(None, Withheld::AtLeast(50.0)));
        depth.take(&reading(None, Withheld::Estimate));
        assert_eq!((depth.told_db(), depth.withheld()), (None, Withheld::Estimate));
    }

    /// 10 log10 of the mean of 1e-5 and 1e-7, by hand: what is left at most, so on the whole as well.
    #[test]
    fn bounds_are_averaged_as_powers_too() {
        let mut depth = Depth::default();
        for withheld in
            [Withheld::CausesUnknown, Withheld::AtLeast(50.0), Withheld::NoRest, Withheld::AtLeast(70.0)]
        {
            depth.take(&reading(None, withheld));
        }
        assert_eq!(depth.told_db(), None);
        assert!(matches!(depth.withheld(), Withheld::AtLeast(db) if (db - 52.967).abs() < 1e-3), "{depth:?}");
    }

    /// Rests of 137 dB in a song whose loud moments are bent, which leaves 20 dB: that is what is told of the voice.
    #[test]
    fn moments_without_a_voice_do_not_speak_for_the_song() {
        let mut depth = Depth::default();
        depth.take(&reading(Some(137.0), Withheld::NoRest));
        let evidence = Evidence { limit: Limit::Bend, figure_db: 17.0 };
        let bent = Causes::rank([(Kind::Clipping, 0.01)], 1e-6, 0.0).with_evidence(Some(evidence));
        let song = depth.over_song(&Readings { causes: bent, ..Readings::default() });
        assert_eq!((song.told_db, song.withheld), (None, Withheld::Forbidden(Kind::Clipping)));
        assert_eq!(
            (song.rests_db.map(f32::round), song.estimate()),
            (Some(137.0), Some(evidence.estimate()))
        );
        let plain = depth.over_song(&Readings::default());
        assert_eq!(
            (plain.told_db.map(f32::round), plain.rests_db, plain.estimate()),
            (Some(137.0), None, None)
        );
        let range = plain.under_voice.map(|found| [found.from_db, found.to_db].map(f32::round));
        // Nothing was heard of the voice, so nothing is known of what is left beneath it.
        assert_eq!(range, Some([0.0, 140.0]));
    }

    /// Half of what is taken is not in the mix: 3 dB at least, if all of it is left there. Where the backing is silent nothing is taken.
    #[test]
    fn what_the_mix_does_not_hold_is_left() {
        let section = |range_s, state| Section { range_s, state, delay_samples: 0.0, confirmed_s: 0.0 };
        let under_voice = Some(Estimate { depth_db: 60.0, from_db: 50.0, to_db: 70.0 });
        let song = SongDepth { under_voice, ..SongDepth::default() };
        let plain = section((0.0, 10.0), State::Subtracted);
        assert_eq!(song.over_sections(&[plain]), song);
        let more = section((10.0, 20.0), State::HoldsMore);
        let found =
            song.over_sections(&[plain, more, section((20.0, 40.0), State::Silent)]).under_voice.unwrap();
        assert!((found.from_db - 3.01).abs() < 0.01 && (found.depth_db - 9.01).abs() < 0.01, "{found:?}");
        assert_eq!(found.to_db, 70.0);
    }

    /// Nothing could be measured: the estimate stands in, and is no shallower than a bound; of a machine's backing there is none.
    #[test]
    fn an_estimate_is_told_where_nothing_was_measured() {
        let evidence = Evidence { limit: Limit::Nothing, figure_db: 10.0 };
        let causes = Causes::default().with_evidence(Some(evidence));
        let told = |withheld, backing_kind| {
            let mut depth = Depth::default();
            depth.take(&reading(None, withheld));
            depth.over_song(&Readings { causes, backing_kind, ..Readings::default() }).estimate()
        };
        assert_eq!(told(Withheld::NoRest, BackingKind::Recorded), Some(evidence.estimate()));
        let bounded = told(Withheld::AtLeast(45.0), BackingKind::Auto);
        assert_eq!(bounded.map(|estimate| estimate.depth_db), Some(45.0));
        // Where the voice never rests that is the reason, but a machine's it is all the same.
        for withheld in [Withheld::Estimate, Withheld::NoRest] {
            assert_eq!(told(withheld, BackingKind::Estimated), None);
        }
    }
}
