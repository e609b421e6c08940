//! The log-residual cost of a match: the mean over time and frequency of the logarithm of the residual's power, in which
//! cells count by the loudness of the backing; lower is better. It is a profile likelihood: it needs no reference level and
//! lets the cells decide where the voice rests.

use crate::dsp::ring::Signal;
use crate::matching::subtraction::Subtraction;
use crate::spectral::frames::Frames;
use crate::spectral::lanes::{LANES, Lanes, Real};
use crate::spectral::twin_spectrum;
use multiversion::multiversion;
use realfft::num_complex::Complex32;

/// Window at 44.1 and 48 kHz, samples; hop is half of it. Chosen by hand; not measured.
pub const WINDOW: usize = 4096;
/// Band that counts, Hz: below it is rumble, above it what codecs drop. Chosen by hand; not measured.
const BAND_HZ: (f64, f64) = (50.0, 15_000.0);
/// Exponent of the loudness of a cell: a tenfold power is about twice as loud (Stevens 1957, "On the psychophysical
/// law"). Without it a hiss that nobody hears decides on the filter in every quiet bar.
pub const LOUDNESS_EXPONENT: f32 = 0.3;
/// Backing under this power, re the mean and absolute, is silent, and its cell is left out. Chosen by hand; not measured.
const SILENT_BACKING: (f64, f64) = (1e-6, 1e-9);
/// Power that is added to what is left in a cell, re the backing and absolute, so that it has a logarithm. Chosen by hand;
/// not measured.
const LEAST_LEFT: (f32, f32) = (1e-11, 1e-13);

/// The cost of what different matches leave of one stretch of music.
#[derive(Clone)]
pub struct ResidualCost {
    frames: Frames,
    first_bin: usize,
    num_bins: usize,
    num_frames: usize,
    /// Smoothed power of the backing per cell; 0 where it is silent and the cell is left out.
    backing: Vec<f32>,
    /// Its loudness per cell.
    loudness: Vec<f32>,
    loudness_per_frame: f64,
}

impl ResidualCost {
    /// For the stretch of this `backing`. Allocates.
    pub fn new(backing: &impl Signal, window: usize, sample_rate_hz: f64) -> Self {
        let bin_hz = sample_rate_hz / window as f64;
        let first_bin = (BAND_HZ.0 / bin_hz).ceil() as usize;
        let last_bin = ((BAND_HZ.1 / bin_hz) as usize).min(window / 2 - 1);
        let mut frames = Frames::new(window);
        let (num_bins, num_frames) = (last_bin + 1 - first_bin, frames.count(backing.num_samples()));
        let mut cost = Self {
            first_bin,
            num_bins,
            num_frames,
            backing: Vec::new(),
            loudness: Vec::new(),
            loudness_per_frame: 1.0,
            frames: frames.clone(),
        };
        let mut powers = Vec::with_capacity(num_frames * num_bins);
        for frame in 0..num_frames {
            cost.add_powers(frames.twin(backing, frame), &mut powers);
        }
        let mean = powers.iter().map(|&p| f64::from(p)).sum::<f64>() / powers.len() as f64;
        cost.backing = vec![0.0; powers.len()];
        for (frame, cells) in cost.backing.chunks_exact_mut(num_bins).enumerate() {
            let around = around(&powers, frame, num_bins);
            for (k, cell) in cells.iter_mut().enumerate() {
                let power = around.iter().map(|p| p[k]).sum::<f32>() / 3.0;
                if f64::from(power) > SILENT_BACKING.0 * mean + SILENT_BACKING.1 {
                    *cell = power;
                }
            }
        }
        cost.loudness = cost.backing.iter().map(|power| power.powf(LOUDNESS_EXPONENT)).collect();
        let loudness = cost.loudness.iter().map(|&l| f64::from(l)).sum::<f64>() / num_frames as f64;
        cost.loudness_per_frame = loudness.max(1e-9);
        cost
    }

    /// Cost of what is left in each frame, natural logarithm of power; lower is better. The mix is as long as the backing.
    /// Allocates.
    pub fn score(&self, subtraction: &mut Subtraction<impl Signal, impl Signal>) -> Vec<f64> {
        let (mut frames, mut powers) =
            (self.frames.clone(), Vec::with_capacity(self.num_frames * self.num_bins));
        for frame in 0..self.num_frames {
            let [residual, _] = subtraction.read(frames.part(frame));
            self.add_powers(frames.twin_of(residual), &mut powers);
        }
        let cells = self.backing.chunks_exact(self.num_bins).zip(self.loudness.chunks_exact(self.num_bins));
        let cost = |(frame, (backing, loudness)): (usize, (&[f32], &[f32]))| {
            weighed_logarithms(around(&powers, frame, self.num_bins), backing, loudness)
                / self.loudness_per_frame
        };
        cells.enumerate().map(cost).collect()
    }

    /// Adds the powers of both sides in a frame, smoothed over three bins: `[frame * num_bins + bin]`.
    fn add_powers(&self, twin: &[Complex32], powers: &mut Vec<f32>) {
        let mut bins = vec![0.0f32; self.num_bins + 2];
        twin_spectrum::powers(twin, self.first_bin - 1, 0.5, &mut bins);
        powers.extend(bins.windows(3).map(|bins| (bins[0] + bins[1] + bins[2]) / 3.0));
    }
}

/// Sum of the logarithms of what is left in the cells of a frame, each times its loudness.
#[multiversion(targets("x86_64+avx2"))]
fn weighed_logarithms([before, now, after]: [&[f32]; 3], backing: &[f32], loudness: &[f32]) -> f64 {
    let mut sum = 0.0;
    for at in (0..loudness.len()).step_by(LANES) {
        // Lanes beyond the last cell weigh nothing.
        let load = |plane: &[f32]| match plane.get(at..at + LANES) {
            Some(_) => Lanes::load(plane, at),
            None => Lanes(std::array::from_fn(|lane| plane.get(at + lane).copied().unwrap_or(0.0))),
        };
        let left = (load(before) + load(now) + load(after)) / Lanes::all(3.0);
        let cell = left + Lanes::all(LEAST_LEFT.0) * load(backing) + Lanes::all(LEAST_LEFT.1);
        sum += f64::from((load(loudness) * cell.ln()).0.iter().sum::<f32>());
    }
    sum
}

/// The frames before, at and after one.
fn around(powers: &[f32], frame: usize, num_bins: usize) -> [&[f32]; 3] {
    let last = powers.len() / num_bins - 1;
    [frame.saturating_sub(1), frame, (frame + 1).min(last)].map(|f| &powers[f * num_bins..(f + 1) * num_bins])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;
    use crate::dsp::ring::{Stereo, stereo};
    use crate::dsp::units::mean;
    use crate::matching::taps::Taps;
    use crate::spectral::spectrum::Spectrum;
    use crate::spectral::window::hann;
    use realfft::num_complex::Complex32;

    /// Cost of a residual: of a mix of which nothing is taken away.
    fn score(cost: &ResidualCost, residual: &Stereo) -> Vec<f64> {
        let taps = Taps::silent(64);
        let nothing = stereo(residual[0].len() + taps.num_taps());
        cost.score(&mut Subtraction::new(residual, &nothing, &taps))
    }

    /// Half the loud band's residue is worth more than a hundredth of a hiss beneath it.
    #[test]
    fn what_is_louder_counts_for_more() {
        let rate = 16_000.0;
        let mut low = noise(16_000, 1);
        // Two poles at 0.95: the treble lies some 50 dB under the bass.
        for _ in 0..2 {
            let mut last = 0.0;
            low.iter_mut().for_each(|x| {
                last = 0.95 * last + 0.05 * *x;
                *x = last;
            });
        }
        let backing: Stereo = std::array::from_fn(|_| low.clone());
        let cost = ResidualCost::new(&backing, 1024, rate);
        let hiss = noise(16_000, 2);
        let left = |bass: f32, treble: f32| -> f64 {
            let side: Vec<f32> = low.iter().zip(&hiss).map(|(b, h)| bass * b + treble * h).collect();
            mean(&score(&cost, &[side.clone(), side]))
        };
        assert!(left(0.01, 1e-4) < left(0.02, 1e-6), "{} {}", left(0.01, 1e-4), left(0.02, 1e-6));
    }

    /// Against the definition, written out with one transform a side and one logarithm a cell.
    #[test]
    fn costs_as_written_out() {
        let (window, len, rate) = (512, 4000, 8_000.0);
        let signal = |seed| [noise(len, seed), noise(len, seed + 1)];
        let (residual, backing) = (signal(1), signal(3));
        let mut spectrum = Spectrum::new(window);
        let mut bins = vec![Complex32::default(); window / 2 + 1];
        let num_frames = 1 + (len - window) / (window / 2);
        let (first, last) = (4, 255);
        let mut powers = |signal: &Stereo| -> Vec<Vec<f64>> {
            let mut frames = Vec::new();
            for frame in 0..num_frames {
                let mut power = vec![0.0; bins.len()];
                for side in signal {
                    let from = &side[frame * window / 2..];
                    for ((t, x), w) in spectrum.time().iter_mut().zip(from).zip(hann(window)) {
                        *t = x * w;
                    }
                    spectrum.forward(&mut bins);
                    power.iter_mut().zip(&bins).for_each(|(p, x)| *p += f64::from(x.norm_sqr()));
                }
                frames.push((first..=last).map(|k| power[k - 1..=k + 1].iter().sum::<f64>() / 3.0).collect());
            }
            frames
        };
        let (e, y) = (powers(&residual), powers(&backing));
        let smooth = |p: &[Vec<f64>], f: usize, k: usize| {
            (p[f.saturating_sub(1)][k] + p[f][k] + p[(f + 1).min(num_frames - 1)][k]) / 3.0
        };
        let costs = score(&ResidualCost::new(&backing, window, rate), &residual);
        assert_eq!(costs.len(), num_frames);
        let loudness = |f: usize, k: usize| smooth(&y, f, k).powf(0.3);
        let total: f64 =
            (0..num_frames).map(|f| (0..=last - first).map(|k| loudness(f, k)).sum::<f64>()).sum();
        for (f, cost) in costs.iter().enumerate() {
            let cell = |k: usize| (smooth(&e, f, k) + 1e-11 * smooth(&y, f, k) + 1e-13).ln();
            let weighted = (0..=last - first).map(|k| loudness(f, k) * cell(k)).sum::<f64>();
            let written = weighted / (total / num_frames as f64);
            assert!((cost - written).abs() < 1e-5, "{f}: {cost} {written}");
        }
    }
}
