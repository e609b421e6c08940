//! Whether following the level as it moves makes the difference smaller.

use crate::dsp::sizes::Sizes;
use crate::dsp::units::mean;
use crate::learn::heard::Stretch;
use crate::learn::level_track::LevelTrack;
use crate::learn::model_selection::JUDGED_S;
use crate::learn::request::MatchRequest;
use crate::matching::follower_gain::FollowerGain;
use crate::matching::residual_cost::{self, ResidualCost};
use crate::matching::taps::Taps;
use std::sync::OnceLock;

/// Improvement of the score, in nats, from which following the level counts as paying, and goes on doing so. True
/// movements gave 0.17 and more, in moments 0.09; a clipper, which no level describes, at most 0.15 (six recordings). With
/// codecs alone nothing changed by more than 0.02 dB.
const PAYS: f64 = 0.16;
const STILL_PAYS: f64 = 0.05;
/// Music from which it may be told that following does not pay, seconds.
const PAYS_FROM_S: f64 = 1.5;
/// The same where a former play found that it does. A limiter that acts a few times a minute rested for 12 s.
const TAKEN_UP_FROM_S: f64 = 20.0;
/// The same improvement in the moments in which the level moves, each counting by how far: a limiter that acts a few times a
/// minute wins nothing in between. Two such limiters gave 0.8 to 2.6; a clipper gave 0.15, and codecs at most 0.2.
const PAYS_WHERE_IT_MOVES: f64 = 0.5;
/// Memory of those moments, seconds. Chosen by hand; not measured.
const MOMENTS_MEMORY_S: f64 = 30.0;

/// The test, and the level so far, through a filter that left about as much as the one in force does.
#[derive(Default)]
pub struct LevelTest {
    track: Option<LevelTrack>,
    moments: Moments,
}

/// What the filter leaves of the newest music, with the level as the test leaves it.
#[derive(Default)]
pub struct Judged {
    /// How that is counted.
    pub cost: OnceLock<ResidualCost>,
    /// Its score.
    pub left: Option<f64>,
}

/// What following wins where the level moves.
#[derive(Default)]
struct Moments {
    /// Sums of the improvements of the score by frame, each times how far the level was from 1, and of these weights.
    won: f64,
    moved: f64,
    /// Position after the newest frame.
    end: i64,
}

impl Moments {
    /// Takes what following wins frame by frame from a position of the mix on, with the level from there on; frames that were
    /// heard before are passed.
    fn hear(&mut self, won: &[f64], gains: &[FollowerGain], start: i64, sizes: Sizes) {
        let step = sizes.scaled(residual_cost::WINDOW) / 2;
        let hops = step / sizes.hop();
        let decay = (-(step as f64) / sizes.sample_rate_hz / MOMENTS_MEMORY_S).exp();
        for (frame, won) in won.iter().enumerate() {
            let end = start + ((frame + 2) * step) as i64;
            if end <= self.end {
                continue;
            }
            // A frame is two steps long.
            let level = gains.iter().skip(frame * hops).take(2 * hops);
            let moved = level.map(|gain| f64::from((gain.to - 1.0).abs())).sum::<f64>() / (2 * hops) as f64;
            self.won = decay * self.won + moved * won;
            self.moved = decay * self.moved + moved;
            self.end = end;
        }
    }

    fn pay(&self) -> bool {
        self.won > PAYS_WHERE_IT_MOVES * self.moved
    }
}

impl LevelTest {
    /// Forgets the level. Gives memory back: in a job only.
    pub fn forget(&mut self) {
        *self = Self::default();
    }

    /// Moves the backing's level as it moves in the mix, if that makes the difference smaller; whether it does, `None` while that
    /// cannot be told, and what is left in [`JUDGED_S`].
    pub fn follow(
        &mut self,
        heard: &mut Stretch,
        filter: &Taps,
        given: &MatchRequest,
        sizes: Sizes,
    ) -> (Option<bool>, Judged) {
        let start = heard.mix.start;
        if !self.track.as_ref().is_some_and(|track| track.covers(start)) {
            self.forget();
        }
        let track = self.track.get_or_insert_with(|| LevelTrack::new(sizes, start));
        let gains = track.hear(heard, filter, given.movement, !given.moving);
        let judged = heard.mix.len.min(sizes.samples(JUDGED_S));
        let score = |heard: &Stretch| {
            let newest = heard.newest(judged);
            (newest.score(filter, sizes), newest.cost)
        };
        let (still, still_cost) = score(heard);
        let newest = gains[(heard.mix.len - judged) / sizes.hop()..].to_vec();
        heard.backing.gains = Some(gains);
        let (followed, followed_cost) = score(heard);
        let won: Vec<f64> = still.iter().zip(&followed).map(|(still, followed)| still - followed).collect();
        self.moments.hear(&won, &newest, heard.end() - judged as i64, sizes);
        let is_known = given.following_helps && given.learned_s > PAYS_FROM_S;
        let least = if is_known { STILL_PAYS } else { PAYS };
        let [still, followed] = [&still, &followed].map(|score| mean(score));
        if still - followed > least || self.moments.pay() {
            return (Some(true), Judged { cost: followed_cost, left: Some(followed) });
        }
        heard.backing.gains = None;
        // A former play was whole: the first seconds of the next, before the voice comes in, do not refute it.
        let from_s = if given.is_taken_up { TAKEN_UP_FROM_S } else { PAYS_FROM_S };
        let helps = (heard.mix.len > sizes.samples(from_s)).then_some(false);
        (helps, Judged { cost: still_cost, left: Some(still) })
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

    /// A limiter that acts in one frame of twenty and wins there pays though it costs a little elsewhere; a level that is off all the
    /// time and hardly wins does not. What was heard before does not count again.
    #[test]
    fn few_moments_can_pay() {
        let sizes = Sizes::new(16_000.0);
        let step = sizes.scaled(residual_cost::WINDOW) / 2;
        let frame_hops = 2 * step / sizes.hop();
        let flat = |level: f32| FollowerGain { from: level, to: level };
        let limiter: Vec<FollowerGain> =
            (0..21 * frame_hops / 2).map(|hop| flat(if hop < frame_hops { 0.9 } else { 0.999 })).collect();
        let won: Vec<f64> = (0..20).map(|frame| if frame < 2 { 1.0 } else { -0.05 }).collect();
        let mut moments = Moments::default();
        moments.hear(&won, &limiter, 0, sizes);
        assert!(moments.pay() && won.iter().sum::<f64>() < 0.06 * 20.0);
        let (won_before, end) = (moments.won, moments.end);
        moments.hear(&won, &limiter, 0, sizes);
        assert_eq!((moments.won, moments.end), (won_before, end));
        let mut clipper = Moments::default();
        clipper.hear(&[0.15; 20], &vec![flat(0.98); 21 * frame_hops / 2], 0, sizes);
        assert!(!clipper.pay() && clipper.moved > 0.1);
    }

    /// A level that moves so little that following it wins 0.09 nats is followed on, but not from then on; if a former play had
    /// found it to move, five seconds do not refute that.
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
        let pays = [(true, false), (false, false), (false, true)].map(|(following_helps, is_taken_up)| {
            let within = len - 2 * margin;
            let mut heard =
                Stretch::new(part(&mix, margin as i64, within), part(&backing, 0, len), sizes.hop());
            let given = MatchRequest {
                delay_samples: 0,
                moving: false,
                rate: 0.0,
                may_have_jumped: true,
                from: 0,
                movement: Movement { process: 1e-4, tau_s: 1.0, measurement: 2.0 },
                learned_s: 4.0,
                tone: Tone::default(),
                following_helps,
                is_taken_up,
                seeks_bend: false,
            };
            let filter = Taps::gains(2 * margin, [1.0; 2], 0.0);
            LevelTest::default().follow(&mut heard, &filter, &given, sizes).0
        });
        assert_eq!(pays, [Some(true), Some(false), None]);
    }
}
