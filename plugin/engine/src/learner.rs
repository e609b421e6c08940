//! Learns the match from what was heard: everything that comes in lumps. Runs as a job, on whatever thread.

use crate::align::course::Course;
use crate::align::edge::{BLOCK, costs, edge};
use crate::align::lock::LOCK_CONFIDENCE;
use crate::align::search::{Found, look_at, search};
use crate::align::sections::Sections;
use crate::causes::analysis::Study;
use crate::causes::chain::Chain;
use crate::causes::diagnosis::Causes;
use crate::dsp::delay_line::DelayLine;
use crate::dsp::ring::{Ring, stereo};
use crate::dsp::sizes::Sizes;
use crate::dsp::units::mean;
use crate::heard::{Heard, Part, Stretch};
use crate::level_track::LevelTrack as Track;
use crate::matching::filter_fit::{STEPS, fit_filter};
use crate::matching::filter_model::{FILTER_MODELS as RUNGS, FilterModel as Rung, Resolution, choose};
use crate::matching::movement::Movement;
use crate::matching::simple_fit::{SimpleFit as Simple, first_choice, fit_simple, simple_taps};
use crate::matching::statistics::{self, Statistics};
use crate::matching::taps::Taps;
use crate::settings::Tone;
use crate::spectral::spectrum::Spectrum;
use std::collections::BTreeSet;

/// Music with which the backing's place is searched, seconds: long windows find a faint backing, short ones one that
/// moves or has just begun. The last one only counts if the null confirms it.
const SEARCH_S: [f64; 3] = [4.0, 1.0, 0.5];
/// Highest peaks of a search that may be confirmed: music that repeats has several.
const PEAKS: usize = 3;
/// Music over which a place is confirmed by its null, seconds.
const CONFIRM_S: f64 = 0.5;
/// Score that a place must win to be confirmed, nats (3 dB). A backing in a wrong place adds to the mix and loses, but
/// half a second of other music in the same key was once seen to win 0.4.
const CONFIRMED: f64 = 0.7;
/// Score from which the place in force holds whatever the correlation says, nats: nothing is lost by staying.
pub const HOLDS: f64 = 0.1;
/// How close to the place in force none is another one, samples at 44.1 and 48 kHz: it is the looks that follow it
/// there.
pub const NEAR: usize = 64;
/// Delay of the whole filter that is let be where the delay moves, samples (-50 dB at 1 kHz).
const SETTLED_SAMPLES: f64 = 0.02;
/// By how much another place must be better than the one in force, nats.
const BETTER: f64 = 0.1;
/// Music in which the moment is sought at which the place changed, seconds.
const EDGE_S: f64 = 8.0;
/// Music from which a match is learned, seconds.
const MEMORY_S: f64 = 30.0;
/// Music in which is looked what limits the null, with as much again for the level to settle, seconds.
const STUDIED_S: f64 = 2.0 * JUDGED_S;
/// Least music a match is learned from, seconds.
const LEAST_S: f64 = 0.4;
/// Music from which filters are learned, and fine ones, seconds.
const FILTERS_FROM_S: f64 = 0.9;
const FINE_FROM_S: f64 = 3.5;
/// Improvement of the score from which a coarse filter is taken before it was tried out of sample, nats (4.3 dB):
/// so smooth a filter cannot fake that.
const AT_ONCE: f64 = 1.0;
/// Newest music on which a match is judged, seconds.
const JUDGED_S: f64 = 4.0;
/// Jobs whose judgements are remembered.
const JUDGED_JOBS: usize = 3;
/// Improvement of the score, in nats, from which following the level counts as paying, and goes on doing so. True
/// movements gave 0.17 and more, in moments 0.09; a clipper, which no level describes, at most 0.15 (six recordings). With
/// codecs alone nothing changed by more than 0.02 dB.
const PAYS: f64 = 0.16;
const STILL_PAYS: f64 = 0.05;
/// Improvement of the score, in nats (0.4 dB), from which what is left is not what was left before.
const OTHER: f64 = 0.1;
/// Music from which it may be told that following does not pay, seconds.
const PAYS_FROM_S: f64 = 1.5;

/// What a job is to do.
// A box would be allocated on the audio thread.
#[allow(clippy::large_enum_variant)]
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Task {
    /// Find the backing's place.
    Search(Sought),
    /// Look whether it is still at this delay, samples; before the position it may have been elsewhere.
    Look(i64, i64),
    /// Learn the match.
    Match(Given),
    /// Look what limits the null as it is.
    Study(Given),
}

/// What a search starts from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sought {
    /// Delay in force, or the one that was lost if it is not yet known when; samples.
    pub before: Option<i64>,
    /// Whether that is still in force.
    pub in_force: bool,
    /// Position before which mix and backing may belong together otherwise.
    pub from: i64,
    /// Position in the song less position heard.
    pub song_offset: i64,
    /// Places known.
    pub sections: Sections,
}

/// What a search found.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Searched {
    /// The place.
    pub found: Option<Found>,
    /// Whether its null confirms it.
    pub confirmed: bool,
    /// Whether its null confirms the place before.
    pub holds: bool,
    /// Position at which the place before gave way to the one found, or to none.
    pub edge: Option<i64>,
}

/// What a match is learned under.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Given {
    /// Delay in force, samples.
    pub delay_samples: i64,
    /// Whether it moves: then it is read from the course heard.
    pub moving: bool,
    /// Position before which mix and backing may belong together otherwise.
    pub from: i64,
    /// How the level moves.
    pub movement: Movement,
    /// How free the tone may be.
    pub tone: Tone,
    /// Music that the filter in force was learned from, seconds.
    pub learned_s: f64,
    /// Whether following the level is known to pay.
    pub following_pays: bool,
}

/// What a job found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Outcome {
    /// Of [`Task::Search`].
    Searched(Searched),
    /// Of [`Task::Look`].
    Looked(Looked),
    /// Of [`Task::Match`]: the better filter, if there is one, lies in [`Learner::taps`].
    Matched(Matched),
    /// Of [`Task::Study`]: see [`Learner::causes`].
    Studied,
}

/// What a look found.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Looked {
    /// The place, if anything can be told.
    pub found: Option<Found>,
    /// By how much the null betters the score of the newest music, nats.
    pub gained: Option<f64>,
}

/// How learning a match ended.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Matched {
    /// Where the backing is now, as by [`Task::Look`].
    pub looked: Looked,
    /// By how much the new filter beats the one in force, nats; `None` if it does not.
    pub gained: Option<f64>,
    /// Delay, in samples, that was taken out of the filter and belongs into the course of a delay that moves.
    pub shifted: f64,
    /// Whether following the level makes the difference smaller; `None` = cannot be told.
    pub following_pays: Option<bool>,
    /// Music that the new filter was learned from, seconds.
    pub heard_s: f64,
}

/// The learning side: what was heard, and the models under trial.
pub struct Learner {
    /// What to do in [`Learner::run`].
    pub task: Task,
    /// What was found.
    pub outcome: Outcome,
    /// The filter in force when the job is handed out, the better one when it comes back.
    pub taps: Taps,
    mix: Ring,
    backing: Ring,
    sizes: Sizes,
    trials: Vec<(Rung, Taps)>,
    judged: Vec<Vec<(Rung, Vec<f64>)>>,
    judged_to: i64,
    level: Simple,
    delayed: Simple,
    place: Option<i64>,
    forget: bool,
    course: Course,
    delay_line: DelayLine,
    /// The backing as read along the course, as far as jobs needed it.
    aligned: Option<Ring>,
    /// The level so far, through a filter that left about as much as the one in force does.
    track: Option<Track>,
    study: Study,
}

impl Learner {
    /// A learner that has heard nothing.
    pub fn new(sizes: Sizes, num_taps: usize) -> Self {
        let len = sizes.samples(MEMORY_S);
        Self {
            task: Task::Look(0, 0),
            outcome: Outcome::Looked(Looked::default()),
            taps: Taps::silent(num_taps),
            mix: Ring::new(len),
            backing: Ring::new(len),
            sizes,
            trials: Vec::new(),
            judged: Vec::new(),
            judged_to: 0,
            level: Simple::default(),
            delayed: Simple::default(),
            place: None,
            forget: false,
            course: Course::new(len / sizes.hop() + 1),
            delay_line: DelayLine::new(sizes.hop()),
            aligned: None,
            track: None,
            study: Study::new(sizes),
        }
    }

    /// Forgets everything heard; the next sample has position `at`. Real-time safe: what was allocated in a job is
    /// given back in a job.
    pub fn restart(&mut self, at: i64) {
        self.mix.restart(at);
        self.backing.restart(at);
        self.course.restart(at / self.sizes.hop() as i64);
        self.place = None;
        self.forget = true;
    }

    fn forget_trials(&mut self) {
        self.trials.clear();
        self.judged.clear();
        self.judged_to = 0;
        (self.level, self.delayed) = Default::default();
        self.track = None;
        self.study.forget();
    }

    /// Position after the newest sample heard.
    pub fn end(&self) -> i64 {
        self.mix.end()
    }

    /// Hears one hop more.
    pub fn hear(&mut self, mix: [&[f32]; 2], backing: [&[f32]; 2]) {
        self.mix.push(mix);
        self.backing.push(backing);
    }

    /// Hears the delays in force, as far as they are known.
    pub fn hear_course(&mut self, course: &Course) {
        if self.course.end() < course.begin() {
            self.course.restart(course.begin());
        }
        for hop in self.course.end()..course.end() {
            self.course.push(course.get(hop));
        }
    }

    /// Does the task.
    pub fn run(&mut self) {
        if std::mem::take(&mut self.forget) {
            self.forget_trials();
            self.aligned = None;
        }
        self.outcome = match self.task {
            Task::Search(sought) => Outcome::Searched(self.search(&sought)),
            Task::Look(delay, from) => Outcome::Looked(self.looked(delay, from)),
            Task::Match(given) => Outcome::Matched(self.learn(given)),
            Task::Study(given) => self.look_on(given),
        };
    }

    fn search(&self, sought: &Sought) -> Searched {
        // Without a filter no null confirms anything: only the surest places count.
        let is_first = self.taps.is_silent();
        let (windows_s, most) = if is_first { (&SEARCH_S[..2], 1) } else { (&SEARCH_S[..], PEAKS) };
        let search = |&window_s| search(&self.mix, &self.backing, window_s, most, self.sizes);
        let found: Vec<Vec<Found>> = windows_s.iter().map(search).collect();
        let sure = found[..2].iter().filter_map(|places| places.first());
        let near = self.sizes.scaled(NEAR) as f64;
        let is_other = |found: &Found| {
            let distance = |before| (found.delay_samples - before as f64).abs();
            !sought.in_force || sought.before.is_none_or(|before| distance(before) > near)
        };
        let best = sure.copied().max_by(|a, b| a.confidence.total_cmp(&b.confidence));
        if is_first {
            return Searched { found: best, ..Searched::default() };
        }
        let mut places: Vec<Found> = found.concat();
        let song = self.mix.end() + sought.song_offset;
        let known = sought.sections.as_slice().iter().filter_map(|section| section.law);
        let known: BTreeSet<i64> = known.map(|law| law.at(song).round() as i64).collect();
        places.extend(known.into_iter().filter_map(|delay| self.look(delay)));
        places.sort_by(|a, b| a.delay_samples.total_cmp(&b.delay_samples));
        places.dedup_by(|a, b| (a.delay_samples - b.delay_samples).abs() < 0.5);
        let gained = |delay| self.gained(delay, sought.from).unwrap_or(0.0);
        let before = sought.before.map(gained);
        let least = before.map_or(CONFIRMED, |gained| CONFIRMED.max(gained + BETTER));
        // Of a backing that is late only older music can be compared, which tells nothing of the newest.
        let gains = places
            .into_iter()
            .filter(|found| found.delay_samples > -near && is_other(found))
            .map(|found| (found, gained(found.delay_samples.round() as i64)));
        let confirmed = gains.filter(|g| g.1 > least).max_by(|a, b| a.1.total_cmp(&b.1));
        let found = confirmed.map(|(found, _)| found).or(best);
        let after = found.filter(|f| confirmed.is_some() || f.confidence >= LOCK_CONFIDENCE);
        let edge = self.edge(sought, after.map(|f| f.delay_samples.round() as i64));
        let holds = before.is_some_and(|gained| gained > HOLDS);
        Searched { found, confirmed: confirmed.is_some(), holds, edge }
    }

    /// By how much the null at a delay betters the score of the newest music, nats.
    fn gained(&self, delay_samples: i64, from: i64) -> Option<f64> {
        let end = self.known_to(delay_samples);
        let begin = from.max(end - self.sizes.samples(CONFIRM_S) as i64);
        (end - begin >= self.sizes.samples(LEAST_S) as i64 / 2).then(|| {
            let heard = self.stretch(delay_samples, begin, end);
            mean(&heard.score(&Taps::silent(self.taps.num_taps()), self.sizes))
                - mean(&heard.score(&self.taps, self.sizes))
        })
    }

    /// Position at which the place before gave way to the one after.
    fn edge(&self, sought: &Sought, after: Option<i64>) -> Option<i64> {
        let places = [sought.before, after];
        if places[0] == places[1] {
            return None;
        }
        let end = places.iter().flatten().map(|&delay| self.known_to(delay)).min()?;
        let begin = sought.from.max(self.mix.begin()).max(end - self.sizes.samples(EDGE_S) as i64);
        if end - begin < BLOCK as i64 {
            return None;
        }
        let [before, after] = places.map(|place| {
            let heard = self.stretch(place.unwrap_or_default(), begin, end);
            if place.is_some() { costs(&heard.residual(&self.taps)) } else { costs(&heard.mix) }
        });
        Some(begin + (edge(&before, &after) * BLOCK) as i64)
    }

    /// Position up to which mix and backing at this delay are known, with room for the filter.
    fn known_to(&self, delay_samples: i64) -> i64 {
        let margin = self.taps.num_taps() as i64 / 2;
        self.mix.end().min(self.backing.end() + delay_samples - margin)
    }

    /// A stretch of the mix, and the backing at a whole delay.
    fn stretch(&self, delay_samples: i64, begin: i64, end: i64) -> Heard {
        let margin = self.taps.num_taps() as i64 / 2;
        let mut mix = stereo((end - begin) as usize);
        self.mix.read_stereo(begin, &mut mix);
        let mut backing = stereo((end - begin + 2 * margin) as usize);
        self.backing.read_stereo(begin - delay_samples - margin, &mut backing);
        Heard::new(mix, backing)
    }

    fn looked(&self, delay_samples: i64, from: i64) -> Looked {
        let gained = if self.taps.is_silent() { None } else { self.gained(delay_samples, from) };
        Looked { found: self.look(delay_samples), gained }
    }

    fn look(&self, delay_samples: i64) -> Option<Found> {
        look_at(&self.mix, &self.backing, delay_samples, self.sizes.scaled(NEAR), self.sizes)
    }

    fn learn(&mut self, given: Given) -> Matched {
        let mut result = Matched::default();
        // A delay that moves is tracked more closely than by looks.
        if !given.moving {
            result.looked = self.looked(given.delay_samples, given.from);
        }
        self.enter(given);
        let Some(mut heard) = self.heard(given, MEMORY_S) else {
            return result;
        };
        result.heard_s = heard.mix.len as f64 / self.sizes.sample_rate_hz;
        if given.movement.moves() {
            result.following_pays = self.follow(&mut heard, &given);
        }
        self.fit_and_choose(&heard, given, &mut result);
        self.study(&heard, given);
        self.take_back(heard, given);
        if given.moving && result.gained.is_some() {
            result.shifted = self.settle_delay();
        }
        result
    }

    /// Learns nothing.
    fn look_on(&mut self, given: Given) -> Outcome {
        self.enter(given);
        if let Some(mut heard) = self.heard(given, STUDIED_S) {
            if given.movement.moves() {
                self.follow(&mut heard, &given);
            }
            self.study(&heard, given);
            self.take_back(heard, given);
        }
        Outcome::Studied
    }

    /// Trials are made for one place; a delay that moves is one place.
    fn enter(&mut self, given: Given) {
        let place = (!given.moving).then_some(given.delay_samples);
        if place != self.place {
            self.change_place(place);
        }
    }

    /// Trials of a place nearby stay good with the difference taken out of their delay.
    fn change_place(&mut self, place: Option<i64>) {
        match (self.place, place) {
            (Some(before), Some(after)) if (after - before).unsigned_abs() < NEAR as u64 => {
                let moved = after - before;
                self.trials.iter_mut().for_each(|(_, taps)| taps.advance(moved as isize));
                self.delayed.delay_samples = (self.delayed.delay_samples - moved as f64).clamp(-1.0, 1.0);
            }
            _ => self.forget_trials(),
        }
        self.place = place;
    }

    /// Fits every rung, and takes the one to use if it is better than what is in force.
    fn fit_and_choose(&mut self, heard: &Stretch, given: Given, result: &mut Matched) {
        self.judge_trials(heard);
        self.fit(heard, given.tone);
        let newest = heard.newest(self.sizes.samples(JUDGED_S));
        let in_sample = |taps: &Taps| mean(&newest.score(taps, self.sizes));
        let trial = |rung| self.trials.iter().find(|(trial, _)| *trial == rung).map(|(_, taps)| taps);
        let Some(mut taps) = trial(self.choose(given.tone)) else {
            return;
        };
        let mut reached = in_sample(taps);
        let at_once = Rung::Filters(Resolution::Coarse);
        if let Some(filter) =
            trial(at_once).filter(|_| at_once.within(given.tone) && !self.is_judged(at_once))
        {
            let score = in_sample(filter);
            if score < reached - AT_ONCE {
                (taps, reached) = (filter, score);
            }
        }
        let gained = in_sample(&self.taps) - reached;
        // Judged on music it was learned from, the new one looks better than it is: the more so, the less that was.
        let needed = if result.heard_s < given.learned_s { AT_ONCE } else { 1e-6 };
        if gained > needed {
            result.gained = Some(gained);
            self.taps = taps.clone();
            if gained > OTHER {
                self.track = None;
                self.study.hear_anew();
            }
        }
    }

    /// Looks at what limits the null in what was heard since the last time.
    fn study(&mut self, heard: &Stretch, given: Given) {
        let fresh = self.study.fresh(heard.end()).min(self.sizes.samples(JUDGED_S));
        if fresh > 0 {
            let newest = heard.newest(fresh);
            // Delays before this place held are of another one.
            let hop = self.sizes.hop();
            let course_from = self.course.begin().max(given.from / hop as i64);
            let course: Vec<f64> = match given.moving {
                true => (course_from..self.course.end()).map(|hop| self.course.get(hop)).collect(),
                false => Vec::new(),
            };
            let chain = Chain {
                taps: &self.taps,
                delay_samples: given.delay_samples,
                course: &course,
                course_from,
                hop,
                gains: heard.backing.gains.as_deref(),
            };
            let matched = self.taps.apply(&newest.backing);
            self.study.look(&newest.mix, &newest.backing(), &matched, heard.end(), &chain);
        }
    }

    /// What limits the null, as far as it is known.
    pub fn causes(&self) -> Causes {
        self.study.causes()
    }

    /// Whether enough was heard to know what limits the null.
    pub fn knows_causes(&self) -> bool {
        self.study.has_told()
    }

    /// A delay that moves and the delay of the filter are one: what the filter has of it goes to the course, so that
    /// what is learned from now on and what was heard before agree.
    fn settle_delay(&mut self) -> f64 {
        let delay = self.taps.bulk_delay_samples();
        if delay.abs() < SETTLED_SAMPLES {
            return 0.0;
        }
        for taps in self.trials.iter_mut().map(|(_, taps)| taps).chain([&mut self.taps]) {
            taps.delay(-delay);
        }
        self.delayed.delay_samples -= delay;
        self.course.shift(delay);
        self.aligned = None;
        delay
    }

    fn is_judged(&self, rung: Rung) -> bool {
        self.judged.iter().flatten().any(|(judged, _)| *judged == rung)
    }

    /// The newest stretch, at most so long, of which both signals are known, with room for the filter; to be given to
    /// [`Learner::take_back`].
    fn heard(&mut self, given: Given, memory_s: f64) -> Option<Stretch> {
        let margin = self.taps.num_taps() as i64 / 2;
        let hop = self.sizes.hop() as i64;
        let (mut begin, mut end) = (self.mix.begin().max(given.from), self.mix.end());
        if given.moving {
            begin = (begin.max(self.course.begin() * hop + margin) / hop + 1) * hop;
            end = end.min(self.course.end() * hop - margin) / hop * hop;
        } else {
            begin = begin.max(self.backing.begin() + given.delay_samples + margin);
            end = self.known_to(given.delay_samples);
        }
        begin = begin.max(end - self.sizes.samples(memory_s) as i64 / hop * hop);
        if end - begin < self.sizes.samples(LEAST_S) as i64 {
            return None;
        }
        let len = (end - begin) as usize;
        let (ring, delay_samples) = if given.moving {
            (self.read_along_course(begin - margin, end + margin), 0)
        } else {
            (std::mem::take(&mut self.backing), given.delay_samples)
        };
        let mix = Part { ring: std::mem::take(&mut self.mix), start: begin, len };
        let start = begin - delay_samples - margin;
        let backing = Part { ring, start, len: len + 2 * margin as usize };
        Some(Stretch::new(mix, backing, hop as usize))
    }

    /// Takes back what [`Learner::heard`] gave out.
    fn take_back(&mut self, heard: Stretch, given: Given) {
        self.mix = heard.mix.ring;
        let backing = heard.backing.part.ring;
        if given.moving {
            self.aligned = Some(backing);
        } else {
            self.backing = backing;
        }
    }

    /// The backing read at the delays that were in force, up to `end`; `start` and `end` are whole hops.
    fn read_along_course(&mut self, start: i64, end: i64) -> Ring {
        let hop = self.sizes.hop();
        let room = self.sizes.samples(MEMORY_S) + self.taps.num_taps() + 2 * hop;
        let mut aligned = self.aligned.take().unwrap_or_else(|| Ring::new(room));
        // The course does not change afterwards, so that only what is new must be read.
        if !(aligned.begin()..=aligned.end()).contains(&start) {
            aligned.restart(start);
            self.delay_line.reset();
        }
        let mut block = stereo(hop);
        while aligned.end() < end {
            let position = aligned.end();
            let delay = self.course.get(position / hop as i64);
            self.delay_line.read(&self.backing, position, delay, &mut block);
            aligned.push([&block[0], &block[1]]);
        }
        aligned
    }

    /// Moves the backing's level as it moves in the mix, if that makes the difference smaller; whether it does.
    fn follow(&mut self, heard: &mut Stretch, given: &Given) -> Option<bool> {
        let start = heard.mix.start;
        if !self.track.as_ref().is_some_and(|track| track.covers(start)) {
            self.track = None;
        }
        let track = self.track.get_or_insert_with(|| Track::new(self.sizes, start));
        let gains = track.hear(heard, &self.taps, given.movement, !given.moving);
        let score =
            |heard: &Stretch| mean(&heard.newest(self.sizes.samples(JUDGED_S)).score(&self.taps, self.sizes));
        let still = score(heard);
        heard.backing.gains = Some(gains);
        let is_known = given.following_pays && given.learned_s > PAYS_FROM_S;
        if still - score(heard) > if is_known { STILL_PAYS } else { PAYS } {
            return Some(true);
        }
        heard.backing.gains = None;
        (heard.mix.len > self.sizes.samples(PAYS_FROM_S)).then_some(false)
    }

    /// Scores the models of the last job on what was heard since: out of sample.
    fn judge_trials(&mut self, heard: &Stretch) {
        let fresh = (heard.end() - self.judged_to).min(self.sizes.samples(JUDGED_S) as i64);
        if fresh > 0 && !self.trials.is_empty() {
            let newest = heard.newest(fresh as usize);
            let scores =
                self.trials.iter().map(|(rung, taps)| (*rung, newest.score(taps, self.sizes))).collect();
            self.judged.push(scores);
            if self.judged.len() > JUDGED_JOBS {
                self.judged.remove(0);
            }
        }
        self.judged_to = heard.end();
    }

    /// Fits every rung.
    fn fit(&mut self, heard: &Stretch, tone: Tone) {
        let window = self.sizes.scaled(statistics::WINDOW);
        let rate = self.sizes.sample_rate_hz;
        let seconds = heard.mix.len as f64 / rate;
        let num_taps = self.taps.num_taps();
        let mut spectrum = Spectrum::new(window);
        let mut reference = self.taps.clone();
        // While nothing is in force the weights must be found first, so the first job goes over it again.
        let passes = if reference.is_silent() { 3 } else { 1 };
        let mut trials = Vec::new();
        for pass in 0..passes {
            let statistics = Statistics::gather(&heard.mix, &heard.backing, &reference, window);
            let active = reference.centred_responses(&mut spectrum);
            self.level = fit_simple(&statistics, &active, self.level, false, rate);
            self.delayed = fit_simple(&statistics, &active, self.delayed, true, rate);
            let simple = |rung| simple_taps(rung, &self.level, &self.delayed, num_taps);
            reference = simple(first_choice(&self.delayed, tone));
            if pass + 1 < passes {
                continue;
            }
            trials.extend(RUNGS[..4].iter().map(|&rung| (rung, simple(rung))));
            if seconds < FILTERS_FROM_S {
                continue;
            }
            let steps = if seconds < FINE_FROM_S { &STEPS[..2] } else { &STEPS[..] };
            for kind in [Rung::Filters, Rung::Across] {
                let across = kind(Resolution::Coarse) == Rung::Across(Resolution::Coarse);
                let former = self.trials.iter().find(|(rung, _)| *rung == kind(Resolution::Coarse));
                let start = former.map_or(&trials[3].1, |(_, taps)| taps);
                let fits = fit_filter(&statistics, &active, start, across, steps, &mut spectrum);
                for (step, taps) in fits.into_iter().enumerate() {
                    match step {
                        1 => trials.push((kind(Resolution::Coarse), taps)),
                        3 => trials.push((kind(Resolution::Fine), taps)),
                        _ => {}
                    }
                }
            }
        }
        self.trials = trials;
    }

    /// The rung to use, judged on the jobs in which all of the present ones were tried.
    fn choose(&self, tone: Tone) -> Rung {
        let counts =
            |rung: Rung| self.judged.iter().filter(|job| job.iter().any(|(r, _)| *r == rung)).count();
        let allowed = RUNGS.into_iter().filter(|rung| rung.within(tone));
        let candidates: Vec<Rung> = allowed.filter(|&rung| counts(rung) > 0).collect();
        let jobs = candidates.iter().map(|&rung| counts(rung)).min().unwrap_or_default();
        let recent = &self.judged[self.judged.len() - jobs..];
        let scores: Vec<(Rung, Vec<f64>)> = candidates
            .into_iter()
            .map(|rung| {
                let of_job = |job: &Vec<(Rung, Vec<f64>)>| {
                    job.iter().find(|(r, _)| *r == rung).map_or(Vec::new(), |(_, scores)| scores.clone())
                };
                (rung, recent.iter().flat_map(of_job).collect())
            })
            .collect();
        choose(&scores).unwrap_or_else(|| first_choice(&self.delayed, tone))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::causes::Kind;
    use crate::dsp::noise::noise;

    /// A level that moves so little that following it wins 0.09 nats is followed on, but not from then on.
    #[test]
    fn what_pays_a_little_is_not_given_up_but_not_begun() {
        let (sizes, len) = (Sizes::new(16_000.0), 96_000);
        let (song, voice) = (noise(len, 1), noise(len, 2));
        let level = |n: usize| 1.0 + 0.04 * (n as f32 / 16_000.0 * 5.0).sin();
        let mix: Vec<f32> =
            song.iter().zip(&voice).enumerate().map(|(n, (b, v))| 0.25 * (level(n) * b + 0.1 * v)).collect();
        let backing: Vec<f32> = song.iter().map(|b| 0.25 * b).collect();
        let mut learner = Learner::new(sizes, sizes.scaled(4096));
        learner.hear([&mix, &mix], [&backing, &backing]);
        learner.taps = Taps::gains(learner.taps.num_taps(), [1.0; 2], 0.0);
        let mut pays = |following_pays: bool| {
            let given = Given {
                delay_samples: 0,
                moving: false,
                from: 0,
                movement: Movement { process: 1e-4, tau_s: 1.0, measurement: 2.0 },
                learned_s: 4.0,
                tone: Tone::default(),
                following_pays,
            };
            let mut heard = learner.heard(given, MEMORY_S).unwrap();
            let pays = learner.follow(&mut heard, &given);
            learner.take_back(heard, given);
            pays
        };
        assert_eq!([true, false].map(&mut pays), [Some(true), Some(false)]);
    }

    /// The delay jumps by 3000 samples in the middle and stands still on either side: no clock is wrong, and none was
    /// told by a straight line through both places.
    #[test]
    fn a_cut_is_no_clock_error() {
        const PLACES: [i64; 2] = [3_020, 20];
        let (sizes, len) = (Sizes::new(16_000.0), 160_000);
        let song = noise(len, 1);
        let cut = len / 2 / sizes.hop() * sizes.hop();
        let at = |n: usize| n as i64 - PLACES[usize::from(n >= cut)];
        let mix: Vec<f32> = (0..len).map(|n| usize::try_from(at(n)).map_or(0.0, |n| 0.1 * song[n])).collect();
        let song: Vec<f32> = song.iter().map(|x| 0.1 * x).collect();
        let mut learner = Learner::new(sizes, sizes.scaled(4096));
        let mut course = Course::new(len / sizes.hop() + 1);
        for n in (0..len - sizes.hop()).step_by(sizes.hop()) {
            let [mix, backing] = [&mix, &song].map(|x| &x[n..n + sizes.hop()]);
            learner.hear([mix, mix], [backing, backing]);
            course.push(PLACES[usize::from(n >= cut)] as f64);
        }
        learner.hear_course(&course);
        learner.taps = Taps::gains(learner.taps.num_taps(), [1.0; 2], 0.0);
        learner.task = Task::Match(Given {
            delay_samples: PLACES[1],
            moving: true,
            from: cut as i64,
            movement: Movement::STILL,
            learned_s: 0.0,
            tone: Tone::default(),
            following_pays: false,
        });
        learner.run();
        let causes: Vec<Kind> = learner.causes().iter().map(|cause| cause.kind).collect();
        let is_delay = |kind: &Kind| matches!(kind, Kind::Delay { samples } if (samples - 20.0).abs() < 0.1);
        assert!(matches!(&causes[..], [kind] if is_delay(kind)), "{causes:?}");
    }
}
