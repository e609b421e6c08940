//! Brings the matched backing to its level as it moves.

use crate::dsp::hop::Hop;
use crate::dsp::ring::{OwnRing, Stereo, stereo};
use crate::dsp::sizes::Sizes;
use crate::dsp::units::is_silence;
use crate::input::InputHistory;
use crate::matching::follower::Follower;
use crate::settings::{BackingKind, Follow};

/// Level, linear, down to which what is followed counts as it is (-10 dB). Chosen by hand; not measured.
const FOLLOWED_DOWN: f32 = 0.3;

/// The level follower and the delay that it needs.
pub struct LevelStage {
    /// What tells the level.
    pub follower: Follower,
    /// The matched backing on its way through the follower's lag.
    matched: OwnRing,
    mix: Stereo,
    silence: Stereo,
    levelled: Hop,
    /// Movement of the level at the end of the last hop, linear.
    level: f32,
}

impl LevelStage {
    /// At rest.
    pub fn new(sizes: Sizes) -> Self {
        let (hop, follower) = (sizes.hop(), Follower::new(sizes));
        Self {
            matched: OwnRing::new(follower.latency_samples() + hop),
            mix: stereo(hop),
            silence: stereo(hop),
            levelled: Hop::new(hop),
            level: 1.0,
            follower,
        }
    }

    /// How far the output lags the input, samples.
    pub fn latency_samples(&self) -> usize {
        self.follower.latency_samples()
    }

    /// Forgets the signals; the first hop that comes in will begin at a position of the mix. Gives the position of the first that
    /// goes out.
    pub fn reset(&mut self, at: i64) -> i64 {
        self.follower.reset();
        self.matched.restart(at);
        self.level = 1.0;
        at - self.latency_samples() as i64
    }

    /// Movement of the level at the end of the last hop, linear.
    pub fn level(&self) -> f32 {
        self.level
    }

    /// Gain that brings what is followed further down than to [`FOLLOWED_DOWN`] back there, linear. What is absent from the mix is followed
    /// down until it fits: it must be judged at a level at which it does not. What fades out goes there, too, and then the null must
    /// confirm it.
    pub fn lift(&self) -> f64 {
        f64::from(FOLLOWED_DOWN / self.level.max(f32::MIN_POSITIVE)).max(1.0)
    }

    /// The hop that was brought to its level last.
    pub fn levelled(&self) -> &Hop {
        &self.levelled
    }

    /// Takes one hop of the matched backing. `steady` tells that the delay stands still, `pays` that following the level is
    /// worth it.
    ///
    /// Under a mix that is silence the backing is silence, too. There is nothing to take it from, and nobody may learn from it:
    /// a host that stops silences the mix at once, while a backing that is early is read on for as long as it is early.
    #[inline(never)]
    pub fn process(&mut self, matched: &Hop, input: &InputHistory, steady: bool, pays: bool) -> &Hop {
        let levelled = &mut self.levelled;
        levelled.at = matched.at - self.follower.latency_samples() as i64;
        let settings = input.settings_at(levelled.at);
        let follow = settings.follow != Follow::Off && settings.backing_kind == BackingKind::Recorded && pays;
        input.read_mix(matched.at, &mut self.mix);
        let mix = [&self.mix[0][..], &self.mix[1]];
        let backing =
            if is_silence(mix) { [&self.silence[0][..], &self.silence[1]] } else { matched.sides() };
        self.matched.push(backing);
        self.follower.set_learning(!settings.hold);
        let gain = self.follower.process(mix, backing, steady, follow);
        self.matched.read_stereo(levelled.at, &mut levelled.audio);
        if gain.from != 1.0 || gain.to != 1.0 {
            let step = (gain.to - gain.from) / levelled.len() as f32;
            for side in &mut levelled.audio {
                side.iter_mut().enumerate().for_each(|(n, y)| *y *= gain.from + step * (n + 1) as f32);
            }
        }
        self.level = gain.to;
        levelled
    }
}
