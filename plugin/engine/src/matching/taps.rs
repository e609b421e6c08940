//! A 2x2 filter from the backing's sides to the mix's sides.

use crate::dsp::ring::{Signal, Stereo, stereo};
use crate::dsp::sinc::windowed_sinc;
use crate::dsp::units::sum_of_products;
use crate::settings::Tone;
use crate::spectral::lanes::{LANES, Lanes, ZERO, plus, reversed, times};
use crate::spectral::spectrum::Spectrum;
use crate::spectral::twin_spectrum::{TwinSpectrum, sides};
use multiversion::multiversion;
use realfft::num_complex::{Complex, Complex32};
use std::ops::Range;

/// Impulse responses `h[to_side][from_side]`, all of one even length, centred at half the length.
#[derive(Debug, Default, PartialEq)]
pub struct Taps {
    /// Impulse responses `[to_side][from_side][tap]`, linear.
    pub h: [[Vec<f32>; 2]; 2],
}

// By hand, for a `clone_from` that allocates nothing when the lengths agree.
impl Clone for Taps {
    fn clone(&self) -> Self {
        Self { h: self.h.clone() }
    }

    fn clone_from(&mut self, source: &Self) {
        for (to, from) in self.h.iter_mut().flatten().zip(source.h.iter().flatten()) {
            to.clone_from(from);
        }
    }
}

impl Taps {
    /// Nothing passes.
    pub fn silent(len: usize) -> Self {
        Self { h: std::array::from_fn(|_| std::array::from_fn(|_| vec![0.0; len])) }
    }

    /// Lets nothing pass any more.
    pub fn silence(&mut self) {
        self.h.iter_mut().flatten().for_each(|h| h.fill(0.0));
    }

    /// A gain per side and one delay in samples, at most a few.
    pub fn gains(len: usize, gains: [f64; 2], delay_samples: f64) -> Self {
        let mut taps = Self::silent(len);
        let centre = len / 2;
        let [[left, _], [_, right]] = &mut taps.h;
        if delay_samples == 0.0 {
            (left[centre], right[centre]) = (gains[0] as f32, gains[1] as f32);
            return taps;
        }
        for (n, (left, right)) in left.iter_mut().zip(right).enumerate() {
            let t = n as f64 - centre as f64 - delay_samples;
            let sinc = windowed_sinc(t, centre as f64 - 2.0, 8.0);
            (*left, *right) = ((gains[0] * sinc) as f32, (gains[1] * sinc) as f32);
        }
        taps
    }

    /// Holds the filter to a freedom, in place: without filters across sides, or to one gain for both.
    pub fn restrict(&mut self, tone: Tone) {
        if tone != Tone::AcrossSides {
            self.h[0][1].fill(0.0);
            self.h[1][0].fill(0.0);
        }
        if tone == Tone::Off {
            let [left, right] = self.level();
            let centre = self.num_taps() / 2;
            for side in 0..2 {
                let h = &mut self.h[side][side];
                h.fill(0.0);
                h[centre] = 0.5 * (left + right);
            }
        }
    }

    /// Moves all responses earlier by `samples`; what moves out is lost.
    pub fn advance(&mut self, samples: isize) {
        let by = samples.unsigned_abs().min(self.num_taps());
        for h in self.h.iter_mut().flatten() {
            if samples >= 0 {
                h.rotate_left(by);
                let kept = h.len() - by;
                h[kept..].fill(0.0);
            } else {
                h.rotate_right(by);
                h[..by].fill(0.0);
            }
        }
    }

    /// Delay of the filter as a whole, samples, re the centre tap. Allocates.
    pub fn bulk_delay_samples(&self) -> f64 {
        let mut spectrum = Spectrum::new(self.num_taps());
        bulk_delay_samples(&self.centred_responses(&mut spectrum), self.num_taps())
    }

    /// Moves all responses later by any number of samples, round the ends. Allocates.
    pub fn delay(&mut self, samples: f64) {
        let len = self.num_taps();
        let mut spectrum = Spectrum::new(len);
        let mut bins = vec![Complex32::default(); spectrum.num_bins()];
        for h in self.h.iter_mut().flatten().filter(|h| h.iter().any(|&x| x != 0.0)) {
            spectrum.time().copy_from_slice(h);
            spectrum.forward(&mut bins);
            for (k, bin) in bins.iter_mut().enumerate() {
                let angle = -std::f64::consts::TAU * k as f64 / len as f64 * samples;
                *bin *= Complex32::from_polar(1.0, angle as f32);
            }
            h.copy_from_slice(spectrum.inverse(&bins));
        }
    }

    /// Taps of each response.
    pub fn num_taps(&self) -> usize {
        self.h[0][0].len()
    }

    /// True if nothing passes.
    pub fn is_silent(&self) -> bool {
        self.h.iter().flatten().flatten().all(|&x| x == 0.0)
    }

    /// Level of each side through the stronger of its responses, linear, with the sign of its largest tap: its own, unless the
    /// sides of the backing are exchanged.
    pub fn level(&self) -> [f32; 2] {
        std::array::from_fn(|side| {
            let [own, other] = [side, 1 - side].map(|from| {
                let h = &self.h[side][from];
                (sum_of_products(h, h), h)
            });
            let (power, h) = if other.0 > own.0 { other } else { own };
            let largest = h.iter().fold(0.0f32, |a, &x| if x.abs() > a.abs() { x } else { a });
            (power.sqrt() as f32).copysign(largest)
        })
    }

    /// `Some(gains)` if this is nothing but a gain per side.
    fn as_gains(&self) -> Option<[f32; 2]> {
        let centre = self.num_taps() / 2;
        let only_centre = |h: &[f32]| h.iter().enumerate().all(|(n, &x)| n == centre || x == 0.0);
        let silent = |h: &[f32]| h.iter().all(|&x| x == 0.0);
        let [[ll, lr], [rl, rr]] = &self.h;
        (only_centre(ll) && only_centre(rr) && silent(lr) && silent(rl)).then(|| [ll[centre], rr[centre]])
    }

    /// Filters `y`, which reaches half a filter beyond either end of the result. Allocates.
    pub fn apply(&self, y: &impl Signal) -> Stereo {
        let len = y.num_samples() - self.num_taps();
        let mut out: Stereo = std::array::from_fn(|_| Vec::with_capacity(len));
        Convolver::new(self).run(y, 0..len, &mut out);
        out
    }

    /// Frequency responses about the centre tap at the bins of `spectrum`, whose length is at least that of the
    /// taps: `[to_side][from_side][bin]`. Allocates.
    pub fn centred_responses(&self, spectrum: &mut Spectrum) -> [[Vec<Complex32>; 2]; 2] {
        let centre = self.num_taps() / 2;
        std::array::from_fn(|to| {
            std::array::from_fn(|from| {
                let h = &self.h[to][from];
                let time = spectrum.time();
                time.fill(0.0);
                let end = time.len() - centre;
                time[..h.len() - centre].copy_from_slice(&h[centre..]);
                time[end..].copy_from_slice(&h[..centre]);
                let mut bins = vec![Complex32::default(); spectrum.num_bins()];
                spectrum.forward(&mut bins);
                bins
            })
        })
    }
}

/// Delay of a filter as a whole, samples, from its responses by transforms of `len` samples: the mean slope of their
/// phase up to two fifths of the sample rate, weighted with their power: a fraction ends in a jump at the top.
pub fn bulk_delay_samples(responses: &[[Vec<Complex32>; 2]; 2], len: usize) -> f64 {
    let slope: Complex32 = (0..2)
        .flat_map(|side| responses[side].iter().flat_map(|response| response[..len * 2 / 5].windows(2)))
        .map(|bins| bins[0].conj() * bins[1])
        .sum();
    -f64::from(slope.arg()) * len as f64 / std::f64::consts::TAU
}

/// Filters long stretches: overlap-save in blocks of four filter lengths, both sides at once.
pub struct Convolver {
    spectrum: TwinSpectrum,
    twin: Vec<Complex32>,
    heard: Stereo,
    num_taps: usize,
    /// `None` if the filter is but a gain per side.
    responses: Option<[[Vec<Complex32>; 2]; 2]>,
    gains: [f32; 2],
}

impl Convolver {
    /// A convolver for one filter. Allocates.
    pub fn new(taps: &Taps) -> Self {
        let (num_taps, gains) = (taps.num_taps(), taps.as_gains());
        let len = if gains.is_some() { 1 } else { 4 * num_taps };
        let mut convolver = Self {
            spectrum: TwinSpectrum::new(len),
            twin: vec![Complex32::default(); len],
            heard: stereo(len),
            num_taps,
            responses: None,
            gains: gains.unwrap_or_default(),
        };
        if gains.is_none() {
            let scale = 1.0 / len as f32;
            let mut spectrum = Spectrum::new(len);
            let mut response = |h: &Vec<f32>| {
                let time = spectrum.time();
                time[..num_taps].iter_mut().zip(h).for_each(|(t, h)| *t = scale * h);
                time[num_taps..].fill(0.0);
                let mut bins = vec![Complex32::default(); spectrum.num_bins()];
                spectrum.forward(&mut bins);
                bins
            };
            convolver.responses = Some(taps.h.each_ref().map(|to| to.each_ref().map(&mut response)));
        }
        convolver
    }

    /// Samples that it filters at once.
    pub fn block_samples(&self) -> usize {
        3 * self.num_taps
    }

    /// Appends a part of the filtered `y`, which reaches half a filter beyond either end of the whole.
    pub fn run(&mut self, y: &impl Signal, part: Range<usize>, out: &mut Stereo) {
        let centre = self.num_taps / 2;
        let Some(responses) = &self.responses else {
            for (side, (out, gain)) in out.iter_mut().zip(self.gains).enumerate() {
                let from = out.len();
                out.resize(from + part.len(), 0.0);
                y.read(side, part.start + centre, &mut out[from..]);
                out[from..].iter_mut().for_each(|y| *y *= gain);
            }
            return;
        };
        let mut at = part.start;
        while at < part.end {
            let heard = self.twin.len().min(y.num_samples() - at);
            for (side, heard_side) in self.heard.iter_mut().enumerate() {
                y.read(side, at, &mut heard_side[..heard]);
            }
            let [left, right] = &self.heard;
            let (heard, rest) = self.twin.split_at_mut(heard);
            heard
                .iter_mut()
                .zip(left.iter().zip(right))
                .for_each(|(twin, (&left, &right))| *twin = Complex32::new(left, right));
            rest.fill(Complex32::default());
            self.spectrum.forward(&mut self.twin);
            filter(&mut self.twin, responses);
            self.spectrum.inverse(&mut self.twin);
            // The responses are causal; the first `num_taps` samples wrap round.
            let take = (part.end - at).min(self.twin.len() - self.num_taps);
            let whole = &self.twin[self.num_taps..][..take];
            out[0].extend(whole.iter().map(|twin| twin.re));
            out[1].extend(whole.iter().map(|twin| twin.im));
            at += take;
        }
    }
}

/// Multiplies the spectra of both sides by 2x2 responses, in place.
#[multiversion(targets("x86_64+avx2"))]
fn filter(twin: &mut [Complex32], responses: &[[Vec<Complex32>; 2]; 2]) {
    let half = twin.len() / 2;
    let filtered = |k: usize, x: Complex32, mirrored: Complex32| {
        let [left, right] = sides(x, mirrored);
        let [l, r] =
            responses.each_ref().map(|[from_left, from_right]| from_left[k] * left + from_right[k] * right);
        [Complex32::new(l.re - r.im, l.im + r.re), Complex32::new(l.re + r.im, r.re - l.im)]
    };
    twin[0] = filtered(0, twin[0], twin[0])[0];
    twin[half] = filtered(half, twin[half], twin[half])[0];
    let (low, high) = twin.split_at_mut(half);
    let (mut low, mut high) = (low[1..].chunks_exact_mut(LANES), high[1..].rchunks_exact_mut(LANES));
    for (block, (low, high)) in low.by_ref().zip(high.by_ref()).enumerate() {
        let at = 1 + block * LANES;
        let [left, right] = sides(Lanes::load_complex(low, 0), reversed(Lanes::load_complex(high, 0)));
        let mut filtered = [ZERO; 2];
        for (to, [from_left, from_right]) in filtered.iter_mut().zip(responses) {
            let (from_left, from_right) =
                (Lanes::load_complex(from_left, at), Lanes::load_complex(from_right, at));
            *to = plus(times(from_left, left), times(from_right, right));
        }
        let [l, r] = filtered;
        let (re, im) = (l.re - r.im, l.im + r.re);
        let mirrored = reversed(Complex { re: l.re + r.im, im: r.re - l.im });
        for lane in 0..LANES {
            low[lane] = Complex32::new(re.0[lane], im.0[lane]);
            high[lane] = Complex32::new(mirrored.re.0[lane], mirrored.im.0[lane]);
        }
    }
    let (low, high) = (low.into_remainder(), high.into_remainder());
    let at = half - low.len();
    for (n, (low, high)) in low.iter_mut().zip(high.iter_mut().rev()).enumerate() {
        [*low, *high] = filtered(at + n, *low, *high);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;
    use crate::dsp::ring::stereo;

    #[test]
    fn applies_as_written_out_convolution() {
        let mut taps = Taps::silent(64);
        for (i, h) in taps.h.iter_mut().flatten().enumerate() {
            h.copy_from_slice(&noise(64, i as u32));
        }
        let y = [noise(1000, 7), noise(1000, 8)];
        let out = taps.apply(&y);
        assert_eq!(out[0].len(), 936);
        for side in 0..2 {
            for n in (0..936).step_by(13) {
                let exact: f32 = (0..2)
                    .flat_map(|from| (0..64).map(move |k| (from, k)))
                    .map(|(from, k)| taps.h[side][from][k] * y[from][n + 64 - k])
                    .sum();
                assert!((out[side][n] - exact).abs() < 1e-4, "{side} {n}: {} {exact}", out[side][n]);
            }
        }
    }

    #[test]
    fn a_delay_is_told_and_taken_out() {
        let mut taps = Taps::gains(256, [0.7, -0.5], 0.37);
        assert!((taps.bulk_delay_samples() - 0.37).abs() < 0.01, "{}", taps.bulk_delay_samples());
        taps.delay(-0.37);
        for (side, gain) in [(0, 0.7), (1, -0.5)] {
            for (n, &x) in taps.h[side][side].iter().enumerate() {
                let one = if n == 128 { gain } else { 0.0 };
                // The sinc is cut off at its ends, and its band at the top.
                assert!((x - one).abs() < 4e-3, "{n}: {x}");
            }
        }
    }

    /// Left goes to the right at 0.7 and right to the left at -0.5, later by 0.37 samples.
    #[test]
    fn sides_that_are_exchanged_tell_level_and_delay() {
        let mut taps = Taps::gains(256, [0.7, -0.5], 0.37);
        taps.h.reverse();
        let level = taps.level();
        assert!((level[0] + 0.5).abs() < 0.01 && (level[1] - 0.7).abs() < 0.01, "{level:?}");
        assert!((taps.bulk_delay_samples() - 0.37).abs() < 0.01, "{}", taps.bulk_delay_samples());
    }

    #[test]
    fn a_gain_is_exact_and_centred() {
        let mut y = stereo(300);
        y[0][150] = 1.0;
        let out = Taps::gains(128, [0.5, 2.0], 0.0).apply(&y);
        assert_eq!(out[0][150 - 64], 0.5);
        assert_eq!(out[0].iter().filter(|x| **x != 0.0).count(), 1);
    }
}
