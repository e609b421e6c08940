//! What costs are held against: the least that subtracting a filtered backing can take. Ratios to it hold on any machine.

use multiversion::multiversion;
use realfft::num_complex::Complex32;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use std::sync::Arc;

/// Hop and filter at 44.1 and 48 kHz, samples, as the engine has them; at other rates by powers of two more or fewer.
const HOP: usize = 128;
const PARTITIONS: usize = 32;

/// Plain convolution of two sides, each with one filter as long as the engine's, in hops as long as its own: uniformly
/// partitioned overlap-save (Wefers, "Partitioned convolution algorithms for real-time auralization", 2015, chapter 5;
/// from memory). A hop is a transform forth and one back for each side, and a multiply-add for each bin and partition.
pub struct Floor {
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    scratch: Vec<Complex32>,
    time: Vec<f32>,
    bins: Vec<Complex32>,
    sum: Spectrum,
    sides: [Side; 2],
    slot: usize,
}

struct Side {
    input: Vec<f32>,
    /// Spectra of the filter's partitions, and of the last inputs.
    filter: Vec<Spectrum>,
    inputs: Vec<Spectrum>,
}

/// Real and imaginary parts apart, so that several bins are worked on at once.
#[derive(Clone)]
struct Spectrum {
    re: Vec<f32>,
    im: Vec<f32>,
}

impl Floor {
    /// With filters that let everything pass: what they hold makes no difference to the cost.
    pub fn new(rate_hz: u32) -> Self {
        let octaves = (f64::from(rate_hz) / 46_000.0).log2().round() as i32;
        let hop = (HOP as f64 * 2f64.powi(octaves)) as usize;
        let mut planner = RealFftPlanner::new();
        let (forward, inverse) = (planner.plan_fft_forward(2 * hop), planner.plan_fft_inverse(2 * hop));
        let spectrum = |value| Spectrum { re: vec![value; hop + 1], im: vec![value; hop + 1] };
        let side = || Side {
            input: vec![0.0; 2 * hop],
            filter: vec![spectrum(0.5); PARTITIONS],
            inputs: vec![spectrum(0.0); PARTITIONS],
        };
        Self {
            sides: [side(), side()],
            scratch: vec![Complex32::default(); forward.get_scratch_len().max(inverse.get_scratch_len())],
            time: forward.make_input_vec(),
            bins: forward.make_output_vec(),
            sum: spectrum(0.0),
            slot: 0,
            forward,
            inverse,
        }
    }

    /// Length of a hop, samples.
    pub fn hop_samples(&self) -> usize {
        self.time.len() / 2
    }

    /// Convolves one hop of either side in place.
    #[inline(never)]
    pub fn hop(&mut self, audio: [&mut [f32]; 2]) {
        let hop = self.hop_samples();
        self.slot = (self.slot + 1) % PARTITIONS;
        for (side, audio) in self.sides.iter_mut().zip(audio) {
            side.input.copy_within(hop.., 0);
            side.input[hop..].copy_from_slice(audio);
            self.time.copy_from_slice(&side.input);
            let (time, bins, scratch) = (&mut self.time, &mut self.bins, &mut self.scratch);
            self.forward.process_with_scratch(time, bins, scratch).expect("lengths fit");
            let newest = &mut side.inputs[self.slot];
            for ((bin, re), im) in bins.iter().zip(&mut newest.re).zip(&mut newest.im) {
                (*re, *im) = (bin.re, bin.im);
            }
            self.sum.re.fill(0.0);
            self.sum.im.fill(0.0);
            for (age, filter) in side.filter.iter().enumerate() {
                let input = &side.inputs[(self.slot + PARTITIONS - age) % PARTITIONS];
                multiply_add(filter, input, &mut self.sum);
            }
            // The lowest and the highest bin of a real signal are real.
            (self.sum.im[0], self.sum.im[hop]) = (0.0, 0.0);
            for ((bin, &re), &im) in bins.iter_mut().zip(&self.sum.re).zip(&self.sum.im) {
                *bin = Complex32::new(re, im);
            }
            self.inverse.process_with_scratch(bins, time, scratch).expect("lengths fit");
            audio.copy_from_slice(&self.time[hop..]);
        }
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn multiply_add(filter: &Spectrum, input: &Spectrum, sum: &mut Spectrum) {
    let bins = sum.re.len();
    let [filter_re, filter_im, re, im] =
        [&filter.re, &filter.im, &input.re, &input.im].map(|part| &part[..bins]);
    let (sum_re, sum_im) = (&mut sum.re[..bins], &mut sum.im[..bins]);
    for bin in 0..bins {
        sum_re[bin] += filter_re[bin] * re[bin] - filter_im[bin] * im[bin];
        sum_im[bin] += filter_re[bin] * im[bin] + filter_im[bin] * re[bin];
    }
}
