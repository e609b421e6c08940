//! Takes out what the subtraction leaves of the backing: codec errors, noise that breathes with the music.
//!
//! In mid and side, per bin, the residue is taken to be a share of the matched backing's power. The share is learned from
//! the quiet cells of the difference, where the voice rests ([`ResidualEstimator`]). A Wiener gain then lowers the cells in
//! which residue prevails ([`WienerFilter`]).

mod residual_estimator;
pub mod residual_model;
mod wiener;

use crate::dsp::ring::{Stereo, stereo};
use crate::dsp::sizes::Sizes;
use crate::spectral::spectrum::Spectrum;
use crate::spectral::window::root_hann;
use realfft::num_complex::Complex32;
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

/// Parts that learning from a hop is done in, of about the same length.
#[cfg(test)]
const PARTS: usize = 2;

/// What the residue is taken to be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Residue {
    /// As learned from the difference.
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
    /// Hops of the step that is heard; once it is whole it is worked on.
    hops: usize,
    /// The last frame of both signals.
    difference: Stereo,
    matched: Stereo,
    /// Spectra of the last two frames of the difference, mid and side.
    frames: [[Vec<Complex32>; 2]; 2],
    /// Powers of the last three frames of the matched backing, mid and side.
    powers: [[Vec<f32>; 2]; 3],
    /// Smoothed power of the matched backing, mid and side, at the frame before the newest.
    backing: [Vec<f32>; 2],
    estimator: ResidualEstimator,
    wiener: WienerFilter,
    /// Powers summed over three frames, with two bins of room at either end.
    columns: Vec<f32>,
    /// Left and right of one frame.
    bins: [Vec<Complex32>; 2],
}

impl Cleanup {
    /// A clean-up that has heard nothing.
    pub fn new(sizes: Sizes) -> Self {
        let (frame, step) = (sizes.scaled(FRAME), sizes.scaled(STEP));
        let spectrum = Spectrum::new(frame);
        let num_bins = spectrum.num_bins();
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
            estimator: ResidualEstimator::new(num_bins),
            wiener: WienerFilter::new(frame, step),
            columns: vec![0.0; num_bins + 4],
            bins: [zeros(), zeros()],
            spectrum,
        }
    }

    /// How far the removed part lags the difference: a frame, and one step for the neighbours in time.
    pub fn latency_samples(&self) -> usize {
        self.window.len() + self.step - self.hop
    }

    /// Forgets the signals, keeps what was learned of the residue.
    pub fn reset(&mut self) {
        self.hops = 0;
        self.difference.iter_mut().chain(&mut self.matched).for_each(|x| x.fill(0.0));
        self.frames.iter_mut().flatten().for_each(|x| x.fill(Complex32::default()));
        self.powers.iter_mut().flatten().for_each(|x| x.fill(0.0));
        self.wiener.reset();
    }

    /// The residual model.
    pub fn residual(&self) -> &ResidualModel {
        self.estimator.model()
    }

    /// Takes a residual model as known.
    pub fn set_leak(&mut self, residual: &ResidualModel) {
        *self.estimator.model_mut() = *residual;
    }

    /// Starts learning over, for when a better match is in force.
    pub fn relearn(&mut self) {
        self.estimator.model_mut().relearn();
    }

    /// Takes one hop of difference and matched backing.
    pub fn hear(&mut self, difference: &Stereo, matched: &Stereo) {
        let hop = self.hop;
        self.hops %= self.step / hop;
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
    }

    fn is_whole(&self) -> bool {
        self.hops * self.hop == self.step
    }

    /// Does a part of learning from the last hop, the first of two after [`Cleanup::hear`]. That is all that is to be done where
    /// nobody hears the output.
    pub fn learn(&mut self, part: usize) {
        match part {
            _ if !self.is_whole() => {}
            0 => self.analyse(),
            _ => {
                self.average_backing();
                // From the frame before the newest.
                self.estimator.learn(&self.frames[0], &self.backing);
            }
        }
    }

    /// After all of it is learned from, gives what is to be taken from the difference [`Cleanup::latency_samples`] ago. `amount`
    /// from 0, nothing, over 1, the residue as estimated, to 2.
    pub fn removed(&mut self, amount: f32, residue: Residue) -> [&[f32]; 2] {
        if self.is_whole() {
            self.remove(amount, residue);
        }
        let at = self.hops * self.hop % self.step;
        self.wiener.removed().each_ref().map(|sum| &sum[at..at + self.hop])
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
                let turned = [(left + right) * FRAC_1_SQRT_2, (left - right) * FRAC_1_SQRT_2];
                for c in 0..2 {
                    if is_matched {
                        self.powers[2][c][k] = turned[c].norm_sqr();
                    } else {
                        self.frames[1][c][k] = turned[c];
                    }
                }
            }
        }
    }

    /// Power of the backing about the frame before the newest: mean over three frames and five bins.
    fn average_backing(&mut self) {
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
        let [mid, side] = &mut self.backing;
        side.iter_mut().zip(mid).for_each(|(s, m)| *s += MID_IN_SIDE * *m);
    }

    /// Takes the residue out of the frame before the newest.
    fn remove(&mut self, amount: f32, residue: Residue) {
        let (frame, backing) = (&self.frames[0], &self.backing);
        if let Residue::Share(share) = residue {
            self.estimator.assume_share(share);
        }
        let shares = self.estimator.shares();
        self.wiener.process(frame, |c, k| {
            let backing = backing[c][k];
            (backing > 2.0 * FAINTEST).then(|| amount * shares[c][k] * backing)
        });
    }
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
        let (mut before, mut after) = (0.0f64, 0.0f64);
        for at in (0..LEN - hop).step_by(hop) {
            let block = |x: &dyn Fn(usize) -> f32| -> Stereo {
                let side: Vec<f32> = (at..at + hop).map(x).collect();
                [side.clone(), side]
            };
            let difference = block(&|n| left[n] + voice[n]);
            cleanup.hear(&difference, &block(&|n| backing[n]));
            (0..PARTS).for_each(|part| cleanup.learn(part));
            let removed = cleanup.removed(1.0, Residue::AsHeard);
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
                cleanup.hear(&mix, &backing);
                (0..PARTS).for_each(|part| cleanup.learn(part));
                let removed = cleanup.removed(amount, Residue::Share(0.1));
                assert!(removed.into_iter().flatten().all(|&x| x == 0.0), "{level}, {backing:?}, {amount}");
            }
        }
    }
}
