//! Takes out what the subtraction leaves of the backing: codec errors, noise that breathes with the music.
//!
//! In mid and side, per bin, the residue is taken to be a share of the matched backing's power. The share is read from
//! the quiet cells of the difference, where the voice rests, and only as far as these cells rise and fall with the
//! backing: the floor of the voice's own effects does not. A Wiener gain with decision-directed smoothing (Ephraim &
//! Malah 1984) then lowers the cells in which residue prevails. Reading the share from two loudness classes is ours.

use crate::dsp::ring::{Stereo, advance, stereo};
use crate::dsp::sizes::Sizes;
use crate::spectral::spectrum::Spectrum;
use crate::spectral::window::root_hann;
use realfft::num_complex::Complex32;

/// Frame and step at 44.1 and 48 kHz, samples.
const FRAME: usize = 2048;
const STEP: usize = 512;
/// Weight of the past in the decision-directed estimate of voice over residue.
const PAST: f32 = 0.95;
/// Most that a cell is lowered, linear (-20 dB).
const FLOOR: f32 = 0.1;
/// Quantile of the cells that counts as quiet, and its value for a residue of power 1 (exponential distribution).
const QUIET: f32 = 0.2;
const QUIET_VALUE: f32 = 0.223;
/// Distance of the loud and soft classes from the mean loudness of the backing, nats of power (2 dB).
const CLASS: f32 = 0.5;
/// Backing this far under its mean is silence, nats.
const SILENT: f32 = 6.0;
/// Memory of the mean loudness, steps.
const MEMORY: f32 = 3000.0;
/// Slowest that a quantile moves, a step. Ten times as fast, the quantiles wander so far that the classes can no longer
/// be compared: on lossy files that costs 1 to 2 dB.
const SLOWEST: f32 = 0.003;
/// Power that is added to the backing's in every cell, so that it can be divided by; what is no more than twice that is no
/// backing, in mid or, with what leaks there, in side.
const FAINTEST: f32 = 1e-12;
/// Steps in either class before anything is taken out.
const ENOUGH: u32 = 120;
/// Share of the quiet floor that must follow the backing: from where the clean-up begins and where it is whole.
const FOLLOWS: (f32, f32) = (0.3, 0.6);

/// Quantile of the cells that counts as lowest, and its value for a residue of power 1: a bound on the residue that
/// any voice can only raise.
const LOWEST: f32 = 0.02;
const LOWEST_VALUE: f32 = 0.0202;
const MOST_OVER_LOWEST: f32 = 2.0 * QUIET_VALUE / LOWEST_VALUE;
/// How far beyond that bound (5 dB) the quiet floor may lie and still speak for a residue. Higher still it is a voice
/// that sings whenever the backing is loud. At 1 three mixes with codecs lost 0.6 to 1.7 dB, at 10 one with a wowing
/// tape 6 dB; from 2.2 to 3.2 it and two of the three were within 0.1 dB of their best.
const SPEAKS: f32 = 3.2;
/// Quiet cells this far under the backing, natural logarithm (-59 dB): mix and backing are the same there, bit for bit
/// or nearly, which tells nothing of how they differ under a voice (two files by one encoder do so in its rests).
/// From -54 dB on, more is won where two files went through one encoder, and as much lost where one went through a good
/// one.
const NIL: f32 = -13.5;
/// Part of the quiet floor that follows the backing from which on a group surely hears a residue. Where these hear a deeper
/// null than all groups do, it is theirs that counts, for in the others a voice may never rest: of a null of 70 dB, with
/// drift, they heard -43 dB and all groups -32, of which the clean-up left a null of 42 dB. (Beneath a voice with
/// reverberation all groups heard the deeper one: then theirs alone cost 26 dB.)
const SURE: f32 = 0.9;
/// Part of the quiet floor that must follow the backing, median over the groups, at a residue of -20 dB re the backing,
/// and how much more for each dB under it: the deeper the null, the less there is to win, and the likelier is the floor
/// that of the voice's own reverberation. Half is taken out there, nothing or all `CONVINCED` to either side.
const CONVINCING: f32 = 0.7;
const CONVINCING_PER_DB: f32 = 0.02;
const CONVINCED: f32 = 0.05;
/// Logarithms beyond this were never heard: about 260 dB.
const REACH: f32 = 60.0;
/// Where counting stops: every rate is at its slowest long before.
const MOST_STEPS: u32 = 100_000;

/// Groups of bins at most, at the highest rate.
pub const MAX_GROUPS: usize = 40;

/// What was heard of the residue so far: plain values, kept with the match.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Leak {
    /// By group of bins, from the lowest on, in mid and side; what is beyond the last group was never heard.
    pub groups: [[Group; MAX_GROUPS]; 2],
}

/// What is known of one group of bins, in mid or side.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Group {
    /// Mean loudness of the backing, natural logarithm of the power in a cell.
    pub mean: f32,
    /// Steps with a backing, and those of them in which it was loud.
    pub steps: u32,
    /// See [`Group::steps`].
    pub loud_steps: u32,
    /// While the backing is soft, and while it is loud.
    pub classes: [Class; 2],
    /// Lowest cells re loud backing, natural logarithm: where the voice rests, or sings elsewhere.
    pub lowest: f32,
}

/// Quiet floor re the backing, and the backing's own power, in loud or soft moments; natural logarithms.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Class {
    /// Quiet cells of the difference re the backing.
    pub floor: f32,
    /// Loudness of the backing.
    pub backing: f32,
    /// Steps heard in this class.
    pub steps: u32,
}

impl Leak {
    /// Nothing heard.
    pub const UNKNOWN: Self = Self { groups: [[Group::SILENT; MAX_GROUPS]; 2] };

    /// Whether every value is within what could have been heard.
    pub fn is_sound(&self) -> bool {
        let in_reach = |x: f32| x.abs() <= REACH;
        self.groups.iter().flatten().all(|group| {
            let classes = group.classes.iter().flat_map(|class| [class.floor, class.backing]);
            let steps = group.classes.iter().map(|class| class.steps);
            classes.chain([group.mean, group.lowest]).all(in_reach)
                && steps.chain([group.steps, group.loud_steps]).all(|steps| steps <= MOST_STEPS)
        })
    }

    /// How much more one takes out than the other, power re the backing's, as far as either knows the backing.
    pub fn apart(&self, other: &Self) -> f64 {
        let (mut apart, mut whole) = (0.0, 1e-30);
        for (a, b) in self.groups.iter().flatten().zip(other.groups.iter().flatten()) {
            let backing = f64::from(a.classes[1].backing.max(b.classes[1].backing)).exp();
            if a.steps.max(b.steps) > 0 {
                apart += backing * f64::from((a.share() - b.share()).abs());
                whole += backing;
            }
        }
        apart / whole
    }
}

impl Group {
    const SILENT: Self = Self {
        mean: 0.0,
        steps: 0,
        loud_steps: 0,
        classes: [Class { floor: 0.0, backing: 0.0, steps: 0 }; 2],
        lowest: 0.0,
    };

    /// Whether both classes were heard for long enough.
    fn is_known(&self) -> bool {
        self.classes.iter().all(|class| class.steps >= ENOUGH)
    }

    /// Quiet floor that follows the backing, re the backing; and which part of the whole floor that is.
    fn following(&self) -> (f32, f32) {
        let [soft, loud] = &self.classes;
        // floor = QUIET_VALUE (share + voice / backing): two classes, two unknowns.
        let (u_soft, u_loud) = (soft.floor.exp(), loud.floor.exp());
        let (b_soft, b_loud) = ((-soft.backing).exp(), (-loud.backing).exp());
        let floor = (u_loud * b_soft - u_soft * b_loud) / (b_soft - b_loud);
        (floor, floor / u_loud)
    }

    /// How surely the quiet floor is a residue's, 0 to 1: the part that follows the backing, as far as a residue can
    /// reach that high.
    fn speaks(&self) -> f32 {
        if !self.is_known() {
            return 0.0;
        }
        let (floor, part) = self.following();
        part * (SPEAKS * MOST_OVER_LOWEST * self.lowest.exp() / floor.max(f32::MIN_POSITIVE)).min(1.0)
    }

    /// Share of the backing's power that is left in the difference.
    fn share(&self) -> f32 {
        if !self.is_known() {
            return 0.0;
        }
        let floor = self.following().0.min(MOST_OVER_LOWEST * self.lowest.exp());
        let follows = floor / self.classes[1].floor.exp();
        let follows = ((follows - FOLLOWS.0) / (FOLLOWS.1 - FOLLOWS.0)).clamp(0.0, 1.0);
        if follows > 0.0 { follows * floor / QUIET_VALUE } else { 0.0 }
    }
}

/// What the residue is taken to be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Residue {
    /// As read from the difference.
    AsHeard,
    /// This share of the backing's power in every bin.
    Share(f32),
}

/// The clean-up.
pub struct Cleanup {
    spectrum: Spectrum,
    window: Vec<f32>,
    hop: usize,
    step: usize,
    hops: usize,
    difference: Stereo,
    matched: Stereo,
    /// Spectra of the last two frames of the difference, mid and side.
    frames: [[Vec<Complex32>; 2]; 2],
    /// Powers of the last three frames of the matched backing, mid and side.
    powers: [[Vec<f32>; 2]; 3],
    backing: [Vec<f32>; 2],
    cleaned: [Vec<f32>; 2],
    edges: Vec<usize>,
    leak: Leak,
    shares: [Vec<f32>; 2],
    removed: Stereo,
    ratios: Vec<f32>,
    /// With two bins of room at either end.
    columns: Vec<f32>,
    bins: [Vec<Complex32>; 2],
}

impl Cleanup {
    /// A clean-up that has heard nothing.
    pub fn new(sizes: Sizes) -> Self {
        let (frame, step) = (sizes.scaled(FRAME), sizes.scaled(STEP));
        let spectrum = Spectrum::new(frame);
        let num_bins = spectrum.num_bins();
        let mut edges = vec![3];
        while let Some(&last) = edges.last().filter(|&&last| last < num_bins - 1) {
            // Quarter octaves, at least eight bins.
            edges.push((last + 8).max(last * 19 / 16).min(num_bins - 1));
        }
        debug_assert!(edges.len() <= MAX_GROUPS + 1);
        let zeros = || vec![Complex32::default(); num_bins];
        Self {
            window: root_hann(frame),
            hop: sizes.hop(),
            step,
            hops: 0,
            difference: stereo(frame),
            matched: stereo(frame),
            frames: std::array::from_fn(|_| std::array::from_fn(|_| zeros())),
            powers: std::array::from_fn(|_| std::array::from_fn(|_| vec![0.0; num_bins])),
            backing: std::array::from_fn(|_| vec![0.0; num_bins]),
            cleaned: std::array::from_fn(|_| vec![0.0; num_bins]),
            edges,
            leak: Leak::UNKNOWN,
            shares: std::array::from_fn(|_| vec![0.0; num_bins]),
            removed: stereo(frame + step),
            ratios: Vec::with_capacity(num_bins),
            columns: vec![0.0; num_bins + 4],
            bins: [zeros(), zeros()],
            spectrum,
        }
    }

    /// How far the removed part lags the difference: a frame, and one step for the neighbours in time.
    pub fn latency_samples(&self) -> usize {
        self.window.len() + self.step - self.hop
    }

    /// Forgets the signals, keeps what was heard of the residue.
    pub fn reset(&mut self) {
        self.hops = 0;
        for x in self.difference.iter_mut().chain(&mut self.matched).chain(&mut self.removed) {
            x.fill(0.0);
        }
        self.frames.iter_mut().flatten().for_each(|x| x.fill(Complex32::default()));
        self.powers.iter_mut().flatten().chain(&mut self.cleaned).for_each(|x| x.fill(0.0));
    }

    /// What was heard of the residue.
    pub fn leak(&self) -> &Leak {
        &self.leak
    }

    /// Takes what was heard of the residue as known.
    pub fn set_leak(&mut self, leak: &Leak) {
        self.leak = *leak;
    }

    /// Learns the residue anew, for when a better match is in force. The lowest cells known stay: a better match
    /// leaves no more than that.
    pub fn relearn(&mut self) {
        for class in self.leak.groups.iter_mut().flatten().flat_map(|g| &mut g.classes) {
            class.steps = class.steps.min(1);
        }
    }

    /// Takes one hop of difference and matched backing; gives what is to be taken from the difference
    /// [`Cleanup::latency_samples`] ago. `amount` from 0, nothing, over 1, the residue as estimated, to 2.
    pub fn process(
        &mut self,
        difference: &Stereo,
        matched: &Stereo,
        amount: f32,
        residue: Residue,
        removed: &mut Stereo,
    ) {
        let hop = self.hop;
        for (history, new) in
            self.difference.iter_mut().zip(difference).chain(self.matched.iter_mut().zip(matched))
        {
            if self.hops == 0 {
                history.copy_within(self.step.., 0);
            }
            let at = history.len() - self.step + self.hops * hop;
            history[at..at + hop].copy_from_slice(new);
        }
        self.hops += 1;
        if self.hops * hop == self.step {
            self.hops = 0;
            self.analyse();
            self.learn();
            if let Residue::Share(share) = residue {
                self.shares.iter_mut().for_each(|s| s.fill(share));
            }
            self.remove(amount);
        }
        // The sum of the overlapping frames leaves from the front.
        let at = self.hops * hop;
        for (removed, sum) in removed.iter_mut().zip(&self.removed) {
            removed.copy_from_slice(&sum[at..at + hop]);
        }
    }

    /// Spectra of the newest frame, in mid and side.
    fn analyse(&mut self) {
        self.frames.rotate_left(1);
        self.powers.rotate_left(1);
        for (signal, is_matched) in [(&self.difference, false), (&self.matched, true)] {
            for (bins, side) in self.bins.iter_mut().zip(signal) {
                let time = self.spectrum.time();
                time.iter_mut().zip(side).zip(&self.window).for_each(|((t, x), w)| *t = x * w);
                self.spectrum.forward(bins);
            }
            let [left, right] = &self.bins;
            for (k, (left, right)) in left.iter().zip(right).enumerate() {
                let turned = [
                    (left + right) * std::f32::consts::FRAC_1_SQRT_2,
                    (left - right) * std::f32::consts::FRAC_1_SQRT_2,
                ];
                for c in 0..2 {
                    if is_matched {
                        self.powers[2][c][k] = turned[c].norm_sqr();
                    } else {
                        self.frames[1][c][k] = turned[c];
                    }
                }
            }
        }
        // Backing power about the frame before the newest: mean over three frames and five bins.
        let num_bins = self.spectrum.num_bins();
        let columns = &mut self.columns;
        for c in 0..2 {
            let [before, now, after] = self.powers.each_ref().map(|p| &p[c][..num_bins]);
            for (k, column) in columns[2..num_bins + 2].iter_mut().enumerate() {
                *column = (before[k] + now[k] + after[k]) / 15.0;
            }
            for (backing, around) in self.backing[c].iter_mut().zip(columns.windows(5)) {
                *backing = around[0] + around[1] + around[2] + around[3] + around[4] + FAINTEST;
            }
        }
        // What leaks from mid to side is residue too.
        let [mid, side] = &mut self.backing;
        side.iter_mut().zip(mid).for_each(|(s, m)| *s += 0.1 * *m);
    }

    /// Updates the quiet floors from the frame before the newest.
    fn learn(&mut self) {
        for c in 0..2 {
            let (frame, backing) = (&self.frames[0][c], &self.backing[c]);
            for (group, edge) in self.leak.groups[c].iter_mut().zip(self.edges.windows(2)) {
                let bins = edge[0]..edge[1];
                let count = bins.len() as f32;
                let loudness = log_sum(&backing[bins.clone()]) / count;
                if loudness < -16.0 {
                    continue;
                }
                count_up(&mut group.steps);
                group.mean += (loudness - group.mean) * (1.0 / group.steps as f32).max(1.0 / MEMORY);
                let above = loudness - group.mean;
                let idx = match above {
                    a if a > CLASS => 1,
                    a if a < -CLASS && a > -SILENT => 0,
                    _ => continue,
                };
                let ratios = bins.map(|k| (frame[k].norm_sqr() + 1e-14) / backing[k]);
                self.ratios.clear();
                self.ratios.extend(ratios);
                let at = (QUIET * count) as usize;
                let (_, &mut quiet, _) = self.ratios.select_nth_unstable_by(at, f32::total_cmp);
                let quiet = quiet.ln();
                if quiet < NIL {
                    continue;
                }
                let class = &mut group.classes[idx];
                count_up(&mut class.steps);
                if idx == 1 {
                    count_up(&mut group.loud_steps);
                    if group.loud_steps == 1 {
                        group.lowest = quiet;
                    }
                    let threshold = group.lowest.exp();
                    let below = self.ratios.iter().filter(|&&u| u < threshold).count() as f32 / count;
                    let rate = rate(group.loud_steps);
                    group.lowest += 4.0 * rate * (LOWEST - below);
                }
                if class.steps == 1 {
                    (class.floor, class.backing) = (quiet, loudness);
                    continue;
                }
                let threshold = class.floor.exp();
                let below = self.ratios.iter().filter(|&&u| u < threshold).count() as f32 / count;
                let rate = rate(class.steps);
                class.floor += 4.0 * rate * (QUIET - below);
                class.backing += rate * (loudness - class.backing);
            }
        }
        let heard = self.heard();
        for c in 0..2 {
            // Nothing is known of the bins below the lowest group and of the last one.
            self.shares[c].fill(0.0);
            for (group, edge) in self.leak.groups[c].iter().zip(self.edges.windows(2)) {
                self.shares[c][edge[0]..edge[1]].fill(heard * group.share());
            }
        }
    }

    /// 0 unless so many groups follow the backing that there must be a residue, up to 1.
    fn heard(&mut self) -> f32 {
        let heard = || self.leak.groups.iter().flatten().filter(|g| g.loud_steps >= ENOUGH);
        let Some(speaks) = median(&mut self.ratios, heard().map(Group::speaks)) else { return 0.0 };
        let sure = heard().filter(|g| g.speaks() > SURE).map(|g| g.lowest);
        let Some(surely_lowest) = median(&mut self.ratios, sure) else { return 0.0 };
        let Some(lowest) = median(&mut self.ratios, heard().map(|g| g.lowest)) else { return 0.0 };
        let lowest = lowest.min(surely_lowest);
        let residue_db = 10.0 / std::f32::consts::LN_10 * (lowest - LOWEST_VALUE.ln());
        let convincing = CONVINCING + CONVINCING_PER_DB * (-20.0 - residue_db).max(0.0);
        (0.5 + 0.5 * (speaks - convincing) / CONVINCED).clamp(0.0, 1.0)
    }

    /// Adds what is to be removed of the frame before the newest to the output.
    fn remove(&mut self, amount: f32) {
        advance(&mut self.removed, self.step);
        let mut any = false;
        for c in 0..2 {
            let turned = &mut self.bins[c];
            for (k, removed) in turned.iter_mut().enumerate() {
                let e = self.frames[0][c][k];
                let residue = amount * self.shares[c][k] * self.backing[c][k];
                let power = e.norm_sqr();
                let is_there = self.backing[c][k] > 2.0 * FAINTEST;
                if !is_there || residue <= 1e-14 {
                    self.cleaned[c][k] = power;
                    *removed = Complex32::default();
                    continue;
                }
                let over =
                    PAST * self.cleaned[c][k] / residue + (1.0 - PAST) * (power / residue - 1.0).max(0.0);
                let gain = (over / (1.0 + over)).max(FLOOR);
                self.cleaned[c][k] = gain * gain * power;
                *removed = e * (1.0 - gain);
                any = true;
            }
        }
        if !any {
            return;
        }
        let [mid, side] = &mut self.bins;
        for (m, s) in mid.iter_mut().zip(side) {
            (*m, *s) =
                ((*m + *s) * std::f32::consts::FRAC_1_SQRT_2, (*m - *s) * std::f32::consts::FRAC_1_SQRT_2);
        }
        // Squared Hann windows a quarter apart sum to 2.
        let scale = 0.5;
        for (sum, bins) in self.removed.iter_mut().zip(&self.bins) {
            let frame = self.spectrum.inverse(bins);
            let to = &mut sum[..frame.len()];
            to.iter_mut().zip(frame).zip(&self.window).for_each(|((s, x), w)| *s += scale * *x * w);
        }
    }
}

fn count_up(steps: &mut u32) {
    *steps = (*steps + 1).min(MOST_STEPS);
}

/// How far a quantile moves at a step: as the mean of all steps would, but never slower than [`SLOWEST`].
fn rate(steps: u32) -> f32 {
    let steps = steps as f32;
    (4.0 / steps).max(SLOWEST).min(1.0 / steps.sqrt())
}

/// Median of some values, with room for them.
fn median(room: &mut Vec<f32>, values: impl Iterator<Item = f32>) -> Option<f32> {
    room.clear();
    room.extend(values);
    let at = room.len() / 2;
    (!room.is_empty()).then(|| *room.select_nth_unstable_by(at, f32::total_cmp).1)
}

/// Sum of natural logarithms, eight powers at a time.
fn log_sum(powers: &[f32]) -> f32 {
    let product = |powers: &[f32]| powers.iter().map(|&p| f64::from(p)).product::<f64>();
    powers.chunks(8).map(|powers| product(powers).ln()).sum::<f64>() as f32
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;

    const LEN: usize = 16_000 * 12;

    /// Bursts of backing, with a residue of a given level and a voice in a band of its own that rests in between; in the
    /// rests the residue is of another level. Gives the residue's energy before and after in the second half.
    fn cleaned(cleanup: &mut Cleanup, residue: (f32, f32), voice_gain: f32) -> (f64, f64) {
        let (hop, lag) = (cleanup.hop, cleanup.latency_samples());
        let shaped = |seed: u32| -> Vec<f32> {
            let loudness = |n: usize| [0.3, 0.05][n / 4000 % 2];
            noise(LEN, seed).into_iter().enumerate().map(|(n, x)| loudness(n) * x).collect()
        };
        let rests = |n: usize| (n / 8000).is_multiple_of(3);
        let (backing, mut left) = (shaped(1), shaped(2));
        left.iter_mut().enumerate().for_each(|(n, x)| *x *= if rests(n) { residue.1 } else { residue.0 });
        let voice: Vec<f32> =
            (0..LEN).map(|n| if rests(n) { 0.0 } else { voice_gain * (n as f32 * 0.9).sin() }).collect();
        let (mut removed, mut before, mut after) = (stereo(hop), 0.0f64, 0.0f64);
        for at in (0..LEN - hop).step_by(hop) {
            let block = |x: &dyn Fn(usize) -> f32| -> Stereo {
                let side: Vec<f32> = (at..at + hop).map(x).collect();
                [side.clone(), side]
            };
            let difference = block(&|n| left[n] + voice[n]);
            cleanup.process(&difference, &block(&|n| backing[n]), 1.0, Residue::AsHeard, &mut removed);
            if at > LEN / 2 {
                for (n, removed) in removed[0].iter().enumerate() {
                    let n = at + n - lag;
                    before += f64::from(left[n]).powi(2);
                    after += f64::from(left[n] - removed).powi(2);
                }
            }
        }
        (before, after)
    }

    fn cleanup() -> Cleanup {
        Cleanup::new(Sizes::new(16_000.0))
    }

    fn won_db(cleanup: &mut Cleanup, residue: (f32, f32)) -> f64 {
        let (before, after) = cleaned(cleanup, residue, 0.2);
        10.0 * (before / after).log10()
    }

    #[test]
    fn lowers_a_residue_that_follows_the_backing() {
        // 20 dB under the backing, as a lossy file leaves it.
        let won_db = won_db(&mut cleanup(), (0.1, 0.1));
        assert!(won_db > 3.0, "{won_db}");
    }

    /// Two files by one encoder differ under the voice alone.
    #[test]
    fn rests_without_a_residue_tell_nothing() {
        let won_db = won_db(&mut cleanup(), (0.1, 0.0));
        assert!(won_db > 3.0, "{won_db}");
    }

    #[test]
    fn leaves_a_deep_null_untouched() {
        let (before, after) = cleaned(&mut cleanup(), (1e-4, 1e-4), 0.2);
        assert_eq!(before, after);
    }

    /// A residue reaches no higher over its lowest cells than so; what does sings whenever the backing is loud.
    #[test]
    fn a_floor_far_over_the_lowest_cells_is_no_residue() {
        let heard = |over: f32| {
            let mut cleanup = cleanup();
            let residue = 0.01f32;
            let class =
                |share: f32, backing| Class { floor: (share * QUIET_VALUE).ln(), backing, steps: ENOUGH };
            cleanup.leak.groups.iter_mut().flatten().take(9).for_each(|group| {
                group.loud_steps = ENOUGH;
                group.lowest = (residue * LOWEST_VALUE).ln();
                group.classes = [class(residue, -1.0), class(over * residue, 1.0)];
            });
            cleanup.heard()
        };
        assert_eq!([1.0, 4.0, 30.0].map(heard), [1.0, 1.0, 0.0]);
    }

    /// What was heard outlives a reset, and is of use to another clean-up from the start.
    #[test]
    fn what_was_heard_is_kept() {
        let mut used = cleanup();
        let first_db = won_db(&mut used, (0.1, 0.1));
        let leak = *used.leak();
        assert!(leak.is_sound() && leak.apart(&Leak::UNKNOWN) > 1e-3, "{leak:?}");
        used.reset();
        assert_eq!(used.leak(), &leak);
        let mut other = cleanup();
        other.set_leak(&leak);
        let [again, others] = [&mut used, &mut other].map(|cleanup| won_db(cleanup, (0.1, 0.1)));
        assert_eq!(again, others);
        assert!(again > first_db - 0.1, "{again} {first_db}");
        let mut wrong = leak;
        wrong.groups[1][3].classes[0].floor = f32::NAN;
        assert!(!wrong.is_sound());
        wrong.groups[1][3].classes[0] = Class { floor: 0.0, backing: 0.0, steps: u32::MAX };
        assert!(!wrong.is_sound());
    }

    /// Nor is there a residue where there is no backing, however faint the mix.
    #[test]
    fn an_amount_of_nothing_takes_nothing_out() {
        for (level, backing, amount) in [(0.5, 0.5, 0.0), (0.5, 0.0, 2.0), (1e-6, 0.0, 2.0)] {
            let mut cleanup = Cleanup::new(Sizes::new(16_000.0));
            let mut removed = stereo(32);
            for seed in 0..1000 {
                let side = |level: f32| noise(32, seed).iter().map(|x| level * x).collect::<Vec<_>>();
                let [mix, backing] = [level, backing].map(|level| [side(level), side(level)]);
                cleanup.process(&mix, &backing, amount, Residue::Share(0.1), &mut removed);
                assert!(removed.iter().flatten().all(|&x| x == 0.0), "{level}, {backing:?}, {amount}");
            }
        }
    }

    /// A group with this much residue and voice in it, power re loud backing; soft backing is 10 dB down.
    fn group(residue: f32, voice: f32) -> Group {
        let class = |backing: f32| Class {
            floor: (QUIET_VALUE * (residue + voice / backing)).ln(),
            backing: backing.ln(),
            steps: ENOUGH,
        };
        Group {
            steps: 3 * ENOUGH,
            loud_steps: ENOUGH,
            lowest: (LOWEST_VALUE * (residue + voice)).ln(),
            classes: [class(0.1), class(1.0)],
            ..Group::SILENT
        }
    }

    /// A voice that never rests in most groups, and swells with the backing, hides no deep null that is seen in the others;
    /// nor does reverberation in some groups hide one that most hear.
    #[test]
    fn the_deeper_null_counts() {
        let mut cleanup = Cleanup::new(Sizes::new(48_000.0));
        let deep = 10f32.powf(-4.3);
        let groups =
            |sure: f32, residue: f32| [group(sure, 0.0), group(residue, 0.14 * residue), group(0.05, 0.05)];
        for (kinds, heard) in
            [(groups(0.003, 0.05), 1.0), (groups(deep, 0.05), 0.0), (groups(0.003, deep), 0.0)]
        {
            let order = [0, 0, 1, 1, 1, 1, 1, 2, 2].into_iter().cycle();
            for (group, kind) in cleanup.leak.groups.iter_mut().flatten().zip(order) {
                *group = kinds[kind];
            }
            assert_eq!(cleanup.heard(), heard, "{kinds:?}");
        }
    }
}
