//! Measures the backing's level in the mix, bin by bin: weighted projections of the mix on the matched backing. The
//! weights are the inverse covariance of the voice, taken from the residual itself (after Nakatani et al. 2010).

use crate::dsp::units::{sum, sum_of_products};
use crate::spectral::covariance::{Covariance, powers};
use crate::spectral::lanes::{LANES, Lanes, Real, minus, scaled};
use crate::spectral::stft::StereoBins;
use realfft::num_complex::Complex;
use std::ops::Range;

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
            let [p11, p22, re, im, reference] = &self.powers;
            let at = k * LANES;
            let mean = [mean(p11, at), mean(p22, at), mean(re, at), mean(im, at), mean(reference, at)];
            let b = [backing[0][k], backing[1][k]];
            let weighted = Covariance::new(mean, VOICE_FLOOR, WEIGHT_FLOOR).weigh(b);
            let difference = dot(weighted, [minus(mix[0][k], b[0]), minus(mix[1][k], b[1])]);
            self.difference[at..at + LANES].copy_from_slice(&difference.0);
            self.backing[at..at + LANES].copy_from_slice(&dot(weighted, b).0);
        }
    }

    /// Sums over neighbouring bins.
    #[inline(always)]
    pub fn sum(&self, bins: Range<usize>) -> ProjectionSums {
        [&self.difference, &self.backing].map(|plane| sum(&plane[bins.clone()]))
    }

    /// The same of so much of each bin as the shares say.
    #[inline(always)]
    pub fn sum_shares(&self, bins: Range<usize>, shares: &[f32]) -> ProjectionSums {
        [&self.difference, &self.backing]
            .map(|plane| sum_of_products(&plane[bins.clone()], &shares[bins.clone()]))
    }
}

/// Mean over three bins and three frames, of sums over the frames that begin one bin before.
#[inline(always)]
fn mean(sums: &[f32], at: usize) -> Lanes {
    (Lanes::load(sums, at) + Lanes::load(sums, at + 1) + Lanes::load(sums, at + 2)) / Lanes::all(9.0)
}

/// Real part of the product of one vector and the conjugate of another.
#[inline(always)]
fn dot([a, b]: [Complex<Lanes>; 2], [c, d]: [Complex<Lanes>; 2]) -> Lanes {
    (a.re * c.re + a.im * c.im) + (b.re * d.re + b.im * d.im)
}

/// Neighbouring bins that belong to the same group, and the group.
pub fn runs<T: PartialEq>(bins: Range<usize>, group: impl Fn(usize) -> T) -> Vec<(Range<usize>, T)> {
    let mut runs: Vec<(Range<usize>, T)> = Vec::new();
    for bin in bins {
        let group = group(bin);
        match runs.last_mut() {
            Some((run, of)) if *of == group => run.end = bin + 1,
            _ => runs.push((bin..bin + 1, group)),
        }
    }
    runs
}
