//! What was taken away, parted again.

use minuend_fourier::{Transform, hann};
use realfft::num_complex::Complex32;

use crate::{
    filter::{PartFilter, middle},
    sizes::Sizes,
    solver::Taps,
};

/// Neighbours to either side over which what moved all parts alike is averaged, bins.
const NEIGHBOURS: usize = 4;

/// Parts one side of a backing, as it was taken away, into its parts. They add up to it.
///
/// Whatever the engine did to the sum of the parts, of level, tone and place, it did to all of them alike: a gain of each cell,
/// smoothed. What that does not explain goes to the parts by their power, as in a Wiener filter for several sources (Benaroya,
/// Bimbot and Gribonval 2006; from memory).
pub struct Splitter {
    sizes: Sizes,
    transform: Transform,
    /// Root of a Hann window, laid over a frame when it is taken and when it is added: squares half a frame apart add up to 1.
    window: Vec<f32>,
    filters: Vec<PartFilter>,
    /// The newest hop and a half of the backing, of which the filters are half a hop behind.
    ahead: Vec<f32>,
    backing: Vec<f32>,
    parts: Vec<Vec<f32>>,
    out: Vec<Vec<f32>>,
    spectra: Vec<Vec<Complex32>>,
    of_backing: Vec<Complex32>,
    sum: Vec<Complex32>,
}

impl Splitter {
    /// With a filter for each part.
    pub fn new(sizes: Sizes, taps: &[Taps]) -> Self {
        let mut transform = Transform::new(sizes.frame_samples);
        let spectrum = vec![Complex32::default(); sizes.num_bins()];
        let frame = vec![0.0; sizes.frame_samples];
        Self {
            window: hann(sizes.frame_samples).into_iter().map(f32::sqrt).collect(),
            filters: taps.iter().map(|taps| PartFilter::new(sizes, taps, &mut transform)).collect(),
            ahead: vec![0.0; sizes.hop_samples() * 3 / 2],
            backing: frame.clone(),
            parts: vec![frame.clone(); taps.len()],
            out: vec![frame; taps.len()],
            spectra: vec![spectrum.clone(); taps.len()],
            of_backing: spectrum.clone(),
            sum: spectrum,
            transform,
            sizes,
        }
    }

    /// How much later than what is heard comes what is parted, samples.
    pub fn latency_samples(&self) -> usize {
        3 * self.sizes.hop_samples() / 2
    }

    /// Hears the next hop of the backing and of the parts, and hands out a hop of each part.
    pub fn hear(&mut self, backing: &[f32], parts: &[&[f32]]) -> impl Iterator<Item = &[f32]> + use<'_> {
        let hop = self.sizes.hop_samples();
        self.ahead.copy_within(hop.., 0);
        self.ahead[hop / 2..].copy_from_slice(backing);
        push(&mut self.backing, &self.ahead[..hop]);
        self.transform.forward_under(&self.window, &self.backing, &mut self.of_backing);
        self.sum.fill(Complex32::default());
        for (idx, filter) in self.filters.iter_mut().enumerate() {
            let spectrum = &mut self.spectra[idx];
            filter.hear(parts[idx], &mut self.transform);
            spectrum.fill(Complex32::default());
            filter.add_to(spectrum);
            let filtered = middle(self.sizes, spectrum, &mut self.transform);
            push(&mut self.parts[idx], filtered);
            self.transform.forward_under(&self.window, &self.parts[idx], spectrum);
            self.sum.iter_mut().zip(&*spectrum).for_each(|(sum, x)| *sum += x);
        }
        self.part();
        let scale = 1.0 / self.sizes.frame_samples as f32;
        for (out, spectrum) in self.out.iter_mut().zip(&self.spectra) {
            push(out, &vec![0.0; hop]);
            let frame = self.transform.inverse(spectrum).iter().zip(&self.window);
            out.iter_mut().zip(frame).for_each(|(out, (x, w))| *out += x * w * scale);
        }
        self.out.iter().map(move |out| &out[..hop])
    }

    /// The spectra of the parts out of that of the backing.
    fn part(&mut self) {
        let num_bins = self.sum.len();
        for bin in 0..num_bins {
            let near = bin.saturating_sub(NEIGHBOURS)..(bin + NEIGHBOURS + 1).min(num_bins);
            let (mut common, mut power) = (Complex32::default(), f32::MIN_POSITIVE);
            for near in near {
                common += self.of_backing[near] * self.sum[near].conj();
                power += self.sum[near].norm_sqr();
            }
            let gain = common / power;
            let left = self.of_backing[bin] - gain * self.sum[bin];
            let least = f32::MIN_POSITIVE;
            let all: f32 = self.spectra.iter().map(|part| part[bin].norm_sqr() + least).sum();
            for part in &mut self.spectra {
                let share = (part[bin].norm_sqr() + least) / all;
                part[bin] = gain * part[bin] + left * share;
            }
        }
    }
}

/// Moves the newest samples into a frame.
fn push(frame: &mut [f32], newest: &[f32]) {
    frame.copy_within(newest.len().., 0);
    let kept = frame.len() - newest.len();
    frame[kept..].copy_from_slice(newest);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::noise;

    /// Two parts that take turns, at half and at twice their level, and all of it a little softer: each comes back as it was
    /// taken away, and together they are all of it.
    #[test]
    fn parts_come_apart_and_add_up() {
        let sizes = Sizes { frame_samples: 512 };
        let hop = sizes.hop_samples();
        let len = 40 * hop;
        let turn = |n: usize| (n / (8 * hop)).is_multiple_of(2);
        let [a, b] = [(1, true), (48_271, false)].map(|(seed, first)| {
            let noise = noise(seed, len);
            (0..len).map(|n| if turn(n) == first { noise[n] } else { 0.0 }).collect::<Vec<f32>>()
        });
        let taps = [0.5, 2.0].map(|gain| {
            let mut taps = Taps::through(sizes);
            taps.0.iter_mut().for_each(|tap| *tap *= gain);
            taps
        });
        let taken = [&a, &b].map(|part| part.iter().map(|x| 0.9 * x).collect::<Vec<f32>>());
        let backing: Vec<f32> = (0..len).map(|n| 0.5 * taken[0][n] + 2.0 * taken[1][n]).collect();
        let mut splitter = Splitter::new(sizes, &taps);
        let mut found = [Vec::new(), Vec::new()];
        for n in (0..len).step_by(hop) {
            let part = n..n + hop;
            let outs = splitter.hear(&backing[part.clone()], &[&a[part.clone()], &b[part]]);
            found.iter_mut().zip(outs).for_each(|(found, out)| found.extend_from_slice(out));
        }
        let latency = splitter.latency_samples();
        let energy = |x: &mut dyn Iterator<Item = f32>| x.map(|x| x * x).sum::<f32>();
        for n in latency..len {
            assert!((found[0][n] + found[1][n] - backing[n - latency]).abs() < 1e-5, "sample {n}");
        }
        let wrong = energy(&mut (latency..len).map(|n| found[1][n] - 2.0 * taken[1][n - latency]));
        let all = energy(&mut backing.iter().copied());
        // At the turns a frame holds both.
        assert!(wrong < 0.01 * all, "{wrong} of {all}");
    }
}
