//! Uniformly partitioned convolution of two sides with a 2x2 filter (Stockham 1966 for the transform, partitions after Kulp
//! 1988; from memory).

use crate::dsp::ring::{Stereo, stereo};
use crate::matching::taps::Taps;
use crate::spectral::lanes::{LANES, Lanes, plus, times};
use crate::spectral::spectrum::Spectrum;
use multiversion::multiversion;
use realfft::num_complex::{Complex, Complex32};

const SILENCE: Complex<Lanes> = Complex { re: Lanes([0.0; LANES]), im: Lanes([0.0; LANES]) };

/// Spectra by slot, one after the other: of the partitions of a filter, or of the inputs they are multiplied with (a
/// frequency-domain delay line). `[group * num_slots + slot]`, where a group is some neighbouring bins, so that a sum over the
/// slots of a few bins reads on and on.
#[derive(Clone)]
struct Slots {
    groups: Vec<Complex<Lanes>>,
    num_slots: usize,
}

impl Slots {
    fn new(num_slots: usize, num_bins: usize) -> Self {
        Self { groups: vec![SILENCE; num_bins.div_ceil(LANES) * num_slots], num_slots }
    }

    fn clear(&mut self) {
        self.groups.fill(SILENCE);
    }

    fn set(&mut self, slot: usize, bins: &[Complex32]) {
        for (group, bins) in self.groups.iter_mut().skip(slot).step_by(self.num_slots).zip(bins.chunks(LANES))
        {
            for (lane, bin) in bins.iter().enumerate() {
                (group.re.0[lane], group.im.0[lane]) = (bin.re, bin.im);
            }
        }
    }

    #[inline(always)]
    fn group(&self, group: usize) -> &[Complex<Lanes>] {
        &self.groups[group * self.num_slots..(group + 1) * self.num_slots]
    }
}

/// Frequency responses of one filter's partitions, `[to_side][from_side]`.
pub struct Partitions {
    responses: [[Slots; 2]; 2],
    num_loaded: usize,
    /// Whether anything passes from one side to the other, and at all.
    across: bool,
    silent: bool,
}

impl Partitions {
    /// Whether nothing passes.
    pub fn is_silent(&self) -> bool {
        self.silent
    }

    /// Whether all partitions have been transformed.
    pub fn is_loaded(&self) -> bool {
        self.num_loaded == self.responses[0][0].num_slots
    }
}

/// Transforms filters into partitions of one hop.
pub struct PartitionLoader {
    spectrum: Spectrum,
    hop: usize,
    num_partitions: usize,
    bins: Vec<Complex32>,
}

impl PartitionLoader {
    /// For filters of `num_taps`, a multiple of `hop`.
    pub fn new(hop: usize, num_taps: usize) -> Self {
        let spectrum = Spectrum::new(2 * hop);
        let bins = vec![Complex32::default(); spectrum.num_bins()];
        Self { hop, num_partitions: num_taps / hop, bins, spectrum }
    }

    /// Partitions of a filter that lets nothing pass. Allocates.
    pub fn silence(&self) -> Partitions {
        let slots = || Slots::new(self.num_partitions, self.bins.len());
        Partitions {
            responses: std::array::from_fn(|_| std::array::from_fn(|_| slots())),
            num_loaded: self.num_partitions,
            across: false,
            silent: true,
        }
    }

    /// Begins to load a filter: [`PartitionLoader::load`] does the rest.
    pub fn begin(&self, partitions: &mut Partitions, taps: &Taps) {
        partitions.silent = taps.is_silent();
        partitions.across = taps.h[0][1].iter().chain(&taps.h[1][0]).any(|&x| x != 0.0);
        partitions.num_loaded = 0;
    }

    /// Transforms so many partitions more of a filter.
    pub fn load(&mut self, partitions: &mut Partitions, taps: &Taps, count: usize) {
        let hop = self.hop;
        let to = (partitions.num_loaded + count).min(self.num_partitions);
        for (responses, taps) in partitions.responses.iter_mut().flatten().zip(taps.h.iter().flatten()) {
            for partition in partitions.num_loaded..to {
                let time = self.spectrum.time();
                time[..hop].copy_from_slice(&taps[partition * hop..(partition + 1) * hop]);
                time[hop..].fill(0.0);
                self.spectrum.forward(&mut self.bins);
                responses.set(partition, &self.bins);
            }
        }
        partitions.num_loaded = to;
    }

    /// Transforms a whole filter.
    pub fn load_whole(&mut self, partitions: &mut Partitions, taps: &Taps) {
        self.begin(partitions, taps);
        self.load(partitions, taps, self.num_partitions);
    }
}

/// Convolves hop by hop with filters that are cut into partitions of one hop.
pub struct PartitionedConvolver {
    spectrum: Spectrum,
    hop: usize,
    num_partitions: usize,
    input: Stereo,
    /// Spectra of the last inputs of either side, and the slot of the newest.
    history: [Slots; 2],
    slot: usize,
    bins: Vec<Complex32>,
    sum: Vec<Complex32>,
}

impl PartitionedConvolver {
    /// For filters of `num_taps`, a multiple of `hop`.
    pub fn new(hop: usize, num_taps: usize) -> Self {
        let spectrum = Spectrum::new(2 * hop);
        let (num_partitions, num_bins) = (num_taps / hop, spectrum.num_bins());
        let slots = Slots::new(num_partitions, num_bins);
        Self {
            hop,
            num_partitions,
            input: stereo(2 * hop),
            history: [slots.clone(), slots],
            slot: 0,
            bins: vec![Complex32::default(); num_bins],
            sum: vec![Complex32::default(); num_bins],
            spectrum,
        }
    }

    /// Forgets the signal.
    pub fn reset(&mut self) {
        self.input.iter_mut().for_each(|x| x.fill(0.0));
        self.history.iter_mut().for_each(Slots::clear);
    }

    /// Takes one hop of input.
    pub fn hear(&mut self, new: &Stereo) {
        let hop = self.hop;
        self.slot = (self.slot + 1) % self.num_partitions;
        for ((input, new), history) in self.input.iter_mut().zip(new).zip(&mut self.history) {
            input.copy_within(hop.., 0);
            input[hop..].copy_from_slice(new);
            self.spectrum.time().copy_from_slice(input);
            self.spectrum.forward(&mut self.bins);
            history.set(self.slot, &self.bins);
        }
    }

    /// One side of what a filter makes of the input.
    pub fn convolve(&mut self, partitions: &Partitions, side: usize, out: &mut [f32]) {
        if partitions.silent {
            out.fill(0.0);
            return;
        }
        multiply_accumulate(partitions, side, &self.history, self.slot, &mut self.sum);
        let len = out.len();
        out.copy_from_slice(&self.spectrum.inverse(&self.sum)[len..]);
    }
}

/// Spectrum of what the last inputs give on one side.
#[multiversion(targets("x86_64+avx2"))]
fn multiply_accumulate(
    partitions: &Partitions,
    side: usize,
    history: &[Slots; 2],
    slot: usize,
    sum: &mut [Complex32],
) {
    for (group, sums) in sum.chunks_mut(LANES).enumerate() {
        let mut total = SILENCE;
        for from in 0..2 {
            if from != side && !partitions.across {
                continue;
            }
            // The newest input meets the first partition.
            let (newer, older) = history[from].group(group).split_at(slot + 1);
            let (first, rest) = partitions.responses[side][from].group(group).split_at(slot + 1);
            for (h, x) in [(first, newer), (rest, older)] {
                for (&h, &x) in h.iter().zip(x.iter().rev()) {
                    total = plus(total, times(h, x));
                }
            }
        }
        for (lane, sum) in sums.iter_mut().enumerate() {
            *sum = Complex32::new(total.re.0[lane], total.im.0[lane]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;

    /// The fast path against the plain one.
    #[test]
    fn equals_plain_convolution() {
        let (hop, len) = (32, 256);
        let mut taps = Taps::silent(len);
        for (i, h) in taps.h.iter_mut().flatten().enumerate() {
            h.iter_mut().zip(noise(len, i as u32)).for_each(|(h, x)| *h = x * 0.1);
        }
        let mut convolver = PartitionedConvolver::new(hop, len);
        let mut loader = PartitionLoader::new(hop, len);
        let mut partitions = loader.silence();
        loader.begin(&mut partitions, &taps);
        assert!(!partitions.is_loaded());
        loader.load(&mut partitions, &taps, 3);
        loader.load(&mut partitions, &taps, len);
        assert!(partitions.is_loaded());
        let y = [noise(2048, 5), noise(2048, 6)];
        let plain = taps.apply(&y);
        let mut out = vec![0.0; hop];
        for at in (0..2048).step_by(hop) {
            convolver.hear(&[y[0][at..at + hop].to_vec(), y[1][at..at + hop].to_vec()]);
            for side in 0..2 {
                convolver.convolve(&partitions, side, &mut out);
                // plain[n] is centred: it is the causal result of sample n + len.
                for (n, out) in (at..).zip(&out).filter(|(n, _)| *n >= len) {
                    assert!((out - plain[side][n - len]).abs() < 1e-5);
                }
            }
        }
    }
}
