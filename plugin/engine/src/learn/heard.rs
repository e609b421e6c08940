//! Stretches of what the learner heard: the mix, and the backing aligned with it, which reaches half a filter beyond it
//! at either end. It is read where it is kept, piece by piece.

use crate::discontinuities::Discontinuities;
use crate::dsp::ring::{Ring, Signal, stereo};
use crate::dsp::sizes::Sizes;
use crate::dsp::units::mean_square;
use crate::input::SILENT_BACKING;
use crate::learn::silences::Silences;
use crate::matching::follower_gain::FollowerGain;
use crate::matching::residual_cost::{self, ResidualCost};
use crate::matching::subtraction::Subtraction;
use crate::matching::taps::Taps;
use std::sync::OnceLock;

/// A stretch.
pub struct Stretch {
    /// The mix.
    pub mix: Part,
    /// The backing, its level as it moves.
    pub backing: Moved,
}

/// A part of a ring.
pub struct Part {
    /// What it is a part of.
    pub ring: Ring,
    /// Position of its first sample.
    pub start: i64,
    /// Length, samples.
    pub len: usize,
    /// By how much later than in the ring it belongs under the mix, samples.
    pub delay_samples: i64,
    /// Where the transport jumped, by position of the mix: what belongs to another place in the song than the mix reads as
    /// silence.
    pub discontinuities: Discontinuities,
    /// Where the mix is silence: what stands under it reads as silence, too.
    pub silences: Option<Silences>,
}

impl Part {
    /// A part that belongs where it is.
    pub fn of(ring: Ring, start: i64, len: usize) -> Self {
        Self { ring, start, len, delay_samples: 0, discontinuities: Discontinuities::NONE, silences: None }
    }
}

impl Signal for Part {
    fn num_samples(&self) -> usize {
        self.len
    }

    fn read(&self, channel: usize, from: usize, out: &mut [f32]) {
        let at = self.start + from as i64;
        self.ring.read(channel, at, out);
        self.discontinuities.mute(at + self.delay_samples, self.delay_samples, out);
        if let Some(silences) = &self.silences {
            silences.mute(at + self.delay_samples, out);
        }
    }
}

/// A part of a ring, multiplied by gains.
pub struct Moved {
    /// What is multiplied.
    pub part: Part,
    /// One gain a hop of the mix, of at least one; none = all 1. The first and the last value hold beyond the mix.
    pub gains: Option<Vec<FollowerGain>>,
    hop: usize,
    /// Samples before the mix, and as many after it.
    margin: usize,
}

impl Signal for Moved {
    fn num_samples(&self) -> usize {
        self.part.len
    }

    fn read(&self, channel: usize, from: usize, mut out: &mut [f32]) {
        self.part.read(channel, from, out);
        let Some(gains) = &self.gains else { return };
        let (hop, len) = (self.hop, self.part.len - 2 * self.margin);
        let mut at = from;
        while !out.is_empty() {
            // Up to where the mix begins, the next hop of it, or all the rest.
            let before = self.margin.saturating_sub(at);
            let position = at.saturating_sub(self.margin);
            let (count, gain) = match position {
                _ if before > 0 => (before, None),
                position if position < len => {
                    ((hop - position % hop).min(len - position), Some(gains[position / hop]))
                }
                _ => (out.len(), None),
            };
            let (now, rest) = out.split_at_mut(count.min(out.len()));
            match gain {
                Some(gain) => {
                    let first = position % hop;
                    now.iter_mut().enumerate().for_each(|(n, y)| *y *= gain.at(hop, first + n));
                }
                None => {
                    let nearest = if before > 0 { 0 } else { len - 1 };
                    let gain = gains[nearest / hop].at(hop, nearest % hop);
                    now.iter_mut().for_each(|y| *y *= gain);
                }
            }
            at += now.len();
            out = rest;
        }
    }
}

impl Stretch {
    /// `mix`, with a backing whose level is as it was.
    pub fn new(mix: Part, backing: Part, hop: usize) -> Self {
        let margin = (backing.len - mix.len) / 2;
        Self { mix, backing: Moved { part: backing, gains: None, hop, margin } }
    }

    /// Position after the mix.
    pub fn end(&self) -> i64 {
        self.mix.start + self.mix.len as i64
    }

    /// The last `len` samples of it.
    pub fn newest(&self, len: usize) -> Newest<'_> {
        self.newest_with(len, OnceLock::new())
    }

    /// The same with what counts what a filter leaves, if that was made before.
    pub fn newest_with(&self, len: usize, cost: OnceLock<ResidualCost>) -> Newest<'_> {
        Newest { stretch: self, len: len.min(self.mix.len), cost }
    }
}

/// The end of a stretch.
pub struct Newest<'a> {
    stretch: &'a Stretch,
    len: usize,
    /// Made when the first score is asked for.
    pub cost: OnceLock<ResidualCost>,
}

impl Newest<'_> {
    /// Its mix.
    pub fn mix(&self) -> Tail<'_, Part> {
        Tail { signal: &self.stretch.mix, len: self.len, beyond: 0 }
    }

    /// Its backing, which reaches half a filter beyond the mix at either end.
    pub fn backing(&self) -> Tail<'_, Moved> {
        let backing = &self.stretch.backing;
        Tail { signal: backing, len: self.len + 2 * backing.margin, beyond: 0 }
    }

    /// Its backing under the mix, without what reaches beyond it.
    pub fn backing_under_mix(&self) -> Tail<'_, Moved> {
        let backing = &self.stretch.backing;
        Tail { signal: backing, len: self.len, beyond: backing.margin }
    }

    /// The same with its level as it came.
    pub fn backing_as_it_came(&self) -> Tail<'_, Part> {
        let backing = &self.stretch.backing;
        Tail { signal: &backing.part, len: self.len, beyond: backing.margin }
    }

    /// Whether its backing is more than silence.
    pub fn sounds(&self) -> bool {
        let (came, hop) = (self.backing_as_it_came(), self.stretch.backing.hop);
        let mut backing = stereo(hop);
        let power = |from: usize| {
            backing.iter_mut().enumerate().for_each(|(side, samples)| came.read(side, from, samples));
            mean_square([&backing[0], &backing[1]])
        };
        let num_hops = self.len / hop;
        (0..num_hops).map(|idx| idx * hop).map(power).sum::<f64>() > SILENT_BACKING * num_hops as f64
    }

    /// Cost of what a filter leaves, frame by frame.
    pub fn score(&self, taps: &Taps, sizes: Sizes) -> Vec<f64> {
        let window = sizes.scaled(residual_cost::WINDOW);
        let cost = || ResidualCost::new(&self.backing_under_mix(), window, sizes.sample_rate_hz);
        let (mix, backing) = (self.mix(), self.backing());
        self.cost.get_or_init(cost).score(&mut Subtraction::new(&mix, &backing, taps))
    }
}

/// The last `len` samples of a signal, less those `beyond` its end that do not count.
pub struct Tail<'a, S> {
    signal: &'a S,
    len: usize,
    beyond: usize,
}

impl<S: Signal> Signal for Tail<'_, S> {
    fn num_samples(&self) -> usize {
        self.len
    }

    fn read(&self, channel: usize, from: usize, out: &mut [f32]) {
        self.signal.read(channel, self.signal.num_samples() - self.beyond - self.len + from, out);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;

    fn part(seed: u32, start: i64, len: usize) -> Part {
        let mut ring = Ring::new(1_000);
        let samples = noise(1_000, seed);
        ring.push([&samples, &samples]);
        Part::of(ring, start, len)
    }

    fn copied(signal: &impl Signal) -> Vec<f32> {
        let mut left = vec![0.0; signal.num_samples()];
        signal.read(0, 0, &mut left);
        left
    }

    /// Every sample of the backing, however it is read, is multiplied by the gain of the moment of the mix it stands
    /// under, and beyond the mix by the nearest one.
    #[test]
    fn the_level_moves_with_the_mix() {
        let (hop, len, margin) = (8, 100, 16);
        let mut stretch = Stretch::new(part(1, 300, len), part(2, 200, len + 2 * margin), hop);
        let plain = copied(&stretch.newest(len).backing());
        let level = |n: usize| 1.0 + 0.25 * n as f32;
        let gains = (0..len.div_ceil(hop)).map(|n| FollowerGain { from: level(n), to: level(n + 1) });
        stretch.backing.gains = Some(gains.collect());
        let moved = copied(&stretch.newest(len).backing());
        for (n, (moved, plain)) in moved.iter().zip(&plain).enumerate() {
            // A straight line over all hops: its value at the end of each sample.
            let position = n.saturating_sub(margin).min(len - 1);
            let gain = 1.0 + 0.25 * (position + 1) as f32 / hop as f32;
            assert!((moved - gain * plain).abs() < 1e-5, "{n}");
        }
        for from in 0..len + 2 * margin {
            for count in [1, 7, 40] {
                let mut piece = vec![0.0; count.min(len + 2 * margin - from)];
                stretch.backing.read(0, from, &mut piece);
                assert_eq!(piece, moved[from..from + piece.len()]);
            }
        }
        let newest = stretch.newest(13);
        assert_eq!(copied(&newest.mix()), copied(&stretch.mix)[len - 13..]);
        assert_eq!(copied(&newest.backing()), moved[len - 13..]);
        assert_eq!(copied(&newest.backing_under_mix()), moved[len - 13 + margin..len + margin]);
    }
}
