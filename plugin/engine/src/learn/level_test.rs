//! Whether following the level as it moves makes the difference smaller.

use crate::dsp::sizes::Sizes;
use crate::dsp::units::mean;
use crate::learn::heard::Stretch;
use crate::learn::level_track::LevelTrack;
use crate::learn::model_selection::JUDGED_S;
use crate::learn::request::MatchRequest;
use crate::matching::taps::Taps;

/// Improvement of the score, in nats, from which following the level counts as paying, and goes on doing so. True
/// movements gave 0.17 and more, in moments 0.09; a clipper, which no level describes, at most 0.15 (six recordings). With
/// codecs alone nothing changed by more than 0.02 dB.
const PAYS: f64 = 0.16;
const STILL_PAYS: f64 = 0.05;
/// Music from which it may be told that following does not pay, seconds.
const PAYS_FROM_S: f64 = 1.5;

/// The test, and the level so far, through a filter that left about as much as the one in force does.
#[derive(Default)]
pub struct LevelTest {
    track: Option<LevelTrack>,
}

impl LevelTest {
    /// Forgets the level. Gives memory back: in a job only.
    pub fn forget(&mut self) {
        self.track = None;
    }

    /// Moves the backing's level as it moves in the mix, if that makes the difference smaller; whether it does, `None` while that
    /// cannot be told.
    pub fn follow(
        &mut self,
        heard: &mut Stretch,
        filter: &Taps,
        given: &MatchRequest,
        sizes: Sizes,
    ) -> Option<bool> {
        let start = heard.mix.start;
        if !self.track.as_ref().is_some_and(|track| track.covers(start)) {
            self.track = None;
        }
        let track = self.track.get_or_insert_with(|| LevelTrack::new(sizes, start));
        let gains = track.hear(heard, filter, given.movement, !given.moving);
        let score = |heard: &Stretch| mean(&heard.newest(sizes.samples(JUDGED_S)).score(filter, sizes));
        let still = score(heard);
        heard.backing.gains = Some(gains);
        let is_known = given.following_helps && given.learned_s > PAYS_FROM_S;
        if still - score(heard) > if is_known { STILL_PAYS } else { PAYS } {
            return Some(true);
        }
        heard.backing.gains = None;
        (heard.mix.len > sizes.samples(PAYS_FROM_S)).then_some(false)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;
    use crate::dsp::ring::Ring;
    use crate::learn::heard::Part;
    use crate::matching::movement::Movement;
    use crate::settings::Tone;

    /// A level that moves so little that following it wins 0.09 nats is followed on, but not from then on.
    #[test]
    fn what_pays_a_little_is_not_given_up_but_not_begun() {
        let (sizes, len, margin) = (Sizes::new(16_000.0), 96_000, 512);
        let (song, voice) = (noise(len, 1), noise(len, 2));
        let level = |n: usize| 1.0 + 0.04 * (n as f32 / 16_000.0 * 5.0).sin();
        let mix: Vec<f32> =
            song.iter().zip(&voice).enumerate().map(|(n, (b, v))| 0.25 * (level(n) * b + 0.1 * v)).collect();
        let backing: Vec<f32> = song.iter().map(|b| 0.25 * b).collect();
        let part = |signal: &[f32], start: i64, len: usize| {
            let mut ring = Ring::new(signal.len());
            ring.push([signal, signal]);
            Part::of(ring, start, len)
        };
        let pays = [true, false].map(|following_helps| {
            let within = len - 2 * margin;
            let mut heard =
                Stretch::new(part(&mix, margin as i64, within), part(&backing, 0, len), sizes.hop());
            let given = MatchRequest {
                delay_samples: 0,
                moving: false,
                from: 0,
                movement: Movement { process: 1e-4, tau_s: 1.0, measurement: 2.0 },
                learned_s: 4.0,
                tone: Tone::default(),
                following_helps,
            };
            let filter = Taps::gains(2 * margin, [1.0; 2], 0.0);
            LevelTest::default().follow(&mut heard, &filter, &given, sizes)
        });
        assert_eq!(pays, [Some(true), Some(false)]);
    }
}
