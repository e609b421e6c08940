//! Brings the backing to where it belongs under the mix: the lock, the delay and how it moves, and the one place where the
//! backing is muted.
//!
//! The backing is read some time after it came in, so that it may be late. What is found out now holds from now on; for what
//! is still to be read of older music the former alignments are kept.

use crate::align::delay_tracker::{self, DelayTracker, MotionLearning};
use crate::align::lag_filter::LagFilter;
use crate::align::lock::{Change, LockState};
use crate::align::motion::DelayMotion;
use crate::align::search::{Found, LATE_S};
use crate::align::song_map::DelayModel;
use crate::dsp::delay_line::{DelayLine, TAPS};
use crate::dsp::hop::Hop;
use crate::dsp::ring::{Stereo, stereo};
use crate::dsp::sizes::Sizes;
use crate::dsp::timeline::Timeline;
use crate::input::InputHistory;
use crate::matching::taps::Taps;
use crate::readings::Lock;
use crate::settings::NUDGE_SAMPLES;
use std::collections::VecDeque;

/// By how much the backing may be late, samples at 44.1 and 48 kHz, less what reading it needs.
const LATE: usize = 6144;
/// Fade of the backing as the lock is found or lost, hops (85 ms at 48 kHz). Chosen by hand: short enough not to be heard as
/// a fade, long enough to leave no click of a bass.
const FADE_HOPS: usize = 32;
/// Former alignments kept: as many as a song has sections.
const MOST_FORMER: usize = crate::align::song_map::MOST;

/// How an alignment takes over from none.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Entry {
    /// At once, to the sample: the song itself is cut here.
    Cut,
    /// It was found just now, in the middle of the music.
    Fade,
}

/// An alignment that still holds for what is yet to be read.
#[derive(Clone, Copy)]
struct Former {
    /// Position of the mix up to which it holds.
    until: i64,
    /// By position since the last reset; `None` = the mix passes.
    model: Option<DelayModel>,
    entry: Entry,
    /// The backing fades out in it.
    is_lost: bool,
}

/// The aligner.
pub struct Aligner {
    sizes: Sizes,
    lock: LockState,
    tracker: DelayTracker,
    reader: DelayLine,
    /// Delays at which the backing was read, by the hop of the mix under which it stands.
    history: Timeline<f64>,
    was_aligned: Timeline<bool>,
    /// Oldest first; after the last one holds the current alignment.
    former: VecDeque<Former>,
    /// How the current alignment takes over.
    entry: Entry,
    /// Gain of the backing, 0 to 1: the fade.
    gain: f32,
    gain_step: f32,
    /// Position of the mix at which the alignment, or what is known of its motion, last gave way to another.
    changed_at: i64,
    aligned: Hop,
    other: Stereo,
}

impl Aligner {
    /// Nothing is known.
    pub fn new(sizes: Sizes) -> Self {
        let hop = sizes.hop();
        let covered = sizes.scaled(LATE) - TAPS - 2 * NUDGE_SAMPLES.1 as usize;
        let mut aligner = Self {
            lock: LockState::new(covered, sizes.sample_rate_hz),
            tracker: DelayTracker::new(sizes),
            reader: DelayLine::new(hop),
            history: Timeline::new(sizes.samples(LATE_S) / hop, hop),
            was_aligned: Timeline::new(sizes.samples(LATE_S) / hop, hop),
            former: VecDeque::with_capacity(MOST_FORMER),
            entry: Entry::Fade,
            gain: 0.0,
            gain_step: 1.0 / (FADE_HOPS * hop) as f32,
            changed_at: i64::MIN,
            aligned: Hop::new(hop),
            other: stereo(hop),
            sizes,
        };
        aligner.reset();
        aligner
    }

    /// How far the aligned backing lags the input, samples.
    pub fn latency_samples(&self) -> usize {
        self.sizes.scaled(LATE) + self.tracker.latency_samples()
    }

    /// Forgets the signals and the alignment.
    ///
    /// Gives the position of the mix at which the first hop will begin.
    pub fn reset(&mut self) -> i64 {
        let first = -(self.latency_samples() as i64);
        self.history.restart(first);
        self.was_aligned.restart(first);
        self.reader.reset();
        self.former.clear();
        self.gain = 0.0;
        self.forget_alignment(0);
        first
    }

    /// Forgets the alignment; what is heard of it fades out.
    pub fn forget(&mut self, input: &InputHistory) {
        self.fade_out(self.model(input));
        self.forget_alignment(input.end());
    }

    fn forget_alignment(&mut self, end: i64) {
        self.lock.reset();
        self.tracker.restart(0.0, DelayMotion::NONE, end);
        self.changed_at = i64::MIN;
        self.entry = Entry::Fade;
    }

    /// The lock and its alignment.
    pub fn lock(&self) -> &LockState {
        &self.lock
    }

    /// Whether the lock holds.
    pub fn is_locked(&self) -> bool {
        self.lock.state == Lock::Locked
    }

    /// Whether the delay moves.
    pub fn moves(&self) -> bool {
        self.tracker.motion().moves()
    }

    /// How fast the delay grows, samples per sample; 0 while it stands still.
    pub fn rate(&self) -> f64 {
        if self.moves() { self.tracker.model(0).1.rate } else { 0.0 }
    }

    /// Whether a delay that moves was tracked to where the backing is.
    pub fn has_tracked(&self) -> bool {
        self.moves() && self.tracker.was_there()
    }

    /// Whether the delay may have jumped by less than sections of a song do: not while one that moves is tracked.
    pub fn may_have_jumped(&self) -> bool {
        !self.moves() || self.tracker.has_lost_it()
    }

    /// The delay as it moves, by position since the last reset.
    pub fn moving_model(&self, position: i64) -> DelayModel {
        let (delay_samples, motion) = self.tracker.model(position);
        DelayModel { delay_samples, motion }
    }

    /// Position of the mix at which the alignment, or what is known of its motion, last gave way to another.
    pub fn changed_at(&self) -> i64 {
        self.changed_at
    }

    /// Delays at which the backing was read, by position of the mix.
    pub fn history(&self) -> &Timeline<f64> {
        &self.history
    }

    /// Position of the mix up to which the backing is read with the newest hop.
    pub fn read_to(&self, input: &InputHistory) -> i64 {
        input.end() - self.latency_samples() as i64
    }

    /// The current alignment, by position since the last reset; `None` while there is no lock.
    pub fn model(&self, input: &InputHistory) -> Option<DelayModel> {
        let position = self.read_to(input);
        let motion = self.tracker.motion();
        let delay_samples = self.tracker.delay_at(position) - motion.rate * position as f64;
        self.is_locked().then_some(DelayModel { delay_samples, motion })
    }

    /// Whether the backing that was read for a position of the mix had an alignment.
    pub fn was_aligned(&self, position: i64) -> bool {
        self.was_aligned.at(position)
    }

    /// Keeps the current alignment for the music up to a position of the mix.
    fn leave(&mut self, position: i64, model: Option<DelayModel>) {
        let before = self.former.back().map_or(i64::MIN, |former| former.until);
        // What is read already stays as it is.
        let until = position.max(self.history.end()).max(before);
        if self.former.len() == MOST_FORMER {
            self.former.pop_back();
        }
        self.former.push_back(Former { until, model, entry: self.entry, is_lost: false });
        if model.is_some() {
            self.changed_at = until;
        }
    }

    /// From a position of the mix on another alignment holds, which [`Aligner::recall`] puts in force: the song is cut there.
    pub fn cut_at(&mut self, position: i64, input: &InputHistory) {
        self.leave(position, self.model(input));
        self.entry = Entry::Cut;
    }

    /// What is known of a position in the song holds from now on; `None` = the mix passes.
    pub fn recall(&mut self, known: Option<DelayModel>, song: i64, inverted: bool, input: &InputHistory) {
        let Some(model) = known else {
            self.lock.lose();
            return;
        };
        self.lock.recall(model.at(song).round() as i64, inverted);
        let newest = input.end() - self.sizes.scaled(LATE) as i64;
        self.tracker.restart(model.at(newest + input.song_offset()), model.motion, newest);
        if self.is_locked() && !self.moves() {
            // The delay is whole; the filter has the rest.
            self.lock.found_samples = self.lock.delay_samples as f64 + self.tracker.filter_delay_samples();
        }
    }

    /// The alignment that a global search has just found holds from a position of the mix on; `before` held until then.
    /// `motion` is how the delay moves there, as far as is known.
    pub fn move_to_found(
        &mut self,
        from: i64,
        before: Option<DelayModel>,
        motion: DelayMotion,
        input: &InputHistory,
    ) {
        let is_ahead = from >= self.history.end();
        if self.is_locked() || is_ahead {
            self.leave(from, before);
        } else {
            // Found too late to be subtracted.
            self.fade_out(before);
        }
        self.entry = if is_ahead { Entry::Cut } else { Entry::Fade };
        let newest = input.end() - self.sizes.scaled(LATE) as i64;
        self.tracker.restart(self.lock.delay_samples as f64, motion, newest);
    }

    /// The delay found last, and how it moves, by position in the song.
    pub fn newest_model(&self, input: &InputHistory) -> DelayModel {
        let motion = self.tracker.motion();
        let newest = input.end() - self.sizes.scaled(LATE) as i64 + input.song_offset();
        let delay_samples = self.lock.delay_samples as f64 - motion.rate * newest as f64;
        DelayModel { delay_samples, motion }
    }

    /// Takes the result of a global search. If another alignment was found, [`Aligner::move_to_found`] must follow.
    pub fn take_global(&mut self, found: Option<Found>, confirmed: bool) -> Change {
        self.lock.take_global(found, confirmed)
    }

    /// Takes the result of a local search about the current alignment.
    pub fn take_local(&mut self, found: Option<Found>, confirmed: bool, input: &InputHistory) -> Change {
        let model = self.model(input);
        let change = self.lock.take_local(found, confirmed);
        if change == Change::Lost {
            self.fade_out(model);
        }
        change
    }

    /// The lock is lost: from what is read next on the backing fades out.
    pub fn lose(&mut self, input: &InputHistory) {
        self.fade_out(self.model(input));
        self.lock.lose();
    }

    /// The alignment that is read now holds for as long as it takes to fade out, and none after it. `current` = the one after
    /// all former ones.
    fn fade_out(&mut self, current: Option<DelayModel>) {
        let from = self.history.end();
        let fade = (FADE_HOPS * self.aligned.len()) as i64;
        let audible = self.former.iter().find(|former| from < former.until).copied();
        let (until, model, entry) = match audible {
            Some(Former { until, model, entry, is_lost: true }) => (until, model, entry),
            Some(Former { model, entry, .. }) => (from + fade, model, entry),
            None => (from + fade, current, self.entry),
        };
        self.former.clear();
        if model.is_some() {
            self.former.push_back(Former { until, model, entry, is_lost: true });
        }
        self.entry = Entry::Fade;
    }

    /// Takes a filter through which the backing is compared with the mix from now on.
    pub fn set_filter(&mut self, taps: &Taps) {
        self.tracker.set_filter(taps);
    }

    /// Exchanges that filter for one that was prepared.
    pub fn exchange_filter(&mut self, prepared: &mut LagFilter) {
        self.tracker.exchange_filter(prepared);
    }

    /// What the filter made good of a delay that stands still, the delay does now: by how many samples. The filter follows with
    /// [`Aligner::set_filter`].
    pub fn recentre(&mut self) -> isize {
        let (before, delay_samples) = (self.tracker.delay_at(0), self.lock.delay_samples as f64);
        self.tracker.recentre(delay_samples);
        (delay_samples - before).round() as isize
    }

    /// Takes over a delay, in samples, that the filter had so far.
    pub fn take_from_filter(&mut self, delay_samples: f64) {
        self.tracker.shift(delay_samples);
        self.history.change(|delay| *delay += delay_samples);
    }

    /// Does a part (see [`delay_tracker::PARTS`]) of tracking the delay as it moves, one hop further; before `from` another
    /// alignment may hold. `learning` says what may be learned of how it moves. True if it begins to move or to stand still.
    pub fn track(&mut self, part: usize, input: &InputHistory, from: i64, learning: MotionLearning) -> bool {
        if !self.is_locked() {
            return false;
        }
        let moved_before = self.moves();
        let end = input.end() - self.sizes.scaled(LATE) as i64;
        let frame = end - self.tracker.frame_samples() as i64..end;
        let across = input.discontinuities.touch(frame, self.lock.delay_samples);
        let from = if across { i64::MAX } else { from };
        self.tracker.advance(part, &input.mix, &input.backing, from, end, learning);
        if part + 1 < delay_tracker::PARTS {
            return false;
        }
        let changes = self.moves() != moved_before;
        if self.moves() || changes {
            self.lock.found_samples = self.tracker.delay_at(end);
            self.lock.delay_samples = self.lock.found_samples.round() as i64;
        }
        if changes {
            self.changed_at = self.read_to(input);
        }
        changes
    }

    /// Reads the backing that belongs to the next hop of the mix; silence where it has no alignment.
    #[inline(never)]
    pub fn read(&mut self, input: &InputHistory) -> &Hop {
        let (start, end) = (self.read_to(input) - self.aligned.len() as i64, self.read_to(input));
        self.aligned.at = start;
        let nudge = f64::from(input.settings_at(start).nudge_samples);
        let tracked = self.tracker.delay_at(end);
        let mut last_delay = None;
        let mut at = start;
        while at < end {
            let (until, delay, is_lost) = match self.former.front().copied() {
                Some(Former { until, .. }) if until <= at => {
                    self.next_alignment();
                    continue;
                }
                Some(Former { until, model, is_lost, .. }) => {
                    (until, model.map(|model| model.at(end)), is_lost)
                }
                None => (i64::MAX, self.is_locked().then_some(tracked), false),
            };
            let to = until.min(end);
            self.read_part(input, [at, to], delay, nudge, is_lost);
            last_delay = delay.or(last_delay);
            at = to;
        }
        self.was_aligned.push(last_delay.is_some());
        self.history.push(last_delay.unwrap_or(tracked));
        &self.aligned
    }

    /// The oldest alignment is over. The next one begins at once, or by the reader's and our own fade.
    fn next_alignment(&mut self) {
        self.former.pop_front();
        let entry = self.former.front().map_or(self.entry, |former| former.entry);
        if entry == Entry::Cut {
            self.reader.reset();
            self.gain = 1.0;
        }
    }

    /// Reads a part of the hop, from one position to another, at a delay at the hop's end, and what the user adds to it.
    fn read_part(
        &mut self,
        input: &InputHistory,
        [from, to]: [i64; 2],
        delay: Option<f64>,
        nudge: f64,
        is_lost: bool,
    ) {
        let start = self.aligned.at;
        let part = (from - start) as usize..(to - start) as usize;
        let Some(delay) = delay else {
            self.aligned.audio.iter_mut().for_each(|side| side[part.clone()].fill(0.0));
            self.gain = 0.0;
            return;
        };
        self.reader.read(&input.backing, start, delay + nudge, &mut self.other);
        input.suit_to_mix(start, (delay + nudge).round() as i64, &mut self.other);
        for side in &mut self.other {
            input.discontinuities.mute(start, delay.round() as i64, side);
        }
        let target = if is_lost { 0.0 } else { 1.0 };
        if self.gain != target {
            let step = if is_lost { -self.gain_step } else { self.gain_step };
            for n in part.clone() {
                self.gain = (self.gain + step).clamp(0.0, 1.0);
                self.other.iter_mut().for_each(|side| side[n] *= self.gain);
            }
        } else if target == 0.0 {
            self.other.iter_mut().for_each(|side| side[part.clone()].fill(0.0));
        }
        for (side, other) in self.aligned.audio.iter_mut().zip(&self.other) {
            side[part.clone()].copy_from_slice(&other[part.clone()]);
        }
    }
}
