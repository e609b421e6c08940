//! A part through its filter, hop by hop.

use minuend_fourier::Transform;
use realfft::num_complex::Complex32;

use crate::{sizes::Sizes, solver::Taps};

/// The last frame of a part, and its filter in frequency: fast convolution by overlap-save (Oppenheim and Schafer,
/// Discrete-Time Signal Processing, 8.7; from memory). The middle half of a frame is free of what wraps round, since no filter
/// reaches further than an eighth; so what comes out is a quarter of a frame late.
pub struct PartFilter {
    frame: Vec<f32>,
    /// Spectrum of the frame.
    pub spectrum: Vec<Complex32>,
    response: Vec<Complex32>,
    /// What all of it is, if it is no more than that.
    gain: Option<f32>,
}

impl PartFilter {
    /// Nothing heard yet.
    pub fn new(sizes: Sizes, taps: &Taps, transform: &mut Transform) -> Self {
        let mut response = vec![Complex32::default(); sizes.num_bins()];
        taps.response(sizes, transform, &mut response);
        let scale = 1.0 / sizes.frame_samples as f32;
        response.iter_mut().for_each(|bin| *bin *= scale);
        Self {
            frame: vec![0.0; sizes.frame_samples],
            spectrum: vec![Complex32::default(); sizes.num_bins()],
            response,
            gain: taps.gain(),
        }
    }

    /// Adds the hop in the middle of the filtered frame to a signal, if the filter is a gain: exactly. Whether it is.
    pub fn add_exactly(&self, sum: &mut [f32]) -> bool {
        let Some(gain) = self.gain else { return false };
        let quarter = self.frame.len() / 4;
        sum.iter_mut().zip(&self.frame[quarter..]).for_each(|(sum, x)| *sum += gain * x);
        true
    }

    /// Hears the next hop.
    pub fn hear(&mut self, hop: &[f32], transform: &mut Transform) {
        self.frame.copy_within(hop.len().., 0);
        let kept = self.frame.len() - hop.len();
        self.frame[kept..].copy_from_slice(hop);
        transform.forward(&self.frame, &mut self.spectrum);
    }

    /// Adds the filtered frame to a spectrum.
    pub fn add_to(&self, sum: &mut [Complex32]) {
        for ((sum, part), response) in sum.iter_mut().zip(&self.spectrum).zip(&self.response) {
            *sum += part * response;
        }
    }

    /// Energy of the frame as it came, as it is filtered, and what both have in common, which is negative of one upside down.
    pub fn energies(&self) -> [f64; 3] {
        let scale = self.frame.len() as f32;
        let mut sums = [0.0; 3];
        for (part, response) in self.spectrum.iter().zip(&self.response) {
            let (came, gain) = (f64::from(part.norm_sqr()), response * scale);
            sums[0] += came;
            sums[1] += came * f64::from(gain.norm_sqr());
            sums[2] += came * f64::from(gain.re);
        }
        sums
    }
}

/// The hop in the middle of a filtered frame.
pub fn middle<'a>(sizes: Sizes, spectrum: &[Complex32], transform: &'a mut Transform) -> &'a [f32] {
    let quarter = sizes.frame_samples / 4;
    &transform.inverse(spectrum)[quarter..3 * quarter]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::noise;

    /// What comes out is the convolution, summed directly.
    #[test]
    fn it_is_a_convolution() {
        let sizes = Sizes { frame_samples: 256 };
        let (hop, reach) = (sizes.hop_samples(), sizes.reach_samples() as isize);
        let taps = Taps(noise(7, 2 * reach as usize + 1));
        let signal = noise(1, 10 * hop);
        let mut transform = Transform::new(sizes.frame_samples);
        let mut filter = PartFilter::new(sizes, &taps, &mut transform);
        let mut heard = Vec::new();
        for hop in signal.chunks(hop) {
            filter.hear(hop, &mut transform);
            let mut sum = vec![Complex32::default(); sizes.num_bins()];
            filter.add_to(&mut sum);
            heard.extend_from_slice(middle(sizes, &sum, &mut transform));
        }
        for n in 0..heard.len() - hop / 2 {
            let expected: f32 = (-reach..=reach)
                .filter_map(|lag| {
                    Some(taps.0[(lag + reach) as usize] * signal.get((n as isize - lag) as usize)?)
                })
                .sum();
            assert!((heard[n + hop / 2] - expected).abs() < 1e-4, "sample {n}");
        }
    }
}
