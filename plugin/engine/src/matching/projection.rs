//! Measures the backing's level in the mix, bin by bin: weighted projections of the mix on the matched backing. The
//! weights are the inverse covariance of the voice, taken from the residual itself (after Nakatani et al. 2010).

use crate::spectral::covariance::{Covariance, powers};
use crate::spectral::lanes::{LANES, Lanes, Real, minus, scaled};
use crate::spectral::stft::StereoBins;
use realfft::num_complex::Complex;

/// Floor of the voice's power re the backing's in the weights, so that a deep null does not weigh without bound.
/// Chosen by hand; not measured.
const VOICE_FLOOR: f32 = 3e-3;
/// The same re full scale (power in a bin), so that silence does not. Chosen by hand; not measured.
const WEIGHT_FLOOR: f32 = 1e-12;

/// Weighted projections of the difference and of the backing, summed over bins. Their ratio is the level's movement re 1,
/// the second is the inverse of its variance.
pub type ProjectionSums = [f64; 2];

/// Weighted projections on the backing, bin by bin.
#[derive(Clone)]
pub struct Projection {
    /// Powers per bin over three frames, with one bin of room at either end.
    powers: [Vec<f32>; 5],
    /// Of the difference between mix and backing.
    pub difference: Vec<f32>,
    /// Of the backing itself: the inverse variance of the level measured in a bin.
    pub backing: Vec<f32>,
}

impl Projection {
    /// For spectra of `num_bins` bins.
    pub fn new(num_bins: usize) -> Self {
        let len = num_bins.next_multiple_of(LANES);
        Self {
            powers: std::array::from_fn(|_| vec![0.0; len + 2]),
            difference: vec![0.0; len],
            backing: vec![0.0; len],
        }
    }

    /// Projects the middle one of three frames of mix and backing that follow each other. `gain` is the level known so
    /// far, by frame and lanes.
    #[inline(always)]
    pub fn project(&mut self, frames: [&[StereoBins; 2]; 3], gain: impl Fn(usize, usize) -> Lanes) {
        let num_lanes = self.backing.len() / LANES;
        // Power and cross power of the residual per bin over the three frames.
        for k in 0..num_lanes {
            let mut sums = [Lanes::default(); 5];
            for (at, [mix, backing]) in frames.into_iter().enumerate() {
                let gain = gain(at, k);
                let backing = [backing[0][k], backing[1][k]];
                let left = minus(mix[0][k], scaled(backing[0], gain));
                let right = minus(mix[1][k], scaled(backing[1], gain));
                let powers = powers([left, right], backing);
                for i in 0..5 {
                    sums[i] += powers[i];
                }
            }
            for i in 0..5 {
                self.powers[i][1 + k * LANES..][..LANES].copy_from_slice(&sums[i].0);
            }
        }
        // Smoothed over three bins they are the weights.
        let [mix, backing] = frames[1];
        for k in 0..num_lanes {
            let mean = |i: usize| {
                let load = |offset| Lanes::load(&self.powers[i], k * LANES + offset);
                (load(0) + load(1) + load(2)) / Lanes::all(9.0)
            };
            let mean = [mean(0), mean(1), mean(2), mean(3), mean(4)];
            let b = [backing[0][k], backing[1][k]];
            let weighted = Covariance::new(mean, VOICE_FLOOR, WEIGHT_FLOOR).weigh(b);
            let dot = |left: Complex<Lanes>, right: Complex<Lanes>| {
                let left = weighted[0].re * left.re + weighted[0].im * left.im;
                left + (weighted[1].re * right.re + weighted[1].im * right.im)
            };
            let difference = dot(minus(mix[0][k], b[0]), minus(mix[1][k], b[1]));
            self.difference[k * LANES..][..LANES].copy_from_slice(&difference.0);
            self.backing[k * LANES..][..LANES].copy_from_slice(&dot(b[0], b[1]).0);
        }
    }
}
