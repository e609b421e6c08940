//! Which model of the match is used: from one gain to filters across the sides, each fitted to what was heard and judged by
//! what is heard after the fit.

use crate::align::lock::agree_samples;
use crate::dsp::at_once::{Both, each};
use crate::dsp::ring::Signal;
use crate::dsp::sizes::Sizes;
use crate::dsp::units::mean;
use crate::learn::heard::{Newest, Stretch};
use crate::learn::level_test::Judged;
use crate::learn::request::MatchRequest;
use crate::matching::filter_fit::{STEPS, fit_filter};
use crate::matching::filter_model::{FILTER_MODELS, FilterModel, Resolution, choose};
use crate::matching::simple_fit::{SimpleFit, first_choice, fit_simple, simple_taps};
use crate::matching::statistics::{self, Statistics};
use crate::matching::taps::Taps;
use crate::settings::Tone;
use crate::spectral::spectrum::Spectrum;

/// Newest music on which a match is judged, seconds.
pub const JUDGED_S: f64 = 4.0;
/// Jobs whose judgements are remembered.
const JUDGED_JOBS: usize = 3;
/// Music from which filters are learned, and fine ones, seconds.
const FILTERS_FROM_S: f64 = 0.9;
const FINE_FROM_S: f64 = 3.5;
/// Improvement of the score from which a coarse filter is taken before it was tried out of sample, nats (4.3 dB):
/// so smooth a filter cannot fake that.
const AT_ONCE: f64 = 1.0;

/// The models on trial.
pub struct ModelSelection {
    sizes: Sizes,
    /// How far two delays of one alignment may differ.
    same_samples: f64,
    trials: Vec<(FilterModel, Taps)>,
    judged: Vec<Vec<(FilterModel, Vec<f64>)>>,
    judged_to: i64,
    level: SimpleFit,
    delayed: SimpleFit,
}

impl ModelSelection {
    /// None yet.
    pub fn new(sizes: Sizes) -> Self {
        Self {
            sizes,
            same_samples: agree_samples(sizes.sample_rate_hz),
            trials: Vec::new(),
            judged: Vec::new(),
            judged_to: 0,
            level: SimpleFit::default(),
            delayed: SimpleFit::default(),
        }
    }

    /// Forgets them all. Gives memory back: in a job only.
    pub fn forget(&mut self) {
        *self = Self::new(self.sizes);
    }

    /// The alignment is another one, from `before` to `after` samples: one that is found more exactly is the same, and what was fitted
    /// at it stays good with the difference taken out of its delay. True if nothing stays.
    pub fn move_to(&mut self, before: Option<i64>, after: Option<i64>) -> bool {
        match (before, after) {
            (Some(before), Some(after)) if (after - before).abs() as f64 <= self.same_samples => {
                let moved = after - before;
                self.trials.iter_mut().for_each(|(_, taps)| taps.advance(moved as isize));
                self.delayed.delay_samples = (self.delayed.delay_samples - moved as f64).clamp(-1.0, 1.0);
                false
            }
            _ => {
                self.forget();
                true
            }
        }
    }

    /// A delay, in samples, was taken out of the filter. Allocates.
    pub fn take_out(&mut self, delay_samples: f64) {
        self.trials.iter_mut().for_each(|(_, taps)| taps.delay(-delay_samples));
        self.delayed.delay_samples -= delay_samples;
    }

    /// Fits every model; the one to use, with what it gains against the filter in force, nats, if it is better. What that
    /// filter was learned from, seconds, says how much better it must be; `judged` is what it leaves, if that is known.
    pub fn improve(
        &mut self,
        heard: &Stretch,
        in_force: &Taps,
        judged: Judged,
        given: &MatchRequest,
        both: Both,
    ) -> Option<(Taps, f64)> {
        let tone = given.tone;
        let newest = heard.newest_with(self.sizes.samples(JUDGED_S), judged.cost);
        self.judge_trials(heard, &newest, both);
        self.fit(heard, in_force, tone, both);
        let in_sample = |taps: &Taps| mean(&newest.score(taps, self.sizes));
        let trial = |model| self.trials.iter().find(|(trial, _)| *trial == model).map(|(_, taps)| taps);
        let mut taps = trial(self.choose(tone))?;
        let unknown = if judged.left.is_none() { &[taps, in_force][..] } else { &[taps] };
        let scores = each(unknown, both, |taps| in_sample(taps));
        let (mut reached, left) = (scores[0], judged.left.unwrap_or_else(|| scores[1]));
        let at_once = FilterModel::Filters(Resolution::Coarse);
        if let Some(filter) = trial(at_once).filter(|_| at_once.within(tone) && !self.is_judged(at_once)) {
            let score = in_sample(filter);
            if score < reached - AT_ONCE {
                (taps, reached) = (filter, score);
            }
        }
        let cost_reduction = left - reached;
        // Judged on music it was learned from, the new one looks better than it is: the more so, the less that was.
        let heard_s = heard.mix.len as f64 / self.sizes.sample_rate_hz;
        let is_less = heard_s < given.learned_s;
        if is_less && heard_s < JUDGED_S && given.movement.moves() {
            // Before the voice comes in a compressor rests: what the first seconds ask for is not what the song does.
            return None;
        }
        let needed = if is_less { AT_ONCE } else { 1e-6 };
        (cost_reduction > needed).then(|| (taps.clone(), cost_reduction))
    }

    fn is_judged(&self, model: FilterModel) -> bool {
        self.judged.iter().flatten().any(|(judged, _)| *judged == model)
    }

    /// Scores the models of the last job on what was heard since, the newest music at most: out of sample.
    fn judge_trials(&mut self, heard: &Stretch, newest: &Newest, both: Both) {
        let len = newest.mix().num_samples() as i64;
        let fresh = (heard.end() - self.judged_to).min(len);
        if fresh > 0 && !self.trials.is_empty() {
            let part = (fresh < len).then(|| heard.newest(fresh as usize));
            let newest = part.as_ref().unwrap_or(newest);
            let score = |(model, taps): &(FilterModel, Taps)| (*model, newest.score(taps, self.sizes));
            self.judged.push(each(&self.trials, both, score));
            if self.judged.len() > JUDGED_JOBS {
                self.judged.remove(0);
            }
        }
        self.judged_to = heard.end();
    }

    /// Fits every model.
    fn fit(&mut self, heard: &Stretch, in_force: &Taps, tone: Tone, both: Both) {
        let window = self.sizes.scaled(statistics::WINDOW);
        let rate = self.sizes.sample_rate_hz;
        let seconds = heard.mix.len as f64 / rate;
        let num_taps = in_force.num_taps();
        let mut spectrum = Spectrum::new(window);
        let mut reference = in_force.clone();
        // While nothing is in force the weights must be found first, so the first job goes over it again.
        let passes = if reference.is_silent() { 3 } else { 1 };
        let mut trials = Vec::new();
        for pass in 0..passes {
            let active = reference.centred_responses(&mut spectrum);
            let statistics = Statistics::gather(&heard.mix, &heard.backing, &reference, &active, window);
            self.level = fit_simple(&statistics, &active, self.level, false, rate);
            self.delayed = fit_simple(&statistics, &active, self.delayed, true, rate);
            let simple = |model| simple_taps(model, &self.level, &self.delayed, num_taps);
            reference = simple(first_choice(&self.delayed, tone));
            if pass + 1 < passes {
                continue;
            }
            trials.extend(FILTER_MODELS[..4].iter().map(|&model| (model, simple(model))));
            if seconds < FILTERS_FROM_S {
                continue;
            }
            let steps = if seconds < FINE_FROM_S { &STEPS[..1] } else { &STEPS[..] };
            let kinds: [fn(Resolution) -> FilterModel; 2] = [FilterModel::Filters, FilterModel::Across];
            let fits = each(&kinds, both, |kind| {
                let coarse = kind(Resolution::Coarse);
                let across = coarse == FilterModel::Across(Resolution::Coarse);
                let former = self.trials.iter().find(|(model, _)| *model == coarse);
                let start = former.map_or(&trials[3].1, |(_, taps)| taps);
                fit_filter(&statistics, &active, start, across, steps, &mut Spectrum::new(window))
            });
            for (kind, fits) in kinds.iter().zip(fits) {
                trials.extend(fits.into_iter().map(|(resolution, taps)| (kind(resolution), taps)));
            }
        }
        self.trials = trials;
    }

    /// The model to use, judged on the jobs in which all of the present ones were tried.
    fn choose(&self, tone: Tone) -> FilterModel {
        let counts = |model: FilterModel| {
            self.judged.iter().filter(|job| job.iter().any(|(r, _)| *r == model)).count()
        };
        let allowed = FILTER_MODELS.into_iter().filter(|model| model.within(tone));
        let candidates: Vec<FilterModel> = allowed.filter(|&model| counts(model) > 0).collect();
        let jobs = candidates.iter().map(|&model| counts(model)).min().unwrap_or_default();
        let recent = &self.judged[self.judged.len() - jobs..];
        let scores: Vec<(FilterModel, Vec<f64>)> = candidates
            .into_iter()
            .map(|model| {
                let of_job = |job: &Vec<(FilterModel, Vec<f64>)>| {
                    job.iter().find(|(r, _)| *r == model).map_or(Vec::new(), |(_, scores)| scores.clone())
                };
                (model, recent.iter().flat_map(of_job).collect())
            })
            .collect();
        choose(&scores).unwrap_or_else(|| first_choice(&self.delayed, tone))
    }
}
