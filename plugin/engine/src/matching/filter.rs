//! Runs the learned filter: uniformly partitioned convolution (Stockham 1966 for the transform, partitions after
//! Kulp 1988; from memory), exchanged without a click.

use crate::matching::Taps;
use crate::ring::{Stereo, stereo};
use crate::spectrum::Spectrum;
use realfft::num_complex::Complex32;

/// Hops over which a new filter fades in.
const FADE_HOPS: usize = 32;
/// Partitions of a new filter transformed per hop, so that an exchange is no lump.
const LOADED_PER_HOP: usize = 4;

/// Frequency responses of one filter's partitions, `[to_side][from_side][partition * num_bins + bin]`.
struct Partitions {
    responses: [[Vec<Complex32>; 2]; 2],
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
    /// Spectra of the last inputs, `[side][slot * num_bins + bin]`.
    history: [Vec<Complex32>; 2],
    slot: usize,
    sum: Vec<Complex32>,
    other: Vec<f32>,
}

impl Filter {
    /// A filter of `num_taps`, a multiple of `hop`, that lets nothing pass.
    pub fn new(hop: usize, num_taps: usize) -> Self {
        let spectrum = Spectrum::new(2 * hop);
        let num_partitions = num_taps / hop;
        let bins = vec![Complex32::default(); num_partitions * spectrum.num_bins()];
        let silence = || Partitions {
            responses: std::array::from_fn(|_| std::array::from_fn(|_| bins.clone())),
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
            history: [bins.clone(), bins.clone()],
            slot: 0,
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
        self.history.iter_mut().for_each(|h| h.fill(Complex32::default()));
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
        let (hop, num_bins) = (self.hop, self.spectrum.num_bins());
        let from = self.loaded.unwrap_or_default();
        let to = (from + count).min(self.num_partitions);
        for (responses, taps) in
            self.next.responses.iter_mut().flatten().zip(self.next_taps.h.iter().flatten())
        {
            for partition in from..to {
                let time = self.spectrum.time();
                time[..hop].copy_from_slice(&taps[partition * hop..(partition + 1) * hop]);
                time[hop..].fill(0.0);
                self.spectrum.forward(&mut responses[partition * num_bins..(partition + 1) * num_bins]);
            }
        }
        self.loaded = Some(to);
    }

    /// Filters one hop of the aligned backing.
    pub fn process(&mut self, aligned: &Stereo, out: &mut Stereo) {
        let (hop, num_bins) = (self.hop, self.spectrum.num_bins());
        self.slot = (self.slot + 1) % self.num_partitions;
        for ((input, new), history) in self.input.iter_mut().zip(aligned).zip(&mut self.history) {
            input.copy_within(hop.., 0);
            input[hop..].copy_from_slice(new);
            self.spectrum.time().copy_from_slice(input);
            self.spectrum.forward(&mut history[self.slot * num_bins..(self.slot + 1) * num_bins]);
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
        history: &[Vec<Complex32>; 2],
        slot: usize,
        spectrum: &mut Spectrum,
        sum: &mut [Complex32],
        out: &mut [f32],
    ) {
        if partitions.silent {
            out.fill(0.0);
            return;
        }
        let num_bins = sum.len();
        let num_partitions = history[0].len() / num_bins;
        sum.fill(Complex32::default());
        for from in 0..2 {
            if from != side && !partitions.across {
                continue;
            }
            for (partition, h) in partitions.responses[side][from].chunks_exact(num_bins).enumerate() {
                let at = (slot + num_partitions - partition) % num_partitions;
                let x = &history[from][at * num_bins..(at + 1) * num_bins];
                for ((sum, h), x) in sum.iter_mut().zip(h).zip(x) {
                    *sum += h * x;
                }
            }
        }
        let len = out.len();
        out.copy_from_slice(&spectrum.inverse(sum)[len..]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::noise;

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
