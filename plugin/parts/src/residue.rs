//! What of the mix the parts do not explain yet, frame by frame.

use minuend_fourier::{Transform, hann};
use realfft::num_complex::Complex32;

use crate::{
    filter::{PartFilter, middle},
    sizes::Sizes,
    solver::Taps,
    windowed::windowed,
};

/// One side of a mix minus the parts through their filters.
pub struct Residue {
    sizes: Sizes,
    transform: Transform,
    window: Vec<f32>,
    parts: Vec<PartFilter>,
    /// Spectra of the parts under the window: of the frame before, which is handed out, and of the last one.
    before: Vec<Vec<Complex32>>,
    last: Vec<Vec<Complex32>>,
    /// The newest three hops of the mix.
    mix: Vec<f32>,
    /// Its newest two hops and a half less the parts.
    residue: Vec<f32>,
    sum: Vec<Complex32>,
    spectra: [Vec<Complex32>; 2],
}

/// Spectra of one frame under a Hann window.
pub struct Frame<'a> {
    /// Of the mix.
    pub mix: &'a [Complex32],
    /// Of the mix less the parts through their filters.
    pub residue: &'a [Complex32],
    /// Of the parts as they came, at their delays.
    pub parts: &'a [Vec<Complex32>],
}

impl Residue {
    /// With a filter for each part.
    pub fn new(sizes: Sizes, taps: &[Taps]) -> Self {
        let mut transform = Transform::new(sizes.frame_samples);
        let spectra = || vec![vec![Complex32::default(); sizes.num_bins()]; taps.len()];
        let hop = sizes.hop_samples();
        Self {
            window: hann(sizes.frame_samples),
            parts: taps.iter().map(|taps| PartFilter::new(sizes, taps, &mut transform)).collect(),
            before: spectra(),
            last: spectra(),
            mix: vec![0.0; 3 * hop],
            residue: vec![0.0; 2 * hop + hop / 2],
            sum: vec![Complex32::default(); sizes.num_bins()],
            spectra: [0; 2].map(|_| vec![Complex32::default(); sizes.num_bins()]),
            transform,
            sizes,
        }
    }

    /// Hears the next hop of the mix and of the parts, and hands out the frame that ends where that hop begins.
    pub fn hear(&mut self, mix: &[f32], parts: &[&[f32]]) -> Frame<'_> {
        let (hop, transform) = (self.sizes.hop_samples(), &mut self.transform);
        std::mem::swap(&mut self.before, &mut self.last);
        self.sum.fill(Complex32::default());
        for ((filter, part), last) in self.parts.iter_mut().zip(parts).zip(&mut self.last) {
            filter.hear(part, transform);
            filter.add_to(&mut self.sum);
            windowed(&filter.spectrum, last);
        }
        self.mix.copy_within(hop.., 0);
        self.mix[2 * hop..].copy_from_slice(mix);
        self.residue.copy_within(hop.., 0);
        let explained = middle(self.sizes, &self.sum, transform);
        let newest = self.mix[hop + hop / 2..].iter().zip(explained);
        for (residue, (mix, explained)) in self.residue[hop + hop / 2..].iter_mut().zip(newest) {
            *residue = mix - explained;
        }
        let [of_mix, of_residue] = &mut self.spectra;
        for (signal, spectrum) in [(&self.mix, of_mix), (&self.residue, of_residue)] {
            transform.forward_under(&self.window, &signal[..2 * hop], spectrum);
        }
        Frame { mix: &self.spectra[0], residue: &self.spectra[1], parts: &self.before }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::noise;

    /// A mix of filtered parts leaves nothing, and the frames of mix and parts belong to one time.
    #[test]
    fn what_is_explained_is_gone() {
        let sizes = Sizes { frame_samples: 256 };
        let hop = sizes.hop_samples();
        let part = noise(1, 12 * hop);
        let mix: Vec<f32> = (0..part.len()).map(|n| 0.5 * part[n.saturating_sub(3)]).collect();
        let mut taps = Taps::silent(sizes);
        taps.0[sizes.reach_samples() + 3] = 0.5;
        let mut residue = Residue::new(sizes, &[taps]);
        let energy = |spectrum: &[Complex32]| spectrum.iter().map(Complex32::norm_sqr).sum::<f32>();
        for (n, (mix, part)) in mix.chunks(hop).zip(part.chunks(hop)).enumerate() {
            let frame = residue.hear(mix, &[part]);
            if n > 3 {
                assert!(energy(frame.residue) < 1e-9 * energy(frame.mix), "frame {n}");
                let common: Complex32 =
                    frame.mix.iter().zip(&frame.parts[0]).map(|(m, p)| m * p.conj()).sum();
                assert!(common.norm() > 0.1 * energy(frame.mix), "frame {n}");
            }
        }
    }
}
