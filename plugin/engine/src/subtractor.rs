//! Mix minus backing, as far as that is not louder than the mix.

use crate::dsp::glide::Glide;
use crate::dsp::hop::Hop;
use crate::dsp::ring::{Stereo, stereo};
use crate::guard::Guard;
use crate::input::InputHistory;
use crate::settings::Polarity;

/// Time constants of trim and polarity, ms. Chosen by hand: without zipper noise and without a click.
const TRIM_MS: f64 = 3.0;
const POLARITY_MS: f64 = 10.0;

/// Subtracts.
pub struct Subtractor {
    guard: Guard,
    trim: Glide,
    polarity: Glide,
    mix: Stereo,
    mix_as_it_came: Stereo,
    /// What is taken from the mix as it came so that it becomes straight and loses the backing.
    taken: Stereo,
    levels: Stereo,
    subtracted: Subtracted,
}

/// What came of one hop; all of it belongs to one position of the mix.
pub struct Subtracted {
    /// Position of the mix.
    pub at: i64,
    /// The backing as it was matched, where any of it may be subtracted, and the mix minus that: what the match leaves,
    /// whatever the user adds.
    pub matched: Stereo,
    /// See `matched`.
    pub residual: Stereo,
    /// The backing as it is subtracted, with trim and polarity, and the mix minus that.
    pub backing: Stereo,
    /// See `backing`.
    pub difference: Stereo,
}

impl Subtractor {
    /// The mix comes in `ahead_samples` before it is subtracted from.
    pub fn new(hop: usize, ahead_samples: usize, sample_rate_hz: f64) -> Self {
        Self {
            guard: Guard::new(hop, ahead_samples, sample_rate_hz),
            trim: Glide::new(1.0, TRIM_MS, sample_rate_hz),
            polarity: Glide::new(1.0, POLARITY_MS, sample_rate_hz),
            mix: stereo(hop),
            mix_as_it_came: stereo(hop),
            taken: stereo(hop),
            levels: stereo(hop),
            subtracted: Subtracted {
                at: -1,
                matched: stereo(hop),
                residual: stereo(hop),
                backing: stereo(hop),
                difference: stereo(hop),
            },
        }
    }

    /// Forgets the signals.
    pub fn reset(&mut self) {
        self.guard.reset();
        self.subtracted.at = -1;
    }

    /// Hears the newest hop of the mix as it came.
    pub fn hear(&mut self, mix: &Stereo) {
        self.guard.hear(mix);
    }

    /// What came of the last hop. Nothing comes before the mix does.
    pub fn subtracted(&self) -> Option<&Subtracted> {
        (self.subtracted.at >= 0).then_some(&self.subtracted)
    }

    /// Subtracts one hop of the backing, which was found with its polarity flipped or not.
    #[inline(never)]
    pub fn process(&mut self, followed: &Hop, input: &InputHistory, inverted: bool) {
        self.subtracted.at = followed.at;
        if followed.at < 0 {
            return;
        }
        let settings = input.settings_at(followed.at);
        let is_turned = match settings.polarity {
            Polarity::Follow => false,
            Polarity::Keep => inverted,
            Polarity::Invert => !inverted,
        };
        let sign = if is_turned { -1.0 } else { 1.0 };
        input.read_mix(followed.at, &mut self.mix);
        input.read_levels(followed.at, &mut self.levels);
        if followed.at == 0 {
            // After a reset the first settings hold at once.
            self.trim.set(self.levels[0][0]);
            self.polarity.set(sign);
        }

        // Whoever turns the backing away from where it was found wants to hear just that.
        let by_hand = settings.nudge_samples != 0.0;
        self.apply_guard(&followed.audio, followed.at, input, by_hand);
        let Subtracted { matched, residual, backing, difference, .. } = &mut self.subtracted;
        for side in 0..2 {
            for (n, (x, gain)) in self.mix[side].iter().zip(&self.guard.gains).enumerate() {
                matched[side][n] = followed.audio[side][n] * gain;
                residual[side][n] = x - matched[side][n];
            }
        }
        let trim_rests = self.levels[0].iter().all(|&target| target == 1.0) && self.trim.rests_at(1.0);
        if trim_rests && sign == 1.0 && self.polarity.rests_at(sign) {
            backing.clone_from(matched);
            difference.clone_from(residual);
            return;
        }
        for n in 0..followed.len() {
            let gain = self.trim.next(self.levels[0][n]) * self.polarity.next(sign);
            for side in 0..2 {
                backing[side][n] = matched[side][n] * gain;
                difference[side][n] = self.mix[side][n] - backing[side][n];
            }
        }
    }

    /// Finds how much of the backing may be subtracted. What was made straight may itself be louder than it came, which is what
    /// it is measured by: there the mix goes back to what came, as the backing goes.
    fn apply_guard(&mut self, matched: &Stereo, at: i64, input: &InputHistory, by_hand: bool) {
        let Self { guard, mix, mix_as_it_came, taken, .. } = self;
        input.read_mix_as_it_came(at, mix_as_it_came);
        if mix == mix_as_it_came {
            guard.process(mix, matched, by_hand);
            return;
        }
        for side in 0..2 {
            for (n, taken) in taken[side].iter_mut().enumerate() {
                *taken = mix_as_it_came[side][n] - mix[side][n] + matched[side][n];
            }
        }
        guard.process(mix_as_it_came, taken, by_hand);
        for (mix, came) in mix.iter_mut().zip(mix_as_it_came) {
            for ((x, came), gain) in mix.iter_mut().zip(came).zip(&guard.gains) {
                *x = *came + gain * (*x - *came);
            }
        }
    }
}
