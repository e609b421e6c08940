//! Reads the backing at a fractional delay: windowed sinc, moved without clicks.
//!
//! Kernel: sinc under a Kaiser window (Laakso et al., "Splitting the unit delay", IEEE SP Magazine 1996), 64 taps,
//! beta 9: a null deeper than 90 dB up to 0.35 of the sample rate at any fraction (see the test).

use crate::dsp::ring::{Ring, Stereo, stereo};
use crate::dsp::sinc::{dot, windowed_sinc};
use multiversion::multiversion;
use std::sync::LazyLock;

/// Taps of the kernel, half of them on either side of the point read.
pub const TAPS: usize = 64;
const HALF: i64 = TAPS as i64 / 2;
/// Kernel phases between two samples. Linear interpolation between phases errs by less than -100 dB.
const PHASES: usize = 1024;
const BETA: f64 = 9.0;
/// Moves up to this many samples per hop are glides of the reading point; larger ones are cross-fades.
const GLIDE_SAMPLES: f64 = 0.5;

/// Kernels of all phases, the same for every delay line.
static KERNELS: LazyLock<Vec<[f32; TAPS]>> =
    LazyLock::new(|| (0..=PHASES).map(|phase| kernel(phase as f64 / PHASES as f64)).collect());

/// The delay line.
pub struct DelayLine {
    kernels: &'static [[f32; TAPS]],
    spans: Stereo,
    other: Stereo,
    delay_samples: Option<f64>,
}

impl DelayLine {
    /// A delay line that reads hops of `hop` samples.
    pub fn new(hop: usize) -> Self {
        Self { kernels: &KERNELS, spans: stereo(hop + TAPS + 2), other: stereo(hop), delay_samples: None }
    }

    /// The next delay holds at once.
    pub fn reset(&mut self) {
        self.delay_samples = None;
    }

    /// Reads `out[n] = backing[start + n - delay]`, arriving at `delay_samples` by the end of the hop.
    pub fn read(&mut self, backing: &Ring, start: i64, delay_samples: f64, out: &mut Stereo) {
        let from = self.delay_samples.replace(delay_samples).unwrap_or(delay_samples);
        if (from - delay_samples).abs() <= GLIDE_SAMPLES {
            self.glide(backing, start, from, delay_samples, out);
            return;
        }
        let mut other = std::mem::take(&mut self.other);
        self.glide(backing, start, from, from, &mut other);
        self.glide(backing, start, delay_samples, delay_samples, out);
        for (new, old) in out.iter_mut().zip(&other) {
            let step = 1.0 / new.len() as f32;
            for (n, (new, old)) in new.iter_mut().zip(old).enumerate() {
                *new = old + (*new - old) * step * (n + 1) as f32;
            }
        }
        self.other = other;
    }

    fn glide(&mut self, backing: &Ring, start: i64, from: f64, to: f64, out: &mut Stereo) {
        if from == to && from.fract() == 0.0 {
            backing.read_stereo(start - from as i64, out);
            return;
        }
        let first = (start as f64 - from.max(to)).floor() as i64 - HALF + 1;
        backing.read_stereo(first, &mut self.spans);
        glide(self.kernels, &self.spans, start, first, [from, to], out);
    }
}

/// Reads `spans`, which begin at position `first`, for a hop that begins at `start`; the delay goes from one value to another.
#[multiversion(targets("x86_64+avx2"))]
fn glide(
    kernels: &[[f32; TAPS]],
    spans: &Stereo,
    start: i64,
    first: i64,
    [from, to]: [f64; 2],
    out: &mut Stereo,
) {
    let step = (to - from) / out[0].len() as f64;
    let still = (from == to).then(|| kernel_at(kernels, start as f64 - from));
    let [left, right] = out;
    for (n, (left, right)) in left.iter_mut().zip(right).enumerate() {
        let position = (start + n as i64) as f64 - (from + step * (n + 1) as f64);
        let at = (position.floor() as i64 - HALF + 1 - first) as usize;
        let moving = if still.is_none() { kernel_at(kernels, position) } else { [0.0; TAPS] };
        let kernel = still.as_ref().unwrap_or(&moving);
        *left = dot(&spans[0][at..at + TAPS], kernel);
        *right = dot(&spans[1][at..at + TAPS], kernel);
    }
}

#[inline(always)]
fn kernel_at(kernels: &[[f32; TAPS]], position: f64) -> [f32; TAPS] {
    let phase = (position - position.floor()) * PHASES as f64;
    let low = phase as usize;
    let rest = (phase - low as f64) as f32;
    let (a, b) = (&kernels[low], &kernels[(low + 1).min(PHASES)]);
    std::array::from_fn(|k| a[k] + rest * (b[k] - a[k]))
}

/// Kernel that reads `fraction` after the sample at tap index `HALF - 1`.
fn kernel(fraction: f64) -> [f32; TAPS] {
    std::array::from_fn(|k| windowed_sinc((k as i64 - HALF + 1) as f64 - fraction, HALF as f64, BETA) as f32)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sine_ring(frequency: f64, len: usize) -> Ring {
        let mut ring = Ring::new(len);
        let signal: Vec<f32> =
            (0..len).map(|n| (std::f64::consts::TAU * frequency * n as f64).sin() as f32).collect();
        ring.push([&signal, &signal]);
        ring
    }

    /// 90 dB at 10 kHz is asked for at 44.1 kHz, which is 0.227 of the sample rate; the null is that of a sine
    /// against itself delayed exactly.
    #[test]
    fn nulls_deeper_than_90_db() {
        for frequency in [0.01, 0.1, 0.227, 0.3, 0.35] {
            let ring = sine_ring(frequency, 1024);
            for delay in [0.1, 0.25, 0.5, 0.8317, 17.37] {
                let mut line = DelayLine::new(128);
                let mut out = stereo(128);
                line.read(&ring, 500, delay, &mut out);
                let error: f64 = (0..128)
                    .map(|n| {
                        let exact = (std::f64::consts::TAU * frequency * ((500 + n) as f64 - delay)).sin();
                        (f64::from(out[0][n as usize]) - exact).powi(2)
                    })
                    .sum::<f64>()
                    / 64.0;
                let depth_db = 10.0 * error.log10();
                assert!(depth_db < -90.0, "{frequency} of the rate, delay {delay}: {depth_db:.1} dB");
            }
        }
    }

    #[test]
    fn whole_delays_copy_exactly() {
        let ring = sine_ring(0.1, 1024);
        let mut line = DelayLine::new(128);
        let (mut out, mut expected) = (stereo(128), stereo(128));
        line.read(&ring, 500, 37.0, &mut out);
        ring.read_stereo(463, &mut expected);
        assert_eq!(out, expected);
    }

    #[test]
    fn moves_make_no_step() {
        let ring = sine_ring(0.005, 8192);
        let mut line = DelayLine::new(128);
        let mut last: Option<f32> = None;
        for (hop, delay) in [10.0, 10.01, 10.4, 42.4, 42.0, -12.3, 5.0, 5.0].into_iter().enumerate() {
            let mut out = stereo(128);
            line.read(&ring, 1000 + 128 * hop as i64, delay, &mut out);
            for &y in &out[0] {
                // The sine itself steps by 0.031; a fade over 54 samples of delay adds at most 2 / 128.
                assert!(last.is_none_or(|last| (y - last).abs() < 0.055));
                last = Some(y);
            }
        }
    }
}
