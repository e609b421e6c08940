//! How well a match explains what was heard: the mean over time and frequency of the logarithm of the residual's
//! power, a profile likelihood. It needs no reference level and lets the cells decide where the voice rests.

use crate::matching::statistics::Frames;
use crate::ring::Stereo;
use realfft::num_complex::Complex32;

/// Window at 44.1 and 48 kHz, samples; hop is half of it.
pub const WINDOW: usize = 4096;
/// Band that is scored: below it rumble, above it what codecs drop.
const BAND_HZ: (f64, f64) = (50.0, 15_000.0);

/// Score of each frame, natural logarithm of power; lower is better. Allocates.
///
/// `residual` and `backing` are of one length; cells where the backing is silent are left out.
pub fn score(residual: &Stereo, backing: &Stereo, window: usize, sample_rate_hz: f64) -> Vec<f64> {
    let mut frames = Frames::new(window);
    let num_frames = frames.count(residual[0].len());
    let bin_hz = sample_rate_hz / window as f64;
    let first = (BAND_HZ.0 / bin_hz).ceil() as usize;
    let last = ((BAND_HZ.1 / bin_hz) as usize).min(window / 2 - 1);
    let mut bins = vec![Complex32::default(); window / 2 + 1];
    // Powers smoothed over three bins, per frame.
    let mut powers = |signal: &Stereo| -> Vec<Vec<f32>> {
        (0..num_frames)
            .map(|frame| {
                let mut power = vec![0.0f32; bins.len()];
                for side in signal {
                    frames.forward(side, frame, &mut bins);
                    power.iter_mut().zip(&bins).for_each(|(p, x)| *p += x.norm_sqr());
                }
                (first..=last).map(|k| power[k - 1..=k + 1].iter().sum::<f32>() / 3.0).collect()
            })
            .collect()
    };
    let (residual, backing) = (powers(residual), powers(backing));
    let smoothed = |powers: &[Vec<f32>], frame: usize, k: usize| {
        let frames = [frame.saturating_sub(1), frame, (frame + 1).min(num_frames - 1)];
        frames.into_iter().map(|f| powers[f][k]).sum::<f32>() / 3.0
    };
    let num_bins = last + 1 - first;
    let mean = backing.iter().flatten().map(|&p| f64::from(p)).sum::<f64>() / (num_bins * num_frames) as f64;
    let mut counted = 0usize;
    let mut scores: Vec<f64> = (0..num_frames)
        .map(|frame| {
            let mut sum = 0.0;
            for k in 0..num_bins {
                let y = f64::from(smoothed(&backing, frame, k));
                if y > 1e-6 * mean + 1e-9 {
                    counted += 1;
                    sum += (f64::from(smoothed(&residual, frame, k)) + 1e-11 * y + 1e-13).ln();
                }
            }
            sum
        })
        .collect();
    let per_frame = (counted as f64 / num_frames as f64).max(1.0);
    scores.iter_mut().for_each(|s| *s /= per_frame);
    scores
}

/// Arithmetic mean; 0 of nothing.
pub fn mean(x: &[f64]) -> f64 {
    if x.is_empty() { 0.0 } else { x.iter().sum::<f64>() / x.len() as f64 }
}
