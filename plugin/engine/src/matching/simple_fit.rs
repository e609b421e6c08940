//! Fits the simple models, gains and a delay, and makes filters of them.

use crate::matching::filter_model::FilterModel;
use crate::matching::statistics::Statistics;
use crate::matching::taps::Taps;
use crate::settings::Tone;
use realfft::num_complex::{Complex32, Complex64};

/// Band from which gains and delay are fitted, Hz. Chosen by hand; not measured.
const BAND_HZ: (f64, f64) = (30.0, 16_000.0);
/// Steps of the fit: the cost is all but quadratic, the second already lands within rounding.
const GAUSS_NEWTON_STEPS: usize = 4;
/// Furthest that the delay moves in one step, and in all, samples. Chosen by hand; not measured.
const MAX_DELAY_STEP: f64 = 0.25;
const MAX_DELAY: f64 = 1.0;
/// Cells of time and frequency that count as one in the standard errors: windows overlap and weights are smoothed, so that
/// neighbours are not independent. Chosen by hand; not measured.
const CELLS_IN_ONE: f64 = 3.0;
/// Standard errors within which a gain lies on the grid of 0.1 dB; and how many must be under a tenth of the grid, so that a
/// hit by chance is unlikely. Chosen by hand; not measured.
const GRID_ERRORS: f64 = 4.0;
const RESOLVED_ERRORS: f64 = 8.0;
/// Standard errors by which a delay must stand out to be taken before it was tried out of sample, and the largest error with
/// which it is, samples. Chosen by hand; not measured.
const DELAY_ERRORS: f64 = 6.0;
const MAX_DELAY_ERROR: f64 = 0.02;

/// Gains per side, linear, and a delay in samples, with standard errors.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SimpleFit {
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
    start: SimpleFit,
    with_delay: bool,
    sample_rate_hz: f64,
) -> SimpleFit {
    let mut fit = start;
    if !with_delay {
        fit.delay_samples = 0.0;
    }
    let bin_hz = sample_rate_hz / statistics.len as f64;
    let bins =
        (BAND_HZ.0 / bin_hz) as usize + 1..((BAND_HZ.1 / bin_hz) as usize).min(statistics.bins.len() - 1);
    for _ in 0..GAUSS_NEWTON_STEPS {
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
            fit.delay_samples = (fit.delay_samples + step(2).clamp(-MAX_DELAY_STEP, MAX_DELAY_STEP))
                .clamp(-MAX_DELAY, MAX_DELAY);
        }
        let error = |p: usize| (CELLS_IN_ONE * inverse[p][p].max(0.0)).sqrt();
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

/// Snaps a gain to the grid of 0.1 dB on which people set levels, if it lies near enough and a hit by chance is unlikely.
fn snap(gain: f64, error: f64) -> f64 {
    let level_db = 20.0 * (gain.abs() + 1e-9).log10();
    let grid_db = (level_db * 10.0).round() / 10.0;
    let error_db = 8.69 * error / (gain.abs() + 1e-9);
    if (level_db - grid_db).abs() < GRID_ERRORS * error_db && RESOLVED_ERRORS * error_db < 0.01 {
        10f64.powf(grid_db / 20.0).copysign(gain)
    } else {
        gain
    }
}

/// The filter of a simple model, up to [`FilterModel::PerSideDelayed`]. `level` was fitted without a delay, `delayed` with
/// one.
pub fn simple_taps(model: FilterModel, level: &SimpleFit, delayed: &SimpleFit, len: usize) -> Taps {
    let common: f64 = (0..2).map(|i| level.gains[i] * level.share[i]).sum();
    let common_error: f64 = (0..2).map(|i| level.gains_error[i].powi(2) * level.share[i]).sum::<f64>().sqrt();
    let sides = |fit: &SimpleFit| [0, 1].map(|i| snap(fit.gains[i], fit.gains_error[i]));
    match model {
        FilterModel::Unit => Taps::gains(len, [1f64.copysign(common); 2], 0.0),
        FilterModel::Gain => Taps::gains(len, [snap(common, common_error); 2], 0.0),
        FilterModel::PerSide => Taps::gains(len, sides(level), 0.0),
        _ => Taps::gains(len, sides(delayed), delayed.delay_samples),
    }
}

/// Which simple model that a freedom of the tone allows is taken before any was tried out of sample: the delay only if it
/// stands out from its error. `delayed` was fitted with a delay.
pub fn first_choice(delayed: &SimpleFit, tone: Tone) -> FilterModel {
    if tone == Tone::Off {
        return FilterModel::Gain;
    }
    let shifted = delayed.delay_samples.abs() > DELAY_ERRORS * delayed.delay_error
        && delayed.delay_error < MAX_DELAY_ERROR;
    if shifted { FilterModel::PerSideDelayed } else { FilterModel::PerSide }
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
}
