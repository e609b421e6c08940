//! Runs the learned filter: uniformly partitioned convolution (Stockham 1966 for the transform, partitions after
//! Kulp 1988; from memory), exchanged without a click.

use crate::dsp::ring::{Stereo, stereo};
use crate::matching::taps::Taps;
use crate::spectral::lanes::{LANES, Lanes, plus, times};
use crate::spectral::spectrum::Spectrum;
use multiversion::multiversion;
use realfft::num_complex::{Complex, Complex32};

/// Hops over which a new filter fades in.
const FADE_HOPS: usize = 32;
/// Partitions of a new filter transformed per hop, so that an exchange is no lump.
const LOADED_PER_HOP: usize = 4;

/// Spectra of partitions, or of the inputs that they meet: `[group * num_slots + slot]`, where a group is some
/// neighbouring bins, so that a sum over the slots of a few bins reads on and on.
#[derive(Clone)]
struct Slots {
    groups: Vec<Complex<Lanes>>,
    num_slots: usize,
}

impl Slots {
    fn new(num_slots: usize, num_bins: usize) -> Self {
        let groups = vec![
            Complex { re: Lanes::default(), im: Lanes::default() };
            num_bins.div_ceil(LANES) * num_slots
        ];
        Self { groups, num_slots }
    }

    fn clear(&mut self) {
        self.groups.fill(Complex { re: Lanes::default(), im: Lanes::default() });
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
struct Partitions {
    responses: [[Slots; 2]; 2],
    /// Whether anything passes from one side to the other, and at all.
    across: bool,
    silent: bool,
}

/// The filter in force and, while they are exchanged, the one to come.
pub struct Filter {
    spectrum: Spectrum,
    hop: usize,
    num_partitions: usize,
    active: Partitions,
    next: Partitions,
    next_taps: Taps,
    /// Partitions of `next` transformed so far; `None` = no exchange under way.
    loaded: Option<usize>,
    /// Filter asked for while another exchange was under way.
    queued: Taps,
    is_queued: bool,
    faded_hops: usize,
    input: Stereo,
    /// Spectra of the last inputs of either side.
    history: [Slots; 2],
    slot: usize,
    bins: Vec<Complex32>,
    sum: Vec<Complex32>,
    other: Vec<f32>,
}

impl Filter {
    /// A filter of `num_taps`, a multiple of `hop`, that lets nothing pass.
    pub fn new(hop: usize, num_taps: usize) -> Self {
        let spectrum = Spectrum::new(2 * hop);
        let num_partitions = num_taps / hop;
        let slots = Slots::new(num_partitions, spectrum.num_bins());
        let silence = || Partitions {
            responses: std::array::from_fn(|_| std::array::from_fn(|_| slots.clone())),
            across: false,
            silent: true,
        };
        Self {
            hop,
            num_partitions,
            active: silence(),
            next: silence(),
            next_taps: Taps::silent(num_taps),
            loaded: None,
            queued: Taps::silent(num_taps),
            is_queued: false,
            faded_hops: 0,
            input: stereo(2 * hop),
            history: [slots.clone(), slots.clone()],
            slot: 0,
            bins: vec![Complex32::default(); spectrum.num_bins()],
            sum: vec![Complex32::default(); spectrum.num_bins()],
            other: vec![0.0; hop],
            spectrum,
        }
    }

    /// Half the filter: how far the output lags the input so that taps before the centre look ahead.
    pub fn latency_samples(&self) -> usize {
        self.num_partitions * self.hop / 2
    }

    /// Forgets the signal, keeps the filter.
    pub fn reset(&mut self) {
        self.input.iter_mut().chain([&mut self.other]).for_each(|x| x.fill(0.0));
        self.history.iter_mut().for_each(Slots::clear);
    }

    /// True if nothing passes now.
    pub fn is_silent(&self) -> bool {
        self.active.silent && self.loaded.is_none()
    }

    /// Exchanges the filter for `taps`, once an exchange already under way is done.
    pub fn exchange(&mut self, taps: &Taps) {
        if self.loaded.is_some() {
            self.queued.clone_from(taps);
            self.is_queued = true;
        } else {
            self.begin(taps);
        }
    }

    fn begin(&mut self, taps: &Taps) {
        self.next_taps.clone_from(taps);
        self.next.silent = taps.is_silent();
        self.next.across = taps.h[0][1].iter().chain(&taps.h[1][0]).any(|&x| x != 0.0);
        self.loaded = Some(0);
        self.faded_hops = 0;
    }

    /// Puts `taps` in force at once, for when nothing was heard before.
    pub fn set(&mut self, taps: &Taps) {
        self.begin(taps);
        self.load(self.num_partitions);
        std::mem::swap(&mut self.active, &mut self.next);
        self.loaded = None;
        self.is_queued = false;
    }

    fn load(&mut self, count: usize) {
        let hop = self.hop;
        let from = self.loaded.unwrap_or_default();
        let to = (from + count).min(self.num_partitions);
        for (responses, taps) in
            self.next.responses.iter_mut().flatten().zip(self.next_taps.h.iter().flatten())
        {
            for partition in from..to {
                let time = self.spectrum.time();
                time[..hop].copy_from_slice(&taps[partition * hop..(partition + 1) * hop]);
                time[hop..].fill(0.0);
                self.spectrum.forward(&mut self.bins);
                responses.set(partition, &self.bins);
            }
        }
        self.loaded = Some(to);
    }

    /// Filters one hop of the aligned backing.
    pub fn process(&mut self, aligned: &Stereo, out: &mut Stereo) {
        let hop = self.hop;
        self.slot = (self.slot + 1) % self.num_partitions;
        for ((input, new), history) in self.input.iter_mut().zip(aligned).zip(&mut self.history) {
            input.copy_within(hop.., 0);
            input[hop..].copy_from_slice(new);
            self.spectrum.time().copy_from_slice(input);
            self.spectrum.forward(&mut self.bins);
            history.set(self.slot, &self.bins);
        }
        let fading = self.loaded == Some(self.num_partitions);
        if self.loaded.is_some() && !fading {
            self.load(LOADED_PER_HOP);
        }
        for (side, out) in out.iter_mut().enumerate() {
            Self::convolve(
                &self.active,
                side,
                &self.history,
                self.slot,
                &mut self.spectrum,
                &mut self.sum,
                out,
            );
            if fading {
                let other = &mut self.other;
                Self::convolve(
                    &self.next,
                    side,
                    &self.history,
                    self.slot,
                    &mut self.spectrum,
                    &mut self.sum,
                    other,
                );
                let step = 1.0 / (FADE_HOPS * hop) as f32;
                let start = (self.faded_hops * hop) as f32;
                for (n, (out, new)) in out.iter_mut().zip(&*other).enumerate() {
                    *out += (new - *out) * ((start + (n + 1) as f32) * step);
                }
            }
        }
        if fading {
            self.faded_hops += 1;
            if self.faded_hops == FADE_HOPS {
                std::mem::swap(&mut self.active, &mut self.next);
                self.loaded = None;
                if std::mem::take(&mut self.is_queued) {
                    let queued = std::mem::take(&mut self.queued);
                    self.begin(&queued);
                    self.queued = queued;
                }
            }
        }
    }

    fn convolve(
        partitions: &Partitions,
        side: usize,
        history: &[Slots; 2],
        slot: usize,
        spectrum: &mut Spectrum,
        sum: &mut [Complex32],
        out: &mut [f32],
    ) {
        if partitions.silent {
            out.fill(0.0);
            return;
        }
        meet(partitions, side, history, slot, sum);
        let len = out.len();
        out.copy_from_slice(&spectrum.inverse(sum)[len..]);
    }
}

/// Spectrum of what the last inputs give on one side.
#[multiversion(targets("x86_64+avx2"))]
fn meet(partitions: &Partitions, side: usize, history: &[Slots; 2], slot: usize, sum: &mut [Complex32]) {
    for (group, sums) in sum.chunks_mut(LANES).enumerate() {
        let mut total = Complex { re: Lanes::default(), im: Lanes::default() };
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

    fn run(filter: &mut Filter, y: &Stereo, hop: usize) -> Stereo {
        let mut result = stereo(0);
        let mut out = stereo(hop);
        for at in (0..y[0].len()).step_by(hop) {
            filter.process(&[y[0][at..at + hop].to_vec(), y[1][at..at + hop].to_vec()], &mut out);
            result.iter_mut().zip(&out).for_each(|(r, o)| r.extend_from_slice(o));
        }
        result
    }

    /// The fast path against the plain one.
    #[test]
    fn equals_plain_convolution() {
        let (hop, len) = (32, 256);
        let mut taps = Taps::silent(len);
        for (i, h) in taps.h.iter_mut().flatten().enumerate() {
            h.iter_mut().zip(noise(len, i as u32)).for_each(|(h, x)| *h = x * 0.1);
        }
        let mut filter = Filter::new(hop, len);
        filter.set(&taps);
        let y = [noise(2048, 5), noise(2048, 6)];
        let fast = run(&mut filter, &y, hop);
        let plain = taps.apply(&y);
        // plain[n] is centred: it is the causal result of sample n + len.
        for side in 0..2 {
            for (n, plain) in plain[side].iter().enumerate() {
                assert!((fast[side][n + len] - plain).abs() < 1e-5);
            }
        }
    }

    #[test]
    fn an_exchange_fades() {
        let (hop, len) = (32, 256);
        let mut filter = Filter::new(hop, len);
        let y = [vec![1.0; 8192], vec![1.0; 8192]];
        // Fill the past, so that only the exchange moves the output.
        run(&mut filter, &y, hop);
        filter.exchange(&Taps::gains(len, [1.0, -1.0], 0.0));
        let out = run(&mut filter, &y, hop);
        let largest = out[0].windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0, f32::max);
        // A straight fade over 32 hops of 32 samples steps by 1 / 1024.
        assert!(largest < 1.01 / 1024.0, "{largest}");
        assert!((out[0][8191] - 1.0).abs() < 1e-6 && (out[1][8191] + 1.0).abs() < 1e-6);
    }
}
