//! One weighted pass over what was heard, from which every model of the match is solved.
//!
//! The cost of a change dH of the filter is quadratic in it: per bin, 4 unknowns (to side, from side), a Hermitian
//! 4x4 matrix and a vector. Weights are the inverse covariance of the voice, taken from the residual of the filter
//! in force (iteratively reweighted least squares; weights from the residual after Nakatani et al. 2010), so that
//! time and frequency where the voice rests decide.

use crate::matching::Taps;
use crate::matching::taps::Convolver;
use crate::matching::weights::Covariance;
use crate::ring::{Stereo, stereo};
use crate::spectrum::{TwinSpectrum, hann, sides};
use realfft::num_complex::Complex32;
use std::ops::Range;
use std::sync::Arc;

/// Window at 44.1 and 48 kHz, samples; hop is half of it.
pub const WINDOW: usize = 8192;
/// Bounds of the floor of the voice's power re the backing's in the weights.
const FLOOR: (f32, f32) = (1e-6, 1e-2);

/// Sums of one bin. With Y the backing's spectra, W the weights and E the residual's spectra:
/// `a[2 i + j][2 k + l]` = sum conj(Y_j) W_ik Y_l and `r[2 i + j]` = sum conj(Y_j) (W E)_i.
#[derive(Clone, Copy, Default)]
pub struct BinSums {
    w11: [f32; 2],
    w11_cross: Complex32,
    w22: [f32; 2],
    w22_cross: Complex32,
    w12: [[Complex32; 2]; 2],
    /// Right-hand side, one entry per response.
    pub r: [Complex32; 4],
}

impl BinSums {
    /// The matrix written out.
    pub fn a(&self) -> [[Complex32; 4]; 4] {
        let real = |x| Complex32::new(x, 0.0);
        let mut a = [[Complex32::default(); 4]; 4];
        for (at, w, cross) in [(0, self.w11, self.w11_cross), (2, self.w22, self.w22_cross)] {
            a[at][at] = real(w[0]);
            a[at + 1][at + 1] = real(w[1]);
            a[at][at + 1] = cross;
            a[at + 1][at] = cross.conj();
        }
        for j in 0..2 {
            for l in 0..2 {
                a[j][2 + l] = self.w12[j][l];
                a[2 + l][j] = self.w12[j][l].conj();
            }
        }
        a
    }
}

/// The sums of all bins.
pub struct Statistics {
    /// `[bin]`, from 0 Hz to half the sample rate.
    pub bins: Vec<BinSums>,
    /// Length of the transform, samples.
    pub len: usize,
}

/// Residual and matched backing, filtered as far as they are asked for.
struct Subtraction<'a> {
    mix: &'a Stereo,
    backing: &'a Stereo,
    convolver: Convolver,
    /// What is kept begins here.
    from: usize,
    matched: Stereo,
    residual: Stereo,
}

impl<'a> Subtraction<'a> {
    fn new(mix: &'a Stereo, backing: &'a Stereo, active: &Taps) -> Self {
        let convolver = Convolver::new(active);
        Self { mix, backing, convolver, from: 0, matched: stereo(0), residual: stereo(0) }
    }

    /// Keeps from `from` on, and has what comes up to `to`, as far as the music reaches.
    fn have(&mut self, from: usize, to: usize) {
        let end = self.from + self.matched[0].len();
        let kept = if (self.from..end).contains(&from) { end - from } else { 0 };
        for side in self.matched.iter_mut().chain(&mut self.residual) {
            side.drain(..side.len() - kept);
        }
        self.from = from;
        let len = self.mix[0].len();
        if from + kept < to.min(len) {
            // As much at once as the convolver takes.
            let ahead = self.convolver.block_samples();
            let part = from + kept..len.min(to.max(from + kept + ahead));
            self.convolver.run(self.backing, part.clone(), &mut self.matched);
            for ((residual, matched), mix) in self.residual.iter_mut().zip(&self.matched).zip(self.mix) {
                residual.extend(mix[part.clone()].iter().zip(&matched[kept..]).map(|(x, b)| x - b));
            }
        }
    }
}

/// The powers of one frame per bin, with one bin of room at either end: of the residual left and right, real and
/// imaginary part of its cross power, mean of the matched backing.
type Powers = [Vec<f32>; 5];

/// Spectra of residual and backing, left and right, in one frame.
type Spectra = [Vec<Complex32>; 4];

impl Statistics {
    /// Gathers over `mix`, with `backing` reaching half a filter beyond it at either end. Allocates.
    pub fn gather(mix: &Stereo, backing: &Stereo, active: &Taps, window: usize) -> Self {
        let margin = active.num_taps() / 2;
        let num_bins = window / 2 + 1;
        let mut frames = Frames::new(window);
        let num_frames = frames.count(mix[0].len());
        let mut subtraction = Subtraction::new(mix, backing, active);
        let floor = floor(num_frames, num_bins, &mut frames, &mut subtraction);
        let mut powers: [Powers; 3] =
            std::array::from_fn(|_| std::array::from_fn(|_| vec![0.0; num_bins + 2]));
        let mut spectra: [Spectra; 2] =
            std::array::from_fn(|_| std::array::from_fn(|_| vec![Complex32::default(); num_bins]));
        let mut mean: Powers = powers[0].clone();
        let mut sums = vec![BinSums::default(); num_bins];
        for frame in 0..=num_frames {
            powers.rotate_left(1);
            spectra.rotate_left(1);
            if frame < num_frames {
                load_powers(frame, &mut frames, &mut subtraction, &mut powers[2], &mut spectra[1]);
                let twin =
                    frames.twin(backing.each_ref().map(|side| &side[margin..margin + mix[0].len()]), frame);
                let [_, _, left, right] = &mut spectra[1];
                split(twin, left, right);
            } else {
                // The last frame stands in for the one after it, and below the first for the one before it.
                let [_, last, next] = &mut powers;
                next.clone_from(last);
            }
            match frame {
                0 => {
                    let [_, first, now] = &mut powers;
                    first.clone_from(now);
                }
                _ => {
                    smooth(&powers, &mut mean);
                    add(&mut sums, &mean, &spectra[0], floor);
                }
            }
        }
        Self { bins: sums, len: window }
    }
}

/// Powers, and spectra of the residual, of one frame.
fn load_powers(
    frame: usize,
    frames: &mut Frames,
    subtraction: &mut Subtraction,
    powers: &mut Powers,
    spectra: &mut Spectra,
) {
    let part = frames.part(frame);
    subtraction.have(part.start, part.end);
    let twin = frames.twin_of([&subtraction.residual[0], &subtraction.residual[1]]);
    let [left, right, ..] = spectra;
    split(twin, left, right);
    let num_bins = left.len();
    let [p11, p22, re, im, backing] = powers.each_mut().map(|p| &mut p[1..=num_bins]);
    for (((p11, p22), left), right) in p11.iter_mut().zip(p22).zip(&*left).zip(&*right) {
        (*p11, *p22) = (left.norm_sqr(), right.norm_sqr());
    }
    for (((re, im), left), right) in re.iter_mut().zip(im).zip(&*left).zip(&*right) {
        let cross = left * right.conj();
        (*re, *im) = (cross.re, cross.im);
    }
    let twin = frames.twin_of([&subtraction.matched[0], &subtraction.matched[1]]);
    // Half of both sides together: the cross terms of a twin spectrum cancel between mirrored bins.
    let power = |x: Complex32, m: Complex32| 0.25 * (x.norm_sqr() + m.norm_sqr());
    backing[0] = power(twin[0], twin[0]);
    let half = num_bins - 1;
    for ((to, x), m) in backing[1..].iter_mut().zip(&twin[1..=half]).zip(twin[half..].iter().rev()) {
        *to = power(*x, *m);
    }
    for plane in powers {
        plane[0] = plane[1];
        plane[num_bins + 1] = plane[num_bins];
    }
}

/// Spectra of left and right from a twin spectrum.
fn split(twin: &[Complex32], left: &mut [Complex32], right: &mut [Complex32]) {
    [left[0], right[0]] = sides(twin[0], twin[0]);
    let half = twin.len() / 2;
    let mirrored = twin[1..=half].iter().zip(twin[half..].iter().rev());
    for ((left, right), (x, m)) in left[1..].iter_mut().zip(&mut right[1..]).zip(mirrored) {
        [*left, *right] = sides(*x, *m);
    }
}

/// Mean over three frames and three bins.
fn smooth(powers: &[Powers; 3], mean: &mut Powers) {
    let [before, now, after] = powers;
    for (((mean, a), b), c) in mean.iter_mut().zip(before).zip(now).zip(after) {
        let num_bins = mean.len() - 2;
        let (a, b, c) = (&a[..num_bins + 2], &b[..num_bins + 2], &c[..num_bins + 2]);
        for (k, mean) in mean[..num_bins].iter_mut().enumerate() {
            let column = |k: usize| a[k] + b[k] + c[k];
            *mean = (column(k) + column(k + 1) + column(k + 2)) / 9.0;
        }
    }
}

/// Adds one frame, weighted by the inverse covariance of the voice.
fn add(sums: &mut [BinSums], mean: &Powers, spectra: &Spectra, floor: f32) {
    let num_bins = sums.len();
    let [e0, e1, y0, y1] = spectra.each_ref().map(|s| &s[..num_bins]);
    let mean = mean.each_ref().map(|m| &m[..num_bins]);
    for (k, sums) in sums.iter_mut().enumerate() {
        let (w11, w22, w12) = Covariance::new(mean.map(|m| m[k]), floor, 1e-12).inverse();
        let (y, e) = ([y0[k], y1[k]], [e0[k], e1[k]]);
        let powers = y.map(|y| y.norm_sqr());
        let cross = y[0].conj() * y[1];
        for j in 0..2 {
            sums.w11[j] += w11 * powers[j];
            sums.w22[j] += w22 * powers[j];
            sums.w12[j][j] += w12 * powers[j];
        }
        sums.w12[0][1] += cross * w12;
        sums.w12[1][0] += cross.conj() * w12;
        sums.w11_cross += cross * w11;
        sums.w22_cross += cross * w22;
        let weighted = [e[0] * w11 + w12 * e[1], w12.conj() * e[0] + e[1] * w22];
        for i in 0..2 {
            for j in 0..2 {
                sums.r[2 * i + j] += y[j].conj() * weighted[i];
            }
        }
    }
}

/// How deep the null already is: the 5 % quantile of residual re matched backing, from ten frames spread over
/// the time.
fn floor(num_frames: usize, num_bins: usize, frames: &mut Frames, subtraction: &mut Subtraction) -> f32 {
    let mut powers: [Powers; 3] = std::array::from_fn(|_| std::array::from_fn(|_| vec![0.0; num_bins + 2]));
    let mut spectra: Spectra = std::array::from_fn(|_| vec![Complex32::default(); num_bins]);
    let mut mean: Powers = powers[0].clone();
    let mut ratios = Vec::new();
    for probe in 0..10 {
        let at = probe * num_frames / 10;
        for (offset, powers) in powers.iter_mut().enumerate() {
            let frame = (at + offset).saturating_sub(1).min(num_frames - 1);
            load_powers(frame, frames, subtraction, powers, &mut spectra);
        }
        smooth(&powers, &mut mean);
        let cells = (1..num_bins - 1).map(|k| (mean[0][k] + mean[1][k], 2.0 * mean[4][k]));
        let level = cells.clone().map(|c| c.1).sum::<f32>() / (num_bins - 2) as f32;
        ratios.extend(cells.filter(|c| c.1 > 1e-5 * level).step_by(7).map(|c| c.0 / c.1));
    }
    if ratios.is_empty() {
        return FLOOR.1;
    }
    let at = ratios.len() / 20;
    let (_, quantile, _) = ratios.select_nth_unstable_by(at, f32::total_cmp);
    quantile.clamp(FLOOR.0, FLOOR.1)
}

/// Windowed frames, half overlapping, of a stereo signal that may be shorter than one.
#[derive(Clone)]
pub struct Frames {
    spectrum: TwinSpectrum,
    window: Arc<[f32]>,
    twin: Vec<Complex32>,
}

impl Frames {
    /// Frames of `len` samples.
    pub fn new(len: usize) -> Self {
        Self {
            spectrum: TwinSpectrum::new(len),
            window: hann(len).into(),
            twin: vec![Complex32::default(); len],
        }
    }

    /// How many frames a signal of `samples` gives; at least one.
    pub fn count(&self, samples: usize) -> usize {
        let len = self.window.len();
        1 + samples.saturating_sub(len) / (len / 2)
    }

    /// The samples of one frame.
    pub fn part(&self, frame: usize) -> Range<usize> {
        let len = self.window.len();
        frame * len / 2..frame * len / 2 + len
    }

    /// Twin spectrum (see [`TwinSpectrum`]) of one frame.
    pub fn twin(&mut self, signal: [&[f32]; 2], frame: usize) -> &[Complex32] {
        let part = self.part(frame);
        self.twin_of(signal.map(|side| &side[part.start.min(side.len())..]))
    }

    /// Twin spectrum of the frame with which a signal begins; one shorter than a frame stands at its end.
    pub fn twin_of(&mut self, signal: [&[f32]; 2]) -> &[Complex32] {
        let len = self.window.len();
        let heard = len.min(signal[0].len());
        let (rest, twin) = self.twin.split_at_mut(len - heard);
        rest.fill(Complex32::default());
        let [left, right] = signal.map(|side| &side[..heard]);
        for (((twin, w), l), r) in twin.iter_mut().zip(&self.window[len - heard..]).zip(left).zip(right) {
            *twin = Complex32::new(w * l, w * r);
        }
        self.spectrum.forward(&mut self.twin);
        &self.twin
    }
}
