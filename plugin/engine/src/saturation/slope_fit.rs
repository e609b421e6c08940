//! Finds the slopes that leave least.

use crate::dsp::cholesky::solve;
use crate::saturation::cells::{Cells, Slant};

/// Cost of a curve that is not smooth, nats a squared second difference of the logarithm of its slope: lets it go on where no
/// sample lies. On a tape simulator's curve 0.1 left as much as 0.01. Chosen by hand; hardly felt.
const SMOOTHNESS: f64 = 0.1;
/// Cost of leaving straight, nats a squared logarithm of slope: decides on the level, which nothing else does.
const STRAIGHTNESS: f64 = 1e-6;
/// Largest logarithm of a slope: half the range that a curve can have.
const STEEPEST: f64 = 3.4;
/// Most steps, and a gain, nats, after which no further step is taken.
const MOST_STEPS: usize = 15;
const SETTLED: f64 = 1e-4;
/// Tries to find a step that gains anything, each more cautious than the last.
const MOST_TRIES: usize = 4;

/// Logarithms of the slopes that leave least of some frames, sought from `start` on (Levenberg-Marquardt: Marquardt 1963, "An algorithm for
/// least-squares estimation of nonlinear parameters", from memory). Allocates.
pub fn fit(cells: &Cells, frames: &[usize], start: &[f64]) -> Vec<f64> {
    let mut best = start.to_vec();
    let mut slant = cells.slant(frames, &best);
    let mut damping = 1e-3;
    for _ in 0..MOST_STEPS {
        let before = slant.cost + roughness(&best);
        let mut gain = 0.0;
        for _ in 0..MOST_TRIES {
            let tried = step(&slant, &best, damping);
            gain = before - cells.mean_cost(frames, &tried) - roughness(&tried);
            if gain > 0.0 {
                (best, damping) = (tried, damping / 4.0);
                break;
            }
            damping *= 10.0;
        }
        if gain < SETTLED {
            break;
        }
        slant = cells.slant(frames, &best);
    }
    best
}

/// What a curve costs that is not smooth, nats.
fn roughness(log_slopes: &[f64]) -> f64 {
    let bends: f64 = log_slopes.windows(3).map(|s| (s[0] - 2.0 * s[1] + s[2]).powi(2)).sum();
    SMOOTHNESS * bends + STRAIGHTNESS * log_slopes.iter().map(|s| s * s).sum::<f64>()
}

/// The next slopes.
fn step(slant: &Slant, log_slopes: &[f64], damping: f64) -> Vec<f64> {
    let num = log_slopes.len();
    let (mut matrix, mut right) = (slant.hessian.clone(), slant.gradient.clone());
    for knot in 1..num - 1 {
        let second = [(knot - 1, 1.0), (knot, -2.0), (knot + 1, 1.0)];
        let bend: f64 = second.iter().map(|&(at, factor)| factor * log_slopes[at]).sum();
        for (row, a) in second {
            right[row] += 2.0 * SMOOTHNESS * a * bend;
            for (column, b) in second {
                matrix[row * num + column] += 2.0 * SMOOTHNESS * a * b;
            }
        }
    }
    for knot in 0..num {
        right[knot] += 2.0 * STRAIGHTNESS * log_slopes[knot];
        let diagonal = &mut matrix[knot * num + knot];
        *diagonal = (*diagonal + 2.0 * STRAIGHTNESS) * (1.0 + damping);
    }
    solve(&mut matrix, [&mut right]);
    let there = || log_slopes.iter().zip(&right).map(|(s, step)| s - step);
    // The level of a curve is of no account: the middle of its range is kept at 1, so that the bounds hold for the range.
    let (least, most) = there().fold((f64::MAX, f64::MIN), |(a, b), s| (a.min(s), b.max(s)));
    there().map(|s| (s - 0.5 * (least + most)).clamp(-STEEPEST, STEEPEST)).collect()
}
