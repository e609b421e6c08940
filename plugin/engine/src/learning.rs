//! When is learned, from what, and where the learner is meanwhile: hands out jobs and takes them back, both by sample count.

use crate::align::aligner::Aligner;
use crate::align::search::EARLY_S;
use crate::align::supervisor::Doubt;
use crate::dsp::sizes::Sizes;
use crate::dynamics::gathered::Gathered;
use crate::dynamics::model::DynamicsModel;
use crate::input::InputHistory;
use crate::job::{Job, Worker};
use crate::learn::learner::Work;
use crate::learn::request::{JobReport, JobRequest, MatchReport, Task};
use crate::learn::schedule::{Due, Schedule};
use crate::matching::prepared::PreparedFilter;
use crate::matching::taps::Taps;
use crate::saturation::bend::Bend;

/// Hops handed to the learner at once while it catches up after a job, so that catching up is no lump.
const CATCH_UP_HOPS: usize = 4;
/// How often a job that is late is asked for, seconds.
const LATE_EVERY_S: f64 = 0.25;

/// The controller of learning.
pub struct LearningController {
    sizes: Sizes,
    schedule: Schedule,
    /// At home, or out as a job until `due_back`.
    work: Option<Box<Work>>,
    due_back: u64,
    is_late: bool,
    num_late: u32,
    /// Position from which the learner is to hear when it is back: the job that is out belongs to a past that was
    /// forgotten.
    restart_at: Option<i64>,
    /// The job that is out asks about an alignment that no longer holds.
    is_stale: bool,
    /// The next match is learned as if none were in force.
    is_anew: bool,
    /// Position before which another alignment may hold.
    learn_from: i64,
    /// What limits the null was told from outside: nobody needs to look for it on hold.
    causes_are_given: bool,
}

impl LearningController {
    /// Nothing heard of what comes in, for filters of `num_taps`.
    pub fn new(sizes: Sizes, num_taps: usize, input: &InputHistory) -> Self {
        Self {
            sizes,
            schedule: Schedule::new(sizes),
            work: Some(Box::new(Work::new(sizes, num_taps, [&input.mix, &input.backing]))),
            due_back: 0,
            is_late: false,
            num_late: 0,
            restart_at: None,
            is_stale: false,
            is_anew: false,
            learn_from: 0,
            causes_are_given: false,
        }
    }

    /// Forgets everything; the next sample has position 0.
    pub fn reset(&mut self) {
        self.forget(0, 0);
        self.num_late = 0;
        self.causes_are_given = false;
    }

    /// Forgets everything heard before a position, and starts over at hop `now`.
    pub fn forget(&mut self, at: i64, now: u64) {
        self.learn_from = at;
        match &mut self.work {
            Some(work) => work.learner.restart(at),
            None => self.restart_at = Some(at),
        }
        self.schedule.reset(now);
        self.is_anew = false;
    }

    /// The match in force is not to be learned on from; what was heard is.
    pub fn begin_anew(&mut self) {
        self.is_anew = true;
        self.is_stale = self.work.is_none();
    }

    /// Another alignment holds from a position on.
    pub fn alignment_changed(&mut self, learn_from: i64, now: u64) {
        self.learn_from = learn_from;
        self.is_stale = self.work.is_none();
        self.schedule.locked(now);
    }

    /// Position before which another alignment may hold.
    pub fn learn_from(&self) -> i64 {
        self.learn_from
    }

    /// Another alignment may hold before a position.
    pub fn set_learn_from(&mut self, position: i64) {
        self.learn_from = position;
    }

    /// What is asked of jobs, and when.
    pub fn schedule(&mut self) -> &mut Schedule {
        &mut self.schedule
    }

    /// Whether nobody hears what is played.
    pub fn is_analysis_only(&self) -> bool {
        self.schedule.is_analysis_only()
    }

    /// What limits the null is given, and need not be looked for on hold.
    pub fn set_causes_given(&mut self, are_given: bool) {
        self.causes_are_given = are_given;
    }

    /// Jobs that came back after their time, since the last reset.
    pub fn num_late(&self) -> u32 {
        self.num_late
    }

    /// Takes back the job that is out, once it is due; what it reports, unless that is of no use any more: a job that was out for
    /// too long has read what was not its own.
    pub fn collect(&mut self, input: &InputHistory, worker: &mut impl Worker) -> Option<JobReport> {
        let now = input.now();
        let is_due = self.restart_at.is_some() || now >= self.due_back;
        if self.work.is_some() || !is_due {
            return None;
        }
        let Some(Job(mut work)) = worker.collect() else {
            if self.restart_at.is_none() {
                self.num_late += u32::from(!std::mem::replace(&mut self.is_late, true));
                self.due_back = now + self.sizes.hops(LATE_EVERY_S);
            }
            return None;
        };
        self.is_late = false;
        let mut is_stale = std::mem::take(&mut self.is_stale);
        if work.learner.memory.is_overwritten(input.end()) {
            work.learner.distrust();
            is_stale = true;
        }
        let restart_at = self.restart_at.take();
        if let Some(at) = restart_at {
            work.learner.restart(at);
        }
        let report = work.report;
        if restart_at.is_some() || is_stale {
            work.gathered.iter_mut().for_each(|gathered| gathered.clear());
            work.bend = None;
        }
        self.work = Some(work);
        if restart_at.is_some() || is_stale {
            self.drop_report(&report);
            return None;
        }
        Some(report)
    }

    /// The better filter that came with a report.
    pub fn better_filter(&mut self) -> Option<&mut PreparedFilter> {
        self.work.as_mut().map(|work| &mut work.better)
    }

    /// Hops that may be learned from, once the learner has caught up.
    fn heard_hops(&self, input: &InputHistory) -> u64 {
        ((input.end() - self.learn_from).max(0) / self.sizes.hop() as i64) as u64
    }

    /// When the match that is due is taken back, in hops from now, if a curve that bent both is to be sought with it.
    pub fn seek_bend(&mut self, input: &InputHistory) -> Option<u64> {
        self.schedule.seek_bend(input.now(), self.heard_hops(input))
    }

    /// The curve that a job has found to bend both, once.
    pub fn found_bend(&mut self) -> Option<Bend> {
        self.work.as_mut()?.bend.take()
    }

    /// What a model of the dynamics was sought in, once it is back, and the model that it tells; none of what was cleared.
    pub fn give_back(&mut self) -> Option<(Box<Gathered>, &DynamicsModel)> {
        let work = self.work.as_mut()?;
        Some((work.gathered.take()?, &work.dynamics))
    }

    /// A match that was reported is in force now.
    pub fn adopted(&mut self, report: &MatchReport) {
        if let Some(work) = &mut self.work {
            work.learner.adopted(report);
        }
    }

    /// A report is not acted upon: everything that belongs to it is dropped.
    pub fn drop_report(&mut self, report: &JobReport) {
        if let (Some(work), JobReport::Match(report)) = (&mut self.work, report) {
            work.learner.dropped(report);
        }
    }

    /// Lets the learner hear what came in; what is to be asked of it now, if anything is, and the hops after which it is to
    /// be answered.
    pub fn due(&mut self, input: &InputHistory, aligner: &Aligner, doubt: Doubt) -> Option<(Due, u64)> {
        let learner = &mut self.work.as_mut()?.learner;
        if input.mix.begin() > learner.memory.end() {
            // Away for longer than the input is remembered. Hops are heard whole.
            learner.restart(input.first_whole_hop());
        }
        let memory = &mut learner.memory;
        for _ in 0..CATCH_UP_HOPS {
            if memory.end() < input.end() {
                memory.hear();
            }
        }
        memory.hear_delays(aligner.history());
        let has_caught_up = memory.end() >= input.end();
        let within_reach = input.silent_hops() < self.sizes.hops(EARLY_S);
        if !has_caught_up || !within_reach {
            return None;
        }
        let (now, state, heard_hops) = (input.now(), aligner.lock().state, self.heard_hops(input));
        let (due, after) = match input.newest_settings().hold {
            true if self.causes_are_given => None,
            true => self.schedule.due_on_hold(now, state),
            false => self.schedule.due(now, state, doubt, heard_hops),
        }?;
        if due == Due::LocalSearch && !aligner.may_have_jumped() {
            return None; // The tracker looks more closely.
        }
        Some((due, after))
    }

    /// Hands out a job, to be taken back after so many hops, with the filter in force.
    pub fn submit(
        &mut self,
        mut task: Task,
        after: u64,
        filter: &Taps,
        gathered: Option<Box<Gathered>>,
        input: &InputHistory,
        worker: &mut impl Worker,
    ) {
        let Some(mut work) = self.work.take() else { return };
        work.gathered = gathered;
        self.due_back = input.now() + after;
        work.filter.clone_from(filter);
        if let Task::Match(request) = &mut task
            && std::mem::take(&mut self.is_anew)
        {
            request.learned_s = 0.0;
            work.filter.silence();
            work.learner.forget_matches();
        }
        work.request =
            JobRequest { task, discontinuities: input.discontinuities, song_offset: input.song_offset() };
        worker.submit(Job(work));
    }

    /// What the learner has heard, if it is at home.
    #[cfg(test)]
    pub fn heard(&self) -> Option<&crate::learn::memory::Memory> {
        self.work.as_ref().map(|work| &work.learner.memory)
    }
}
