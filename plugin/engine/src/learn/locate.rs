//! Finds where the backing lies in what was heard, and since when.

use crate::align::edge::{BLOCK, EdgeCosts};
use crate::align::lock::agree_samples;
use crate::align::search::{Found, LOCAL, LOCK_CONFIDENCE, LOOK_S, look_at, search};
use crate::align::supervisor::HOLDS;
use crate::dsp::at_once::Both;
use crate::dsp::sizes::Sizes;
use crate::dsp::units::{mean, power_to_db, sum_of_products};
use crate::learn::heard::Stretch;
use crate::learn::memory::{LEAST_S, Memory};
use crate::learn::request::{GlobalSearch, GlobalSearchReport, LocalSearchReport};
use crate::matching::follower_gain::FollowerGain;
use crate::matching::subtraction::Subtraction;
use crate::matching::taps::Taps;
use std::collections::BTreeSet;
use std::ops::Range;

/// Music with which the backing is searched for, seconds: long windows find a faint backing, short ones one that moves or has
/// just begun. The last one only counts if the null confirms it.
const SEARCH_S: [f64; 3] = [4.0, 1.0, 0.5];
/// Highest peaks of a search that may be confirmed: music that repeats has several.
const PEAKS: usize = 3;
/// Music over which an alignment is confirmed by its null, seconds.
const CONFIRM_S: f64 = 0.5;
/// Cost reduction from which an alignment is confirmed, nats (3 dB). A backing at a wrong delay adds to the mix and loses, but
/// half a second of other music in the same key was once seen to win 0.4.
const CONFIRMED: f64 = 0.7;
/// The same in a backing that rests or is over, nats (4 dB): the mix may play it again, but mostly a song that repeats is found
/// where it was before. A section that comes again to the sample wins 1 to 10, one that shares its drums 0.5.
const CONFIRMED_AGAIN: f64 = 1.0;
/// How close to the current alignment only the null tells another one from it, samples at 44.1 and 48 kHz; a known delay is looked
/// for as far from where it was.
pub const NEAR: usize = 64;
/// By how much another alignment must be better than the current one, nats.
const BETTER: f64 = 0.1;
/// Music in which the moment is sought at which the alignment changed, seconds.
const EDGE_S: f64 = 8.0;
/// Music for which a delay that grows is taken to stand still, seconds: at 150 ppm it grows by a sample.
const STEADY_S: f64 = 0.15;

/// Most that a delay is taken to have grown in a search, samples at 44.1 and 48 kHz: clocks 300 ppm apart. A speed that wanders goes
/// faster for a moment, but a job must come back in time.
const MOST_GROWN: usize = 32;

/// By how much the level may have moved since the filter was learned, dB: by less it counts as the same, by more it is no backing that
/// anybody hears. Chosen by hand; not measured.
const MOVED_DB: (f64, f64) = (1.0, 40.0);

/// Searches in what was heard, with the filter in force.
pub struct Locator<'a> {
    /// What was heard.
    pub memory: &'a Memory,
    /// Filter in force.
    pub filter: &'a Taps,
    /// Lengths.
    pub sizes: Sizes,
    /// Who does two things at once.
    pub both: Both,
}

impl Locator<'_> {
    /// Searches the whole reach.
    pub fn global(&self, request: &GlobalSearch, song_offset: i64) -> GlobalSearchReport {
        let Memory { mix, backing, .. } = self.memory;
        // Without a filter no null confirms anything: only the surest delays count.
        let is_first = self.filter.is_silent();
        let (windows_s, most) = if is_first { (&SEARCH_S[..2], 1) } else { (&SEARCH_S[..], PEAKS) };
        let since_jump = self.memory.since_jump();
        let found = search([mix, backing], since_jump, windows_s, most, self.sizes, self.both);
        let sure = found[..2].iter().filter_map(|found| found.first());
        let is_other = |found: &Found| {
            let from = |before| self.is_other(found, before, request.may_have_jumped);
            !request.is_locked || request.before.is_none_or(from)
        };
        let best = sure.copied().max_by(|a, b| a.confidence.total_cmp(&b.confidence));
        if is_first {
            return GlobalSearchReport { found: best, ..GlobalSearchReport::default() };
        }
        let mut candidates: Vec<Found> = found.concat();
        let song = mix.end() + song_offset;
        let known = request.sections.as_slice().iter().filter_map(|section| section.model);
        let known: BTreeSet<i64> = known.map(|model| model.at(song).round() as i64).collect();
        candidates.extend(known.into_iter().filter_map(|delay| self.look(delay, NEAR, LOOK_S)));
        if let Some(before) = request.before {
            candidates.extend([LOOK_S, CONFIRM_S].into_iter().filter_map(|s| self.look(before, LOCAL, s)));
        }
        candidates.sort_by(|a, b| a.delay_samples.total_cmp(&b.delay_samples));
        candidates.dedup_by(|a, b| (a.delay_samples - b.delay_samples).abs() < 0.5);
        let cost_reduction = |delay| self.cost_reduction(delay, request.from).unwrap_or(0.0);
        let now = |delay| self.cost_reduction_now(delay, request.from).unwrap_or(0.0);
        let before = request.before.map(now);
        let confirmed_from = if request.backing_rests { CONFIRMED_AGAIN } else { CONFIRMED };
        let least =
            before.map_or(confirmed_from, |cost_reduction| confirmed_from.max(cost_reduction + BETTER));
        // Of a backing that is later than this only older music can be compared, which tells nothing of the newest.
        let latest = self.sizes.samples(0.5 * CONFIRM_S) as f64;
        let reductions = candidates
            .into_iter()
            .filter(|found| found.delay_samples > -latest && is_other(found))
            .map(|found| (found, cost_reduction(delay_of(&found))));
        let confirmed = reductions.filter(|r| r.1 > least).max_by(|a, b| a.1.total_cmp(&b.1));
        let confirmed = confirmed.map(|(found, _)| self.newest(found, request.rate, request.from));
        let found = confirmed.or(best.filter(|_| !request.backing_rests));
        let after = found.filter(|f| confirmed.is_some() || f.confidence >= LOCK_CONFIDENCE);
        let after = after.map(|f| delay_of(&f));
        let edge = self.edge([request.before, after], request.rate, request.from);
        let holds = before.is_some_and(|cost_reduction| cost_reduction > HOLDS);
        GlobalSearchReport { found, confirmed: confirmed.is_some(), holds, edge }
    }

    /// Searches about a delay that grows at a rate, samples per sample; before `from` the backing may have been elsewhere.
    pub fn local(&self, delay_samples: i64, rate: f64, from: i64) -> LocalSearchReport {
        let found = self.look(delay_samples, LOCAL, LOOK_S);
        if self.filter.is_silent() {
            return LocalSearchReport { found, ..LocalSearchReport::default() };
        }
        // Nobody weighs the null of a delay that moves by this.
        let cost_reduction = match rate {
            0.0 => self.cost_reduction_now(delay_samples, from),
            _ => self.cost_reduction(delay_samples, from),
        };
        let jumped = found.filter(|found| self.is_other(found, delay_samples, true)).and_then(|found| {
            let least = CONFIRMED.max(cost_reduction? + BETTER);
            (self.cost_reduction(delay_of(&found), from)? > least).then(|| {
                let found = self.newest(found, rate, from);
                let edge = self.edge([Some(delay_samples), Some(delay_of(&found))], rate, from);
                GlobalSearchReport { found: Some(found), confirmed: true, holds: false, edge }
            })
        });
        LocalSearchReport { found, cost_reduction, jumped }
    }

    /// A search hears seconds, in which a delay that grows at a rate is smeared: where it has come to by now is told by the null of the
    /// newest music.
    fn newest(&self, found: Found, rate: f64, from: i64) -> Found {
        let grown = |seconds: f64| rate * self.sizes.sample_rate_hz * seconds;
        let most = self.sizes.scaled(MOST_GROWN) as i64;
        let furthest = most.min(grown(0.5 * SEARCH_S[0]).abs().ceil() as i64);
        if furthest == 0 {
            return found;
        }
        let towards = |steps: i64| delay_of(&found) + steps * rate.signum() as i64;
        let won = |steps: &i64| self.cost_reduction(towards(*steps), from).unwrap_or(0.0);
        let best = (-1..=furthest).map(|steps| (steps, won(&steps))).max_by(|a, b| a.1.total_cmp(&b.1));
        let (steps, _) = best.unwrap_or_default();
        Found { delay_samples: towards(steps) as f64 + grown(0.5 * CONFIRM_S), ..found }
    }

    /// Whether a delay is another one than before: further from it than clocks run apart meanwhile; while a delay that moves is
    /// tracked, and so cannot have jumped by a little, further than the tracker may be off.
    fn is_other(&self, found: &Found, before: i64, may_have_jumped: bool) -> bool {
        let same_samples = match may_have_jumped {
            true => agree_samples(self.sizes.sample_rate_hz),
            false => self.sizes.scaled(NEAR) as f64,
        };
        (found.delay_samples - before as f64).abs() > same_samples
    }

    /// The highest peak within `reach` samples, at 44.1 and 48 kHz, of a delay, over the last seconds.
    fn look(&self, delay_samples: i64, reach: usize, window_s: f64) -> Option<Found> {
        let Memory { mix, backing, .. } = self.memory;
        let (from, reach) = (self.memory.since_jump(), self.sizes.scaled(reach));
        look_at([mix, backing], from, window_s, delay_samples, reach, self.sizes)
    }

    /// By how much the null at a delay reduces the cost of the newest music, nats.
    fn cost_reduction(&self, delay_samples: i64, from: i64) -> Option<f64> {
        self.newest_at(delay_samples, from).map(|heard| self.won(&heard))
    }

    /// The same at the current delay, whose level may have moved: a song fades out, or its level steps, without the backing being
    /// elsewhere. At the level that fits best a wrong place wins a little, too.
    fn cost_reduction_now(&self, delay_samples: i64, from: i64) -> Option<f64> {
        let mut heard = self.newest_at(delay_samples, from)?;
        let as_before = self.won(&heard);
        let Some(gain) = self.level(&heard) else { return Some(as_before) };
        let num_hops = heard.mix.len.div_ceil(self.sizes.hop());
        heard.backing.gains = Some(vec![FollowerGain { from: gain, to: gain }; num_hops]);
        let moved = Some(self.won(&heard)).filter(|won| *won > CONFIRMED);
        Some(moved.map_or(as_before, |moved| moved.max(as_before)))
    }

    /// The newest music, with the backing at a delay.
    fn newest_at(&self, delay_samples: i64, from: i64) -> Option<Stretch> {
        let end = self.memory.known_to(delay_samples);
        let from = from.max(self.memory.together_from(delay_samples));
        let begin = from.max(end - self.sizes.samples(CONFIRM_S) as i64);
        (end - begin >= self.sizes.samples(LEAST_S) as i64 / 2)
            .then(|| self.memory.at_delay(delay_samples, begin, end))
    }

    /// By how much the null reduces the cost of a stretch, nats.
    fn won(&self, heard: &Stretch) -> f64 {
        let heard = heard.newest(heard.mix.len);
        mean(&heard.score(&Taps::silent(self.filter.num_taps()), self.sizes))
            - mean(&heard.score(self.filter, self.sizes))
    }

    /// How much louder than the filter makes it the backing is in the mix, linear, if that is not as before; by projection, which a
    /// voice does not move.
    fn level(&self, heard: &Stretch) -> Option<f32> {
        let mut subtraction = Subtraction::new(&heard.mix, &heard.backing, self.filter);
        let (mut product, mut power) = (0.0, 0.0);
        let (len, piece) = (heard.mix.len, self.filter.num_taps());
        for from in (0..len).step_by(piece) {
            let to = len.min(from + piece);
            let [left, matched] = subtraction.read(from..to);
            for (left, matched) in left.iter().zip(matched.map(|side| &side[..to - from])) {
                product += sum_of_products(left, matched);
                power += sum_of_products(matched, matched);
            }
        }
        let level = 1.0 + product / power.max(f64::MIN_POSITIVE);
        let moved = power_to_db(level * level);
        (level > 0.0 && (MOVED_DB.0..MOVED_DB.1).contains(&moved.abs())).then_some(level as f32)
    }

    /// Position at which the delay before gave way to the one after, both growing at a rate, samples per sample; before `from`
    /// another alignment may hold.
    fn edge(&self, delays: [Option<i64>; 2], rate: f64, from: i64) -> Option<i64> {
        if delays[0] == delays[1] {
            return None;
        }
        let end = delays.iter().flatten().map(|&delay| self.memory.known_to(delay)).min()?;
        let begin = from.max(self.memory.since_jump()).max(self.memory.mix.begin());
        let begin = begin.max(end - self.sizes.samples(EDGE_S) as i64);
        if end - begin < BLOCK as i64 {
            return None;
        }
        let silent = Taps::silent(self.filter.num_taps());
        let steady =
            if rate == 0.0 { end - begin } else { (self.sizes.samples(STEADY_S) / BLOCK * BLOCK) as i64 };
        let [before, after] = delays.map(|delay| {
            let filter = if delay.is_some() { self.filter } else { &silent };
            let mut costs = EdgeCosts::default();
            for from in (begin..end).step_by(steady as usize) {
                let to = end.min(from + steady);
                let grown = (rate * (to - end) as f64).round() as i64;
                self.hear_residual(&mut costs, delay.unwrap_or_default() + grown, from..to, filter);
            }
            costs
        });
        Some(begin + (before.edge(&after) * BLOCK) as i64)
    }

    /// Hears what a filter leaves of a stretch of the mix with the backing at a delay.
    fn hear_residual(&self, costs: &mut EdgeCosts, delay_samples: i64, stretch: Range<i64>, filter: &Taps) {
        let heard = self.memory.at_delay(delay_samples, stretch.start, stretch.end);
        let mut subtraction = Subtraction::new(&heard.mix, &heard.backing, filter);
        let (len, piece) = (heard.mix.len, filter.num_taps());
        for from in (0..len).step_by(piece) {
            let to = len.min(from + piece);
            let [residual, _] = subtraction.read(from..to);
            costs.hear(residual.map(|side| &side[..to - from]));
        }
    }
}

/// The nearest whole delay, samples.
fn delay_of(found: &Found) -> i64 {
    found.delay_samples.round() as i64
}
