//! What is put out: clean-up, low-cut, the choice of what is heard, output level and bypass.

use crate::cleanup::estimate_model::EstimateModel;
use crate::cleanup::estimate_test::Verdict;
use crate::cleanup::residual_model::ResidualModel;
use crate::cleanup::{Cleaning, Cleanup};
use crate::dsp::glide::Glide;
use crate::dsp::ring::{OwnRing, Stereo, stereo};
use crate::dsp::sizes::Sizes;
use crate::framing::SILENCE;
use crate::input::InputHistory;
use crate::low_cut::LowCut;
use crate::settings::{BackingKind, Listen};
use crate::subtractor::Subtracted;

/// Time constants, ms. Chosen by hand: without zipper noise, and without a click where something else is heard.
const LEVEL_MS: f64 = 3.0;
const SWITCH_MS: f64 = 10.0;

const LISTENS: [Listen; 3] = [Listen::Difference, Listen::Backing, Listen::Mix];

/// The last stage.
pub struct OutputStage {
    cleanup: Cleanup,
    /// How the hop that was heard last is cleaned up.
    cleaning: Cleaning,
    latency_samples: usize,
    /// Backing and difference on their way through the clean-up's lag.
    backing: OwnRing,
    difference: OwnRing,
    low_cut: LowCut,
    level: Glide,
    engaged: Glide,
    listen: [Glide; 3],
    bypass: Glide,
    as_it_came: Stereo,
    cut: Stereo,
    levels: Stereo,
    output: Output,
}

/// What was put out, and what it was made of; all of it belongs to one position of the mix.
pub struct Output {
    /// Position of the mix.
    pub at: i64,
    /// The mix, straight if it was bent.
    pub mix: Stereo,
    /// The backing as it is subtracted.
    pub backing: Stereo,
    /// What is left, before the low-cut.
    pub difference: Stereo,
}

impl OutputStage {
    /// At rest.
    pub fn new(sizes: Sizes) -> Self {
        let (hop, rate_hz, cleanup) = (sizes.hop(), sizes.sample_rate_hz, Cleanup::new(sizes));
        let lag = cleanup.latency_samples();
        Self {
            backing: OwnRing::new(lag + hop),
            difference: OwnRing::new(lag + hop),
            low_cut: LowCut::new(rate_hz),
            level: Glide::new(1.0, LEVEL_MS, rate_hz),
            engaged: Glide::new(0.0, SWITCH_MS, rate_hz),
            listen: [1.0, 0.0, 0.0].map(|weight| Glide::new(weight, SWITCH_MS, rate_hz)),
            bypass: Glide::new(0.0, SWITCH_MS, rate_hz),
            as_it_came: stereo(hop),
            cut: stereo(hop),
            levels: stereo(hop),
            latency_samples: lag,
            output: Output { at: -1, mix: stereo(hop), backing: stereo(hop), difference: stereo(hop) },
            cleaning: Cleaning { amount: 0.0, is_estimate: false, is_judged: false },
            cleanup,
        }
    }

    /// How far the output lags what comes in, samples.
    pub fn latency_samples(&self) -> usize {
        self.latency_samples
    }

    /// What was put out last, if anything was. Nothing comes before the mix does.
    pub fn output(&self) -> Option<&Output> {
        (self.output.at >= 0).then_some(&self.output)
    }

    /// Forgets the signals, keeps what was heard of the residue.
    pub fn reset(&mut self) {
        self.cleanup.reset();
        self.backing.restart(0);
        self.difference.restart(0);
        self.low_cut.reset();
        self.output.at = -1;
    }

    /// What was heard of the residue.
    pub fn residue(&self) -> &ResidualModel {
        self.cleanup.residual()
    }

    /// Takes what was heard of the residue as known.
    pub fn set_residue(&mut self, residue: &ResidualModel) {
        self.cleanup.set_leak(residue);
    }

    /// What the backing is, and what is known of it if it is an estimate.
    pub fn estimate(&self) -> (Verdict, &EstimateModel) {
        self.cleanup.estimate()
    }

    /// Takes as known what the backing is.
    pub fn set_estimate(&mut self, verdict: Verdict, model: &EstimateModel) {
        self.cleanup.set_estimate(verdict, model);
    }

    /// Learns the residue anew, for when a better match is in force.
    pub fn relearn_residue(&mut self) {
        self.cleanup.relearn();
    }

    /// Takes one hop. The clean-up hears what the match leaves of the backing, whatever Trim adds; but none that is not
    /// subtracted. `is_matched` tells whether the match was learned, so that it may be judged what the backing is.
    #[inline(never)]
    pub fn hear(&mut self, subtracted: &Subtracted, input: &InputHistory, is_matched: bool) {
        let settings = input.settings_at(subtracted.at);
        let is_estimate = settings.backing_kind == BackingKind::Estimated;
        let is_judged = is_matched
            && settings.may_judge_backing()
            && is_estimate == (self.estimate().0 == Verdict::Estimate);
        self.cleaning = Cleaning { amount: settings.cleanup_percent / 50.0, is_estimate, is_judged };
        self.cleanup.hear(&subtracted.residual, &subtracted.matched);
    }

    /// Does a part, the first of two, of learning the residue from it, which is all that is to be done where nobody hears the
    /// output.
    #[inline(never)]
    pub fn learn(&mut self, part: usize) {
        self.cleanup.learn(part, &self.cleaning);
    }

    /// Fills the output with what came of the hop that was heard and those before. Where nothing `is_subtracted` the mix passes
    /// untouched.
    #[inline(never)]
    pub fn mix_down(
        &mut self,
        subtracted: &Subtracted,
        input: &InputHistory,
        is_subtracted: bool,
        out: &mut Stereo,
    ) {
        let removed = self.cleanup.removed(&self.cleaning);
        self.backing.push([&subtracted.backing[0], &subtracted.backing[1]]);
        self.difference.push([&subtracted.difference[0], &subtracted.difference[1]]);
        let Output { at, mix, backing, difference } = &mut self.output;
        *at = subtracted.at - self.latency_samples as i64;
        if *at < 0 {
            return;
        }
        let settings = input.settings_at(*at);
        let engaged = f32::from(is_subtracted);
        input.read_mix(*at, mix);
        input.read_mix_as_it_came(*at, &mut self.as_it_came);
        let is_bent = mix != &self.as_it_came;
        input.read_levels(*at, &mut self.levels);
        self.backing.read_stereo(*at, backing);
        self.difference.read_stereo(*at, difference);
        for ((difference, removed), cut) in difference.iter_mut().zip(removed).zip(&mut self.cut) {
            difference.iter_mut().zip(removed).for_each(|(d, r)| *d -= r);
            cut.copy_from_slice(difference);
        }
        self.low_cut.process(&mut self.cut, settings.low_cut_hz, settings.slope);
        if *at == 0 {
            // After a reset the first settings hold at once.
            self.engaged.set(0.0);
            self.level.set(self.levels[1][0]);
            self.bypass.set(f32::from(settings.bypass));
            for (glide, listen) in self.listen.iter_mut().zip(LISTENS) {
                glide.set(f32::from(settings.listen == listen));
            }
        }
        let is_listened_to = LISTENS.map(|listen| f32::from(settings.listen == listen));
        let bypass = f32::from(settings.bypass);
        let levels = &self.levels[1];
        let rests = self.engaged.rests_at(engaged)
            && self.bypass.rests_at(bypass)
            && self.listen.iter().zip(is_listened_to).all(|(glide, target)| glide.rests_at(target))
            && levels.iter().all(|&level| self.level.rests_at(level));
        let (cut, as_it_came) = (&self.cut, &self.as_it_came);
        let mut put = |n: usize, engaged: f32, weights: [f32; 3], level: f32, bypass: f32| {
            for side in 0..2 {
                let x = as_it_came[side][n];
                // Where nothing is taken away the difference is the mix; one that was made straight passes as it came.
                let passing = if is_bent { x } else { difference[side][n] };
                let d = passing + engaged * (cut[side][n] - passing);
                let heard = weights[0] * d + weights[1] * backing[side][n] + weights[2] * x;
                let y = level * heard;
                // Exact at the end of the glide; nothing so small that it slows a host down.
                let y = if bypass == 1.0 { x } else { y + bypass * (x - y) };
                out[side][n] = if y.abs() < SILENCE { 0.0 } else { y };
            }
        };
        if rests {
            (0..levels.len()).for_each(|n| put(n, engaged, is_listened_to, levels[n], bypass));
            return;
        }
        for (n, &level) in levels.iter().enumerate() {
            let mut weights = [0.0; 3];
            for ((weight, glide), target) in weights.iter_mut().zip(&mut self.listen).zip(is_listened_to) {
                *weight = glide.next(target);
            }
            put(n, self.engaged.next(engaged), weights, self.level.next(level), self.bypass.next(bypass));
        }
    }
}
