//! A segment of a signal against all of the signal.

use std::sync::Arc;

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex, num_complex::Complex32};

/// Normalised cross-correlation of segments with the whole signal, channels added, by transforms of blocks.
pub struct Correlator {
    segment_samples: usize,
    num_samples: usize,
    /// Each channel, silent beyond its end.
    channels: Vec<Vec<f32>>,
    /// Energy of the segment that begins at each sample.
    energy: Vec<f32>,
    /// Spectra, `[block_idx][channel_idx][bin_idx]`.
    blocks: Vec<Vec<Vec<Complex32>>>,
    /// Positions that one block tells.
    step: usize,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
}

impl Correlator {
    /// For segments of one length.
    pub fn new(mut channels: Vec<Vec<f32>>, segment_samples: usize) -> Self {
        let num_samples = channels[0].len();
        let block_samples = (2 * segment_samples).next_power_of_two();
        let step = block_samples - segment_samples;
        let num_blocks = num_samples.div_ceil(step).max(1);
        channels.iter_mut().for_each(|channel| channel.resize(num_blocks * step + block_samples, 0.0));

        let mut planner = RealFftPlanner::new();
        let (forward, inverse) =
            (planner.plan_fft_forward(block_samples), planner.plan_fft_inverse(block_samples));
        let block = |block_idx: usize| {
            let of =
                |channel: &Vec<f32>| transformed(&*forward, &channel[block_idx * step..][..block_samples]);
            channels.iter().map(of).collect()
        };
        let blocks = (0..num_blocks).map(block).collect();

        let square =
            |n: usize| channels.iter().map(|channel| f64::from(channel[n] * channel[n])).sum::<f64>();
        let mut sum: f64 = (0..segment_samples).map(square).sum();
        let energy = (0..num_samples)
            .map(|n| {
                let energy = sum as f32;
                sum += square(n + segment_samples) - square(n);
                energy
            })
            .collect();
        Self { segment_samples, num_samples, channels, energy, blocks, step, forward, inverse }
    }

    /// How much alike the segment that begins at a sample is to that which begins at each other one, -1 to 1.
    pub fn correlate(&self, at: usize) -> Vec<f32> {
        let block_samples = self.step + self.segment_samples;
        let segment = |channel: &Vec<f32>| {
            let mut padded = channel[at..at + self.segment_samples].to_vec();
            padded.resize(block_samples, 0.0);
            transformed(&*self.forward, &padded)
        };
        let segment: Vec<Vec<Complex32>> = self.channels.iter().map(segment).collect();
        let mut product = self.inverse.make_input_vec();
        let mut scratch = self.inverse.make_scratch_vec();
        let mut time = self.inverse.make_output_vec();
        let mut correlation = Vec::with_capacity(self.blocks.len() * self.step);
        for block in &self.blocks {
            product.fill(Complex32::default());
            for (segment, block) in segment.iter().zip(block) {
                for ((sum, s), b) in product.iter_mut().zip(segment).zip(block) {
                    *sum += s.conj() * b;
                }
            }
            product[0].im = 0.0;
            product[block_samples / 2].im = 0.0;
            let planned = self.inverse.process_with_scratch(&mut product, &mut time, &mut scratch);
            debug_assert!(planned.is_ok(), "lengths are those that were planned");
            correlation.extend_from_slice(&time[..self.step]);
        }
        correlation.truncate(self.num_samples);
        let own = self.energy[at].max(1e-9);
        for (r, energy) in correlation.iter_mut().zip(&self.energy) {
            *r /= block_samples as f32 * (own * energy.max(1e-9)).sqrt();
        }
        correlation
    }
}

fn transformed(forward: &dyn RealToComplex<f32>, signal: &[f32]) -> Vec<Complex32> {
    let mut spectrum = forward.make_output_vec();
    let planned = forward.process(&mut signal.to_vec(), &mut spectrum);
    debug_assert!(planned.is_ok(), "lengths are those that were planned");
    spectrum
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::noise;

    /// Against the plain definition, over several blocks, in both channels.
    #[test]
    fn correlation_is_normalised() {
        let channels = vec![noise(1, 700), noise(2, 700)];
        let correlator = Correlator::new(channels.clone(), 100);
        let at = 130;
        let found = correlator.correlate(at);
        assert_eq!(found.len(), 700);
        let dot = |a: usize, b: usize| -> f32 {
            channels.iter().map(|x| (0..100).map(|n| x[a + n] * x[b + n]).sum::<f32>()).sum()
        };
        for other in [0, 130, 131, 299, 555, 600] {
            let expected = dot(at, other) / (dot(at, at) * dot(other, other)).sqrt();
            assert!((found[other] - expected).abs() < 1e-4, "{other}: {}, not {expected}", found[other]);
        }
    }
}
