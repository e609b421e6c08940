//! One weighted pass over what was heard, from which every model of the match is solved.
//!
//! The cost of a change dH of the filter is quadratic in it: per bin, 4 unknowns (to side, from side), a Hermitian
//! 4x4 matrix and a vector. Weights are the inverse covariance of the voice, taken from the residual of the filter
//! in force (iteratively reweighted least squares; weights from the residual after Nakatani et al. 2010), so that
//! time and frequency where the voice rests decide.

use crate::dsp::ring::{Signal, Stereo, stereo};
use crate::matching::subtraction::Subtraction;
use crate::matching::taps::Taps;
use crate::spectral::covariance::Covariance;
use crate::spectral::frames::Frames;
use crate::spectral::lanes::{LANES, Lanes, plus, power, scaled, times, times_conj};
use crate::spectral::twin_spectrum::split;
use multiversion::multiversion;
use realfft::num_complex::{Complex, Complex32};

/// Window at 44.1 and 48 kHz, samples; hop is half of it. Chosen by hand; not measured.
pub const WINDOW: usize = 8192;
/// Bounds of the floor of the voice's power re the backing's in the weights: it is as low as the null is deep. Chosen by
/// hand; not measured.
const VOICE_FLOORS: (f32, f32) = (1e-6, 1e-2);
/// Floor re full scale (power in a bin), so that silence does not weigh without bound. Chosen by hand; not measured.
const WEIGHT_FLOOR: f32 = 1e-12;
/// Frames from which the depth of the null is taken, spread over the time, and each how many bins. Chosen by hand; not
/// measured.
const DEPTH_FRAMES: usize = 10;
const DEPTH_BIN_STEP: usize = 7;
/// Backing under this, re the mean of its frame, does not count there. Chosen by hand; not measured.
const DEPTH_SILENT: f32 = 1e-5;
/// One in so many of these cells, the deepest, is where the voice rests. Chosen by hand; not measured.
const DEPTH_ONE_IN: usize = 20;

/// Sums of one bin. With Y the backing's spectra, W the weights and E the residual's spectra:
/// `a[2 i + j][2 k + l]` = sum conj(Y_j) W_ik Y_l and `r[2 i + j]` = sum conj(Y_j) (W E)_i.
#[derive(Clone, Copy)]
pub struct BinSums {
    w11: [f32; 2],
    w11_cross: Complex32,
    w22: [f32; 2],
    w22_cross: Complex32,
    w12: [[Complex32; 2]; 2],
    /// Right-hand side, one entry per response.
    pub r: [Complex32; 4],
}

/// The same for several bins, while they are gathered: real and imaginary parts in the order of [`BinSums`].
type Sums = [Lanes; 24];

impl BinSums {
    fn of(x: [f32; 24]) -> Self {
        let complex = |at: usize| Complex32::new(x[at], x[at + 1]);
        Self {
            w11: [x[0], x[1]],
            w11_cross: complex(2),
            w22: [x[4], x[5]],
            w22_cross: complex(6),
            w12: [[complex(8), complex(10)], [complex(12), complex(14)]],
            r: [16, 18, 20, 22].map(complex),
        }
    }

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

/// The powers of one frame per bin, with one bin of room at either end: of the residual left and right, real and
/// imaginary part of its cross power, mean of the matched backing.
type Powers = [Vec<f32>; 5];

/// Spectra of residual and backing, left and right, in one frame.
type Spectra = [Vec<Complex32>; 4];

/// Responses of a filter about its centre, to side, from side; see [`Taps::centred_responses`].
type Responses = [[Vec<Complex32>; 2]; 2];

impl Statistics {
    /// Gathers over `mix`, with `backing` reaching half a filter beyond it at either end, through a filter of given responses.
    /// Allocates.
    pub fn gather(
        mix: &impl Signal,
        backing: &impl Signal,
        active: &Taps,
        responses: &Responses,
        window: usize,
    ) -> Self {
        // All that this takes besides is gone before the sums are written out.
        let sums = Self::sum_up(mix, backing, active, responses, window);
        let bins = (0..window / 2 + 1).map(|k| BinSums::of(sums[k / LANES].map(|lanes| lanes.0[k % LANES])));
        Self { bins: bins.collect(), len: window }
    }

    fn sum_up(
        mix: &impl Signal,
        backing: &impl Signal,
        active: &Taps,
        responses: &Responses,
        window: usize,
    ) -> Vec<Sums> {
        let num_bins = window / 2 + 1;
        let padded = num_bins.next_multiple_of(LANES);
        let mut loader = Loader::new(mix, backing, active, responses, window);
        let num_frames = loader.frames.count(mix.num_samples());
        let floor = floor(num_frames, &mut loader);
        let mut powers: [Powers; 3] =
            std::array::from_fn(|_| std::array::from_fn(|_| vec![0.0; num_bins + 2]));
        let mut spectra: [Spectra; 2] =
            std::array::from_fn(|_| std::array::from_fn(|_| vec![Complex32::default(); padded]));
        let mut mean: Powers = std::array::from_fn(|_| vec![0.0; padded]);
        let mut sums: Vec<Sums> = vec![[Lanes::default(); 24]; num_bins.div_ceil(LANES)];
        for frame in 0..=num_frames {
            powers.rotate_left(1);
            spectra.rotate_left(1);
            if frame < num_frames {
                loader.load(frame, &mut powers[2], &mut spectra[1]);
            } else {
                // The last frame serves as the one after it, and below the first as the one before it.
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
        sums
    }
}

/// Makes powers and spectra of frames.
struct Loader<'a, X, Y> {
    frames: Frames,
    subtraction: Subtraction<'a, X, Y>,
    backing: &'a Y,
    /// Half the filter: how far the backing reaches beyond the mix.
    margin: usize,
    responses: &'a Responses,
    /// The backing of the frame that was loaded last, and where it begins.
    heard: Stereo,
    heard_at: Option<usize>,
}

impl<'a, X: Signal, Y: Signal> Loader<'a, X, Y> {
    fn new(mix: &'a X, backing: &'a Y, active: &Taps, responses: &'a Responses, window: usize) -> Self {
        Self {
            frames: Frames::new(window),
            subtraction: Subtraction::new(mix, backing, active),
            backing,
            margin: active.num_taps() / 2,
            responses,
            heard: stereo(window.min(mix.num_samples())),
            heard_at: None,
        }
    }

    /// Powers and spectra of one frame. What the filter makes of the backing is near enough its response times the spectrum: it
    /// only bounds the weights.
    fn load(&mut self, frame: usize, powers: &mut Powers, [e0, e1, y0, y1]: &mut Spectra) {
        let part = self.frames.part(frame);
        let [residual, _] = self.subtraction.read(part.clone());
        split(self.frames.twin_of(residual), e0, e1);
        let half = part.len() / 2;
        // The first half is the second one of the frame before.
        let known = if self.heard_at.is_some_and(|at| at + half == part.start) { half } else { 0 };
        for (side, heard) in self.heard.iter_mut().enumerate() {
            heard.copy_within(known.., 0);
            let from = if known > 0 { heard.len() - half } else { 0 };
            self.backing.read(side, self.margin + part.start + from, &mut heard[from..]);
        }
        self.heard_at = Some(part.start);
        split(self.frames.twin_of([&self.heard[0], &self.heard[1]]), y0, y1);
        let num_bins = self.frames.num_bins();
        let [p11, p22, re, im, backing] = powers.each_mut().map(|p| &mut p[1..=num_bins]);
        covariances(e0, e1, [p11, p22, re, im]);
        matched_powers(self.responses, [y0, y1], backing);
        for plane in powers {
            plane[0] = plane[1];
            plane[num_bins + 1] = plane[num_bins];
        }
    }
}

/// Mean power of both sides of what a filter makes of the backing.
#[multiversion(targets("x86_64+avx2"))]
fn matched_powers(responses: &Responses, [left, right]: [&[Complex32]; 2], powers: &mut [f32]) {
    powers.fill(0.0);
    for [from_left, from_right] in responses {
        for ((((power, a), b), left), right) in
            powers.iter_mut().zip(from_left).zip(from_right).zip(left).zip(right)
        {
            *power += 0.5 * (a * left + b * right).norm_sqr();
        }
    }
}

/// Powers left and right, real and imaginary part of the cross power.
#[multiversion(targets("x86_64+avx2"))]
fn covariances(left: &[Complex32], right: &[Complex32], [p11, p22, re, im]: [&mut [f32]; 4]) {
    for (((p11, p22), left), right) in p11.iter_mut().zip(p22).zip(left).zip(right) {
        (*p11, *p22) = (left.norm_sqr(), right.norm_sqr());
    }
    for (((re, im), left), right) in re.iter_mut().zip(im).zip(left).zip(right) {
        let cross = left * right.conj();
        (*re, *im) = (cross.re, cross.im);
    }
}

/// Mean over three frames and three bins.
#[multiversion(targets("x86_64+avx2"))]
fn smooth(powers: &[Powers; 3], mean: &mut Powers) {
    let [before, now, after] = powers;
    for (((mean, a), b), c) in mean.iter_mut().zip(before).zip(now).zip(after) {
        let num_bins = a.len() - 2;
        let (a, b, c) = (&a[..num_bins + 2], &b[..num_bins + 2], &c[..num_bins + 2]);
        for (k, mean) in mean[..num_bins].iter_mut().enumerate() {
            let column = |k: usize| a[k] + b[k] + c[k];
            *mean = (column(k) + column(k + 1) + column(k + 2)) / 9.0;
        }
    }
}

/// Adds one frame, weighted by the inverse covariance of the voice.
#[multiversion(targets("x86_64+avx2"))]
fn add(sums: &mut [Sums], mean: &Powers, spectra: &Spectra, floor: f32) {
    let [p11, p22, re, im, backing] = mean;
    let [e0, e1, y0, y1] = spectra;
    for (block, sums) in sums.iter_mut().enumerate() {
        let at = block * LANES;
        let load = |plane| Lanes::load(plane, at);
        let mean = [load(p11), load(p22), load(re), load(im), load(backing)];
        let (w11, w22, w12) = Covariance::new(mean, floor, WEIGHT_FLOOR).inverse();
        let load = |plane| Lanes::load_complex(plane, at);
        let (e0, e1, y0, y1) = (load(e0), load(e1), load(y0), load(y1));
        let (p0, p1, cross) = (power(y0), power(y1), times_conj(y1, y0));
        // Weighted residual.
        let e = [plus(scaled(e0, w11), times(w12, e1)), plus(times_conj(e0, w12), scaled(e1, w22))];
        let mut add = |at: usize, part: Complex<Lanes>| {
            sums[at] += part.re;
            sums[at + 1] += part.im;
        };
        add(2, scaled(cross, w11));
        add(6, scaled(cross, w22));
        add(8, scaled(w12, p0));
        add(10, times(cross, w12));
        add(12, times_conj(w12, cross));
        add(14, scaled(w12, p1));
        add(16, times_conj(e[0], y0));
        add(18, times_conj(e[0], y1));
        add(20, times_conj(e[1], y0));
        add(22, times_conj(e[1], y1));
        sums[0] += p0 * w11;
        sums[1] += p1 * w11;
        sums[4] += p0 * w22;
        sums[5] += p1 * w22;
    }
}

/// How deep the null already is: a low quantile of residual re matched backing, from some frames.
fn floor<X: Signal, Y: Signal>(num_frames: usize, loader: &mut Loader<X, Y>) -> f32 {
    let num_bins = loader.frames.num_bins();
    let mut powers: [Powers; 3] = std::array::from_fn(|_| std::array::from_fn(|_| vec![0.0; num_bins + 2]));
    let mut spectra: Spectra = std::array::from_fn(|_| vec![Complex32::default(); num_bins]);
    let mut mean: Powers = std::array::from_fn(|_| vec![0.0; num_bins]);
    let mut ratios = Vec::new();
    for probe in 0..DEPTH_FRAMES {
        let at = probe * num_frames / DEPTH_FRAMES;
        for (offset, powers) in powers.iter_mut().enumerate() {
            let frame = (at + offset).saturating_sub(1).min(num_frames - 1);
            loader.load(frame, powers, &mut spectra);
        }
        smooth(&powers, &mut mean);
        let cells = (1..num_bins - 1).map(|k| (mean[0][k] + mean[1][k], 2.0 * mean[4][k]));
        let level = cells.clone().map(|c| c.1).sum::<f32>() / (num_bins - 2) as f32;
        ratios
            .extend(cells.filter(|c| c.1 > DEPTH_SILENT * level).step_by(DEPTH_BIN_STEP).map(|c| c.0 / c.1));
    }
    if ratios.is_empty() {
        return VOICE_FLOORS.1;
    }
    let at = ratios.len() / DEPTH_ONE_IN;
    let (_, quantile, _) = ratios.select_nth_unstable_by(at, f32::total_cmp);
    quantile.clamp(VOICE_FLOORS.0, VOICE_FLOORS.1)
}
