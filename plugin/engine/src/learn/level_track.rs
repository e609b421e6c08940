//! How the level moved over a long stretch of music, hop by hop: tracked on from one job to the next.

use crate::dsp::ring::{Signal, stereo};
use crate::dsp::sizes::Sizes;
use crate::learn::heard::Stretch;
use crate::matching::follower::Follower;
use crate::matching::follower_gain::FollowerGain;
use crate::matching::movement::Movement;
use crate::matching::taps::{Convolver, Taps};
use std::ops::Range;

/// A level follower over a stretch that grows at its end and is forgotten at its beginning.
#[derive(Clone)]
pub struct LevelTrack {
    hop: usize,
    follower: Follower,
    /// Positions of the first gain, and after the newest music heard.
    begin: i64,
    end: i64,
    gains: Vec<FollowerGain>,
    /// Hops after which the first gain comes out of the follower.
    lead_hops: usize,
}

impl LevelTrack {
    /// A track that begins at a position.
    pub fn new(sizes: Sizes, begin: i64) -> Self {
        let (hop, mut follower) = (sizes.hop(), Follower::new(sizes));
        follower.set_learning(false);
        let lead_hops = follower.latency_samples() / hop;
        Self { hop, follower, begin, end: begin, gains: Vec::new(), lead_hops }
    }

    /// Whether a stretch that begins at `start` can be heard without starting over.
    pub fn covers(&self, start: i64) -> bool {
        let hops = (start - self.begin) / self.hop as i64;
        (start - self.begin) % self.hop as i64 == 0 && (0..=self.gains.len() as i64).contains(&hops)
    }

    /// Hears what is new in a stretch, whose start it covers, with the backing through a filter; gives the level over all of it,
    /// one gain a hop. `steady` = the delay stands still. Allocates.
    pub fn hear(
        &mut self,
        heard: &Stretch,
        taps: &Taps,
        movement: Movement,
        steady: bool,
    ) -> Vec<FollowerGain> {
        let (hop, start, len) = (self.hop, heard.mix.start, heard.mix.len);
        self.gains.drain(..(start - self.begin) as usize / hop);
        self.begin = start;
        self.follower.set_movement(movement);
        let mut convolver = Convolver::new(taps);
        let from = (self.end - start) as usize;
        let to = from.max(len / hop * hop);
        self.run(heard, &mut convolver, steady, from..to);
        self.end = start + to as i64;
        // The gain lags; silence after the end lets the last of it out.
        let mut rest = self.clone();
        rest.run(heard, &mut convolver, steady, to..len + self.follower.latency_samples());
        rest.gains
    }

    fn run(&mut self, heard: &Stretch, convolver: &mut Convolver, steady: bool, part: Range<usize>) {
        let (hop, len) = (self.hop, heard.mix.len);
        let (mut mix, mut matched, mut now) = (stereo(hop), stereo(0), stereo(hop));
        // Blocks of whole hops.
        let block = convolver.block_samples() / hop * hop;
        for at in part.clone().step_by(hop) {
            let in_block = (at - part.start) % block;
            if in_block == 0 && at < len {
                matched.iter_mut().for_each(Vec::clear);
                convolver.run(&heard.backing, at..len.min(at + block), &mut matched);
            }
            let rest = hop.min(len.saturating_sub(at));
            for side in 0..2 {
                let (mix, now) = (&mut mix[side], &mut now[side]);
                if rest > 0 {
                    heard.mix.read(side, at, &mut mix[..rest]);
                    now[..rest].copy_from_slice(&matched[side][in_block..][..rest]);
                }
                mix[rest..].fill(0.0);
                now[rest..].fill(0.0);
            }
            let gain = self.follower.process([&mix[0], &mix[1]], [&now[0], &now[1]], steady, true);
            match self.lead_hops.checked_sub(1) {
                Some(lead_hops) => self.lead_hops = lead_hops,
                None => self.gains.push(gain),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;
    use crate::dsp::ring::Ring;
    use crate::learn::heard::Part;

    /// Heard in two pieces, of which the second begins later and ends within a hop, the level is that of hearing it all at once.
    #[test]
    fn is_tracked_on_from_where_it_was() {
        let (sizes, margin, len) = (Sizes::new(16_000.0), 512, 40_000);
        let (song, voice) = (noise(len + 2 * margin, 1), noise(len, 2));
        let level = |n: usize| 1.0 + 0.3 * (n as f32 / 500.0).sin();
        let mix: Vec<f32> = (0..len).map(|n| level(n) * song[margin + n] + 0.1 * voice[n]).collect();
        let stretch = |begin: usize, end: usize| {
            let part = |signal: &[f32], len: usize| {
                let mut ring = Ring::new(signal.len());
                ring.push([signal, signal]);
                Part::of(ring, begin as i64, len)
            };
            let (mix, backing) = (part(&mix, end - begin), part(&song, end - begin + 2 * margin));
            Stretch::new(mix, backing, sizes.hop())
        };
        let taps = Taps::gains(2 * margin, [1.0; 2], 0.0);
        let movement = Movement { process: 1e-4, tau_s: 0.5, measurement: 2.0 };
        let hear = |track: &mut LevelTrack, part: Range<usize>| {
            assert!(track.covers(part.start as i64));
            track.hear(&stretch(part.start, part.end), &taps, movement, true)
        };
        let hop = sizes.hop();
        let later = 100 * hop;
        let mut track = LevelTrack::new(sizes, 0);
        assert_eq!(hear(&mut track, 0..20_001).len(), 20_001usize.div_ceil(hop));
        let at_once = hear(&mut LevelTrack::new(sizes, 0), 0..len - 1);
        assert_eq!(hear(&mut track, later..len - 1), at_once[100..]);
        let error = |n: usize| at_once[n].to - level((n + 1) * hop);
        assert!((1_000..1_100).all(|n| error(n).abs() < 0.05));
        // Neither between two hops, nor before what it remembers, nor after a gap.
        assert!(![later + 1, later - hop, 2 * len].iter().any(|&start| track.covers(start as i64)));
    }
}
