//! A ladder of models from simple to free. Each is fitted to the same statistics; which one is used is decided by
//! what is heard after the fit, so that no model is freer than the evidence for it.

use crate::matching::score::mean;
use crate::matching::statistics::Statistics;
use crate::matching::taps::Taps;
use crate::settings::Tone;
use realfft::num_complex::{Complex32, Complex64};

/// The rungs, simplest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Rung {
    /// The backing as it is, either polarity.
    Unit,
    /// One gain.
    Gain,
    /// A gain per side.
    PerSide,
    /// A gain per side and a fraction of a sample.
    PerSideDelayed,
    /// A filter per side of coarse or fine resolution.
    Filters(Resolution),
    /// Filters per side and across sides.
    Across(Resolution),
}

impl Rung {
    /// Whether a freedom of the tone takes this rung in.
    pub fn within(self, tone: Tone) -> bool {
        match tone {
            Tone::Off => self <= Self::Gain,
            Tone::PerSide => self <= Self::Filters(Resolution::Fine),
            Tone::AcrossSides => true,
        }
    }
}

/// Resolution of a filter in frequency.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Resolution {
    /// Down to a sixth of the frequency.
    Coarse,
    /// Down to a twenty-fourth.
    Fine,
}

/// All rungs in order.
pub const RUNGS: [Rung; 8] = [
    Rung::Unit,
    Rung::Gain,
    Rung::PerSide,
    Rung::PerSideDelayed,
    Rung::Filters(Resolution::Coarse),
    Rung::Filters(Resolution::Fine),
    Rung::Across(Resolution::Coarse),
    Rung::Across(Resolution::Fine),
];

/// Band from which gains and delay are fitted.
const BAND_HZ: (f64, f64) = (30.0, 16_000.0);

/// Gains per side, linear, and a delay in samples, with standard errors.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Simple {
    /// Gain of each side, linear, with sign.
    pub gains: [f64; 2],
    /// Delay, samples.
    pub delay_samples: f64,
    /// Standard errors of the gains.
    pub gains_error: [f64; 2],
    /// Standard error of the delay.
    pub delay_error: f64,
    /// Share of either side in a common gain.
    share: [f64; 2],
}

/// Fits gains, and a delay if asked, by Gauss-Newton steps on the quadratic cost.
///
/// `active` are the frequency responses, about the centre, of the filter whose residual the statistics hold.
pub fn fit_simple(
    statistics: &Statistics,
    active: &[[Vec<Complex32>; 2]; 2],
    start: Simple,
    with_delay: bool,
    sample_rate_hz: f64,
) -> Simple {
    let mut fit = start;
    if !with_delay {
        fit.delay_samples = 0.0;
    }
    let bin_hz = sample_rate_hz / statistics.len as f64;
    let bins =
        (BAND_HZ.0 / bin_hz) as usize + 1..((BAND_HZ.1 / bin_hz) as usize).min(statistics.bins.len() - 1);
    // Four steps: the cost is all but quadratic, the second already lands within rounding.
    for _ in 0..4 {
        let mut normal = [[0.0f64; 3]; 3];
        let mut right = [0.0f64; 3];
        for k in bins.clone() {
            let sums = &statistics.bins[k];
            let w = std::f64::consts::TAU * k as f64 / statistics.len as f64;
            let turn = Complex64::from_polar(1.0, -w * fit.delay_samples);
            let a = sums.a();
            let wide = |x: Complex32| Complex64::new(f64::from(x.re), f64::from(x.im));
            // Residual of the fit: r - A (H - H_active).
            let mut change = [Complex64::default(); 4];
            for (i, change) in change.iter_mut().enumerate() {
                let own = if i == 0 || i == 3 { turn * fit.gains[i / 2] } else { Complex64::default() };
                *change = own - wide(active[i / 2][i % 2][k]);
            }
            let rest: [Complex64; 4] = std::array::from_fn(|i| {
                wide(sums.r[i]) - (0..4).map(|j| wide(a[i][j]) * change[j]).sum::<Complex64>()
            });
            let slope = Complex64::new(0.0, -w);
            let zero = Complex64::default();
            let tangents =
                [[turn, zero], [zero, turn], [slope * turn * fit.gains[0], slope * turn * fit.gains[1]]];
            let diagonal = |i: usize, j: usize| wide(a[3 * i][3 * j]);
            for (p, tangent) in tangents.iter().enumerate() {
                right[p] += (0..2).map(|i| (tangent[i].conj() * rest[3 * i]).re).sum::<f64>();
                for (q, other) in tangents.iter().enumerate() {
                    normal[p][q] += (0..2)
                        .flat_map(|i| (0..2).map(move |j| (i, j)))
                        .map(|(i, j)| (tangent[i].conj() * diagonal(i, j) * other[j]).re)
                        .sum::<f64>();
                }
            }
        }
        let free = if with_delay && normal[2][2] > 0.0 { 3 } else { 2 };
        let ridge = 1e-12 * (0..free).map(|p| normal[p][p]).sum::<f64>() + 1e-9;
        (0..free).for_each(|p| normal[p][p] += ridge);
        let inverse = invert(normal, free);
        let step = |p: usize| (0..free).map(|q| inverse[p][q] * right[q]).sum::<f64>();
        fit.gains[0] += step(0);
        fit.gains[1] += step(1);
        if free == 3 {
            fit.delay_samples = (fit.delay_samples + step(2).clamp(-0.25, 0.25)).clamp(-1.0, 1.0);
        }
        // Windows overlap and weights are smoothed: neighbouring cells are not independent, hence the factor 3.
        let error = |p: usize| (3.0 * inverse[p][p].max(0.0)).sqrt();
        fit.gains_error = [error(0), error(1)];
        fit.delay_error = if free == 3 { error(2) } else { f64::INFINITY };
        let weight: [f64; 2] = std::array::from_fn(|i| (normal[i][0] + normal[i][1]).max(0.0));
        let total = (weight[0] + weight[1]).max(1e-30);
        fit.share = weight.map(|w| w / total);
    }
    fit
}

/// Inverse of the leading `n` x `n` part of a symmetric positive matrix, by Gauss-Jordan elimination.
fn invert(mut m: [[f64; 3]; 3], n: usize) -> [[f64; 3]; 3] {
    let mut inverse = [[0.0; 3]; 3];
    (0..n).for_each(|i| inverse[i][i] = 1.0);
    for i in 0..n {
        let pivot = 1.0 / m[i][i];
        for j in 0..n {
            m[i][j] *= pivot;
            inverse[i][j] *= pivot;
        }
        for row in (0..n).filter(|&row| row != i) {
            let factor = m[row][i];
            for j in 0..n {
                m[row][j] -= factor * m[i][j];
                inverse[row][j] -= factor * inverse[i][j];
            }
        }
    }
    inverse
}

/// Snaps a gain to the grid of 0.1 dB on which people set levels, if it lies within 4 standard errors of it and a
/// hit by chance is unlikely: 8 standard errors under a tenth of the grid.
fn snap(gain: f64, error: f64) -> f64 {
    let level_db = 20.0 * (gain.abs() + 1e-9).log10();
    let grid_db = (level_db * 10.0).round() / 10.0;
    let error_db = 8.69 * error / (gain.abs() + 1e-9);
    if (level_db - grid_db).abs() < 4.0 * error_db && 8.0 * error_db < 0.01 {
        10f64.powf(grid_db / 20.0).copysign(gain)
    } else {
        gain
    }
}

/// The filter of a simple rung, up to [`Rung::PerSideDelayed`]. `level` was fitted without a delay, `delayed` with one.
pub fn simple_taps(rung: Rung, level: &Simple, delayed: &Simple, len: usize) -> Taps {
    let common: f64 = (0..2).map(|i| level.gains[i] * level.share[i]).sum();
    let common_error: f64 = (0..2).map(|i| level.gains_error[i].powi(2) * level.share[i]).sum::<f64>().sqrt();
    let sides = |fit: &Simple| [0, 1].map(|i| snap(fit.gains[i], fit.gains_error[i]));
    match rung {
        Rung::Unit => Taps::gains(len, [1f64.copysign(common); 2], 0.0),
        Rung::Gain => Taps::gains(len, [snap(common, common_error); 2], 0.0),
        Rung::PerSide => Taps::gains(len, sides(level), 0.0),
        _ => Taps::gains(len, sides(delayed), delayed.delay_samples),
    }
}

/// Which rung, of those within a freedom of the tone, before any has been tried out of sample: the delay only if it stands out from its error.
pub fn first_choice(delayed: &Simple, tone: Tone) -> Rung {
    if tone == Tone::Off {
        return Rung::Gain;
    }
    let shifted = delayed.delay_samples.abs() > 6.0 * delayed.delay_error && delayed.delay_error < 0.02;
    if shifted { Rung::PerSideDelayed } else { Rung::PerSide }
}

/// The simplest rung that is not clearly worse, out of sample, than the best.
///
/// `scores` are per-frame scores over the same frames for every rung. A rung ties with the best while its mean
/// loss is within 2 paired standard errors and under 0.02, or under 1e-4.
pub fn choose(scores: &[(Rung, Vec<f64>)]) -> Option<Rung> {
    let best = scores.iter().min_by(|a, b| mean(&a.1).total_cmp(&mean(&b.1)))?;
    let ties = |candidate: &[f64]| {
        let loss: Vec<f64> = candidate.iter().zip(&best.1).map(|(a, b)| a - b).collect();
        let mean_loss = mean(&loss);
        let variance = mean(&loss.iter().map(|d| (d - mean_loss).powi(2)).collect::<Vec<_>>());
        // Half-overlapping frames: two count as one.
        let error = variance.sqrt() / (loss.len() as f64 / 2.0).max(1.0).sqrt();
        mean_loss <= (if mean_loss < 0.02 { 2.0 * error } else { 0.0 }).max(1e-4)
    };
    scores.iter().find(|(_, candidate)| ties(candidate)).map(|(rung, _)| *rung)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gains_snap_only_with_evidence() {
        let on_grid = 10f64.powf(-2.3 / 20.0);
        assert_eq!(snap(on_grid * 1.000_01, 1e-5), on_grid);
        let off_grid = 10f64.powf(-2.345 / 20.0);
        assert_eq!(snap(off_grid, 1e-5), off_grid);
        assert_eq!(snap(on_grid * 1.001, 1e-2), on_grid * 1.001);
    }

    #[test]
    fn the_simplest_of_equals_wins() {
        let noise = |offset: f64| -> Vec<f64> { (0..50).map(|n| offset + (n as f64 * 1.7).sin()).collect() };
        let choice = |a, b| choose(&[(Rung::Gain, noise(a)), (Rung::PerSide, noise(b))]);
        assert_eq!(choice(0.0, 0.0), Some(Rung::Gain));
        assert_eq!(choice(0.5, 0.0), Some(Rung::PerSide));
        assert_eq!(choice(0.0, 0.5), Some(Rung::Gain));
    }
}
