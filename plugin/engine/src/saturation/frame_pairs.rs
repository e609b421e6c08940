//! Frames of a mix and of the backing in it, gathered over a whole song, or the newest of it, for the curve to be learned from.

use crate::dsp::hop::Hop;
use crate::dsp::ring::{Signal, Stereo, sides_mut, stereo};
use crate::dsp::sizes::Sizes;
use crate::dsp::units::mean_square;
use crate::input::{InputHistory, SILENT_BACKING};
use crate::matching::subtraction::Subtraction;
use crate::matching::taps::Taps;

/// Length of a frame at 44.1 and 48 kHz, samples: a voice stands still for about as long. Chosen by hand; not measured.
const FRAME: usize = 2048;
/// Most frames that are kept of a whole song, and of a stretch of it; half of them stay when they become more. 128 to 200 were
/// learned from in the experiments.
const MOST_FRAMES: (usize, usize) = (512, 192);
/// Most frames that are learned from: the fit takes time in proportion.
const MOST_LEARNED: usize = 96;
/// A frame counts if what is left of the mix, and the backing, are no further below those of the loudest frames (powers): the
/// curve shows where both sound.
const AUDIBLE: (f64, f64) = (1e-2, 1e-3);
/// The loudest frames are those beyond this share of all.
const LOUDEST: f64 = 0.95;

/// A frame of both.
pub struct FramePair<'a> {
    /// Position of the mix.
    pub at: i64,
    /// Left and right.
    pub mix: [&'a [f32]; 2],
    /// See `mix`.
    pub backing: [&'a [f32]; 2],
}

/// The frames. Their memory is taken once.
pub struct FramePairs {
    len: usize,
    /// Most frames that are kept.
    most: usize,
    /// The newest hop of both.
    mix: Stereo,
    backing: Stereo,
    /// Position of the frame in each slot.
    ats: Vec<i64>,
    /// Mix left, mix right, backing left, backing right, slot after slot.
    samples: Vec<f32>,
    /// Samples of the frame that is being filled; it lies in the slot after the last.
    filled: usize,
    /// Every so many frames one is kept, the loudest of them.
    of: usize,
    /// Frames that compete for the slot being filled, and the loudest sample of the one that holds it.
    seen: usize,
    loudest: f32,
}

impl FramePairs {
    /// Nothing heard of a song yet. Allocates.
    pub fn new(sizes: Sizes) -> Self {
        Self::with_room(sizes, MOST_FRAMES.0)
    }

    /// Those of a stretch of the mix, and of the backing through a filter, of which it reaches half beyond the mix at either end.
    /// Where the backing is silent nothing counts. Allocates.
    pub fn of(mix: &impl Signal, backing: &impl Signal, filter: &Taps, sizes: Sizes) -> Self {
        let (mut pairs, hop) = (Self::with_room(sizes, MOST_FRAMES.1), sizes.hop());
        let mut subtraction = Subtraction::new(mix, backing, filter);
        for from in (0..=mix.num_samples().saturating_sub(hop)).step_by(hop) {
            let [_, matched] = subtraction.read(from..from + hop);
            for (side, matched) in matched.iter().enumerate() {
                mix.read(side, from, &mut pairs.mix[side]);
                pairs.backing[side].copy_from_slice(&matched[..hop]);
            }
            let [left, right] = &pairs.backing;
            let counts = mean_square([left, right]) > SILENT_BACKING;
            pairs.take(from as i64, counts);
        }
        pairs
    }

    fn with_room(sizes: Sizes, most: usize) -> Self {
        let len = sizes.scaled(FRAME);
        Self {
            len,
            mix: stereo(sizes.hop()),
            backing: stereo(sizes.hop()),
            ats: Vec::with_capacity(most),
            // The frame that competes for the last slot is filled behind it.
            samples: vec![0.0; (most + 2) * 4 * len],
            most,
            filled: 0,
            of: 1,
            seen: 0,
            loudest: 0.0,
        }
    }

    /// Forgets everything.
    pub fn reset(&mut self) {
        self.ats.clear();
        (self.filled, self.of, self.seen, self.loudest) = (0, 1, 0, 0.0);
    }

    /// Length of a frame, samples.
    pub fn frame_len(&self) -> usize {
        self.len
    }

    /// Takes a hop of the matched backing, bent again, and the mix of the same position as it came. A frame of which a part does
    /// not count is dropped.
    pub fn hear(&mut self, matched: &Hop, input: &InputHistory, counts: bool) {
        let Self { mix, backing, .. } = self;
        input.read_mix_as_it_came(matched.at, mix);
        backing.clone_from(&matched.audio);
        let (bend, is_bent) = input.bend();
        if is_bent {
            bend.apply(sides_mut(backing));
        }
        self.take(matched.at, counts);
    }

    /// Takes whole signals.
    #[cfg(test)]
    pub fn fill(&mut self, mix: &Stereo, backing: &Stereo) {
        let hop = self.mix[0].len();
        for at in (0..mix[0].len() - hop).step_by(hop) {
            let part = |signal: &Stereo| signal.each_ref().map(|side| side[at..at + hop].to_vec());
            (self.mix, self.backing) = (part(mix), part(backing));
            self.take(at as i64, true);
        }
    }

    /// Takes a hop of both.
    fn take(&mut self, at: i64, counts: bool) {
        let (hop, len) = (self.mix[0].len(), self.len);
        let within = at.rem_euclid(len as i64) as usize;
        if !counts || within != self.filled {
            self.filled = 0;
            return;
        }
        // The candidate lies behind the frame that holds the next slot.
        let slot = (self.ats.len() + 1) * 4 * len;
        for (idx, side) in self.mix.iter().chain(&self.backing).enumerate() {
            let from = slot + idx * len + within;
            self.samples[from..from + hop].copy_from_slice(side);
        }
        self.filled += hop;
        if self.filled == len {
            self.filled = 0;
            self.compete(at + hop as i64 - len as i64);
        }
    }

    /// The candidate is whole: the louder of it and the one that holds the slot stays.
    fn compete(&mut self, at: i64) {
        let (slot, size) = (self.ats.len(), 4 * self.len);
        let candidate = (slot + 1) * size..(slot + 2) * size;
        let loudest = self.samples[candidate.clone()].iter().fold(0.0f32, |most, x| most.max(x.abs()));
        if self.seen == 0 || loudest > self.loudest {
            self.samples.copy_within(candidate, slot * size);
            self.loudest = loudest;
        }
        self.seen += 1;
        if self.seen == self.of {
            self.seen = 0;
            self.ats.push(at);
            if self.ats.len() == self.most {
                self.halve();
            }
        }
    }

    /// Of two neighbours the louder stays: what is bent most is heard in peaks.
    fn halve(&mut self) {
        let size = 4 * self.len;
        for pair in 0..self.ats.len() / 2 {
            let peak = |slot: usize| {
                self.samples[slot * size..(slot + 1) * size].iter().fold(0.0f32, |most, x| most.max(x.abs()))
            };
            let kept = if peak(2 * pair + 1) > peak(2 * pair) { 2 * pair + 1 } else { 2 * pair };
            self.samples.copy_within(kept * size..(kept + 1) * size, pair * size);
            self.ats[pair] = self.ats[kept];
        }
        self.ats.truncate(self.ats.len() / 2);
        self.of *= 2;
    }

    fn pair(&self, slot: usize) -> FramePair<'_> {
        let side = |idx: usize| &self.samples[(4 * slot + idx) * self.len..][..self.len];
        FramePair { at: self.ats[slot], mix: [side(0), side(1)], backing: [side(2), side(3)] }
    }

    /// Frames in which both the backing and what is left without it are heard, spread over the song.
    pub fn audible(&self) -> Vec<FramePair<'_>> {
        let powers: Vec<[f64; 2]> = (0..self.ats.len())
            .map(|slot| {
                let FramePair { mix, backing, .. } = self.pair(slot);
                let left: [Vec<f32>; 2] = std::array::from_fn(|side| {
                    mix[side].iter().zip(backing[side]).map(|(x, y)| x - y).collect()
                });
                [mean_square([&left[0], &left[1]]), mean_square(backing)]
            })
            .collect();
        let least = |of: usize, share: f64| {
            let mut sorted: Vec<f64> = powers.iter().map(|power| power[of]).collect();
            sorted.sort_by(f64::total_cmp);
            share * sorted.get((LOUDEST * sorted.len() as f64) as usize).copied().unwrap_or(f64::MAX)
        };
        let least = [least(0, AUDIBLE.0), least(1, AUDIBLE.1)];
        let heard: Vec<usize> =
            (0..powers.len()).filter(|&slot| (0..2).all(|of| powers[slot][of] > least[of])).collect();
        let wanted = heard.len().min(MOST_LEARNED);
        (0..wanted).map(|n| self.pair(heard[n * heard.len() / wanted])).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;

    fn hear(pairs: &mut FramePairs, at: i64, level: f32, counts: bool) {
        let hop = Sizes::new(8_000.0).hop();
        let side = |seed| noise(hop, seed).iter().map(|x| level * x).collect::<Vec<_>>();
        (pairs.mix, pairs.backing) = ([side(1), side(2)], [side(3), side(4)]);
        pairs.take(at, counts);
    }

    #[test]
    fn frames_are_whole_and_the_louder_ones_stay() {
        let sizes = Sizes::new(8_000.0);
        let (mut pairs, hop) = (FramePairs::new(sizes), sizes.hop());
        let len = pairs.frame_len();
        let num_frames = 3 * MOST_FRAMES.0;
        // Every frame has a level of its own; in one a hop does not count, and it begins in the middle of another.
        for at in ((len / 2)..(num_frames + 1) * len).step_by(hop) {
            let frame = at / len;
            let level = if frame % 4 == 1 { 1.0 } else { 0.5 };
            hear(&mut pairs, at as i64, level, at != 5 * len + hop);
        }
        let audible = pairs.audible();
        assert!((MOST_LEARNED / 2..=MOST_LEARNED).contains(&audible.len()), "{}", audible.len());
        for FramePair { at, mix, .. } in &audible {
            assert!(at % len as i64 == 0 && *at != 0 && *at != 5 * len as i64, "{at}");
            assert_eq!(mix[0][..hop], mix[0][hop..2 * hop]);
        }
        let loud = audible.iter().filter(|pair| pair.mix[0][0].abs() > 0.9 * noise(1, 1)[0].abs()).count();
        assert!(10 * loud > 9 * audible.len(), "{loud} of {}", audible.len());
        pairs.reset();
        assert!(pairs.audible().is_empty());
    }

    /// A mix that is its backing has nothing left to learn from.
    #[test]
    fn nothing_is_left_of_equal_signals() {
        let sizes = Sizes::new(8_000.0);
        let mut pairs = FramePairs::new(sizes);
        for at in (0..20 * pairs.frame_len()).step_by(sizes.hop()) {
            let side = noise(sizes.hop(), 1 + at as u32);
            pairs.mix = [side.clone(), side];
            pairs.backing.clone_from(&pairs.mix);
            pairs.take(at as i64, true);
        }
        assert!(pairs.audible().is_empty());
    }
}
