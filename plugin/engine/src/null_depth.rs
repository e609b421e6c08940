//! How far the backing is down in the difference, reported only where it can be known: where the voice rests.
//!
//! The level of the mix less that of the difference is not the depth: with voice and backing equally loud a perfect
//! null lowers the level by 3 dB only. In the rests of the voice ([`rests`]) the difference is residue, measured against the
//! backing that was subtracted there. It must also be of the backing, and not the voice's own breath or reverberation: it
//! rises and falls with the backing, or is coherent with it, or is as steady as noise ([`Moment`]). Where that cannot be
//! known, a bound may be ([`bound()`]).

mod bound;
pub mod estimate;
mod moments;
pub mod rests;

use crate::dsp::sizes::Sizes;
use bound::bound;
use moments::{MOMENT_S, Moment, MomentMeter};
use rests::{Heard, Rests};

/// The null depth is that of so many of the last seconds. Chosen by hand; not measured.
pub const NULL_DEPTH_S: f64 = 10.0;
/// The same in moments.
const NUM_MOMENTS: usize = (NULL_DEPTH_S / MOMENT_S) as usize;
/// Backing this much below its loudest moment does not count (power ratio). Chosen by hand; not measured.
const AUDIBLE_RE_LOUDEST: f64 = 1e-5;
/// Nor does quieter backing: mean square, -100 dB re full scale. Chosen by hand; not measured.
const AUDIBLE_MEAN_SQUARE: f64 = 1e-10;

/// The null depth of the last ten seconds.
pub struct NullDepth {
    meter: MomentMeter,
    samples_per_moment: f64,
    /// Ring of moments; `at` is the oldest.
    moments: Vec<Moment>,
    at: usize,
    /// Room for the audible moments and for their levels.
    sorted: Vec<Moment>,
    levels_db: Vec<f64>,
    heard: Option<Heard>,
}

impl NullDepth {
    /// Nothing known yet.
    pub fn new(sizes: Sizes) -> Self {
        Self {
            meter: MomentMeter::new(sizes),
            samples_per_moment: (2 * sizes.hop() * sizes.hops(MOMENT_S) as usize) as f64,
            moments: vec![Moment::default(); NUM_MOMENTS],
            at: 0,
            sorted: Vec::with_capacity(NUM_MOMENTS),
            levels_db: Vec::with_capacity(NUM_MOMENTS),
            heard: None,
        }
    }

    /// Forgets what it heard.
    pub fn reset(&mut self) {
        self.meter.reset();
        self.moments.fill(Moment::default());
        (self.at, self.heard) = (0, None);
    }

    /// Takes difference and matched backing of one hop, left and right.
    pub fn add(&mut self, difference: [&[f32]; 2], matched: [&[f32]; 2]) -> Option<Heard> {
        if let Some(moment) = self.meter.add(difference, matched) {
            self.moments[self.at] = moment;
            self.at = (self.at + 1) % NUM_MOMENTS;
            self.heard = self.measure();
        }
        self.heard
    }

    fn measure(&mut self) -> Option<Heard> {
        let loudest = self.moments.iter().map(|m| m.powers[1]).fold(0.0, f64::max);
        self.sorted.clear();
        let quietest = (AUDIBLE_MEAN_SQUARE * self.samples_per_moment).max(AUDIBLE_RE_LOUDEST * loudest);
        let is_audible = |m: &&Moment| m.powers[1] > quietest;
        let (newer, older) = self.moments.split_at(self.at);
        self.sorted.extend(older.iter().chain(newer).filter(is_audible));
        let bound = bound(&self.sorted, |moment| moment.powers);
        if let Some(Rests { count, heard }) = Rests::among(&mut self.sorted, |moment| moment.powers) {
            let rests = &self.sorted[..count];
            if Moment::are_of_the_backing(rests) || Moment::are_steady(rests, &mut self.levels_db) {
                return Some(heard);
            }
        }
        bound
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;
    use crate::dsp::units::power_to_db;

    /// Hops of 128 samples at 48 kHz.
    const HOP: usize = 128;
    const HOPS: usize = 4000;

    /// The readings, hop by hop, where something is left of a backing that is loud and soft by turns; `left` makes it of
    /// the sample's index and the backing's sample.
    fn heard(left: impl Fn(usize, f32) -> f32) -> Vec<Option<Heard>> {
        let loudness = |n: usize| if (n / 900).is_multiple_of(2) { 0.5 } else { 0.1 };
        let backing: Vec<f32> =
            noise(HOP * HOPS, 1).into_iter().enumerate().map(|(n, x)| loudness(n) * x).collect();
        let left: Vec<f32> = backing.iter().enumerate().map(|(n, &b)| left(n, b)).collect();
        let mut depth = NullDepth::new(Sizes::new(48_000.0));
        let hops = left.chunks(HOP).zip(backing.chunks(HOP));
        hops.map(|(left, backing)| depth.add([left, left], [backing, backing])).collect()
    }

    /// Their null depths, as far as more than a bound is reported.
    fn readings(left: impl Fn(usize, f32) -> f32) -> Vec<Option<f32>> {
        let reported = |heard: Heard| (!heard.at_least).then_some(heard.depth_db);
        heard(left).into_iter().map(|heard| reported(heard?)).collect()
    }

    /// What is reported in the end where this is left of the backing and something else is heard beside it; and the true null
    /// depth, dB, in those moments of the last ten seconds in which the latter is 30 dB under the backing.
    fn reported_and_true(
        residue: impl Fn(usize, f32) -> f32,
        other: impl Fn(usize) -> f32,
    ) -> (Option<Heard>, Option<f64>) {
        // Of moments of 50 ms, backing, residue and the other.
        let powers = std::cell::RefCell::new(vec![[0.0; 3]; HOPS / 19 + 1]);
        let reported = heard(|n, b| {
            let (r, o) = (residue(n, b), other(n));
            let moment = &mut powers.borrow_mut()[n / (19 * HOP)];
            moment.iter_mut().zip([b, r, o]).for_each(|(power, x)| *power += f64::from(x * x));
            r + o
        });
        let powers = powers.into_inner();
        let rests = powers[HOPS / 19 - NUM_MOMENTS..HOPS / 19].iter().filter(|[b, _, o]| *o < 1e-3 * b);
        let sum = |i: usize| rests.clone().map(|powers| powers[i]).sum::<f64>();
        let has_rested = rests.clone().count() > 0;
        (reported[HOPS - 1], has_rested.then(|| power_to_db(sum(0) / sum(1))))
    }

    /// A voice as loud as the backing that rests in every fourth part, of 400 hops each.
    fn voice() -> Vec<f32> {
        let sung = |n: usize| if n / (400 * HOP) % 4 == 3 { 0.0 } else { 0.4 };
        noise(HOP * HOPS, 2).into_iter().enumerate().map(|(n, x)| sung(n) * x).collect()
    }

    fn last(readings: &[Option<f32>]) -> Option<f32> {
        readings[HOPS - 1]
    }

    /// Residue at a hundredth of the backing, made so: 40 dB.
    #[test]
    fn reads_the_residue_in_the_rests_of_the_voice() {
        let voice = voice();
        let readings = readings(|n, b| 0.01 * b + voice[n]);
        assert!((last(&readings).unwrap() - 40.0).abs() < 0.1, "{:?}", last(&readings));
    }

    /// Residue that comes and goes by 9 dB, made so: the mean of its power counts.
    #[test]
    fn uneven_residue_counts_as_a_whole() {
        let voice = voice();
        let amount = |n: usize| if (n / (40 * HOP)).is_multiple_of(2) { 0.01 } else { 0.028_284 };
        let readings = readings(|n, b| amount(n) * b + voice[n]);
        // 10 log10(4.5e-4), to what leaving out the highest does to it.
        assert!((last(&readings).unwrap() - 33.5).abs() < 1.0, "{:?}", last(&readings));
    }

    #[test]
    fn a_song_without_a_voice_is_all_rest() {
        let Heard { depth_db, beneath_voice, .. } = heard(|_, b| 0.01 * b)[HOPS - 1].unwrap();
        assert!((depth_db - 40.0).abs() < 0.5 && !beneath_voice, "{depth_db}");
        // Sung for a moment now and then, 11 dB under the backing.
        let (sung, now) = (noise(HOP * HOPS, 2), |n: usize| (n / (40 * HOP)).is_multiple_of(50));
        let heard = heard(|n, b| 0.01 * b + if now(n) { 0.1 * sung[n] } else { 0.0 })[HOPS - 1].unwrap();
        assert!((heard.depth_db - 40.0).abs() < 0.5 && heard.beneath_voice, "{heard:?}");
    }

    /// Reverberation that dies away by 60 dB between the words is no residue, however deep the null.
    #[test]
    fn a_voice_that_dies_away_slowly_is_no_residue() {
        let sung = noise(HOP * HOPS, 2);
        let level = |n: usize| 0.4 * 10f32.powf(-3.0 * (n % (800 * HOP)) as f32 / (800 * HOP) as f32);
        let readings = readings(|n, b| 3e-5 * b + level(n) * sung[n]);
        assert!(readings[800..].iter().all(Option::is_none));
    }

    #[test]
    fn says_nothing_while_the_voice_never_rests() {
        let sung = noise(HOP * HOPS, 2);
        assert!(readings(|n, _| 0.4 * sung[n]).iter().all(Option::is_none));
    }

    /// A soft voice may sing all the time: what is left 15 dB down is not reported, however even.
    #[test]
    fn a_shallow_null_without_a_rest_is_not_reported() {
        assert!(readings(|_, b| 0.18 * b).iter().all(Option::is_none));
    }

    /// What is heard in the rests is the voice's own, 40 dB down and louder and softer with the breath: also where it
    /// begins together with the backing, after silence.
    #[test]
    fn breath_is_no_residue() {
        let (voice, breath) = (voice(), noise(HOP * HOPS, 3));
        let level = |n: usize| 0.003 * (1.0 + 0.5 * (n as f32 / 15_000.0).sin());
        assert!(readings(|n, _| level(n) * breath[n] + voice[n]).iter().all(Option::is_none));
        let mut depth = NullDepth::new(Sizes::new(48_000.0));
        let (silence, backing) = (vec![0.0; HOP], noise(HOP * HOPS, 1));
        for hop in 0..1000 {
            // In the middle of the first moment.
            let begun = hop >= 10;
            let at = HOP * hop..HOP * (hop + 1);
            let left: Vec<f32> = at.clone().map(|n| 3.0 * level(n) * breath[n]).collect();
            let [left, backing] = if begun { [&left[..], &backing[at]] } else { [&silence[..]; 2] };
            assert!(depth.add([left, left], [backing, backing]).is_none_or(|heard| heard.at_least));
        }
    }

    /// Residue that is of the backing, or is noise that is steady or moves, or is perfect for moments; beside it nobody, a
    /// voice that rests, one whose breath is heard in its rests, one that dies away, one that never rests. What is reported is
    /// never more than 3 dB above the truth, and hardly below it where the rests are silent.
    #[test]
    fn a_bound_is_never_above_the_truth() {
        let [sung, grain, breath] = [2, 3, 4].map(|seed| noise(HOP * HOPS, seed));
        let voice = voice();
        let s = |n: usize| n as f32 / 48_000.0;
        let gain = |db: f32| 10f32.powf(db / 20.0);
        let others: [&dyn Fn(usize) -> f32; 5] = [
            &|_| 0.0,
            &|n| voice[n],
            &|n| voice[n] + 0.003 * (1.0 + 0.5 * (3.0 * s(n)).sin()) * breath[n],
            &|n| 0.4 * gain(-60.0 * (s(n) / 2.0).fract()) * sung[n],
            &|n| 0.1 * sung[n],
        ];
        let (mut num_bounds, mut num_tight) = (0, 0);
        for depth_db in [30.0, 45.0, 60.0, 90.0] {
            let left = gain(-depth_db);
            let residues: [&dyn Fn(usize, f32) -> f32; 4] = [
                &|_, b| left * b,
                &|n, _| 0.3 * left * grain[n],
                &|n, _| 0.3 * left * gain(10.0 * (1.3 * s(n)).sin()) * grain[n],
                &|n, b| if n / (20 * HOP) % 20 < 8 { 1e-7 * b } else { left * b.abs() * grain[n] },
            ];
            for (residue_idx, residue) in residues.iter().enumerate() {
                for (other_idx, other) in others.iter().enumerate() {
                    let (reported, true_db) = reported_and_true(residue, other);
                    let Some(reported) = reported else { continue };
                    let off_db = f64::from(reported.depth_db) - true_db.unwrap_or_default();
                    let what = format!(
                        "residue {residue_idx} beside {other_idx} at {depth_db} dB: {reported:?} of {true_db:?}"
                    );
                    assert!(off_db < 3.0, "{what}");
                    assert!(other_idx > 1 || off_db > -1.0, "{what}");
                    num_bounds += usize::from(reported.at_least);
                    num_tight += usize::from(reported.at_least && other_idx < 2);
                }
            }
        }
        // Lest nothing was reported.
        assert!(num_bounds > 15 && num_tight > 8, "{num_bounds} bounds, {num_tight} of them over silence");
    }

    /// Steady noise is what is left, though the backing does not make it: its depth by arithmetic, with the same
    /// distribution of either.
    #[test]
    fn steady_noise_is_residue() {
        let (voice, hiss) = (voice(), noise(HOP * HOPS, 3));
        let readings = readings(|n, _| 0.003 * hiss[n] + voice[n]);
        // 10 log10(0.13 / 9e-6).
        assert!((last(&readings).unwrap() - 41.6).abs() < 0.5, "{:?}", last(&readings));
    }

    /// Residue of an encoder that makes the same of mix and backing for moments, and otherwise leaves what is 40 to 70 dB
    /// down: its best moments say nothing of the others.
    #[test]
    fn what_is_perfect_for_moments_only_is_not_reported() {
        let (voice, grain) = (voice(), noise(HOP * HOPS, 3));
        let level = |n: usize| match n / (20 * HOP) % 20 {
            0..8 => 1e-7,
            step => 10f32.powf(-2.0 - step as f32 * 0.1),
        };
        let readings = readings(|n, b| level(n) * b.abs() * grain[n] + voice[n]);
        assert_eq!(last(&readings), None);
    }

    #[test]
    fn reset_forgets() {
        let (backing, voice) = (noise(HOP * 400, 1), noise(HOP * 400, 2));
        let play = |depth: &mut NullDepth| -> Vec<Option<Heard>> {
            let hops = backing.chunks(HOP).zip(voice.chunks(HOP)).enumerate();
            hops.map(|(hop, (backing, voice))| {
                let left: Vec<f32> = backing
                    .iter()
                    .zip(voice)
                    .map(|(b, v)| 0.01 * b + if hop < 200 { 0.0 } else { *v })
                    .collect();
                depth.add([&left[..], &left[..]], [backing, backing])
            })
            .collect()
        };
        let mut depth = NullDepth::new(Sizes::new(48_000.0));
        let first = play(&mut depth);
        assert!(first[399].is_some());
        depth.reset();
        assert_eq!(play(&mut depth), first);
    }

    /// A moment that is broken off lends nothing to the first one after: what is left there is not of the backing.
    #[test]
    fn reset_forgets_what_was_not_a_whole_moment() {
        let (backing, breath, voice) = (noise(HOP * 400, 1), noise(HOP * 400, 3), noise(HOP * 400, 2));
        let mut depth = NullDepth::new(Sizes::new(48_000.0));
        let loud = [1e3; HOP];
        depth.add([&loud, &loud], [&loud, &loud]);
        depth.reset();
        for at in (0..HOP * 400).step_by(HOP) {
            let left = |n: usize| {
                let level = 0.003 * (1.0 + 0.5 * (n as f32 / 15_000.0).sin());
                level * breath[n] + if n < 200 * HOP { 0.0 } else { voice[n] }
            };
            let left: Vec<f32> = (at..at + HOP).map(left).collect();
            let backing = &backing[at..at + HOP];
            assert_eq!(depth.add([&left, &left], [backing, backing]), None);
        }
    }
}
