//! What is left of frames of a song, in cells of time and frequency, as it depends on the slopes of a curve.
//!
//! A curve with given slopes at its knots is a sum of curves, one a knot, each multiplied by its slope. So is what is left when
//! both signals go through it, and so is the spectrum of that: only that of every knot is needed.

use crate::saturation::curve::{INTERVALS, KNOTS};
use crate::saturation::frame_pairs::FramePairs;
use crate::spectral::spectrum::Spectrum;
use crate::spectral::window::hann;
use multiversion::multiversion;
use realfft::num_complex::Complex32;

/// Band that counts, Hz, as in the log-residual cost by which filters are chosen.
const BAND_HZ: (f64, f64) = (50.0, 15_000.0);
/// Power that is added to a cell, re the mean of its frame, so that it has a logarithm. Chosen by hand; not measured.
const LEAST_LEFT: f64 = 1e-5;
/// Steps in which is counted how the samples lie between two knots.
const STEPS: usize = 8;

/// Which curves are meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Symmetry {
    /// Alike for samples of either sign, as tape is.
    Odd,
    /// Any, as that of a tube.
    Any,
}

impl Symmetry {
    /// Slopes that such a curve may choose: at all knots, or at those from zero on.
    pub fn num_slopes(self) -> usize {
        match self {
            Self::Odd => INTERVALS + 1,
            Self::Any => KNOTS,
        }
    }

    /// The slopes at all knots, of those that are chosen.
    pub fn at_knots(self, log_slopes: &[f64]) -> [f64; KNOTS] {
        std::array::from_fn(|knot| match self {
            Self::Odd => log_slopes[knot.abs_diff(INTERVALS)],
            Self::Any => log_slopes[knot],
        })
    }

    /// Value at `x`, in steps between knots, of the curve whose slope is 1 at one of the chosen knots and 0 at the others.
    fn rise(self, chosen: usize, x: f64) -> f64 {
        let last = self.num_slopes() - 1;
        let integral = |t: f64, first: bool| {
            let inside = t.clamp(-1.0, 1.0);
            if first && t < 0.0 || chosen == last && t > 0.0 {
                t + 0.5 // Beyond the last knot its slope holds.
            } else if inside < 0.0 {
                0.5 * (1.0 + inside).powi(2)
            } else {
                1.0 - 0.5 * (1.0 - inside).powi(2)
            }
        };
        match self {
            Self::Odd => {
                let centre = chosen as f64;
                (integral(x.abs() - centre, false) - integral(-centre, false)).copysign(x)
            }
            Self::Any => {
                let centre = chosen as f64 - INTERVALS as f64;
                integral(x - centre, chosen == 0) - integral(-centre, chosen == 0)
            }
        }
    }

    /// Where a sample lies among the chosen knots, in steps between them.
    fn place(self, x: f64) -> f64 {
        match self {
            Self::Odd => x.abs(),
            Self::Any => x + INTERVALS as f64,
        }
    }
}

/// One side of one frame.
struct Frame {
    at: i64,
    side: usize,
    /// Spectra of what each chosen knot leaves, real and imaginary parts by turns, knot after knot.
    spectra: Vec<f32>,
    /// How much of the mix lies at each step between the chosen knots; 1 in all.
    lies: Vec<f64>,
}

/// The cells.
pub struct Cells {
    symmetry: Symmetry,
    span: f32,
    num_bins: usize,
    frames: Vec<Frame>,
}

/// Mean cost of frames, and how it changes with the logarithms of the slopes.
pub struct Slant {
    /// Nats.
    pub cost: f64,
    /// First derivatives.
    pub gradient: Vec<f64>,
    /// Second derivatives as far as they cannot be negative (Gauss-Newton), row by row.
    pub hessian: Vec<f64>,
}

impl Cells {
    /// Of the audible frames. Allocates.
    pub fn new(pairs: &FramePairs, symmetry: Symmetry, sample_rate_hz: f64) -> Self {
        let audible = pairs.audible();
        let samples = audible.iter().flat_map(|pair| pair.mix.iter().chain(&pair.backing)).copied().flatten();
        let span = samples.fold(1e-6f32, |most, x| most.max(x.abs()));
        let len = pairs.frame_len();
        let bin_hz = sample_rate_hz / len as f64;
        let first_bin = (BAND_HZ.0 / bin_hz).ceil() as usize;
        let last_bin = ((BAND_HZ.1 / bin_hz) as usize).min(len / 2 - 1);
        let num_bins = last_bin + 1 - first_bin;
        let mut spectrum = Spectrum::new(len);
        let mut bins = vec![Complex32::default(); spectrum.num_bins()];
        let window = hann(len);
        let weight = 1.0 / window.iter().map(|&w| f64::from(w)).sum::<f64>();
        let steps_per_unit = INTERVALS as f64 / f64::from(span);
        let mut frames = Vec::new();
        for pair in &audible {
            for side in 0..2 {
                let (mix, backing) = (pair.mix[side], pair.backing[side]);
                let mut spectra = Vec::with_capacity(symmetry.num_slopes() * 2 * num_bins);
                for chosen in 0..symmetry.num_slopes() {
                    let time = spectrum.time().iter_mut().zip(mix).zip(backing).zip(&window);
                    for (((t, &x), &y), w) in time {
                        let [x, y] = [x, y].map(|x| symmetry.rise(chosen, f64::from(x) * steps_per_unit));
                        *t = w * (x - y) as f32;
                    }
                    spectrum.forward(&mut bins);
                    spectra.extend(bins[first_bin..=last_bin].iter().flat_map(|bin| [bin.re, bin.im]));
                }
                let mut lies = vec![0.0; (symmetry.num_slopes() - 1) * STEPS];
                for (&x, &w) in mix.iter().zip(&window) {
                    let place = symmetry.place(f64::from(x) * steps_per_unit) * STEPS as f64;
                    let step = (place as usize).min(lies.len() - 1);
                    lies[step] += weight * f64::from(w);
                }
                frames.push(Frame { at: pair.at, side, spectra, lies });
            }
        }
        Self { symmetry, span, num_bins, frames }
    }

    /// See [`Symmetry`].
    pub fn symmetry(&self) -> Symmetry {
        self.symmetry
    }

    /// The largest sample, linear.
    pub fn span(&self) -> f32 {
        self.span
    }

    /// Frames, either side on its own.
    pub fn num_frames(&self) -> usize {
        self.frames.len()
    }

    /// Position and side of a frame.
    pub fn of(&self, frame: usize) -> (i64, usize) {
        (self.frames[frame].at, self.frames[frame].side)
    }

    /// Cost of a frame, nats, and what its derivatives are made of: what is left, and what each cell counts for in them.
    ///
    /// The cost is the logarithm of the likelihood of the mix, given the backing, if what a curve F makes straight is the sum of
    /// a voice and the backing, and the voice is Gaussian in each cell: the mean over the cells of ln |F(mix) - F(backing)|^2,
    /// less twice the mean of ln F'(mix), lest a curve win by making everything softer. The last term is that of Taleb, Solé
    /// and Jutten, "Quasi-nonparametric blind inversion of Wiener systems" (its text was seen; the journal and the year, IEEE
    /// Trans. Signal Processing 2001, are from memory), and of the entropy in Solé-Casals, López-de-Ipiña and Caiafa,
    /// "Inverting monotonic nonlinearities by entropy maximization", PLOS ONE 2016. That the cells decide where the voice
    /// rests, and that the backing is given, is ours.
    fn left(&self, frame: &Frame, log_slopes: &[f64]) -> (f64, Vec<f32>, Vec<f32>) {
        let mut left = vec![0.0f32; 2 * self.num_bins];
        for (spectrum, log_slope) in frame.spectra.chunks_exact(left.len()).zip(log_slopes) {
            let slope = log_slope.exp() as f32;
            left.iter_mut().zip(spectrum).for_each(|(left, z)| *left += slope * z);
        }
        let powers: Vec<f64> = left
            .chunks_exact(2)
            .map(|z| f64::from(z[0]) * f64::from(z[0]) + f64::from(z[1]) * f64::from(z[1]))
            .collect();
        let mut cells = over_three(&powers);
        let least = LEAST_LEFT * cells.iter().sum::<f64>() / cells.len() as f64 + 1e-18;
        cells.iter_mut().for_each(|cell| *cell += least);
        let mean = cells.iter().map(|cell| cell.ln()).sum::<f64>() / cells.len() as f64;
        let counts: Vec<f64> = cells.iter().map(|cell| 1.0 / cell).collect();
        let counts = over_three(&counts).into_iter().map(|count| count as f32).collect();
        let slopes: f64 = self.slopes(frame, log_slopes).map(|(lies, _, _, slope)| lies * slope.ln()).sum();
        (mean - 2.0 * slopes, left, counts)
    }

    /// For each step between knots at which any of the mix lies: how much of it, the knot below, how far beyond that, the slope.
    fn slopes<'a>(
        &self,
        frame: &'a Frame,
        log_slopes: &'a [f64],
    ) -> impl Iterator<Item = (f64, usize, f64, f64)> + 'a {
        frame.lies.iter().enumerate().filter(|(_, lies)| **lies > 0.0).map(|(step, &lies)| {
            let (knot, beyond) = (step / STEPS, ((step % STEPS) as f64 + 0.5) / STEPS as f64);
            let [below, above] = [log_slopes[knot], log_slopes[knot + 1]].map(f64::exp);
            (lies, knot, beyond, below + beyond * (above - below))
        })
    }

    /// Cost of a frame, nats; lower is better.
    pub fn cost(&self, frame: usize, log_slopes: &[f64]) -> f64 {
        self.left(&self.frames[frame], log_slopes).0
    }

    /// Mean cost of frames, nats.
    pub fn mean_cost(&self, frames: &[usize], log_slopes: &[f64]) -> f64 {
        frames.iter().map(|&frame| self.cost(frame, log_slopes)).sum::<f64>() / frames.len().max(1) as f64
    }

    /// Mean cost of frames, and how it changes.
    pub fn slant(&self, frames: &[usize], log_slopes: &[f64]) -> Slant {
        let num = self.symmetry.num_slopes();
        let mut slant = Slant { cost: 0.0, gradient: vec![0.0; num], hessian: vec![0.0; num * num] };
        let mut weighed = vec![0.0f32; num * 2 * self.num_bins];
        let per_cell = 2.0 / self.num_bins as f64;
        for &frame in frames {
            let frame = &self.frames[frame];
            let (cost, left, counts) = self.left(frame, log_slopes);
            slant.cost += cost;
            let roots: Vec<f32> = counts.iter().map(|count| count.sqrt()).collect();
            for ((to, from), log_slope) in weighed
                .chunks_exact_mut(2 * self.num_bins)
                .zip(frame.spectra.chunks_exact(2 * self.num_bins))
                .zip(log_slopes)
            {
                let slope = log_slope.exp() as f32;
                for ((to, from), root) in to.chunks_exact_mut(2).zip(from.chunks_exact(2)).zip(&roots) {
                    let factor = slope * root;
                    (to[0], to[1]) = (factor * from[0], factor * from[1]);
                }
            }
            let left: Vec<f32> =
                left.chunks_exact(2).zip(&roots).flat_map(|(z, root)| [z[0] * root, z[1] * root]).collect();
            let rows: Vec<&[f32]> = weighed.chunks_exact(2 * self.num_bins).collect();
            for (a, row) in rows.iter().enumerate() {
                slant.gradient[a] += per_cell * dot(row, &left);
                for b in 0..=a {
                    slant.hessian[a * num + b] += per_cell * dot(row, rows[b]);
                }
            }
            for (lies, knot, beyond, slope) in self.slopes(frame, log_slopes) {
                for (knot, share) in [(knot, 1.0 - beyond), (knot + 1, beyond)] {
                    slant.gradient[knot] -= 2.0 * lies * share * log_slopes[knot].exp() / slope;
                }
            }
        }
        let each = 1.0 / frames.len().max(1) as f64;
        slant.cost *= each;
        slant.gradient.iter_mut().chain(&mut slant.hessian).for_each(|x| *x *= each);
        for a in 0..num {
            for b in 0..a {
                slant.hessian[b * num + a] = slant.hessian[a * num + b];
            }
        }
        slant
    }
}

/// Mean over three neighbours; beyond the ends there is nothing.
fn over_three(x: &[f64]) -> Vec<f64> {
    let at = |k: usize| x.get(k).copied().unwrap_or(0.0);
    (0..x.len()).map(|k| (at(k.wrapping_sub(1)) + x[k] + at(k + 1)) / 3.0).collect()
}

/// Sum of products, in eight sums that add up side by side.
#[multiversion(targets("x86_64+avx2"))]
fn dot(a: &[f32], b: &[f32]) -> f64 {
    let mut sums = [0.0f32; 8];
    for (a, b) in a.chunks_exact(8).zip(b.chunks_exact(8)) {
        for lane in 0..8 {
            sums[lane] += a[lane] * b[lane];
        }
    }
    let rest = a.len() / 8 * 8;
    let rest = a[rest..].iter().zip(&b[rest..]).map(|(a, b)| f64::from(a * b)).sum::<f64>();
    sums.iter().map(|&sum| f64::from(sum)).sum::<f64>() + rest
}
