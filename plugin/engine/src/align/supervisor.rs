//! Evidence for and against the lock: whether the mix holds the matched backing, and how deep the null was and is.

use crate::align::presence::{Presence, Verdict};
use crate::dsp::hop::Hop;
use crate::dsp::ring::{Stereo, stereo};
use crate::dsp::sizes::Sizes;
use crate::dsp::units::{mean_square, sum_of_products};
use crate::input::InputHistory;

/// A mix quieter than this (mean square; -70 dB re full scale) tells nothing of a backing that rests.
const SILENT_MIX: f64 = 1e-7;
/// Time for which the null confirms an alignment, seconds: the next search is back sooner.
const CONFIRMED_S: f64 = 1.5;
/// Share of what the null has won at best, in nats, under which a better alignment is searched for.
const SHALLOW: f64 = 0.5;
/// An alignment that stood still and whose null won more than this, nats, was one: a clock error or wow leaves less.
const WAS_DEEP: f64 = 3.0;
/// Cost reduction from which an alignment holds whatever the correlation says, nats: nothing is lost by staying. Chosen by hand;
/// not measured.
pub const HOLDS: f64 = 0.1;

/// How much the current alignment is doubted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Doubt {
    /// Not at all.
    None,
    /// The null was never deep: this may be another place of a song that repeats.
    NeverDeep,
    /// The null was deeper before: there may be a better alignment.
    Shallow,
    /// The backing may be elsewhere than where it is taken from.
    Elsewhere,
    /// The backing has been resting for a while over a mix that plays: it may be playing elsewhere.
    Resting,
}

/// What speaks for and against the lock.
pub struct LockSupervisor {
    presence: Presence,
    verdict: Verdict,
    mix: Stereo,
    hold_hops: u64,
    /// What the null has won at best, nats, and whether it wins much less now.
    deepest: f64,
    is_shallow: bool,
    /// Whether the null of the current alignment was ever weighed: not that of one that moves.
    was_weighed: bool,
    /// Clock up to which the null has confirmed the current alignment.
    confirmed_to: u64,
    /// Whether the current alignment ever won anything.
    is_proven: bool,
    /// The delay of an alignment that was lost, samples, as long as it is not known since when.
    lost_delay_samples: Option<i64>,
}

impl LockSupervisor {
    /// Nothing heard yet.
    pub fn new(sizes: Sizes) -> Self {
        Self {
            presence: Presence::new(sizes.hop(), sizes.sample_rate_hz),
            verdict: Verdict::Present,
            mix: stereo(sizes.hop()),
            hold_hops: sizes.hops(CONFIRMED_S),
            deepest: 0.0,
            is_shallow: false,
            was_weighed: false,
            confirmed_to: 0,
            is_proven: false,
            lost_delay_samples: None,
        }
    }

    /// Forgets everything.
    pub fn reset(&mut self) {
        self.alignment_changed();
        (self.deepest, self.is_proven) = (0.0, false);
    }

    /// Another alignment holds from now on: nothing that was heard speaks against it.
    pub fn alignment_changed(&mut self) {
        self.lost_delay_samples = None;
        (self.is_shallow, self.was_weighed, self.confirmed_to) = (false, false, 0);
        self.forget_presence();
    }

    fn forget_presence(&mut self) {
        self.presence.reset();
        self.verdict = Verdict::Present;
    }

    /// The lock is lost at this delay.
    pub fn lock_lost(&mut self, delay_samples: i64) {
        self.lost_delay_samples = self.is_proven.then_some(delay_samples);
        self.forget_presence();
    }

    /// Hears the backing, read at a delay in samples, at its level in the mix, and lifted by a gain: whether it is absent from the mix.
    #[inline(never)]
    pub fn is_absent(&mut self, levelled: &Hop, lift: f64, delay_samples: i64, input: &InputHistory) -> bool {
        let stretch = levelled.at..levelled.at + levelled.len() as i64;
        if levelled.at < 0 || input.discontinuities.touch(stretch, delay_samples) {
            return false; // What is muted tells nothing.
        }
        input.read_mix(levelled.at, &mut self.mix);
        let sides = self.mix.iter().zip(&levelled.audio);
        let product =
            sides.map(|(mix, b)| sum_of_products(mix, b)).sum::<f64>() / (2 * levelled.len()) as f64;
        let mix_is_heard = mean_square([&self.mix[0], &self.mix[1]]) > SILENT_MIX;
        let power = lift * lift * mean_square(levelled.sides());
        self.verdict = self.presence.add(lift * product, power, mix_is_heard);
        self.verdict == Verdict::Absent && input.now() > self.confirmed_to
    }

    /// Takes by how much a new filter reduces the cost, nats: whether the alignment has won something by that.
    pub fn prove(&mut self, cost_reduction: f64) {
        self.is_proven |= cost_reduction > HOLDS;
    }

    /// Takes by how much the null reduces the cost of the newest music, nats, if that can be told; whether it confirms the
    /// current alignment.
    pub fn weigh_null(&mut self, cost_reduction: Option<f64>, now: u64) -> bool {
        let confirmed = cost_reduction.is_some_and(|cost_reduction| cost_reduction > HOLDS);
        if confirmed {
            self.confirm(now);
        }
        if let Some(cost_reduction) = cost_reduction {
            self.deepest = self.deepest.max(cost_reduction);
            self.is_shallow = cost_reduction < SHALLOW * self.deepest;
            self.was_weighed = true;
        }
        confirmed
    }

    /// The delay has begun to move, or to stand still: while it moves its null is not weighed.
    pub fn motion_changed(&mut self) {
        self.was_weighed = false;
    }

    /// The null itself has confirmed the current alignment.
    pub fn confirm(&mut self, now: u64) {
        self.is_proven = true;
        self.confirmed_to = now + self.hold_hops;
    }

    /// Takes the current alignment as one that has won something before, or as one that has not yet.
    pub fn set_proven(&mut self, is_proven: bool) {
        self.is_proven = is_proven;
    }

    /// Whether the current alignment ever won anything.
    pub fn is_proven(&self) -> bool {
        self.is_proven
    }

    /// Whether the null was so deep as only a delay that stands still leaves it.
    pub fn was_deep(&self) -> bool {
        self.deepest > WAS_DEEP
    }

    /// The delay of an alignment that was lost, samples, as long as it is not known since when.
    pub fn lost_delay_samples(&self) -> Option<i64> {
        self.lost_delay_samples
    }

    /// It is known now since when: whether there was one.
    pub fn take_lost(&mut self) -> bool {
        self.lost_delay_samples.take().is_some()
    }

    /// How much the current alignment is doubted.
    pub fn doubt(&self) -> Doubt {
        match self.verdict {
            Verdict::Present if self.is_shallow => Doubt::Shallow,
            Verdict::Present if self.was_weighed && !self.was_deep() => Doubt::NeverDeep,
            Verdict::Present => Doubt::None,
            Verdict::Resting => Doubt::Resting,
            Verdict::Doubtful | Verdict::Absent => Doubt::Elsewhere,
        }
    }
}
