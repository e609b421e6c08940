//! What follows from what is found out: by jobs, by the tracker, by the place in the song.

use super::Engine;
use crate::align::delay_tracker::MotionLearning;
use crate::align::lock::{Change, agree_samples};
use crate::align::motion::DelayMotion;
use crate::align::search::LOCAL;
use crate::align::song_map::{DelayModel, Section};
use crate::cleanup::estimate_test::Verdict;
use crate::dynamics::model::DynamicsModel;
use crate::job::Worker;
use crate::learn::learner::OTHER_RESIDUE;
use crate::learn::locate::NEAR;
use crate::learn::request::{
    CausesReport, GlobalSearch, GlobalSearchReport, JobReport, LocalSearchReport, MatchReport, MatchRequest,
    Task,
};
use crate::learn::schedule::Due;
use crate::matching::movement::Movement;
use crate::saturation::bend::Bend;
use crate::settings::{BackingKind, Tone};

/// How often what was heard of an estimate becomes part of the match, seconds. Chosen by hand: it is remembered for a minute.
const ESTIMATE_KEPT_S: f64 = 1.0;
/// Music before the moment at which a new alignment was found that is taken to belong to it, seconds.
const NEW_ALIGNMENT_S: f64 = 1.0;
/// Silence after which a backing rests, or is over, seconds: longer than the rests between notes. Chosen by hand; not measured.
const RESTS_S: f64 = 1.0;
/// An alignment that stood still for longer than this, seconds, was one: a clock error or wow shows sooner.
const STOOD_S: f64 = 4.0;
/// Cost reduction, nats (9 dB), from which a filter is another match's while a model of the dynamics is in force; once the backing
/// was lost, [`OTHER_RESIDUE`] will do. Within one song filters of a few seconds won up to 1.4 (five masters).
const OTHER_MATCH: f64 = 2.0;
/// Music that was learned from counts as so much of it once the backing was lost. In hours of noise with wrong songs and
/// steps of the level between, a filter of a wrong level stood for half a minute at 1.
const KEPT_TRUST: f64 = 0.5;

impl Engine {
    /// Enters the section of the song that the newest mix belongs to, if that is another one.
    pub(super) fn enter_section(&mut self) {
        if let Some(end) = self.song.left_section_at(&self.input) {
            self.cut_at(end, self.input.song_position());
        }
    }

    /// From a position of the mix on the alignment holds that is known for a position in the song.
    pub(super) fn cut_at(&mut self, position: i64, song: i64) {
        self.aligner.cut_at(position, &self.input);
        self.recall_alignment(song);
        self.alignment_changed(position);
    }

    /// Puts the alignment in force that is known for a position in the song.
    pub(super) fn recall_alignment(&mut self, song: i64) {
        self.song.enter(&self.learned.sections, song);
        let Some(&Section { model, .. }) = self.learned.sections.at(song) else { return };
        let inverted = self.learned.taps.level().iter().sum::<f32>() < 0.0;
        self.aligner.recall(model, song, inverted, &self.input);
        if model.is_some() {
            self.supervisor.set_proven(true);
        }
    }

    /// Nothing that was heard before a position of the mix speaks of the current alignment.
    fn alignment_changed(&mut self, position: i64) {
        self.supervisor.alignment_changed();
        self.learning.alignment_changed(position, self.input.now());
        self.tone.bands.recall(&self.learned.bands);
    }

    /// Holds the filter to the freedom that is set for what it works on.
    pub(super) fn set_freedom(&mut self) {
        let newest = self.aligner.read_to(&self.input) - self.sizes.hop() as i64;
        let settings = self.input.settings_at(newest - self.matcher.latency_samples() as i64);
        // A machine's estimate holds rests of the voice: what follows it more closely takes voice away.
        let cautious = settings.backing_kind == BackingKind::Estimated;
        if self.matcher.set_freedom(if cautious { Tone::Off } else { settings.tone }) {
            self.load_filter();
            self.filter_changed = true;
            self.learning.schedule().match_soon(self.input.now());
            if cautious && std::mem::take(&mut self.learned_freely) {
                self.level.follower.forget_statistics();
                self.level.follower.set_movement(Movement::STILL);
                self.learning.begin_anew();
            }
        }
    }

    /// Puts the learned filter in force.
    pub(super) fn put_in_force(&mut self) {
        self.load_filter();
        self.aligner.set_filter(self.matcher.filter());
    }

    fn load_filter(&mut self) {
        if self.input.now() == 0 {
            self.matcher.set(&self.learned.taps);
        } else {
            self.matcher.exchange(&self.learned.taps);
        }
    }

    /// Tells the tracker of another filter in a part of its own, since both take long. It works on in the next hop.
    pub(super) fn tell_tracker(&mut self) {
        if std::mem::take(&mut self.filter_changed) {
            self.aligner.set_filter(self.matcher.filter());
        }
    }

    /// Acts on the job that is back, and hands out the next.
    #[inline(never)]
    pub(super) fn learn(&mut self, worker: &mut impl Worker) {
        if let Some(report) = self.learning.collect(&self.input, worker) {
            self.adopt(&report);
        }
        self.adopt_dynamics();
        self.adopt_bend();
        let doubt = self.supervisor.doubt();
        let Some((due, after)) = self.learning.due(&self.input, &self.aligner, doubt) else { return };
        let (lock, is_locked) = (self.aligner.lock(), self.aligner.is_locked());
        let learn_from = self.learning.learn_from();
        let is_recording = self.learned.verdict != Verdict::Estimate && !self.learning.is_analysis_only();
        let may_be_bent = self.metering.readings.causes.tell_bend() || !self.learned.bend.is_none();
        let seeks_bend = due == Due::Match && is_recording && may_be_bent;
        let bend_after = if seeks_bend { self.learning.seek_bend(&self.input) } else { None };
        let request = MatchRequest {
            delay_samples: lock.delay_samples,
            moving: self.aligner.moves(),
            rate: self.aligner.rate(),
            may_have_jumped: self.aligner.may_have_jumped(),
            from: learn_from,
            movement: self.level.follower.movement(),
            tone: self.matcher.freedom(),
            learned_s: self.learned.learned_s,
            following_helps: self.learned.following_helps,
            is_taken_up: self.follows_as_taken_up,
            seeks_bend: bend_after.is_some(),
        };
        let task = match due {
            Due::GlobalSearch => Task::GlobalSearch(GlobalSearch {
                before: if is_locked {
                    Some(lock.delay_samples)
                } else {
                    self.supervisor.lost_delay_samples()
                },
                rate: self.aligner.rate(),
                may_have_jumped: self.aligner.may_have_jumped(),
                is_locked,
                from: learn_from,
                backing_rests: self.input.silent_hops() > self.sizes.hops(RESTS_S),
                sections: self.learned.sections,
            }),
            Due::LocalSearch => Task::LocalSearch {
                delay_samples: lock.delay_samples,
                rate: self.aligner.rate(),
                from: learn_from,
            },
            Due::Match => Task::Match(request),
            Due::Study => Task::Study(request),
        };
        let gathered =
            (due == Due::Match && is_recording).then(|| self.tone.bands.predictor.lend()).flatten();
        let after = bend_after.unwrap_or(after);
        self.learning.submit(task, after, self.matcher.filter(), gathered, &self.input, worker);
    }

    /// Puts the model of the dynamics in force that a job has told, or none; on hold nothing changes.
    fn adopt_dynamics(&mut self) {
        let Some((mut gathered, &model)) = self.learning.give_back() else { return };
        if !self.aligner.is_locked() {
            // It was gathered before the backing was lost.
            gathered.clear();
        }
        if !gathered.is_empty() && !self.input.newest_settings().hold {
            gathered.sought();
            // What does not belong together must not be made to: gains that fall where the backing holds more would hide it.
            let fits = self.metering.readings.energies.misfit().is_none();
            self.set_dynamics(if fits { model } else { DynamicsModel::NONE });
        }
        self.tone.bands.predictor.take_back(gathered);
    }

    /// Puts the curve in force that a job has found to bend both, from the next hop on. One that is found beneath another tells
    /// that the other one is wrong: it was another song's.
    fn adopt_bend(&mut self) {
        let Some(found) = self.learning.found_bend() else { return };
        let is_free = self.aligner.is_locked() && !self.input.newest_settings().hold;
        if !is_free || self.metering.readings.energies.misfit().is_some() {
            return;
        }
        self.learned.bend = if self.learned.bend.is_none() { found } else { Bend::NONE };
        self.input.set_bend(&self.learned.bend);
        // What a curve did looked like a level that moves, and like a filter.
        self.forget_movements();
        self.learned.learned_s = 0.0;
        self.level.follower.set_movement(Movement::STILL);
        self.tone.bands.predictor.forget();
        self.tone.bands.predictor.set_model(&self.learned.dynamics);
        self.output.relearn_residue();
        self.metering.forget_null_depth();
        self.forget_causes();
        // A late backing is straight only from there on where both were heard after this.
        let late = self.aligner.lock().delay_samples.max(0);
        self.alignment_changed(self.input.end() + late);
        self.learning.begin_anew();
        self.match_changed();
    }

    fn set_dynamics(&mut self, model: DynamicsModel) {
        if model != self.learned.dynamics {
            self.was_lost = false;
            self.learned.dynamics = model;
            self.tone.bands.predictor.set_model(&model);
            self.match_changed();
        }
    }

    /// Acts on what a job found; on hold, nothing that is in force may change.
    pub(super) fn adopt(&mut self, report: &JobReport) {
        let hold = self.input.newest_settings().hold;
        match report {
            // More was known.
            JobReport::Study(report) if self.metering.readings.knows_causes && !report.is_known => {}
            JobReport::Study(report) => self.tell_causes(report),
            _ if hold => self.learning.drop_report(report),
            JobReport::GlobalSearch(report) => self.adopt_search(report),
            // It asked about an alignment that was lost meanwhile.
            _ if !self.aligner.is_locked() => self.learning.drop_report(report),
            JobReport::LocalSearch(local) => _ = self.adopt_local(local),
            // What was learned at the alignment before is of no use.
            JobReport::Match(found) if self.adopt_local(&found.local) => self.learning.drop_report(report),
            JobReport::Match(report) => self.adopt_match(report),
        }
    }

    /// Tells what limits the null, as far as a job and the match know it.
    fn tell_causes(&mut self, report: &CausesReport) {
        self.metering.set_causes(report.causes.with_match(&self.learned), report.is_known);
    }

    /// Acts on what was learned of the match.
    fn adopt_match(&mut self, report: &MatchReport) {
        if !self.learned.dynamics.is_none() {
            let other = if self.was_lost { OTHER_RESIDUE } else { OTHER_MATCH };
            if report.cost_reduction.is_none_or(|reduction| reduction <= other) {
                // The model was learned through the filter in force, and jobs compare filters without it.
                self.tell_causes(&report.causes);
                self.learning.drop_report(&JobReport::Match(*report));
                return;
            }
            self.set_dynamics(DynamicsModel::NONE);
            self.tone.bands.predictor.forget();
        }
        self.learning.schedule().matched(report.cost_reduction.unwrap_or(0.0));
        self.learning.adopted(report);
        self.tell_causes(&report.causes);
        if report.shifted != 0.0 {
            self.aligner.take_from_filter(report.shifted);
        }
        if let Some(pays) = report.following_helps {
            self.level.follower.set_pays(pays);
        }
        self.follows_as_taken_up &= report.following_helps != Some(false);
        let learned = &mut self.learned;
        learned.following_helps = report.following_helps.unwrap_or(learned.following_helps);
        let movement = self.level.follower.movement();
        let movement = if movement.moves() { movement } else { Movement::STILL };
        let level_moves = learned.movement.moves() || movement.moves();
        learned.movement = movement;
        learned.bands = self.tone.bands.movements();
        if self.aligner.moves() {
            let model = self.aligner.moving_model(-self.input.song_offset());
            learned.sections.correct(self.input.song_position(), model);
        }
        let residue_changed = learned.residual != *self.output.residue();
        let better = report.cost_reduction.zip(self.learning.better_filter());
        let is_changed = better.is_some() || level_moves || self.aligner.moves() || residue_changed;
        if let Some((cost_reduction, better)) = better {
            self.supervisor.prove(cost_reduction);
            self.learned.learned_s = report.heard_s;
            if self.matcher.adopt(better) {
                self.aligner.exchange_filter(&mut better.lag_filter);
            } else {
                self.aligner.set_filter(self.matcher.filter());
            }
            std::mem::swap(&mut self.learned.taps, &mut better.learned);
            if cost_reduction > OTHER_RESIDUE {
                self.level.follower.forget_statistics();
                self.tone.bands.forget_statistics();
                self.output.relearn_residue();
            }
        }
        self.learned.residual = *self.output.residue();
        if is_changed {
            self.match_changed();
        }
    }

    /// Keeps at once what the backing is found to be, and every second what was heard of an estimate; on hold nothing is heard.
    pub(super) fn keep_estimate(&mut self, hold: bool) {
        let (verdict, estimate) = self.output.estimate();
        let num_hops = self.metering.readings.heard_samples / self.sizes.hop() as u64;
        let is_kept = self.metering.readings.backing_kind == BackingKind::Estimated
            && !hold
            && num_hops.is_multiple_of(self.sizes.hops(ESTIMATE_KEPT_S));
        if is_kept {
            self.learned.estimate = *estimate;
        }
        if is_kept || verdict != self.learned.verdict {
            // What was learned until now as freely as from a recording took voice along.
            self.learned_freely |= verdict == Verdict::Estimate && self.learned.verdict != verdict;
            self.learned.verdict = verdict;
            self.match_changed();
        }
    }

    /// Tells whoever keeps the match that it is another one.
    fn match_changed(&mut self) {
        self.metering.readings.match_revision += 1;
    }

    /// Acts on a global search.
    fn adopt_search(&mut self, report: &GlobalSearchReport) {
        let &GlobalSearchReport { found, confirmed, holds, edge } = report;
        if holds {
            self.supervisor.confirm(self.input.now());
        }
        let (delay, before) = (self.aligner.lock().delay_samples as f64, self.aligner.model(&self.input));
        let distance = found.map_or(f64::INFINITY, |found| (found.delay_samples - delay).abs());
        if before.is_some() && !confirmed && distance <= self.sizes.scaled(NEAR) as f64 {
            // The current alignment, seen less closely than the tracker sees it. Once there is a filter, what is further off is another
            // alignment, which holds only if its null confirms it.
            let is_same = !self.learned.is_known() || distance <= agree_samples(self.sizes.sample_rate_hz);
            if is_same && !self.aligner.moves() && self.aligner.take_global(found, false) == Change::Found {
                self.recentre();
            }
            return;
        }
        if self.aligner.take_global(found, confirmed) == Change::Found {
            if before.is_some() {
                self.disown();
            }
            self.supervisor.set_proven(false);
            let begin = if self.learned.is_known() {
                edge.unwrap_or(self.input.end() - self.sizes.samples(NEW_ALIGNMENT_S) as i64)
            } else {
                self.learning.learn_from()
            };
            // Where a buffer was lost the delay goes on as it went.
            let is_dropout = distance <= self.sizes.scaled(LOCAL) as f64;
            let motion = before.filter(|_| is_dropout).map_or(DelayMotion::NONE, |before| before.motion);
            self.aligner.move_to_found(begin, before, motion, &self.input);
            self.alignment_changed(begin);
            self.remember_alignment(begin);
        } else if self.supervisor.take_lost()
            && let Some(edge) = edge
        {
            self.learned.sections.put(self.input.in_song(edge), self.input.song_position(), None);
            self.learning.set_learn_from(edge);
            self.match_changed();
        }
    }

    /// Acts on a local search; true if the alignment is given up or moved.
    fn adopt_local(&mut self, report: &LocalSearchReport) -> bool {
        if let Some(jumped) = &report.jumped {
            self.adopt_search(jumped);
            return true;
        }
        if self.aligner.moves() {
            return false; // The tracker looks more closely.
        }
        let confirmed = self.supervisor.weigh_null(report.cost_reduction, self.input.now());
        let change = self.aligner.take_local(report.found, confirmed, &self.input);
        match change {
            Change::None => {}
            Change::Lost => self.lose(),
            Change::Found => self.recentre(),
        }
        change != Change::None
    }

    /// The current alignment turned out to be some samples elsewhere: what the filter made good, the delay does now.
    fn recentre(&mut self) {
        let song = self.input.song_position();
        let delay = self.aligner.lock().delay_samples as f64;
        let moved = self.aligner.recentre();
        self.learned.taps.advance(moved);
        let model = self.learned.sections.at(song).and_then(|section| section.model);
        if model.is_some_and(|model| model.motion.moves()) {
            self.remember_alignment(self.input.end());
        } else {
            self.learned.sections.correct(song, DelayModel::still(delay));
            self.remember_alignment(self.learning.learn_from());
        }
        self.put_in_force();
        self.learning.schedule().locked(self.input.now());
    }

    /// The current alignment holds from a position of the mix on.
    fn remember_alignment(&mut self, begin: i64) {
        let newest = self.input.song_position();
        let model = self.aligner.newest_model(&self.input);
        self.learned.sections.put(self.input.in_song(begin), newest, Some(model));
        self.song.enter(&self.learned.sections, newest);
        self.match_changed();
    }

    /// An alignment that never won anything was none.
    fn disown(&mut self) {
        if !self.supervisor.is_proven() && !self.aligner.has_tracked() {
            self.learned.sections.forget(self.input.song_position());
            self.match_changed();
        }
    }

    /// From here on the mix passes until the backing is found again.
    pub(super) fn lose(&mut self) {
        self.disown();
        if self.supervisor.is_proven() {
            // Part of what was learned may be of whatever displaced the backing.
            self.learned.learned_s *= KEPT_TRUST;
            self.match_changed();
        }
        (self.taken_up_s, self.follows_as_taken_up, self.was_lost) = (0.0, false, true);
        self.tone.bands.predictor.forget();
        self.supervisor.lock_lost(self.aligner.lock().delay_samples);
        self.aligner.lose(&self.input);
        self.forget_causes();
    }

    /// Does a part of tracking the delay as it moves.
    #[inline(never)]
    pub(super) fn track(&mut self, part: usize) {
        let before = self.learning.learn_from();
        let heard_s = (self.input.end() - before) as f64 / self.sizes.sample_rate_hz;
        let learning = match self.input.newest_settings().hold {
            true => MotionLearning::Nothing,
            false if heard_s < self.taken_up_s || self.tone.bands.predictor.is_engaged() => {
                MotionLearning::How
            }
            false => MotionLearning::All,
        };
        if self.aligner.track(part, &self.input, before, learning) {
            // What was learned under the other assumption is smeared: learn again from here.
            self.learned.learned_s = 0.0;
            let from = self.aligner.read_to(&self.input);
            self.learning.alignment_changed(from, self.input.now());
            self.supervisor.motion_changed();
            self.tone.bands.recall(&self.learned.bands);
            self.motion_changed(before, from);
            self.match_changed();
        }
    }

    /// The delay has begun to move or to stand still, at `from`. One that begins to move: is it another one than stood still so
    /// far, since `since`?
    fn motion_changed(&mut self, since: i64, from: i64) {
        if !self.aligner.moves() {
            let still = DelayModel::still(self.aligner.lock().delay_samples as f64);
            self.learned.sections.correct(self.input.song_position(), still);
            return;
        }
        let stood = from - since;
        if stood <= self.sizes.samples(STOOD_S) as i64 || !self.supervisor.was_deep() {
            return;
        }
        let model = self.aligner.moving_model(-self.input.song_offset());
        let middle = self.input.in_song(since + stood / 2);
        let Some(stood_at) = self.learned.sections.at(middle).and_then(|s| s.model) else { return };
        if (model.at(middle) - stood_at.at(middle)).abs() > 0.5 {
            let begin = self.input.in_song(from);
            self.learned.sections.put(begin, begin, Some(model));
        }
    }
}
