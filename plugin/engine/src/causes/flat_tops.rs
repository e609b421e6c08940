//! Flat tops: what a clipper cut off, as far as the samples tell.
//!
//! Music reaches its extreme once, and rounded. Where several samples in a row stand at the extreme, and are the same, it was cut
//! off. How much was cut off follows from how steeply the samples come there and leave: a parabola through both edges. Resampling
//! and lossy encoders round the tops off, so that nothing is found behind them.

use crate::dsp::ring::{Signal, Stereo};
use crate::dsp::units::power_to_db;
use crate::null_depth::estimate::{Evidence, Limit};

/// Samples are the same within this share of the extreme: a step of 16 bits at full scale.
const SAME: f32 = 3e-5;
/// Samples in a row that make a top flat. A tone of 60 Hz has as many within that share, but comes there so slowly that next to
/// nothing seems to be cut off.
const LEAST_SAMPLES: usize = 3;
/// Most that is taken to be cut off, re the extreme (3.5 dB): a parabola through the edges of a long top rises far above what was
/// there.
const MOST_OVER: f64 = 0.5;
/// What the mix lost is of no account from here on, dB re all of it: single tops may be flat by chance.
const LEAST_LOST_DB: f64 = 65.0;
/// Share of what was cut off by which the mix must stand above the top of the backing. Of backings that were clipped on their own
/// the median of all tops was 0.3 at least, of those that were clipped before the voice came it was 0.03 at most (22 and 16 songs).
const FURTHER: f64 = 0.25;
/// Share of what was cut off within which mix and matched backing are the same at a top, which then left nothing. Chosen by hand;
/// not measured.
const SHARED: f64 = 0.05;

/// Length of the pieces that are read at a time, samples. A top across two of them is not seen.
const PIECE: usize = 16_384;

/// The tops at one extreme of one side of a signal.
#[derive(Clone, Copy, Default)]
struct Extreme {
    /// Where it is, re zero.
    level: f32,
    /// Energy that was cut off.
    lost: f64,
    tops: usize,
    /// Tops above which the other signal stands.
    overtopped: usize,
}

impl Extreme {
    /// Hears a side, upside down if the sign is negative; `over` = the other signal less this one.
    fn hear(&mut self, samples: &[f32], sign: f32, over: &[f32]) {
        let mut at = 2;
        while at + 2 < samples.len() {
            let sample = sign * samples[at];
            if sample * (1.0 - SAME) > self.level {
                // What lies below was no extreme.
                *self = Self { level: sample, ..Self::default() };
            }
            let is_top = |x: &&f32| (sign * **x - self.level).abs() <= SAME * self.level;
            let len = samples[at..].iter().take_while(is_top).count();
            if len >= LEAST_SAMPLES && at + len + 1 < samples.len() && self.level > 0.0 {
                let steepest = |edge: [f32; 3]| {
                    f64::from(sign * (edge[0] - edge[1])).max(f64::from(sign * (edge[1] - edge[2])))
                };
                let before = [at, at - 1, at - 2].map(|n| samples[n]);
                let after = [at + len - 1, at + len, at + len + 1].map(|n| samples[n]);
                let slope = 0.5 * (steepest(before) + steepest(after));
                self.take(len, slope, f64::from(sign) * mean(&over[at..at + len]));
            }
            at += len.max(1);
        }
    }

    /// Takes a top of so many samples, to which the samples rise by `slope`, and above which the other signal stands by `over`.
    fn take(&mut self, len: usize, slope: f64, over: f64) {
        let len = len as f64;
        // A parabola that begins at this slope; its mean is 2/3 of its height, and its mean square 8/15 of that of the height.
        let height = (0.25 * len * slope).min(MOST_OVER * f64::from(self.level));
        self.tops += 1;
        if over.abs() > SHARED * height {
            self.lost += 8.0 / 15.0 * height * height * len;
        }
        self.overtopped += usize::from(over > FURTHER * 2.0 / 3.0 * height);
    }
}

/// Both extremes of both sides of a signal.
#[derive(Clone, Copy, Default)]
struct Tops {
    extremes: [[Extreme; 2]; 2],
    energy: f64,
}

impl Tops {
    fn hear(&mut self, side: usize, samples: &[f32], over: &[f32]) {
        for (extreme, sign) in self.extremes[side].iter_mut().zip([1.0, -1.0]) {
            extreme.hear(samples, sign, over);
        }
        self.energy += samples.iter().map(|&x| f64::from(x) * f64::from(x)).sum::<f64>();
    }

    /// Energy that was cut off, re all of it.
    fn lost(&self) -> f64 {
        self.extremes.iter().flatten().map(|extreme| extreme.lost).sum::<f64>() / self.energy.max(1e-20)
    }

    /// Whether the other signal stands above most of them.
    fn are_overtopped(&self) -> bool {
        let sum = |of: fn(&Extreme) -> usize| self.extremes.iter().flatten().map(of).sum::<usize>();
        2 * sum(|extreme| extreme.overtopped) > sum(|extreme| extreme.tops)
    }
}

/// The flat tops of mix and backing.
#[derive(Clone, Copy, Default)]
pub struct FlatTops {
    mix: Tops,
    backing: Tops,
}

impl FlatTops {
    /// Hears a stretch: the mix, the aligned backing, its level as it came, and the matched backing, all of one length.
    pub fn hear(&mut self, mix: &impl Signal, backing: &impl Signal, matched: &Stereo) {
        let [mut x, mut b] = [(); 2].map(|()| vec![0.0; PIECE]);
        for (side, matched) in matched.iter().enumerate() {
            for (piece, matched) in matched.chunks(PIECE).enumerate() {
                let (x, b) = (&mut x[..matched.len()], &mut b[..matched.len()]);
                mix.read(side, piece * PIECE, x);
                backing.read(side, piece * PIECE, b);
                self.hear_piece(side, x, b, matched);
            }
        }
    }

    fn hear_piece(&mut self, side: usize, mix: &[f32], backing: &[f32], matched: &[f32]) {
        let over: Vec<f32> = mix.iter().zip(matched).map(|(x, m)| m - x).collect();
        self.mix.hear(side, mix, &over);
        // In the units of the backing, and as it lies.
        let (product, power) = backing.iter().zip(matched).fold((0.0, 1e-20), |(product, power), (b, m)| {
            (product + f64::from(b * m), power + f64::from(m * m))
        });
        let scale = (product / power) as f32;
        let over: Vec<f32> = over.iter().map(|over| -scale * over).collect();
        self.backing.hear(side, backing, &over);
    }

    /// What it leaves, if the mix was clipped. What was cut off a backing counts where that was done to it on its own: one that was
    /// clipped before the voice came is in the mix as it is.
    pub fn evidence(&self) -> Option<Evidence> {
        let lost = self.mix.lost();
        (-power_to_db(lost) < LEAST_LOST_DB).then(|| {
            let own = if self.backing.are_overtopped() { self.backing.lost() } else { 0.0 };
            Evidence { limit: Limit::Clipped, figure_db: -power_to_db(lost + own) as f32 }
        })
    }
}

fn mean(samples: &[f32]) -> f64 {
    samples.iter().map(|&x| f64::from(x)).sum::<f64>() / samples.len() as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;

    const LEN: usize = 40_000;

    /// Noise without treble, so that tops are several samples long.
    fn song(seed: u32) -> Vec<f32> {
        let mut low = [0.0f32; 4];
        let low_passed = |x: f32| {
            low.iter_mut().fold(x, |x, y| {
                *y += 0.1 * (x - *y);
                *y
            })
        };
        noise(LEN, seed).into_iter().map(low_passed).collect()
    }

    fn plus(a: &[f32], b: &[f32]) -> Vec<f32> {
        a.iter().zip(b).map(|(a, b)| a + b).collect()
    }

    /// Cut off so many dB below the extreme, and rounded to 16 bits.
    fn clipped(x: &[f32], by_db: f32) -> Vec<f32> {
        let level = x.iter().fold(0.0f32, |most, x| most.max(x.abs())) * 10f32.powf(-0.05 * by_db);
        x.iter().map(|x| (32_768.0 * x.clamp(-level, level)).round() / 32_768.0).collect()
    }

    fn lost_db(x: &[f32], by_db: f32) -> f64 {
        let power = |x: &mut dyn Iterator<Item = f32>| x.map(|x| f64::from(x * x)).sum::<f64>();
        let cut = clipped(x, by_db);
        power_to_db(power(&mut cut.iter().copied()) / power(&mut x.iter().zip(&cut).map(|(x, cut)| x - cut)))
    }

    fn found(mix: &[f32], backing: &[f32]) -> Option<f64> {
        let stereo = |x: &[f32]| [x.to_vec(), x.to_vec()];
        let mut tops = FlatTops::default();
        tops.hear(&stereo(mix), &stereo(backing), &stereo(backing));
        tops.evidence().map(|evidence| evidence.figure_db.into())
    }

    /// What was cut off is known from the files that were not clipped.
    #[test]
    fn tops_tell_how_much_was_cut_off() {
        let backing = song(1);
        let sum = plus(&backing, &song(2));
        for by_db in [3.0, 6.0] {
            let depth_db = found(&clipped(&sum, by_db), &backing).unwrap();
            let lost_db = lost_db(&sum, by_db);
            // The slope beside a top is steeper than at its edge.
            assert!((lost_db - 6.0..lost_db + 2.0).contains(&depth_db), "{by_db}: {depth_db} {lost_db}");
        }
        assert_eq!(found(&clipped(&sum, 0.0), &clipped(&backing, 0.0)), None);
    }

    /// A backing that was clipped on its own lost something that the mix holds; the same backing in the mix as it is did not.
    #[test]
    fn a_backing_counts_that_was_clipped_on_its_own() {
        let (backing, mut voice) = (song(1), song(2));
        voice.chunks_mut(4_000).step_by(2).for_each(|rest| rest.fill(0.0));
        let (cut, by_db) = (clipped(&backing, 6.0), 4.0);
        let alone = found(&clipped(&plus(&backing, &voice), by_db), &backing).unwrap();
        let on_its_own = found(&clipped(&plus(&backing, &voice), by_db), &cut).unwrap();
        let before = plus(&cut, &voice);
        let (in_the_mix, in_the_mix_alone) = (
            found(&clipped(&before, by_db), &cut).unwrap(),
            found(&clipped(&before, by_db), &backing).unwrap(),
        );
        assert!(on_its_own < alone - 2.0, "{on_its_own} {alone}");
        assert_eq!(in_the_mix, in_the_mix_alone);
    }

    /// Slow tones and steps of few bits have equal samples at their extreme as well; next to nothing seems to be cut off.
    #[test]
    fn what_is_rounded_by_nature_is_not_clipped() {
        let tone: Vec<f32> = (0..LEN).map(|n| (n as f32 * 0.004).sin()).collect();
        let steps: Vec<f32> = song(1).iter().map(|x| (2_048.0 * x).round() / 2_048.0).collect();
        let backing = song(3);
        assert_eq!([tone, steps].map(|mix| found(&mix, &backing)), [None; 2]);
    }
}
