//! What the mix tells of the backing's level, bin by bin: weighted projections of the mix on the matched backing. The
//! weights are the inverse covariance of the voice, taken from the residual itself (after Nakatani et al. 2010).

use crate::spectral::covariance::{Covariance, powers};
use crate::spectral::lanes::{LANES, Lanes, Real, minus, scaled};
use crate::spectral::spectrum::{TwinSpectrum, hann, sides};
use multiversion::multiversion;
use realfft::num_complex::{Complex, Complex32};

/// Floor of the voice's power re the backing's in the weights.
const FLOOR: f32 = 3e-3;

const SILENT: Complex<Lanes> = Complex { re: Lanes([0.0; LANES]), im: Lanes([0.0; LANES]) };

/// Spectra of left and right, several bins at once, zero beyond the last bin.
pub type Sides = [Vec<Complex<Lanes>>; 2];

/// Spectra of one frame.
#[derive(Clone)]
pub struct Pair {
    /// Of the mix.
    pub mix: Sides,
    /// Of the matched backing.
    pub backing: Sides,
}

impl Pair {
    /// Silence in `num_bins` bins.
    pub fn new(num_bins: usize) -> Self {
        let silence = || std::array::from_fn(|_| vec![SILENT; num_bins.div_ceil(LANES)]);
        Self { mix: silence(), backing: silence() }
    }

    /// Makes it silence.
    pub fn clear(&mut self) {
        self.mix.iter_mut().chain(&mut self.backing).for_each(|side| side.fill(SILENT));
    }
}

/// Cuts mix and matched backing into overlapping frames under a Hann window.
#[derive(Clone)]
pub struct Analysis {
    spectrum: TwinSpectrum,
    window: Vec<f32>,
    /// Mix and backing, left as the real and right as the imaginary part.
    history: [Vec<Complex32>; 2],
    twin: Vec<Complex32>,
    first_bin: usize,
    num_bins: usize,
}

impl Analysis {
    /// Frames of `len` samples, of which `num_bins` bins from `first_bin` on are kept.
    pub fn new(len: usize, first_bin: usize, num_bins: usize) -> Self {
        Self {
            spectrum: TwinSpectrum::new(len),
            window: hann(len),
            history: std::array::from_fn(|_| vec![Complex32::default(); len]),
            twin: vec![Complex32::default(); len],
            first_bin,
            num_bins,
        }
    }

    /// Forgets the signals.
    pub fn reset(&mut self) {
        self.history.iter_mut().for_each(|h| h.fill(Complex32::default()));
    }

    /// Hears the next samples of mix and matched backing.
    pub fn hear(&mut self, mix: [&[f32]; 2], matched: [&[f32]; 2]) {
        for (history, [left, right]) in self.history.iter_mut().zip([mix, matched]) {
            let keep = history.len() - left.len();
            history.copy_within(left.len().., 0);
            for ((twin, &left), &right) in history[keep..].iter_mut().zip(left).zip(right) {
                *twin = Complex32::new(left, right);
            }
        }
    }

    /// Spectra of the newest frame.
    pub fn analyse(&mut self, pair: &mut Pair) {
        analyse(self, pair);
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn analyse(analysis: &mut Analysis, pair: &mut Pair) {
    let len = analysis.window.len();
    for (history, spectra) in analysis.history.iter().zip([&mut pair.mix, &mut pair.backing]) {
        analysis.twin.iter_mut().zip(&analysis.window).zip(history).for_each(|((x, &w), h)| *x = h * w);
        analysis.spectrum.forward(&mut analysis.twin);
        for k in 0..analysis.num_bins {
            let bin = analysis.first_bin + k;
            let sides = sides(analysis.twin[bin], analysis.twin[(len - bin) % len]);
            for (spectrum, side) in spectra.iter_mut().zip(sides) {
                let lanes = &mut spectrum[k / LANES];
                (lanes.re.0[k % LANES], lanes.im.0[k % LANES]) = (side.re, side.im);
            }
        }
    }
}

/// Weighted projections on the backing, bin by bin.
#[derive(Clone)]
pub struct Projection {
    /// Powers per bin over three frames, with one bin of room at either end.
    powers: [Vec<f32>; 5],
    /// Of the difference between mix and backing.
    pub difference: Vec<f32>,
    /// Of the backing itself: the inverse variance of what a bin tells of the level.
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

    /// Projects the middle one of three frames that follow each other. `gain` is the level known so far, by frame
    /// and lanes.
    #[inline(always)]
    pub fn project(&mut self, frames: [&Pair; 3], gain: impl Fn(usize, usize) -> Lanes) {
        let num_lanes = self.backing.len() / LANES;
        // Power and cross power of the residual per bin over the three frames.
        for k in 0..num_lanes {
            let mut sums = [Lanes::default(); 5];
            for (at, frame) in frames.into_iter().enumerate() {
                let gain = gain(at, k);
                let backing = [frame.backing[0][k], frame.backing[1][k]];
                let left = minus(frame.mix[0][k], scaled(backing[0], gain));
                let right = minus(frame.mix[1][k], scaled(backing[1], gain));
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
        let frame = frames[1];
        for k in 0..num_lanes {
            let mean = |i: usize| {
                let load = |offset| Lanes::load(&self.powers[i], k * LANES + offset);
                (load(0) + load(1) + load(2)) / Lanes::all(9.0)
            };
            let mean = [mean(0), mean(1), mean(2), mean(3), mean(4)];
            let b = [frame.backing[0][k], frame.backing[1][k]];
            let weighted = Covariance::new(mean, FLOOR, 1e-12).weigh(b);
            let dot = |left: Complex<Lanes>, right: Complex<Lanes>| {
                let left = weighted[0].re * left.re + weighted[0].im * left.im;
                left + (weighted[1].re * right.re + weighted[1].im * right.im)
            };
            let difference = dot(minus(frame.mix[0][k], b[0]), minus(frame.mix[1][k], b[1]));
            self.difference[k * LANES..][..LANES].copy_from_slice(&difference.0);
            self.backing[k * LANES..][..LANES].copy_from_slice(&dot(b[0], b[1]).0);
        }
    }
}
