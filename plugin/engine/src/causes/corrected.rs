//! What is corrected: what each stage of the chain is worth, from what it does and the backing's spectrum alone.

use crate::causes::chain::Chain;
use crate::causes::diagnosis::{EXCHANGED_DB, Kind};
use crate::dsp::ring::Signal;
use crate::dsp::sizes::Sizes;
use crate::dsp::units::{power_to_db, range_of_nine_tenths};
use crate::matching::follower_gain::FollowerGain;
use crate::spectral::frames::Frames;
use crate::spectral::spectrum::Spectrum;
use crate::spectral::twin_spectrum::split;
use realfft::num_complex::{Complex32, Complex64};
use std::f64::consts::TAU;

/// Window at 44.1 and 48 kHz, samples; hop is half of it. Chosen by hand; not measured.
const WINDOW: usize = 2048;
/// Below this share of its loudest bin the backing says nothing of the tone (power ratio; -60 dB). Chosen by hand;
/// not measured.
const AUDIBLE_RE_LOUDEST_BIN: f64 = 1e-6;
/// Bins on either side over which spectra are averaged. Chosen by hand; not measured.
const AVERAGED_BINS: usize = 4;
/// Share of the tone's power that a delay may leave for it to be a delay. Chosen by hand; not measured.
const MAX_LEFT_BY_DELAY: f64 = 0.25;
/// Least deviation of the delay from a straight line that is reported, standard deviation in samples: -40 dB at 5 kHz and
/// 44.1 kHz. Chosen by hand; not measured.
const MIN_DEVIATION_SAMPLES: f64 = 0.02;

/// Mean power and cross power of the aligned backing per bin.
pub struct BackingSpectrum {
    window: usize,
    sample_rate_hz: f64,
    own: [Vec<f64>; 2],
    cross: Vec<Complex64>,
}

impl BackingSpectrum {
    /// Nothing heard yet.
    pub fn new(sizes: Sizes) -> Self {
        let window = sizes.scaled(WINDOW);
        let num_bins = window / 2 + 1;
        Self {
            window,
            sample_rate_hz: sizes.sample_rate_hz,
            own: [vec![0.0; num_bins], vec![0.0; num_bins]],
            cross: vec![Complex64::default(); num_bins],
        }
    }

    /// Forgets what was heard.
    pub fn forget(&mut self) {
        self.own.iter_mut().flatten().for_each(|x| *x = 0.0);
        self.cross.iter_mut().for_each(|x| *x = Complex64::default());
    }

    /// Hears a stretch of the backing; older ones count half.
    pub fn hear(&mut self, backing: &impl Signal) {
        let mut frames = Frames::new(self.window);
        let mut bins = [(); 2].map(|()| vec![Complex32::default(); self.window / 2 + 1]);
        self.own.iter_mut().flatten().for_each(|x| *x *= 0.5);
        self.cross.iter_mut().for_each(|x| *x *= 0.5);
        for frame in 0..frames.count(backing.num_samples()) {
            let [left, right] = &mut bins;
            split(frames.twin(backing, frame), left, right);
            for k in 0..self.cross.len() {
                let [left, right] = [wide(bins[0][k]), wide(bins[1][k])];
                self.own[0][k] += left.norm_sqr();
                self.own[1][k] += right.norm_sqr();
                self.cross[k] += left * right.conj();
            }
        }
    }

    /// What is corrected, each with the power that it would leave re the matched backing.
    pub fn corrected(&self, chain: &Chain) -> Vec<(Kind, f64)> {
        let mut found = Vec::new();
        let filters = self.side_filters(chain);
        let whole = filters.whole;
        let fit = DelayFit::new(&filters.own, &self.own);
        let fraction = fit.best_delay();
        let mean_gain = chain.gains.map_or(1.0, mean_gain);
        let gains = [0, 1].map(|side| mean_gain * fit.alike(fraction, side) / fit.side_power[side]);
        // A level within the range of its own movement is part of that: a limiter's make-up.
        let range_db = chain.gains.map_or(0.0, range_db);
        // Where the sides of the backing are exchanged, what comes from a side's own tells neither level nor tone.
        let across_db = power_to_db(filters.crossing / whole) as f32;
        let is_own = across_db < EXCHANGED_DB;
        if is_own && gains.iter().any(|gain| level_db(*gain).abs() > range_db) {
            let loss = |side: usize| (gains[side].abs() - 1.0).powi(2) * fit.side_power[side];
            let sides_db = gains.map(|gain| level_db(gain) as f32);
            found.push((Kind::Level { sides_db }, (loss(0) + loss(1)) / whole));
        }
        if gains[0] + gains[1] < 0.0 {
            found.push((Kind::Polarity, 4.0));
        }
        let powers: Vec<Complex64> =
            (0..self.cross.len()).map(|k| Complex64::from(self.own[0][k] + self.own[1][k])).collect();
        let backing = fit.side_power[0] + fit.side_power[1];
        // Power that a delay leaves re the backing: |1 - e^jx|^2 = 2 (1 - cos x).
        let still = turned_sum(&powers, 0.0);
        let left_by = |delay: f64| 2.0 * (still - turned_sum(&powers, fit.turn(delay))).max(0.0) / backing;
        if chain.course.is_empty() {
            let samples = chain.delay_samples as f64 + fraction;
            found.push((Kind::Delay { samples }, left_by(samples)));
        } else {
            moving_delay(chain, &left_by, &mut found);
        }
        let tone = self.tone(&filters.own, gains.map(|gain| level_db(gain / mean_gain)));
        if is_own {
            found.push((tone, fit.left(fraction) / whole));
        }
        found.push((Kind::Width { across_db }, filters.across / whole));
        if let Some(gains) = chain.gains {
            found.push(movement(gains));
        }
        found
    }

    /// What the chain makes of either side.
    fn side_filters(&self, chain: &Chain) -> SideFilters {
        let h = self.responses(chain);
        let (mut whole, mut across, mut crossing) = (0.0, 0.0, 0.0);
        let mut own: [Vec<Complex64>; 2] = [Vec::new(), Vec::new()];
        for side in 0..2 {
            for k in 0..self.cross.len() {
                let other = 1 - side;
                // Means over some bins: what the sides have in common by chance is not common.
                let around = k.saturating_sub(AVERAGED_BINS)..(k + AVERAGED_BINS + 1).min(self.cross.len());
                let near = |x: &[f64]| x[around.clone()].iter().sum::<f64>() / around.len() as f64 + 1e-12;
                let (s, o) = (near(&self.own[side]), near(&self.own[other]));
                // Y_other = prediction * Y_side + what is its own.
                let cross = self.cross[around.clone()].iter().sum::<Complex64>() / around.len() as f64;
                let cross = if side == 0 { cross.conj() } else { cross };
                let prediction = cross / s;
                let alone = (o - cross.norm_sqr() / s).max(0.0);
                let own_filter = h[side][side][k] + h[side][other][k] * prediction;
                let lost = h[side][other][k].norm_sqr() * alone;
                whole += own_filter.norm_sqr() * s + lost;
                across += lost;
                crossing += h[side][other][k].norm_sqr() * o;
                own[side].push(own_filter);
            }
        }
        SideFilters { own, whole: whole.max(1e-20), across, crossing }
    }

    /// What the own filters do beyond the level of either side, dB: the largest difference, and where it is.
    fn tone(&self, own: &[Vec<Complex64>; 2], levels_db: [f64; 2]) -> Kind {
        let (mut most, mut at_hz) = (0.0, 0.0);
        for side in 0..2 {
            let loudest = self.own[side].iter().copied().fold(0.0, f64::max);
            let is_audible = |&k: &usize| self.own[side][k] > AUDIBLE_RE_LOUDEST_BIN * loudest;
            for k in (1..own[side].len() - 1).filter(is_audible) {
                let mean = own[side][k - 1..=k + 1].iter().map(Complex64::norm_sqr).sum::<f64>() / 3.0;
                let db = power_to_db(mean) - levels_db[side];
                if f64::abs(db) > f64::abs(most) {
                    (most, at_hz) = (db, k as f64 * self.sample_rate_hz / self.window as f64);
                }
            }
        }
        Kind::Tone { most_db: most as f32, at_hz: at_hz as f32 }
    }

    /// Responses of the filter at the bins, `[to_side][from_side][bin]`.
    fn responses(&self, chain: &Chain) -> [[Vec<Complex64>; 2]; 2] {
        let len = chain.taps.num_taps().max(self.window);
        let mut spectrum = Spectrum::new(len);
        let step = len / self.window;
        chain
            .taps
            .centred_responses(&mut spectrum)
            .map(|row| row.map(|bins| bins.into_iter().step_by(step).map(wide).collect()))
    }
}

/// What a chain makes of either side of the backing.
struct SideFilters {
    /// The filter that a side's own would have to be to stand for the other side as far as the two are alike.
    own: [Vec<Complex64>; 2],
    /// Power of the matched backing.
    whole: f64,
    /// Power of what comes from the other side and no filter of a side's own can stand for.
    across: f64,
    /// Power of all that comes from the other side.
    crossing: f64,
}

/// How far a gain per side and one delay explain the own filters; what they leave is the tone.
struct DelayFit {
    /// Length of the transform, samples.
    window: usize,
    /// The filters, weighted with the power of the backing.
    weighted: [Vec<Complex64>; 2],
    side_power: [f64; 2],
    own_power: f64,
}

impl DelayFit {
    fn new(own: &[Vec<Complex64>; 2], powers: &[Vec<f64>; 2]) -> Self {
        let weighted = [0, 1].map(|side: usize| -> Vec<Complex64> {
            own[side].iter().zip(&powers[side]).map(|(own, power)| own * power).collect()
        });
        let own_power = |side: usize| {
            own[side].iter().zip(&powers[side]).map(|(own, power)| own.norm_sqr() * power).sum::<f64>()
        };
        Self {
            window: 2 * (own[0].len() - 1),
            weighted,
            side_power: [0, 1].map(|side: usize| powers[side].iter().sum::<f64>() + 1e-20),
            own_power: [0, 1].map(own_power).iter().sum(),
        }
    }

    /// Angle from bin to bin by a delay.
    fn turn(&self, delay: f64) -> f64 {
        TAU * delay / self.window as f64
    }

    /// How much a side's filter is like a delay: over the power of the side, the best gain, linear, with sign.
    fn alike(&self, delay: f64, side: usize) -> f64 {
        turned_sum(&self.weighted[side], self.turn(delay))
    }

    /// Power that the best gains at a delay leave.
    fn left(&self, delay: f64) -> f64 {
        let explained = |side: usize| self.alike(delay, side).powi(2) / self.side_power[side];
        (self.own_power - explained(0) - explained(1)).max(0.0)
    }

    /// The delay that leaves least, samples, within one; 0 unless it explains most of the tone, for a tone control delays
    /// too.
    fn best_delay(&self) -> f64 {
        let (mut best, _) = (-100..=100)
            .map(|n| f64::from(n) * 0.01)
            .map(|delay| (delay, self.left(delay)))
            .fold((0.0, self.left(0.0)), |best, tried| if tried.1 < best.1 { tried } else { best });
        // The lowest point of the parabola through it and its neighbours.
        let (before, at, after) = (self.left(best - 0.01), self.left(best), self.left(best + 0.01));
        let bow = before - 2.0 * at + after;
        if bow > 0.0 {
            best += (0.005 * (before - after) / bow).clamp(-0.01, 0.01);
        }
        if self.left(best) > MAX_LEFT_BY_DELAY * self.left(0.0) { 0.0 } else { best }
    }
}

/// The delay as it moves: a straight line, and what deviates from it. `left_by` is the power that a delay leaves.
fn moving_delay(chain: &Chain, left_by: &impl Fn(f64) -> f64, found: &mut Vec<(Kind, f64)>) {
    let delays = chain.course;
    let n = delays.len() as f64;
    let middle = 0.5 * (n - 1.0);
    let mean = delays.iter().sum::<f64>() / n;
    let (mut product, mut square) = (0.0, 1e-9);
    for (i, delay) in delays.iter().enumerate() {
        let t = i as f64 - middle;
        product += t * (delay - mean);
        square += t * t;
    }
    let slope = product / square;
    let line = |i: usize| slope * (i as f64 - middle);
    let rest: Vec<f64> = delays.iter().enumerate().map(|(i, d)| d - mean - line(i)).collect();
    let deviation = (rest.iter().map(|d| d * d).sum::<f64>() / n).sqrt();
    // A few dozen moments stand for all.
    let step = (delays.len() / 50).max(1);
    let over = |of: &dyn Fn(usize) -> f64| {
        let moments = (0..delays.len()).step_by(step);
        moments.clone().map(|i| left_by(of(i))).sum::<f64>() / moments.count() as f64
    };
    found.push((Kind::Clock { ppm: 1e6 * slope / chain.hop as f64 }, over(&line)));
    if deviation > MIN_DEVIATION_SAMPLES {
        found.push((Kind::Wow { samples: deviation }, over(&|i| rest[i])));
    }
    // At the start of the song; a delay within the range of its own movement is part of that.
    let start = mean - slope * (chain.course_from as f64 + middle);
    let range = delays.iter().fold(0.0, |most, d| f64::max(most, (d - mean).abs()));
    if start.abs() > 2.0 * range {
        found.push((Kind::Delay { samples: start }, left_by(start)));
    }
}

/// Real part of the sum of `terms[k]` e^(j k `turn`), by Horner's rule: hundreds of delays are tried, and a sine for each
/// bin of each would take longest of all.
fn turned_sum(terms: &[Complex64], turn: f64) -> f64 {
    let turn = Complex64::from_polar(1.0, turn);
    terms.iter().rev().fold(Complex64::default(), |sum, term| sum * turn + term).re
}

/// Range of the gains for nine tenths of the time, dB.
fn range_db(gains: &[FollowerGain]) -> f64 {
    let mut gains_db: Vec<f64> = gains.iter().map(|g| 20.0 * f64::from(g.to.max(1e-3)).log10()).collect();
    range_of_nine_tenths(&mut gains_db)
}

fn level_db(gain: f64) -> f64 {
    20.0 * gain.abs().max(1e-9).log10()
}

/// The level as it moved.
fn movement(gains: &[FollowerGain]) -> (Kind, f64) {
    let mean = mean_gain(gains);
    let square =
        gains.iter().map(|g| (f64::from(g.to) - mean).powi(2)).sum::<f64>() / gains.len().max(1) as f64;
    (Kind::Movement { range_db: range_db(gains) as f32 }, square / (mean * mean).max(1e-12))
}

fn mean_gain(gains: &[FollowerGain]) -> f64 {
    gains.iter().map(|g| f64::from(g.to)).sum::<f64>() / gains.len().max(1) as f64
}

fn wide(x: Complex32) -> Complex64 {
    Complex64::new(f64::from(x.re), f64::from(x.im))
}
