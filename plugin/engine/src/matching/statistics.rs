//! One weighted pass over what was heard, from which every model of the match is solved.
//!
//! The cost of a change dH of the filter is quadratic in it: per bin, 4 unknowns (to side, from side), a Hermitian
//! 4x4 matrix and a vector. Weights are the inverse covariance of the voice, taken from the residual of the filter
//! in force (iteratively reweighted least squares; weights from the residual after Nakatani et al. 2010), so that
//! time and frequency where the voice rests decide.

use crate::matching::Taps;
use crate::matching::weights::{Covariance, powers};
use crate::ring::Stereo;
use crate::spectrum::{Spectrum, hann};
use realfft::num_complex::Complex32;

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

/// Spectra of the three frames round the present one.
struct Triple {
    frames: [[Vec<Complex32>; 6]; 3],
}

impl Statistics {
    /// Gathers over `mix`, with `backing` reaching half a filter beyond it at either end. Allocates.
    pub fn gather(mix: &Stereo, backing: &Stereo, active: &Taps, window: usize) -> Self {
        let margin = active.num_taps() / 2;
        let matched = active.apply(backing);
        let residual: Stereo =
            std::array::from_fn(|c| mix[c].iter().zip(&matched[c]).map(|(x, b)| x - b).collect());
        let mut frames = Frames::new(window);
        let num_frames = frames.count(mix[0].len());
        // Order in a frame: residual, matched backing, backing; left and right of each.
        let mut load = |frame: usize, to: &mut [Vec<Complex32>; 6]| {
            for side in 0..2 {
                let whole = &backing[side][margin..margin + mix[side].len()];
                for (at, signal) in [&residual[side], &matched[side], whole].into_iter().enumerate() {
                    frames.forward(signal, frame, &mut to[2 * at + side]);
                }
            }
        };
        let mut triple = Triple::new(window / 2 + 1);
        let floor = Self::floor(num_frames, &mut triple, &mut load);
        let mut sums = vec![BinSums::default(); window / 2 + 1];
        load(0, &mut triple.frames[1]);
        triple.frames[0] = triple.frames[1].clone();
        for frame in 0..num_frames {
            if frame + 1 < num_frames {
                load(frame + 1, &mut triple.frames[2]);
            } else {
                triple.frames[2] = triple.frames[1].clone();
            }
            triple.add_to(&mut sums, floor);
            triple.frames.rotate_left(1);
        }
        Self { bins: sums, len: window }
    }

    /// How deep the null already is: the 5 % quantile of residual re matched backing, from ten frames spread over
    /// the time.
    fn floor(
        num_frames: usize,
        triple: &mut Triple,
        load: &mut impl FnMut(usize, &mut [Vec<Complex32>; 6]),
    ) -> f32 {
        let mut ratios = Vec::new();
        for probe in 0..10 {
            let at = probe * num_frames / 10;
            for (offset, frame) in triple.frames.iter_mut().enumerate() {
                load((at + offset).saturating_sub(1).min(num_frames - 1), frame);
            }
            let powers: Vec<(f32, f32)> = triple.powers().collect();
            let mean = powers.iter().map(|p| p.1).sum::<f32>() / powers.len() as f32;
            ratios.extend(powers.iter().filter(|p| p.1 > 1e-5 * mean).step_by(7).map(|p| p.0 / p.1));
        }
        if ratios.is_empty() {
            return FLOOR.1;
        }
        let at = ratios.len() / 20;
        let (_, quantile, _) = ratios.select_nth_unstable_by(at, f32::total_cmp);
        quantile.clamp(FLOOR.0, FLOOR.1)
    }
}

impl Triple {
    fn new(num_bins: usize) -> Self {
        let bins = || vec![Complex32::default(); num_bins];
        Self { frames: std::array::from_fn(|_| std::array::from_fn(|_| bins())) }
    }

    /// Residual and matched power per bin, both sides, mean over three frames and three bins.
    fn powers(&self) -> impl Iterator<Item = (f32, f32)> {
        let num_bins = self.frames[0][0].len();
        let power = |signal: usize, k: usize| -> f32 {
            self.frames.iter().map(|f| f[signal][k].norm_sqr() + f[signal + 1][k].norm_sqr()).sum()
        };
        (1..num_bins - 1).map(move |k| {
            let mean = |signal| (k - 1..=k + 1).map(|k| power(signal, k)).sum::<f32>() / 9.0;
            (mean(0), mean(2))
        })
    }

    fn add_to(&self, sums: &mut [BinSums], floor: f32) {
        let num_bins = sums.len();
        let column = |k: usize| {
            let mut column = [0.0f32; 5];
            for frame in &self.frames {
                let [e0, e1, b0, b1, ..] = frame;
                let powers = powers([e0[k], e1[k]], [b0[k], b1[k]]);
                column.iter_mut().zip(powers).for_each(|(sum, x)| *sum += x);
            }
            column
        };
        let mut columns = [column(0), column(0), column(1)];
        let [e0, e1, _, _, y0, y1] = &self.frames[1];
        for (k, sums) in sums.iter_mut().enumerate() {
            let mean = |i: usize| (columns[0][i] + columns[1][i] + columns[2][i]) / 9.0;
            let (w11, w22, w12) = Covariance::new(std::array::from_fn(mean), floor, 1e-12).inverse();
            let (y, e) = ([y0[k], y1[k]], [e0[k], e1[k]]);
            let cross = y[0].conj() * y[1];
            for j in 0..2 {
                sums.w11[j] += w11 * y[j].norm_sqr();
                sums.w22[j] += w22 * y[j].norm_sqr();
                for l in 0..2 {
                    sums.w12[j][l] += y[j].conj() * y[l] * w12;
                }
                sums.r[j] += y[j].conj() * (e[0] * w11 + w12 * e[1]);
                sums.r[2 + j] += y[j].conj() * (w12.conj() * e[0] + e[1] * w22);
            }
            sums.w11_cross += cross * w11;
            sums.w22_cross += cross * w22;
            columns.rotate_left(1);
            columns[2] = column((k + 2).min(num_bins - 1));
        }
    }
}

/// Windowed frames, half overlapping, of a signal that may be shorter than one.
pub struct Frames {
    spectrum: Spectrum,
    window: Vec<f32>,
}

impl Frames {
    /// Frames of `len` samples.
    pub fn new(len: usize) -> Self {
        Self { spectrum: Spectrum::new(len), window: hann(len) }
    }

    /// How many frames a signal of `samples` gives; at least one.
    pub fn count(&self, samples: usize) -> usize {
        let len = self.window.len();
        1 + samples.saturating_sub(len) / (len / 2)
    }

    /// Spectrum of one frame; a signal shorter than a frame stands at its end.
    pub fn forward(&mut self, signal: &[f32], frame: usize, bins: &mut [Complex32]) {
        let len = self.window.len();
        let time = self.spectrum.time();
        let from = frame * len / 2;
        let signal = &signal[from.min(signal.len())..signal.len().min(from + len)];
        let pad = len - signal.len();
        time[..pad].fill(0.0);
        for ((to, w), x) in time[pad..].iter_mut().zip(&self.window[pad..]).zip(signal) {
            *to = w * x;
        }
        self.spectrum.forward(bins);
    }
}
