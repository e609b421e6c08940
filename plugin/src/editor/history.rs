//! The last half minute of readings, kept while the window is open.

use std::collections::VecDeque;

use minuend_engine::spectra::NUM_BANDS;
use minuend_engine::{Lock, Readings, Spectra, Withheld, heard};

use super::evidence::{Doubt, Evidence};
use super::state::State;
use crate::meters::Meters;

/// Length of the curves, seconds of music.
pub const LENGTH_S: f64 = 30.0;
/// Distance of two points, seconds of music.
const STEP_S: f64 = 0.1;
/// A longer gap (the window was closed, the song stood still) starts the curves anew, seconds.
const GAP_S: f64 = 1.0;
/// Frames of spectra remembered: ten seconds, as the null depth covers.
const NUM_FRAMES: u64 = 110;
/// A band with this much less backing than the loudest tells nothing (power ratio, -70 dB).
const AUDIBLE: f32 = 1e-7;
/// Weight of a new frame in the spectra drawn: they settle within half a second.
const FRAME_WEIGHT: f32 = 0.2;
/// Time in which shown levels settle, seconds.
const LEVEL_S: f64 = 0.4;

/// One point of the curves.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Point {
    /// Null depth, dB, as far as it could be told.
    pub depth_db: Option<f32>,
    /// What it is at least, dB, where that is all that could be told.
    pub at_least_db: Option<f32>,
    /// The level follower's movement, dB; `None` while nothing is subtracted.
    pub follow_db: Option<f32>,
}

/// Curves and averages of what the meters said.
#[derive(Default)]
pub struct History {
    points: VecDeque<Point>,
    frames: VecDeque<Spectra>,
    average: Spectra,
    depths_db: Vec<Result<f32, Withheld>>,
    heard_s: f64,
    /// When the search began that goes on, s.
    searching_since_s: Option<f64>,
    next_s: f64,
    /// Powers of mix, backing and output.
    levels: [f64; 3],
    evidence: Evidence,
}

impl History {
    /// Takes what the meters say now.
    pub fn take(&mut self, meters: &Meters) {
        if !meters.engine_works() {
            *self = Self::default();
            return;
        }
        if State::of(meters).rests() {
            // What was drawn of the song stays. Levels are taken as they are, since no picture may follow.
            self.levels = powers(&meters.readings);
            self.searching_since_s = None;
            return;
        }
        let heard_s = meters.readings.heard_samples as f64 / meters.sample_rate_hz;
        let passed_s = heard_s - self.heard_s;
        if !(0.0..GAP_S).contains(&passed_s) {
            *self = Self { next_s: heard_s, ..Self::default() };
        }
        self.heard_s = heard_s;
        let searching = meters.readings.lock == Lock::Searching;
        self.searching_since_s = searching.then(|| self.searching_since_s.unwrap_or(heard_s));
        self.evidence.take(meters, passed_s);
        self.take_levels(meters, passed_s);
        self.take_point(meters);
        self.take_spectra(&meters.spectra, &meters.readings);
    }

    fn take_levels(&mut self, meters: &Meters, passed_s: f64) {
        let weight = 1.0 - (-passed_s.clamp(0.0, GAP_S) / LEVEL_S).exp();
        for (level, now) in self.levels.iter_mut().zip(powers(&meters.readings)) {
            *level += weight * (now - *level);
        }
    }

    fn take_point(&mut self, meters: &Meters) {
        let readings = &meters.readings;
        let locked = readings.lock == Lock::Locked;
        let point = Point {
            depth_db: readings.null_depth_db.filter(|_| locked),
            at_least_db: readings.withheld.at_least_db().filter(|_| locked),
            follow_db: locked.then_some(readings.follow_db),
        };
        while self.next_s <= self.heard_s {
            self.next_s += STEP_S;
            // A song that has not begun yet leaves no trace.
            if readings.lock != Lock::NoBacking || !self.points.is_empty() {
                self.points.push_back(point);
            }
        }
        while self.points.len() > (LENGTH_S / STEP_S) as usize {
            self.points.pop_front();
        }
    }

    fn take_spectra(&mut self, spectra: &Spectra, readings: &Readings) {
        let newest = self.frames.back().map_or(0, |frame| frame.num_frames);
        if spectra.num_frames == newest {
            return;
        }
        let first = self.frames.is_empty() || spectra.num_frames < newest;
        // Frames from before the backing changed its place tell nothing of the present one.
        if first || readings.withheld == Withheld::AlignmentChanged {
            self.frames.clear();
        }
        self.frames.push_back(*spectra);
        // A busy window misses frames: what counts is how old they are.
        while self.frames.front().is_some_and(|oldest| oldest.num_frames + NUM_FRAMES <= spectra.num_frames) {
            self.frames.pop_front();
        }
        let weight = if first { 1.0 } else { FRAME_WEIGHT };
        for (average, new) in [
            (&mut self.average.mix, &spectra.mix),
            (&mut self.average.backing, &spectra.backing),
            (&mut self.average.matched, &spectra.matched),
            (&mut self.average.difference, &spectra.difference),
        ] {
            average.iter_mut().zip(new).for_each(|(a, x)| *a += weight * (x - *a));
        }
        self.average.num_frames = spectra.num_frames;
        self.depths_db = self.measure_depths(readings);
    }

    /// How far the backing is down in each band of the difference where the voice rests there, by the engine's rules.
    fn measure_depths(&self, readings: &Readings) -> Vec<Result<f32, Withheld>> {
        let loudest = self.frames.iter().flat_map(|frame| frame.matched).fold(0.0, f32::max);
        let mut moments = Vec::with_capacity(self.frames.len());
        (0..NUM_BANDS)
            .map(|band| {
                moments.clear();
                let powers = self.frames.iter().map(|frame| [frame.difference[band], frame.matched[band]]);
                let audible = powers.filter(|[_, matched]| *matched > AUDIBLE * loudest && *matched > 0.0);
                moments.extend(audible.map(|powers| powers.map(f64::from)));
                readings.told(heard(&mut moments))
            })
            .collect()
    }

    /// The curves' points, oldest first, the newest at the right edge.
    pub fn points(&self) -> impl DoubleEndedIterator<Item = &Point> + ExactSizeIterator {
        self.points.iter()
    }

    /// Whether anything was subtracted in the time of the curves.
    pub fn has_null(&self) -> bool {
        self.points.iter().any(|point| point.follow_db.is_some())
    }

    /// How far back a point lies, seconds; `age` counts from the newest.
    pub fn age_s(age: usize) -> f64 {
        age as f64 * STEP_S
    }

    /// How long the search has been going on, s of music while the window was open.
    pub fn searching_s(&self) -> f64 {
        self.searching_since_s.map_or(0.0, |since_s| self.heard_s - since_s)
    }

    /// What speaks against the match in the music of the last seconds.
    pub fn doubt(&self) -> Option<Doubt> {
        self.evidence.doubt()
    }

    /// The spectra, averaged over about half a second.
    pub fn spectra(&self) -> &Spectra {
        &self.average
    }

    /// Null depth by band, dB, or why it is not told; empty before anything was heard.
    pub fn depths_db(&self) -> &[Result<f32, Withheld>] {
        &self.depths_db
    }

    /// Levels of mix, backing and output, dB re full scale.
    pub fn levels_db(&self) -> [f32; 3] {
        self.levels.map(|power| (10.0 * power.max(1e-20).log10()) as f32)
    }
}

/// Powers of mix, backing and output.
fn powers(readings: &Readings) -> [f64; 3] {
    [readings.mix_db, readings.backing_db, readings.output_db].map(|db| 10f64.powf(f64::from(db) / 10.0))
}

#[cfg(test)]
mod tests {
    use minuend_engine::Readings;

    use super::*;

    fn at(seconds: f64, readings: Readings) -> Meters {
        let readings = Readings { heard_samples: (seconds * 48_000.0) as u64, ..readings };
        Meters { readings, sample_rate_hz: 48_000.0, ..Meters::default() }
    }

    fn locked(depth_db: f32) -> Readings {
        Readings { lock: Lock::Locked, null_depth_db: Some(depth_db), follow_db: -1.0, ..Readings::default() }
    }

    #[test]
    fn keeps_half_a_minute() {
        let mut history = History::default();
        for i in 0..2_000 {
            history.take(&at(0.03 * f64::from(i), locked(i as f32)));
        }
        assert_eq!(history.points().len(), 300);
        let newest = history.points().next_back().unwrap();
        assert!(newest.depth_db.unwrap() > 1_990.0);
        assert_eq!(newest.follow_db, Some(-1.0));
    }

    #[test]
    fn starts_anew_after_a_gap_or_a_reset_and_with_the_song() {
        let mut history = History::default();
        for i in 0..10 {
            history.take(&at(0.1 * f64::from(i), Readings { mix_db: -200.0, ..Readings::default() }));
        }
        assert_eq!(history.points().len(), 0);
        for i in 10..40 {
            history.take(&at(0.1 * f64::from(i), locked(40.0)));
        }
        assert!(history.points().len() >= 29);
        history.take(&at(60.0, locked(40.0)));
        assert_eq!(history.points().len(), 1);
        history.take(&at(0.5, locked(40.0)));
        assert_eq!(history.points().len(), 1);
        history.take(&Meters::default());
        assert_eq!(history.points().len(), 0);
    }

    /// When the host stops, and for however long.
    #[test]
    fn what_was_drawn_of_the_song_stays_while_nothing_plays() {
        let mut history = History::default();
        for i in 0..40 {
            history.take(&at(0.1 * f64::from(i), Readings { mix_is_heard: true, ..locked(40.0) }));
        }
        let (num_points, newest) = (history.points().len(), history.points().next_back().copied());
        let rests = Readings { lock: Lock::NoBacking, kept: Lock::Locked, mix_db: -200.0, ..locked(40.0) };
        for seconds in [4.0, 4.1, 90.0, 0.0] {
            history.take(&at(seconds, rests));
            assert_eq!((history.points().len(), history.points().next_back().copied()), (num_points, newest));
            assert!(history.has_null() && history.levels_db()[0] <= -199.0);
        }
    }

    #[test]
    fn a_search_is_timed_until_it_ends() {
        let mut history = History::default();
        let searching = Readings { lock: Lock::Searching, mix_is_heard: true, ..Readings::default() };
        for i in 0..=40 {
            history.take(&at(2.0 + 0.5 * f64::from(i), searching));
        }
        assert_eq!(history.searching_s(), 20.0);
        history.take(&at(22.5, locked(20.0)));
        assert_eq!(history.searching_s(), 0.0);
    }

    #[test]
    fn what_cannot_be_told_is_a_gap() {
        let mut history = History::default();
        history.take(&at(0.0, Readings { null_depth_db: None, ..locked(0.0) }));
        history.take(&at(0.15, Readings { lock: Lock::Searching, ..locked(30.0) }));
        let bounded = Readings { null_depth_db: None, withheld: Withheld::AtLeast(70.0), ..locked(0.0) };
        history.take(&at(0.25, bounded));
        let points: Vec<_> = history.points().copied().collect();
        let withheld = Point { depth_db: None, at_least_db: None, follow_db: Some(-1.0) };
        assert_eq!(points[0], withheld);
        assert_eq!(points[1], Point::default());
        assert_eq!(points[2], Point { at_least_db: Some(70.0), ..withheld });
    }

    #[test]
    fn depth_by_band_is_measured_where_the_voice_rests() {
        // Of what a voice may hide, nothing is told before it is known.
        assert_eq!(sung_for_100_frames(locked(30.0)).depths_db()[10], Err(Withheld::CausesUnknown));
        let history = sung_for_100_frames(Readings { knows_causes: true, ..locked(30.0) });
        let depths = history.depths_db();
        assert!((depths[10].unwrap() - 30.0).abs() < 0.1, "{:?}", depths[10]);
        assert_eq!((depths[20], depths[0]), (Err(Withheld::NoRest), Err(Withheld::NoRest)));
        assert!((history.spectra().matched[10] - 1.0).abs() < 1e-6);
        let changed = Readings { withheld: Withheld::AlignmentChanged, knows_causes: true, ..locked(30.0) };
        assert_eq!(sung_for_100_frames(changed).depths_db()[10], Err(Withheld::NoRest));
    }

    fn sung_for_100_frames(readings: Readings) -> History {
        let mut history = History::default();
        for i in 1..=100 {
            let mut spectra = Spectra { num_frames: i, ..Spectra::default() };
            spectra.matched[10] = 1.0;
            // Residue 30 dB down, made so; the voice rests every fifth frame.
            spectra.difference[10] = 1e-3 + if i % 5 == 0 { 0.0 } else { 1.0 };
            // Here it never does.
            spectra.matched[20] = 1.0;
            spectra.difference[20] = 1.0;
            history.take(&Meters { spectra, ..at(0.09 * i as f64, readings) });
        }
        history
    }

    /// Nobody sings; what is left is 40 dB down, made so, and then 23 dB (10 log10 of 5e-3).
    #[test]
    fn depth_by_band_is_of_the_last_frames() {
        let mut history = History::default();
        let readings = Readings { knows_causes: true, ..locked(30.0) };
        let mut seconds = 0.0;
        let mut take = |num_frames, left| {
            seconds += 0.09;
            let mut spectra = Spectra { num_frames, ..Spectra::default() };
            (spectra.matched[10], spectra.difference[10]) = (1.0, left);
            // Too soft beside it.
            (spectra.matched[20], spectra.difference[20]) = (1e-8, 1e-8 * left);
            history.take(&Meters { spectra, ..at(seconds, readings) });
            (history.spectra().difference[10], history.depths_db()[10], history.depths_db()[20])
        };
        assert_eq!(take(1, 1e-4).0, 1e-4);
        (2..200).for_each(|frame| _ = take(frame, 1e-4));
        let (_, loud, soft) = take(200, 1e-4);
        assert!((loud.unwrap() - 40.0).abs() < 0.1 && soft == Err(Withheld::NoRest), "{loud:?} {soft:?}");
        // As long as there are some of the former they are the deepest moments, by which the null is told.
        for (frames, depth_db) in [(201..=260, 40.0), (261..=299, 40.0), (300..=310, 23.0)] {
            let (_, told, _) = frames.map(|frame| take(frame, 5e-3)).last().unwrap();
            assert!((told.unwrap() - depth_db).abs() < 0.1, "{told:?}, not {depth_db}");
        }
        // The same frame again is no news, and one of a lower number is the first after a reset.
        let again = (0..100).map(|_| take(310, 1e-4).1).last().unwrap();
        assert!((again.unwrap() - 23.0).abs() < 0.1, "{again:?}");
        assert_eq!(take(1, 5e-3).1, Err(Withheld::NoRest));
    }

    #[test]
    fn levels_settle() {
        let mut history = History::default();
        for i in 0..100 {
            let loud = Readings { mix_db: -20.0, backing_db: -200.0, output_db: -40.0, ..locked(20.0) };
            history.take(&at(0.04 * f64::from(i), loud));
        }
        let [mix, backing, output] = history.levels_db();
        assert!((mix + 20.0).abs() < 0.1 && (output + 40.0).abs() < 0.1, "{mix} {output}");
        assert!(backing <= -199.0);
    }
}
