//! When which job is handed out, and when it is taken back: by sample count alone.

use crate::align::supervisor::Doubt;
use crate::dsp::sizes::Sizes;
use crate::readings::Lock;

/// Times after locking at which the match is learned, seconds; from the last one on, every [`MATCH_EVERY_S`].
const MATCH_AT_S: [f64; 11] = [0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0];
const MATCH_EVERY_S: f64 = 4.0;
/// Matches after which every other one is left out as long as they bring no more than [`SETTLED`] nats (0.1 dB): 24 s. Where
/// nobody hears what is played, whatever they bring: what counts is the last one. There, three of four are left out after
/// [`SEASONED_AFTER`]: 72 s. Sooner that cost clock errors and equalisers 5 to 10 dB, since each match goes on from the one before.
const SETTLED_AFTER: usize = 15;
const SETTLED: f64 = 0.02;
const SEASONED_AFTER: usize = 27;
/// Music needed before the first search, seconds.
const FIRST_SEARCH_S: f64 = 0.75;
/// How often the backing is searched, and how often after it was not found for [`PATIENCE_S`].
const SEARCH_EVERY_S: f64 = 0.5;
const SEARCH_SELDOM_S: f64 = 2.0;
const PATIENCE_S: f64 = 20.0;
const LOOK_EVERY_S: f64 = 1.0;
/// Music after which a match is taken back where nobody hears what is played, seconds, once [`SETTLED_AFTER`] were learned:
/// so long that files are worked on meanwhile, so short that an alignment given up is still found from its beginning on and every
/// match is learned.
const ANALYSIS_ONLY_S: f64 = 7.0;
/// The same of a search for a better alignment than the one in force, which goes on meanwhile.
const LEISURE_S: f64 = 3.0;
/// The same of a match where somebody hears it.
const MATCH_S: f64 = 1.0;
/// Time for which a job may be out before what it reads is overwritten, seconds: one that seeks a curve is taken back after
/// [`BEND_S`] and may be 0.3 s late, all others by more than as long again as they are out. More takes memory, 3 MiB a second at
/// 192 kHz.
pub const OUT_S: f64 = BEND_S + 0.3;
/// The same where nobody hears what is played: who plays waits for the job, so that none is late.
pub const ANALYSIS_OUT_S: f64 = ANALYSIS_ONLY_S + 0.1;
/// Music from which a curve is sought that bent both, seconds, and how long it takes until one is sought again: what takes this
/// long is done seldom. Chosen by hand; not measured.
const BEND_FROM_S: f64 = 16.0;
const BEND_EVERY_S: f64 = 60.0;
/// Music after which a match is taken back with which a curve was sought, seconds: it takes up to a second on two slow processors.
const BEND_S: f64 = 2.0 * MATCH_S;
/// How often it is looked what limits the null while nothing is learned.
const STUDY_EVERY_S: f64 = 4.0;
/// How long it is waited between searches for a better alignment than one with a shallow null: longer each time.
const BETTER_EVERY_S: (f64, f64) = (1.5, 24.0);
/// Time after locking for which a null that was never deep may still deepen, seconds: the match is being learned, and a search would put
/// that off. After 3.2 s it put off what is learned of a clock that runs apart.
const MATCHED_S: f64 = 4.5;
/// The same between searches for a backing that rests: it most likely rests in the song. Chosen by hand: an edit within a rest
/// is found at the next search, and until then nothing is there to be subtracted.
const RESTING_EVERY_S: (f64, f64) = (0.5, 8.0);

/// Kind of job that is due.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Due {
    /// Search the whole reach.
    GlobalSearch,
    /// Search about the current alignment.
    LocalSearch,
    /// Learn the match.
    Match,
    /// Find out what limits the null.
    Study,
}

/// The timetable, in hops.
pub struct Schedule {
    sizes: Sizes,
    next_search: u64,
    search_since: u64,
    next_better: u64,
    better_wait: u64,
    next_resting: u64,
    resting_wait: u64,
    next_look: u64,
    locked_at: u64,
    num_matches: usize,
    next_study: u64,
    next_bend: u64,
    is_analysis_only: bool,
}

impl Schedule {
    /// A timetable that starts at hop 0.
    pub fn new(sizes: Sizes) -> Self {
        let mut schedule = Self {
            sizes,
            next_search: 0,
            search_since: 0,
            next_better: 0,
            better_wait: 0,
            next_resting: 0,
            resting_wait: 0,
            next_look: 0,
            locked_at: 0,
            num_matches: 0,
            next_study: 0,
            next_bend: 0,
            is_analysis_only: false,
        };
        schedule.reset(0);
        schedule
    }

    /// Whether nobody hears what is played.
    pub fn is_analysis_only(&self) -> bool {
        self.is_analysis_only
    }

    /// Starts over at hop `now`.
    pub fn reset(&mut self, now: u64) {
        self.next_search = now + self.sizes.hops(FIRST_SEARCH_S);
        self.search_since = now;
        self.next_bend = now;
        self.locked(now);
    }

    /// Nobody hears what is played: jobs may take long.
    pub fn analyse_only(&mut self) {
        self.is_analysis_only = true;
    }

    /// The alignment became known, or another one, at hop `now`.
    pub fn locked(&mut self, now: u64) {
        self.locked_at = now;
        self.num_matches = 0;
        self.next_better = now;
        self.better_wait = self.sizes.hops(BETTER_EVERY_S.0);
        self.not_resting(now);
        self.next_look = now + self.sizes.hops(LOOK_EVERY_S);
        self.next_study = now;
    }

    /// Has the match learned soon, and often for a while.
    pub fn match_soon(&mut self, now: u64) {
        self.locked_at = now;
        self.num_matches = 0;
    }

    /// Has the alignment looked at soon: never later than it would have been, so that a short loop does not put it off for
    /// ever.
    pub fn look_soon(&mut self, now: u64) {
        self.next_look = self.next_look.min(now + self.sizes.hops(0.5 * LOOK_EVERY_S));
    }

    /// A match was learned that is better by `cost_reduction` nats.
    pub fn matched(&mut self, cost_reduction: f64) {
        if (self.is_analysis_only || cost_reduction < SETTLED) && self.num_matches >= SETTLED_AFTER {
            self.num_matches += match self.num_matches {
                SEASONED_AFTER.. if self.is_analysis_only => 3,
                _ => 1,
            };
        }
    }

    /// Whether it is time to search for a better alignment.
    fn is_better_due(&self, now: u64, doubt: Doubt) -> bool {
        match doubt {
            Doubt::Shallow => now >= self.next_better,
            Doubt::NeverDeep => now >= self.next_better.max(self.locked_at + self.sizes.hops(MATCHED_S)),
            _ => false,
        }
    }

    fn next_match(&self) -> u64 {
        let last = MATCH_AT_S.len() - 1;
        let at_s = MATCH_AT_S[self.num_matches.min(last)]
            + MATCH_EVERY_S * self.num_matches.saturating_sub(last) as f64;
        self.locked_at + self.sizes.hops(at_s)
    }

    /// The job due at hop `now`, if any, and the hops after which it is taken back; `heard` = hops the learner
    /// remembers.
    pub fn due(&mut self, now: u64, state: Lock, doubt: Doubt, heard: u64) -> Option<(Due, u64)> {
        if state == Lock::Locked {
            self.search_since = now;
        }
        if doubt != Doubt::Resting {
            self.not_resting(now);
        }
        match state {
            Lock::Locked if doubt == Doubt::Elsewhere && now >= self.next_search => self.search(now),
            Lock::Locked if doubt == Doubt::Resting && now >= self.next_resting.max(self.next_search) => {
                self.next_resting = now + self.resting_wait;
                self.resting_wait = (2 * self.resting_wait).min(self.sizes.hops(RESTING_EVERY_S.1));
                self.search_at_leisure(now)
            }
            Lock::Locked if self.is_better_due(now, doubt) => {
                self.next_better = now + self.better_wait;
                self.better_wait = (2 * self.better_wait).min(self.sizes.hops(BETTER_EVERY_S.1));
                self.search_at_leisure(now)
            }
            Lock::Locked if now >= self.next_match() => {
                self.num_matches += 1;
                // More music takes longer to learn from.
                let after_s = if heard < self.sizes.hops(5.0) {
                    0.25
                } else if self.is_analysis_only && self.num_matches > SETTLED_AFTER {
                    ANALYSIS_ONLY_S
                } else {
                    MATCH_S
                };
                Some((Due::Match, self.sizes.hops(after_s)))
            }
            Lock::Locked if now >= self.next_look => {
                self.next_look = now + self.sizes.hops(LOOK_EVERY_S);
                Some((Due::LocalSearch, self.sizes.hops(0.25)))
            }
            Lock::Searching | Lock::Lost | Lock::TooLate if now >= self.next_search => self.search(now),
            _ => None,
        }
    }

    /// The same while nothing is learned.
    pub fn due_on_hold(&mut self, now: u64, state: Lock) -> Option<(Due, u64)> {
        if state != Lock::Locked || now < self.next_study {
            return None;
        }
        self.next_study = now + self.sizes.hops(STUDY_EVERY_S);
        Some((Due::Study, self.sizes.hops(MATCH_S)))
    }

    /// Whether a curve that bent both is to be sought with the match that is due, of which so many hops are heard; if so, when
    /// that match is taken back, in hops from `now`.
    pub fn seek_bend(&mut self, now: u64, heard: u64) -> Option<u64> {
        let is_due = heard >= self.sizes.hops(BEND_FROM_S) && now >= self.next_bend;
        is_due.then(|| {
            self.next_bend = now + self.sizes.hops(BEND_EVERY_S);
            self.sizes.hops(BEND_S)
        })
    }

    fn not_resting(&mut self, now: u64) {
        self.next_resting = now;
        self.resting_wait = self.sizes.hops(RESTING_EVERY_S.0);
    }

    /// A search that nothing waits for: where nobody hears what is played it may take long, too.
    fn search_at_leisure(&mut self, now: u64) -> Option<(Due, u64)> {
        let (due, after) = self.search(now)?;
        let is_settled = self.is_analysis_only && self.num_matches > SETTLED_AFTER;
        Some((due, if is_settled { self.sizes.hops(LEISURE_S) } else { after }))
    }

    fn search(&mut self, now: u64) -> Option<(Due, u64)> {
        let long = now - self.search_since > self.sizes.hops(PATIENCE_S);
        self.next_search = now + self.sizes.hops(if long { SEARCH_SELDOM_S } else { SEARCH_EVERY_S });
        Some((Due::GlobalSearch, self.sizes.hops(0.25)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A match may take longer where nobody hears what is played, but not one of the first.
    #[test]
    fn nobody_waits_for_a_match_unheard() {
        let sizes = Sizes::new(16_000.0);
        let times = |is_analysis_only: bool| -> Vec<u64> {
            let mut schedule = Schedule::new(sizes);
            if is_analysis_only {
                schedule.analyse_only();
            }
            let (mut now, mut times) = (0, Vec::new());
            while times.len() < 2 * SETTLED_AFTER {
                if let Some((Due::Match, hops)) = schedule.due(now, Lock::Locked, Doubt::None, now) {
                    times.push(hops);
                    now += hops;
                }
                now += 1;
            }
            times
        };
        let (heard, unheard) = (times(false), times(true));
        assert_eq!(heard[..SETTLED_AFTER], unheard[..SETTLED_AFTER]);
        assert!(heard[SETTLED_AFTER..].iter().all(|&hops| hops == sizes.hops(1.0)));
        assert!(unheard[SETTLED_AFTER..].iter().all(|&hops| hops == sizes.hops(ANALYSIS_ONLY_S)));
    }

    /// Every other match is left out in the end: where somebody listens only as long as they bring nothing, and where nobody does
    /// two more.
    #[test]
    fn matches_are_learned_less_often_in_the_end() {
        let sizes = Sizes::new(16_000.0);
        let last_gap = |is_analysis_only: bool, cost_reduction: f64| {
            let mut schedule = Schedule::new(sizes);
            if is_analysis_only {
                schedule.analyse_only();
            }
            let mut times = Vec::new();
            for now in 0.. {
                if let Some((Due::Match, _)) = schedule.due(now, Lock::Locked, Doubt::None, now) {
                    schedule.matched(cost_reduction);
                    times.push(now);
                }
                if times.len() == 2 * SETTLED_AFTER {
                    break;
                }
            }
            times[times.len() - 1] - times[times.len() - 2]
        };
        let [one, two, four] = [1.0, 2.0, 4.0].map(|matches| sizes.hops(matches * MATCH_EVERY_S));
        let gaps = [(false, 1.0), (false, 0.0), (true, 1.0), (true, 0.0)]
            .map(|(is_analysis_only, cost_reduction)| last_gap(is_analysis_only, cost_reduction));
        for (gap, expected) in gaps.into_iter().zip([one, two, four, four]) {
            assert!(gap.abs_diff(expected) <= 1, "{gaps:?} hops");
        }
    }

    /// A search for something better may take long once the match has settled, if nobody hears what is played.
    #[test]
    fn nobody_waits_for_a_better_alignment_unheard() {
        let sizes = Sizes::new(16_000.0);
        let after = |is_analysis_only: bool, num_matches: usize| {
            let mut schedule = Schedule { num_matches, ..Schedule::new(sizes) };
            if is_analysis_only {
                schedule.analyse_only();
            }
            let due = schedule.due(sizes.hops(1.0), Lock::Locked, Doubt::Shallow, sizes.hops(1.0));
            due.map(|(due, hops)| (due == Due::GlobalSearch, hops))
        };
        let [soon, late] = [0.25, LEISURE_S].map(|s| Some((true, sizes.hops(s))));
        assert_eq!(after(true, SETTLED_AFTER + 1), late);
        assert_eq!([after(true, SETTLED_AFTER), after(false, SETTLED_AFTER + 1)], [soon; 2]);
    }

    /// A loop shorter than the time between two looks has the alignment looked at all the same.
    #[test]
    fn a_short_loop_does_not_put_looks_off() {
        let sizes = Sizes::new(16_000.0);
        let mut schedule = Schedule::new(sizes);
        let mut looks = 0;
        for now in 0..sizes.hops(30.0) {
            if now % sizes.hops(0.3) == 0 {
                schedule.look_soon(now);
            }
            let due = schedule.due(now, Lock::Locked, Doubt::None, now);
            looks += usize::from(matches!(due, Some((Due::LocalSearch, _))));
        }
        assert!(looks >= 20, "{looks}");
    }

    /// A backing that rests in the song for long is searched for ever less often, one that is doubted as often as ever.
    #[test]
    fn a_resting_backing_is_searched_for_less_and_less() {
        let sizes = Sizes::new(16_000.0);
        let searches = |doubt: Doubt| {
            let mut schedule = Schedule::new(sizes);
            let due = (0..sizes.hops(60.0)).filter_map(|now| schedule.due(now, Lock::Locked, doubt, now));
            due.filter(|(due, _)| *due == Due::GlobalSearch).count()
        };
        let [resting, elsewhere] = [Doubt::Resting, Doubt::Elsewhere].map(searches);
        assert!((5..=13).contains(&resting) && elsewhere > 100, "{resting}, {elsewhere}");
    }
}
