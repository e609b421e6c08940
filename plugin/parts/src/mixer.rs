//! The sum of parts through their filters.

use minuend_fourier::Transform;
use realfft::num_complex::Complex32;

use crate::{
    filter::{PartFilter, middle},
    sizes::Sizes,
    solver::Taps,
};

/// One side of a backing, made of its parts.
pub struct Mixer {
    sizes: Sizes,
    transform: Transform,
    parts: Vec<PartFilter>,
    sum: Vec<Complex32>,
    out: Vec<f32>,
    /// Of each part: energy as it came, as it is filtered, and what both have in common.
    energies: Vec<[f64; 3]>,
}

impl Mixer {
    /// With a filter for each part.
    pub fn new<'a>(sizes: Sizes, taps: impl Iterator<Item = &'a Taps>) -> Self {
        let mut transform = Transform::new(sizes.frame_samples);
        let parts: Vec<_> = taps.map(|taps| PartFilter::new(sizes, taps, &mut transform)).collect();
        let sum = vec![Complex32::default(); sizes.num_bins()];
        let out = vec![0.0; sizes.hop_samples()];
        Self { energies: vec![[0.0; 3]; parts.len()], sizes, transform, parts, sum, out }
    }

    /// How much later than what is heard comes its sum, samples.
    pub fn latency_samples(&self) -> usize {
        self.sizes.hop_samples() / 2
    }

    /// Hears the next hop of each part, and hands out a hop of their sum.
    pub fn hear<'a>(&mut self, parts: impl Iterator<Item = &'a [f32]>) -> &[f32] {
        self.sum.fill(Complex32::default());
        self.out.fill(0.0);
        let mut is_filtered = false;
        for ((filter, hop), energies) in self.parts.iter_mut().zip(parts).zip(&mut self.energies) {
            filter.hear(hop, &mut self.transform);
            if !filter.add_exactly(&mut self.out) {
                filter.add_to(&mut self.sum);
                is_filtered = true;
            }
            energies.iter_mut().zip(filter.energies()).for_each(|(sum, energy)| *sum += energy);
        }
        if is_filtered {
            let filtered = middle(self.sizes, &self.sum, &mut self.transform);
            self.out.iter_mut().zip(filtered).for_each(|(out, x)| *out += x);
        }
        &self.out
    }

    /// By how much a part is louder than it came, so far, linear: by its energy, and negative if it is upside down.
    pub fn gain(&self, part: usize) -> f64 {
        let [came, filtered, common] = self.energies[part];
        let gain = if came > 0.0 { (filtered / came).sqrt() } else { 0.0 };
        if common < 0.0 { -gain } else { gain }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::noise;

    #[test]
    fn parts_are_summed_and_their_levels_told() {
        let sizes = Sizes { frame_samples: 256 };
        let hop = sizes.hop_samples();
        let [a, b] = [1, 77_777].map(|seed| noise(seed, 10 * hop));
        let mut taps = [Taps::through(sizes), Taps::through(sizes)];
        taps[1].0.iter_mut().for_each(|tap| *tap *= -0.25);
        taps[1].0[0] = 1e-9;
        let mut mixer = Mixer::new(sizes, taps.iter());
        let mut heard = Vec::new();
        for n in (0..a.len()).step_by(hop) {
            heard.extend_from_slice(mixer.hear([&a[n..n + hop], &b[n..n + hop]].into_iter()));
        }
        let late = mixer.latency_samples();
        for n in late..heard.len() {
            assert!((heard[n] - (a[n - late] - 0.25 * b[n - late])).abs() < 1e-5, "sample {n}");
        }
        assert!((mixer.gain(0) - 1.0).abs() < 1e-5 && (mixer.gain(1) + 0.25).abs() < 1e-5);
    }
}
