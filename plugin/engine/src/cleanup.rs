//! Takes out what the subtraction leaves of the backing: codec errors, noise that breathes with the music.
//!
//! In mid and side, per bin, the residue is taken to be a share of the matched backing's power. The share is learned from
//! the quiet cells of the difference, where the voice rests ([`ResidualEstimator`]). A Wiener gain then lowers the cells in
//! which residue prevails ([`WienerFilter`]). What a machine's estimate leaves is another matter, and has a mask of its own
//! ([`EstimatedMask`]); which of the two it is, [`EstimateTest`] judges.

pub mod estimate_model;
pub mod estimate_test;
mod estimated_mask;
#[cfg(test)]
pub mod machine;
mod removal;
mod residual_estimator;
pub mod residual_model;
mod wiener;

use crate::cleanup::estimate_model::EstimateModel;
use crate::cleanup::estimate_test::{EstimateTest, Verdict};
use crate::dsp::ring::{Stereo, stereo};
use crate::dsp::sizes::Sizes;
use crate::spectral::twin_spectrum::{self, TwinSpectrum, split};
use crate::spectral::window::root_hann;
use estimated_mask::EstimatedMask;
use realfft::num_complex::Complex32;
use removal::Removal;
use residual_estimator::ResidualEstimator;
use residual_model::ResidualModel;
use std::f32::consts::FRAC_1_SQRT_2;
use wiener::WienerFilter;

/// Frame and step at 44.1 and 48 kHz, samples. Chosen by hand; not measured.
const FRAME: usize = 2048;
const STEP: usize = 512;
/// Power that is added to the backing's in every cell, so that it can be divided by; what is no more than twice that is no
/// backing, in mid or, with what crosses over there, in side. Chosen by hand; not measured.
const FAINTEST: f32 = 1e-12;
/// Share of the mid's power that counts as backing in the side as well: errors of mid cross over. Chosen by hand; not
/// measured.
const MID_IN_SIDE: f32 = 0.1;

/// How a hop is cleaned up, and what is learned from it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cleaning {
    /// From 0, nothing, over 1, what leaks as estimated, to 2.
    pub amount: f32,
    /// Whether the backing is a machine's estimate.
    pub is_estimate: bool,
    /// Whether it may be judged what the backing is.
    pub is_judged: bool,
}

/// The clean-up.
pub struct Cleanup {
    spectrum: TwinSpectrum,
    window: Vec<f32>,
    twin: Vec<Complex32>,
    hop: usize,
    step: usize,
    /// Hops of the step that is heard; once it is whole it is worked on.
    hops: usize,
    /// The last frame of both signals, mid and side.
    difference: Stereo,
    matched: Stereo,
    /// Spectra of the last two frames of the difference, mid and side.
    frames: [[Vec<Complex32>; 2]; 2],
    /// Spectra of the last frame of the matched backing, mid and side.
    matched_frame: [Vec<Complex32>; 2],
    /// Powers of the last three frames of the matched backing, mid and side.
    powers: [[Vec<f32>; 2]; 3],
    /// Smoothed power of the matched backing, mid and side, at the frame before the newest.
    backing: [Vec<f32>; 2],
    estimator: ResidualEstimator,
    /// Power of the residue there.
    residue: [Vec<f32>; 2],
    wiener: WienerFilter,
    test: EstimateTest,
    mask: EstimatedMask,
    removal: Removal,
    /// Powers summed over three frames, with two bins of room at either end.
    columns: Vec<f32>,
}

impl Cleanup {
    /// A clean-up that has heard nothing.
    pub fn new(sizes: Sizes) -> Self {
        let (frame, step) = (sizes.scaled(FRAME), sizes.scaled(STEP));
        let num_bins = frame / 2 + 1;
        let zeros = || vec![Complex32::default(); num_bins];
        Self {
            window: root_hann(frame),
            hop: sizes.hop(),
            step,
            hops: 0,
            difference: stereo(frame),
            matched: stereo(frame),
            frames: std::array::from_fn(|_| std::array::from_fn(|_| zeros())),
            matched_frame: std::array::from_fn(|_| zeros()),
            powers: std::array::from_fn(|_| std::array::from_fn(|_| vec![0.0; num_bins])),
            backing: std::array::from_fn(|_| vec![0.0; num_bins]),
            estimator: ResidualEstimator::new(num_bins),
            residue: std::array::from_fn(|_| vec![0.0; num_bins]),
            wiener: WienerFilter::new(num_bins),
            test: EstimateTest::new(frame, step, sizes.sample_rate_hz),
            mask: EstimatedMask::new(num_bins, sizes.sample_rate_hz / step as f64),
            removal: Removal::new(frame, step),
            columns: vec![0.0; num_bins + 4],
            twin: vec![Complex32::default(); frame],
            spectrum: TwinSpectrum::new(frame),
        }
    }

    /// How far the removed part lags the difference: a frame, and one step for the neighbours in time.
    pub fn latency_samples(&self) -> usize {
        self.window.len() + self.step - self.hop
    }

    /// Forgets the signals, keeps what was learned.
    pub fn reset(&mut self) {
        self.hops = 0;
        self.difference.iter_mut().chain(&mut self.matched).for_each(|x| x.fill(0.0));
        self.frames.iter_mut().flatten().for_each(|x| x.fill(Complex32::default()));
        self.powers.iter_mut().flatten().for_each(|x| x.fill(0.0));
        self.wiener.reset();
        self.test.restart();
        self.mask.reset();
        self.removal.reset();
    }

    /// The residual model.
    pub fn residual(&self) -> &ResidualModel {
        self.estimator.model()
    }

    /// Takes a residual model as known.
    pub fn set_leak(&mut self, residual: &ResidualModel) {
        *self.estimator.model_mut() = *residual;
    }

    /// What the backing is, and what is known of it if it is an estimate.
    pub fn estimate(&self) -> (Verdict, &EstimateModel) {
        (self.test.verdict, &self.mask.model)
    }

    /// Takes as known what the backing is.
    pub fn set_estimate(&mut self, verdict: Verdict, model: &EstimateModel) {
        self.test.verdict = verdict;
        self.mask.model = *model;
    }

    /// Starts learning over, for when a better match is in force.
    pub fn relearn(&mut self) {
        self.estimator.model_mut().relearn();
        self.test.restart();
    }

    /// Takes one hop of difference and matched backing.
    pub fn hear(&mut self, difference: &Stereo, matched: &Stereo) {
        let hop = self.hop;
        self.hops %= self.step / hop;
        for (history, new) in [(&mut self.difference, difference), (&mut self.matched, matched)] {
            if self.hops == 0 {
                history.iter_mut().for_each(|side| side.copy_within(self.step.., 0));
            }
            let at = self.window.len() - self.step + self.hops * hop;
            turn(new, history.each_mut().map(|side| &mut side[at..at + hop]));
        }
        self.hops += 1;
    }

    fn is_whole(&self) -> bool {
        self.hops * self.hop == self.step
    }

    /// Does a part of learning from the last hop, the first of two after [`Cleanup::hear`]. That is all that is to be done where
    /// nobody hears the output.
    pub fn learn(&mut self, part: usize, cleaning: &Cleaning) {
        match part {
            _ if !self.is_whole() => {}
            0 => {
                self.analyse();
                if cleaning.is_judged {
                    self.test.hear(&self.frames[1], &self.matched_frame);
                }
            }
            _ if cleaning.is_estimate => self.mask.hear(&self.frames[1], &self.matched_frame),
            _ => {
                self.average_backing();
                // From the frame before the newest.
                self.estimator.learn(&self.frames[0], &self.backing);
            }
        }
    }

    /// After all of it is learned from, gives what is to be taken from the difference [`Cleanup::latency_samples`] ago.
    pub fn removed(&mut self, cleaning: &Cleaning) -> [&[f32]; 2] {
        if self.is_whole() {
            self.remove(cleaning);
        }
        let at = self.hops * self.hop % self.step;
        self.removal.removed().each_ref().map(|sum| &sum[at..at + self.hop])
    }

    /// Spectra of the newest frame, in mid and side.
    fn analyse(&mut self) {
        self.frames.rotate_left(1);
        self.powers.rotate_left(1);
        for (signal, spectra) in
            [(&self.difference, &mut self.frames[1]), (&self.matched, &mut self.matched_frame)]
        {
            twin_spectrum::load(&self.window, &signal[0], &signal[1], &mut self.twin);
            self.spectrum.forward(&mut self.twin);
            let [mid, side] = spectra;
            split(&self.twin, mid, side);
        }
        for (powers, bins) in self.powers[2].iter_mut().zip(&self.matched_frame) {
            powers.iter_mut().zip(bins).for_each(|(power, bin)| *power = bin.norm_sqr());
        }
    }

    /// Power of the backing about the frame before the newest: mean over three frames and five bins.
    fn average_backing(&mut self) {
        let num_bins = self.backing[0].len();
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
        let [mid, side] = &mut self.backing;
        side.iter_mut().zip(mid).for_each(|(s, m)| *s += MID_IN_SIDE * *m);
    }

    /// Takes what leaks out of the frame before the newest.
    fn remove(&mut self, &Cleaning { amount, is_estimate, .. }: &Cleaning) {
        let (frame, backing) = (&self.frames[0], &self.backing);
        if is_estimate {
            self.mask.remove(frame, amount, &mut self.removal);
            return;
        }
        for ((residue, backing), shares) in self.residue.iter_mut().zip(backing).zip(self.estimator.shares())
        {
            for ((residue, &backing), share) in residue.iter_mut().zip(backing).zip(shares) {
                *residue = if backing > 2.0 * FAINTEST { amount * share * backing } else { 0.0 };
            }
        }
        self.wiener.process(frame, &self.residue, &mut self.removal);
    }
}

/// Mid and side of left and right.
fn turn([left, right]: &Stereo, [mid, side]: [&mut [f32]; 2]) {
    for (((left, right), mid), side) in left.iter().zip(right).zip(mid).zip(side) {
        (*mid, *side) = ((left + right) * FRAC_1_SQRT_2, (left - right) * FRAC_1_SQRT_2);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;

    const LEN: usize = 16_000 * 12;
    const RECORDED: Cleaning = Cleaning { amount: 1.0, is_estimate: false, is_judged: true };

    /// All that is done with one hop.
    fn clean<'a>(
        cleanup: &'a mut Cleanup,
        difference: &Stereo,
        matched: &Stereo,
        cleaning: &Cleaning,
    ) -> [&'a [f32]; 2] {
        cleanup.hear(difference, matched);
        (0..2).for_each(|part| cleanup.learn(part, cleaning));
        cleanup.removed(cleaning)
    }

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
        let (mut before, mut after) = (0.0f64, 0.0f64);
        for at in (0..LEN - hop).step_by(hop) {
            let block = |x: &dyn Fn(usize) -> f32| -> Stereo {
                let side: Vec<f32> = (at..at + hop).map(x).collect();
                [side.clone(), side]
            };
            let difference = block(&|n| left[n] + voice[n]);
            let removed = clean(cleanup, &difference, &block(&|n| backing[n]), &RECORDED);
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

    /// What was heard outlives a reset, and is of use to another clean-up from the start.
    #[test]
    fn what_was_heard_is_kept() {
        let mut used = cleanup();
        let first_db = won_db(&mut used, (0.1, 0.1));
        let residual = *used.residual();
        assert!(residual.is_sound() && residual.apart(&ResidualModel::UNKNOWN) > 1e-3, "{residual:?}");
        used.reset();
        assert_eq!(used.residual(), &residual);
        let mut other = cleanup();
        other.set_leak(&residual);
        let [again, others] = [&mut used, &mut other].map(|cleanup| won_db(cleanup, (0.1, 0.1)));
        assert_eq!(again, others);
        assert!(again > first_db - 0.1, "{again} {first_db}");
    }

    /// Nor is there a residue where there is no backing, however faint the mix.
    #[test]
    fn an_amount_of_nothing_takes_nothing_out() {
        for (level, backing, amount) in [(0.5, 0.5, 0.0), (0.5, 0.0, 2.0), (1e-6, 0.0, 2.0)] {
            let mut cleanup = Cleanup::new(Sizes::new(16_000.0));
            for seed in 0..1000 {
                let side = |level: f32| noise(32, seed).iter().map(|x| level * x).collect::<Vec<_>>();
                let [mix, backing] = [level, backing].map(|level| [side(level), side(level)]);
                let cleaning = Cleaning { amount, is_estimate: true, is_judged: true };
                let removed = clean(&mut cleanup, &mix, &backing, &cleaning);
                assert!(removed.into_iter().flatten().all(|&x| x == 0.0), "{level}, {backing:?}, {amount}");
            }
        }
    }

    /// Plays a difference and what was subtracted; gives what is left of the difference.
    fn left(cleanup: &mut Cleanup, difference: &[f32], matched: &[f32], cleaning: &Cleaning) -> Vec<f32> {
        let (hop, lag) = (cleanup.hop, cleanup.latency_samples());
        let mut left = difference.to_vec();
        for at in (0..difference.len() - hop).step_by(hop) {
            let block = |x: &[f32]| -> Stereo { [x[at..at + hop].to_vec(), x[at..at + hop].to_vec()] };
            let removed = clean(cleanup, &block(difference), &block(matched), cleaning);
            let Some(from) = at.checked_sub(lag) else { continue };
            left[from..].iter_mut().zip(removed[0]).for_each(|(x, removed)| *x -= removed);
        }
        left
    }

    fn minus(a: &[f32], b: &[f32]) -> Vec<f32> {
        a.iter().zip(b).map(|(a, b)| a - b).collect()
    }

    /// By the phase of what is left: a mask leaves it in phase with the backing, a recording leaves the voice, and a
    /// recording at a wrong level what is in phase but no more than the voice is not.
    #[test]
    fn an_estimate_is_told_from_a_recording() {
        let len = 12 * machine::RATE_HZ;
        let (voice, backing) = (machine::voice(len), machine::backing(len, 1));
        let mix: Vec<f32> = voice.iter().zip(&backing).map(|(v, b)| v + b).collect();
        let with_bleed = machine::estimate(&voice, &backing, 0.2);
        let clean = machine::estimate(&voice, &backing, 0.0);
        let off: Vec<f32> = backing.iter().map(|x| 0.99 * x).collect();
        for (given, verdict) in [
            (&with_bleed, Verdict::Estimate),
            (&clean, Verdict::Estimate),
            (&backing, Verdict::Recording),
            (&off, Verdict::Recording),
        ] {
            let mut cleanup = Cleanup::new(Sizes::new(machine::RATE_HZ as f64));
            left(&mut cleanup, &minus(&mix, given), given, &RECORDED);
            assert_eq!(cleanup.estimate().0, verdict);
            // Where nothing may be judged nothing is.
            let mut cleanup = Cleanup::new(Sizes::new(machine::RATE_HZ as f64));
            let cleaning = Cleaning { is_judged: false, ..RECORDED };
            left(&mut cleanup, &minus(&mix, given), given, &cleaning);
            assert_eq!(cleanup.estimate().0, Verdict::Undecided);
        }
    }

    /// A part that is the voice itself leaves nothing once it is matched; the moment before, in phase with the backing, is not all.
    #[test]
    fn what_is_gone_is_no_estimate() {
        let backing = machine::backing(12 * machine::RATE_HZ, 1);
        let unmatched = backing.iter().take(machine::RATE_HZ / 4).map(|x| 0.5 * x);
        let difference: Vec<f32> = unmatched.chain(std::iter::repeat(0.0)).take(backing.len()).collect();
        let mut cleanup = Cleanup::new(Sizes::new(machine::RATE_HZ as f64));
        left(&mut cleanup, &difference, &backing, &RECORDED);
        assert_ne!(cleanup.estimate().0, Verdict::Estimate);
    }

    /// Better than plain subtraction on a machine, a voice and a backing that the weights were not fitted on: the voice, and
    /// what the mix is without it.
    #[test]
    fn a_mask_wins_over_plain_subtraction() {
        let len = 12 * machine::RATE_HZ;
        let (voice, backing) = (machine::voice(len), machine::backing(len, 2));
        let mix: Vec<f32> = voice.iter().zip(&backing).map(|(v, b)| v + b).collect();
        for (bleed, least_db) in [(0.0, [0.3, 0.3]), (0.2, [0.0, 1.0])] {
            let given = machine::estimate(&voice, &backing, bleed);
            let plain = minus(&mix, &given);
            let mut cleanup = Cleanup::new(Sizes::new(machine::RATE_HZ as f64));
            let cleaning = Cleaning { amount: 1.0, is_estimate: true, is_judged: false };
            let left = left(&mut cleanup, &plain, &given, &cleaning);
            let part = |x: &[f32]| x[len / 3..len * 9 / 10].to_vec();
            let won_db = |truth: &[f32], before: &[f32], after: &[f32]| {
                let score_db = |x| machine::si_sdr_db(&part(truth), &part(x));
                score_db(after) - score_db(before)
            };
            let won = [won_db(&voice, &plain, &left), won_db(&backing, &given, &minus(&mix, &left))];
            assert!(won[0] > least_db[0] && won[1] > least_db[1], "{bleed}: {won:?} dB");
        }
    }
}
