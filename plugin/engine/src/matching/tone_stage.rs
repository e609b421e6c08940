//! Brings the backing to its tone as it moves.

use crate::dsp::hop::Hop;
use crate::dsp::ring::{OwnRing, Stereo, stereo};
use crate::dsp::sizes::Sizes;
use crate::input::InputHistory;
use crate::matching::bands::{self, Bands};
use crate::settings::{BackingKind, Follow};

/// The follower of the bands and the delay that it needs.
pub struct ToneStage {
    /// What tells the tone.
    pub bands: Bands,
    /// The backing on its way through the bands' lag.
    levelled: OwnRing,
    mix: Stereo,
    followed: Hop,
}

impl ToneStage {
    /// At rest.
    pub fn new(sizes: Sizes) -> Self {
        let (hop, bands) = (sizes.hop(), Bands::new(sizes));
        Self {
            levelled: OwnRing::new(bands.latency_samples() + hop),
            mix: stereo(hop),
            followed: Hop::new(hop),
            bands,
        }
    }

    /// How far the output lags the input, samples.
    pub fn latency_samples(&self) -> usize {
        self.bands.latency_samples()
    }

    /// Forgets the signals; the first hop will begin at a position of the mix.
    pub fn reset(&mut self, at: i64) {
        self.bands.reset();
        self.levelled.restart(at);
    }

    /// Takes one hop of the backing at its level.
    #[inline(never)]
    pub fn hear(&mut self, levelled: &Hop, input: &InputHistory) {
        self.followed.at = levelled.at - self.bands.latency_samples() as i64;
        input.read_mix(levelled.at, &mut self.mix);
        self.levelled.push(levelled.sides());
        self.bands.hear([&self.mix[0], &self.mix[1]], levelled.sides());
    }

    /// Does a part (see [`bands::PARTS`]) of what following it takes.
    #[inline(never)]
    pub fn follow(&mut self, part: usize, input: &InputHistory) {
        let settings = input.settings_at(self.followed.at);
        let follow =
            settings.follow == Follow::LevelAndTone && settings.backing_kind == BackingKind::Recorded;
        self.bands.follow(part, follow, !settings.hold);
        if part + 1 == bands::PARTS {
            self.levelled.read_stereo(self.followed.at, &mut self.followed.audio);
            for (side, correction) in self.followed.audio.iter_mut().zip(self.bands.correction()) {
                side.iter_mut().zip(correction).for_each(|(y, c)| *y += *c);
            }
        }
    }

    /// The hop that was followed last.
    pub fn followed(&self) -> &Hop {
        &self.followed
    }
}
