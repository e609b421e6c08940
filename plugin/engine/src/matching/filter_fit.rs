//! Fits filters, per side or across sides, to the same statistics as the simple models: weighted least squares per bin,
//! smoothed over frequency, from coarse to fine.

use crate::matching::filter_model::Resolution;
use crate::matching::statistics::Statistics;
use crate::matching::taps::Taps;
use crate::spectral::spectrum::Spectrum;
use realfft::num_complex::Complex32;

/// One step of the refinement.
pub struct Step {
    /// Frequency over the width smoothed over.
    q: f64,
    /// Change expected at this step, standard deviation, linear: the prior that holds bins in which nothing is heard.
    sigma: f32,
}

/// Coarse to fine, two steps to either resolution. Widths and priors as found on 28 pairs of recordings: wider first steps lose
/// narrow resonances, narrower ones follow the voice.
pub const STEPS: [(Resolution, [Step; 2]); 2] = [
    (Resolution::Coarse, [Step { q: 3.0, sigma: 0.3 }, Step { q: 6.0, sigma: 0.2 }]),
    (Resolution::Fine, [Step { q: 12.0, sigma: 0.1 }, Step { q: 24.0, sigma: 0.1 }]),
];

/// Least half-width of the smoothing, bins. Chosen by hand; not measured.
const MIN_HALF_WIDTH_BINS: usize = 2;
/// No response exceeds the median one by more than this, linear (12 dB). Chosen by hand; not measured.
const MAX_OVER_MEDIAN: f32 = 4.0;
/// One in so many taps at either end is tapered. Chosen by hand; not measured.
const TAPER_ONE_IN: usize = 8;

/// Fits a filter from `start` on, one result per resolution. Allocates.
///
/// `active` are the responses of the filter whose residual the statistics hold; `spectrum` has the statistics'
/// length.
pub fn fit_filter(
    statistics: &Statistics,
    active: &[[Vec<Complex32>; 2]; 2],
    start: &Taps,
    across: bool,
    resolutions: &[(Resolution, [Step; 2])],
    spectrum: &mut Spectrum,
) -> Vec<(Resolution, Taps)> {
    let unknowns: &[usize] = if across { &[0, 1, 2, 3] } else { &[0, 3] };
    let mut taps = start.clone();
    let refined = resolutions.iter().map(|(resolution, steps)| {
        for step in steps {
            refine(&mut taps, statistics, active, unknowns, step, spectrum);
        }
        (*resolution, taps.clone())
    });
    refined.collect()
}

/// Does a step.
fn refine(
    taps: &mut Taps,
    statistics: &Statistics,
    active: &[[Vec<Complex32>; 2]; 2],
    unknowns: &[usize],
    step: &Step,
    spectrum: &mut Spectrum,
) {
    let num_bins = statistics.bins.len();
    // Pairs of unknowns, and their places in the matrix.
    let places: Vec<(usize, usize)> =
        (0..unknowns.len()).flat_map(|row| (row..unknowns.len()).map(move |column| (row, column))).collect();
    let pairs: Vec<(usize, usize)> =
        places.iter().map(|&(row, column)| (unknowns[row], unknowns[column])).collect();
    let present = taps.centred_responses(spectrum);
    // Rest of the right-hand side at the present filter, and the matrix, as planes to be smoothed.
    let mut planes = vec![vec![Complex32::default(); num_bins]; pairs.len() + unknowns.len()];
    for k in 0..num_bins {
        let a = statistics.bins[k].a();
        let change: [Complex32; 4] =
            std::array::from_fn(|i| present[i / 2][i % 2][k] - active[i / 2][i % 2][k]);
        for (plane, &(i, j)) in planes.iter_mut().zip(&pairs) {
            plane[k] = a[i][j];
        }
        for (plane, &i) in planes[pairs.len()..].iter_mut().zip(unknowns) {
            let moved: Complex32 = (0..4).map(|j| a[i][j] * change[j]).sum();
            plane[k] = statistics.bins[k].r[i] - moved;
        }
    }
    let half_width = |k: usize| ((k as f64 / step.q / 2.0) as usize).max(MIN_HALF_WIDTH_BINS);
    let half_widths: Vec<usize> = (0..num_bins).map(half_width).collect();
    planes.iter_mut().for_each(|plane| smooth(plane, &half_widths));
    let trace = |k: usize| {
        let diagonal = pairs.iter().zip(&planes).filter(|((i, j), _)| i == j);
        diagonal.map(|(_, plane)| plane[k].re).sum::<f32>() / unknowns.len() as f32
    };
    let largest = (0..num_bins).map(trace).fold(0.0, f32::max);
    let mut changes = vec![vec![Complex32::default(); num_bins]; 4];
    for k in 0..num_bins {
        // The matrix is Fisher information per bin; the prior's share is spread over the smoothed cell.
        let prior = 1.0 / (step.sigma * step.sigma * 1.5 * (2 * half_widths[k] + 1) as f32);
        let ridge = prior + 1e-6 * trace(k) + 1e-9 * largest;
        let mut matrix = [[Complex32::default(); 4]; 4];
        let mut right = [Complex32::default(); 4];
        for (&(row, column), plane) in places.iter().zip(&planes) {
            matrix[row][column] = plane[k];
            matrix[column][row] = plane[k].conj();
        }
        for (n, plane) in planes[pairs.len()..].iter().enumerate() {
            matrix[n][n] += ridge;
            right[n] = plane[k];
        }
        solve(&mut matrix, &mut right, unknowns.len());
        for (n, &i) in unknowns.iter().enumerate() {
            changes[i][k] = right[n];
        }
    }
    for &i in unknowns {
        add_response(&mut taps.h[i / 2][i % 2], &changes[i], spectrum);
    }
    limit(taps, spectrum);
}

/// Two box means over frequency, each `half_widths[k]` bins to either side.
fn smooth(plane: &mut [Complex32], half_widths: &[usize]) {
    let num_bins = plane.len();
    let mut sums = vec![realfft::num_complex::Complex64::default(); num_bins + 1];
    for _ in 0..2 {
        for k in 0..num_bins {
            let x = plane[k];
            sums[k + 1] = sums[k] + realfft::num_complex::Complex64::new(f64::from(x.re), f64::from(x.im));
        }
        for k in 0..num_bins {
            let (low, high) = (k.saturating_sub(half_widths[k]), (k + half_widths[k] + 1).min(num_bins));
            let mean = (sums[high] - sums[low]) / (high - low) as f64;
            plane[k] = Complex32::new(mean.re as f32, mean.im as f32);
        }
    }
}

/// Solves a Hermitian positive system of `n` unknowns in place, by Cholesky's factors without roots.
fn solve(matrix: &mut [[Complex32; 4]; 4], right: &mut [Complex32; 4], n: usize) {
    for i in 0..n {
        let pivot = 1.0 / matrix[i][i].re;
        for row in i + 1..n {
            let factor = matrix[row][i] * pivot;
            for column in i..n {
                let above = matrix[i][column];
                matrix[row][column] -= factor * above;
            }
            let above = right[i];
            right[row] -= factor * above;
        }
    }
    for i in (0..n).rev() {
        for column in i + 1..n {
            let below = right[column];
            right[i] -= matrix[i][column] * below;
        }
        right[i] /= matrix[i][i].re;
    }
}

/// Adds a centred frequency response to `h`, its ends tapered.
fn add_response(h: &mut [f32], response: &[Complex32], spectrum: &mut Spectrum) {
    let (len, centre) = (h.len(), h.len() / 2);
    let ramp = len / TAPER_ONE_IN;
    let time = spectrum.inverse(response);
    for (n, h) in h.iter_mut().enumerate() {
        let edge = n.min(len - 1 - n);
        let taper = if edge < ramp {
            0.5 - 0.5 * (std::f32::consts::PI * edge as f32 / ramp as f32).cos()
        } else {
            1.0
        };
        *h += taper * time[(n + time.len() - centre) % time.len()];
    }
}

/// Keeps every response within [`MAX_OVER_MEDIAN`]; that roll-offs are deep is real.
fn limit(taps: &mut Taps, spectrum: &mut Spectrum) {
    let mut responses = taps.centred_responses(spectrum);
    let num_bins = responses[0][0].len();
    // From both sides: those of the backing may be exchanged.
    let total = |side: usize, k: usize| {
        let [own, other]: [Complex32; 2] = std::array::from_fn(|from| responses[side][from][k]);
        (own.norm_sqr() + other.norm_sqr()).sqrt()
    };
    let mut levels: Vec<f32> = (0..2)
        .flat_map(|side| (8..num_bins / 2).map(move |k| (side, k)))
        .map(|(side, k)| total(side, k))
        .collect();
    let at = levels.len() / 2;
    let most = MAX_OVER_MEDIAN * *levels.select_nth_unstable_by(at, f32::total_cmp).1;
    if responses.iter().flatten().flatten().all(|h| h.norm() <= most) {
        return;
    }
    for (h, response) in taps.h.iter_mut().flatten().zip(responses.iter_mut().flatten()) {
        for x in response.iter_mut() {
            let level = x.norm();
            if level > most {
                *x *= most / level;
            }
        }
        h.fill(0.0);
        add_response(h, response, spectrum);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;
    use crate::dsp::ring::Stereo;

    #[test]
    fn solves_hermitian_systems() {
        let c = Complex32::new;
        let mut matrix = [[Complex32::default(); 4]; 4];
        let rows = [[c(4.0, 0.0), c(1.0, 1.0), c(0.5, -0.2)], [c(1.0, -1.0), c(3.0, 0.0), c(0.1, 0.3)]];
        matrix[0][..3].copy_from_slice(&rows[0]);
        matrix[1][..3].copy_from_slice(&rows[1]);
        matrix[2] = [rows[0][2].conj(), rows[1][2].conj(), c(2.0, 0.0), c(0.0, 0.0)];
        let truth = [c(1.0, 2.0), c(-0.5, 0.25), c(3.0, -1.0)];
        let mut right = [Complex32::default(); 4];
        for i in 0..3 {
            right[i] = (0..3).map(|j| matrix[i][j] * truth[j]).sum();
        }
        solve(&mut matrix, &mut right, 3);
        for i in 0..3 {
            assert!((right[i] - truth[i]).norm() < 1e-5);
        }
    }

    /// A known filter across sides is found from a mix that is nothing but the filtered backing.
    #[test]
    fn finds_a_known_filter() {
        let (len, window, samples) = (512, 1024, 60_000);
        let mut truth = Taps::gains(len, [0.8, -0.6], 0.0);
        truth.h[0][1][len / 2 + 3] = 0.3;
        truth.h[1][1][len / 2 - 2] = 0.2;
        is_found(&truth, len, window, samples);
        // The sides of the backing exchanged.
        truth.h.reverse();
        is_found(&truth, len, window, samples);
        // And nothing from a side's own: the bound is that of all that a side gets.
        truth = Taps::gains(len, [0.8, -0.6], 0.0);
        truth.h.reverse();
        let mut bounded = truth.clone();
        limit(&mut bounded, &mut Spectrum::new(window));
        assert!(bounded == truth);
    }

    fn is_found(truth: &Taps, len: usize, window: usize, samples: usize) {
        let backing: Stereo = [noise(samples + len, 1), noise(samples + len, 2)];
        let mix = truth.apply(&backing);
        let mut spectrum = Spectrum::new(window);
        let mut taps = Taps::silent(len);
        for _ in 0..4 {
            let active = taps.centred_responses(&mut spectrum);
            let statistics = Statistics::gather(&mix, &backing, &taps, &active, window);
            taps = fit_filter(&statistics, &active, &taps, true, &STEPS, &mut spectrum).pop().unwrap().1;
        }
        let error: f32 = taps
            .h
            .iter()
            .flatten()
            .flatten()
            .zip(truth.h.iter().flatten().flatten())
            .map(|(a, b)| (a - b).powi(2))
            .sum();
        // -40 dB: the smoothing over a 24th of the frequency blurs what a one-tap echo three samples away asks for.
        assert!(10.0 * error.log10() < -40.0, "{} dB", 10.0 * error.log10());
    }
}
