//! What was heard of mix, backing and difference, in bands and short frames: all that the rules for what remains need.

use crate::dsp::ring::{Signal, Stereo, stereo};
use crate::dsp::sizes::Sizes;
use crate::null_depth::rests::NOBODY_DB;
use crate::spectral::frames::Frames;
use crate::spectral::twin_spectrum::split;
use realfft::num_complex::Complex32;
use std::collections::VecDeque;
use std::ops::Range;

/// Window at 44.1 and 48 kHz, samples; hop is half of it. Chosen by hand; not measured.
const WINDOW: usize = 2048;
/// Frames kept (30 s). Chosen by hand; not measured.
const REMEMBERED_FRAMES: usize = 1300;
/// Third octaves from here on, at least so many bins wide; above, bands of one width, to see where a signal ends.
/// Chosen by hand; not measured.
const BANDS_FROM_HZ: f64 = 60.0;
const MIN_BAND_BINS: usize = 6;
const EVEN_FROM_HZ: f64 = 10_000.0;
const EVEN_HZ: f64 = 500.0;
/// Up to here: what ends higher ends where nothing is heard, and at 192 kHz half of all bands lie above. Chosen by hand; not measured.
const BANDS_TO_HZ: f64 = 48_000.0;
/// Backing so far below its mean does not count (power ratio). Chosen by hand; not measured.
const AUDIBLE_RE_MEAN: f32 = 1e-4;
/// One in so many frames, quietest in the difference first, in which the voice is taken to rest in a band. Chosen by hand;
/// not measured.
const RESTING_ONE_IN: usize = 5;

/// One in so many cells of a band, lowest in the difference first, in which next to nothing is heard of the voice; and the
/// least number of cells among which it is looked for. Chosen by hand; not measured.
const LOWEST_ONE_IN: usize = 20;
const MIN_LOWEST_CELLS: usize = 20;
/// Cells this far under the backing (power ratio; -59 dB) are the same in mix and backing, bit for bit or nearly, as for the
/// clean-up.
const IDENTICAL: f32 = 1.3e-6;

/// Level under which a band counts as empty, mean square per sample of white noise of that density: rounding to 16
/// bits is at -101 dB re full scale.
pub const EMPTY_BAND: f64 = 1e-10;
/// Lowest frequency from which voices are rare enough to look for codecs, Hz; a quarter of the band if that is lower.
/// Chosen by hand; not measured.
const BRIGHT_FROM_HZ: f64 = 5_000.0;

/// Powers of one band in one frame, both sides together.
#[derive(Clone, Copy, Default)]
pub struct Cell {
    /// The mix.
    pub mix: f32,
    /// The backing as it came, aligned.
    pub backing: f32,
    /// The matched backing.
    pub matched: f32,
    /// The difference.
    pub difference: f32,
    /// Product of difference and matched backing.
    pub product: f32,
    /// Part of the difference that one gain, per side, of the matched backing explains; in phase.
    pub in_phase: f32,
    /// The same, in quadrature.
    pub quadrature: f32,
    /// What a third-order bend of the mix would add, less what a gain explains.
    pub bend: f32,
    /// Product of that with the difference, less what a gain explains.
    pub bend_product: f32,
}

/// The cells of the last frames.
pub struct CellHistory {
    ranges: Vec<Range<usize>>,
    window: usize,
    bin_hz: f64,
    frames: VecDeque<Vec<Cell>>,
}

impl CellHistory {
    /// Nothing heard yet.
    pub fn new(sizes: Sizes) -> Self {
        let window = sizes.scaled(WINDOW);
        let bin_hz = sizes.sample_rate_hz / window as f64;
        let (mut ranges, mut from) = (Vec::new(), (BANDS_FROM_HZ / bin_hz).ceil() as usize);
        let end = ((BANDS_TO_HZ / bin_hz) as usize).min(window / 2);
        while from + MIN_BAND_BINS <= end {
            let third = (from as f64 * (2f64.powf(1.0 / 3.0) - 1.0)).round() as usize;
            let even = (EVEN_HZ / bin_hz).round() as usize;
            let width = if from as f64 * bin_hz < EVEN_FROM_HZ { third } else { even };
            let to = (from + width.max(MIN_BAND_BINS)).min(end);
            ranges.push(from..to);
            from = to;
        }
        Self { ranges, window, bin_hz, frames: VecDeque::new() }
    }

    /// Forgets what was heard.
    pub fn forget(&mut self) {
        self.frames.clear();
    }

    /// Hears a stretch.
    pub fn hear(&mut self, mix: &impl Signal, backing: &impl Signal, matched: &Stereo) {
        let mut spectra = Frames::new(self.window);
        let len = mix.num_samples();
        let mut mix_frame = stereo(self.window.min(len));
        let side = || vec![Complex32::default(); self.window / 2 + 1];
        let mut bins: [[Vec<Complex32>; 2]; 4] = std::array::from_fn(|_| [side(), side()]);
        for frame in 0..spectra.count(len) {
            let mut cells = vec![Cell::default(); self.ranges.len()];
            let part = spectra.part(frame);
            let part = part.start..part.end.min(len);
            mix_frame.iter_mut().enumerate().for_each(|(side, frame)| mix.read(side, part.start, frame));
            // What is made of mix and matched backing.
            let made = |of: fn(f32, f32) -> f32| -> Stereo {
                std::array::from_fn(|side| {
                    let matched = &matched[side][part.clone()];
                    mix_frame[side].iter().zip(matched).map(|(&x, &b)| of(x, b)).collect()
                })
            };
            let [difference, in_matched, in_backing, bend] = &mut bins;
            let load = |[left, right]: &mut [Vec<Complex32>; 2], twin: &[Complex32]| split(twin, left, right);
            load(difference, spectra.twin(&made(|x, b| x - b), 0));
            load(in_matched, spectra.twin(matched, frame));
            load(in_backing, spectra.twin(backing, frame));
            load(bend, spectra.twin(&made(|x, b| x * x * x - b * b * b), 0));
            for (cell, range) in cells.iter_mut().zip(&self.ranges) {
                for side in 0..2 {
                    cell.add(bins.each_ref().map(|bins| &bins[side][range.clone()]));
                }
            }
            if self.frames.len() == REMEMBERED_FRAMES {
                self.frames.pop_front();
            }
            self.frames.push_back(cells);
        }
    }

    /// Number of bands.
    pub fn len(&self) -> usize {
        self.ranges.len()
    }

    /// Number of frames heard.
    pub fn num_frames(&self) -> usize {
        self.frames.len()
    }

    /// Number of frames in which somebody sings.
    pub fn num_sung(&self) -> usize {
        let silent = 10f32.powf(-0.1 * NOBODY_DB as f32);
        let power = |cells: &[Cell], of: fn(&Cell) -> f32| cells.iter().map(of).sum::<f32>();
        let is_sung =
            |cells: &&Vec<Cell>| power(cells, |c| c.difference) > silent * power(cells, |c| c.matched);
        self.frames.iter().filter(is_sung).count()
    }

    /// Lower edge of a band, Hz.
    pub fn hz(&self, band: usize) -> f64 {
        self.ranges[band].start as f64 * self.bin_hz
    }

    /// Bins of a band.
    pub fn num_bins(&self, band: usize) -> usize {
        self.ranges[band].len()
    }

    /// Power of a band per mean square of a white signal, both sides.
    pub fn white(&self, band: usize) -> f64 {
        // Two sides, and the mean square of a Hann window.
        2.0 * 0.375 * (self.window * self.num_bins(band)) as f64
    }

    /// Bands, below one of them, in which voices are rare and the backing is heard.
    pub fn bright(&self, to_band: usize) -> impl Iterator<Item = usize> {
        let nyquist = self.hz(self.len() - 1);
        let from_hz = BRIGHT_FROM_HZ.min(nyquist / 4.0);
        (0..to_band.min(self.len())).filter(move |&band| {
            let all: Vec<usize> = (0..self.num_frames()).collect();
            self.hz(band) >= from_hz && self.mean(band, &all, |c| c.matched) > EMPTY_BAND * self.white(band)
        })
    }

    /// Correlation of what no gain explains in some frames of a band with a third-order bend of the mix, if there is any of either.
    pub fn bend_correlation(&self, band: usize, frames: &[usize]) -> Option<f64> {
        let mean = |of: fn(&Cell) -> f32| self.mean(band, frames, of);
        let rest = mean(|c| c.difference) - mean(|c| c.in_phase) - mean(|c| c.quadrature);
        let bend = mean(|c| c.bend);
        (bend > 0.0 && rest > 0.0).then(|| mean(|c| c.bend_product) / (bend * rest).sqrt())
    }

    /// One cell.
    pub fn cell(&self, band: usize, frame: usize) -> &Cell {
        &self.frames[frame][band]
    }

    /// Mean of something over frames of a band.
    pub fn mean(&self, band: usize, frames: &[usize], of: impl Fn(&Cell) -> f32) -> f64 {
        let sum: f64 = frames.iter().map(|&frame| f64::from(of(self.cell(band, frame)))).sum();
        sum / frames.len().max(1) as f64
    }

    /// All frames in which something is heard in a band.
    pub fn heard(&self, band: usize, of: impl Fn(&Cell) -> f32) -> Vec<usize> {
        let all: Vec<usize> = (0..self.frames.len()).collect();
        let least = AUDIBLE_RE_MEAN * self.mean(band, &all, &of) as f32;
        all.into_iter().filter(|&frame| of(self.cell(band, frame)) > least.max(1e-20)).collect()
    }

    /// For each frame, whether the difference is louder than in half of the frames: the voice sings. Told without
    /// regard to the backing, or the quietest of it would seem to follow the backing.
    pub fn sung(&self) -> Vec<bool> {
        let loudness: Vec<f32> =
            self.frames.iter().map(|cells| cells.iter().map(|c| c.difference).sum()).collect();
        let mut sorted = loudness.clone();
        sorted.sort_unstable_by(f32::total_cmp);
        let median = sorted.get(sorted.len() / 2).copied().unwrap_or_default();
        loudness.into_iter().map(|l| l >= median).collect()
    }

    /// The frames, of those given, in which the voice is taken to rest in a band: the lowest fifth of difference re
    /// backing.
    pub fn resting(&self, band: usize, frames: &[usize]) -> Vec<usize> {
        self.lowest_of(band, frames, RESTING_ONE_IN, |cell| cell.difference / (cell.matched + 1e-20))
    }

    /// One in so many of those frames of a band in which something is lowest, in that order.
    pub fn lowest_of(
        &self,
        band: usize,
        frames: &[usize],
        one_in: usize,
        of: impl Fn(&Cell) -> f32,
    ) -> Vec<usize> {
        let mut keyed: Vec<(f32, usize)> =
            frames.iter().map(|&frame| (of(self.cell(band, frame)), frame)).collect();
        let by_key = |a: &(f32, usize), b: &(f32, usize)| a.0.total_cmp(&b.0);
        let count = keyed.len().div_ceil(one_in);
        if count < keyed.len() {
            // Only these need to be sorted.
            keyed.select_nth_unstable_by(count, by_key);
            keyed.truncate(count);
        }
        keyed.sort_unstable_by(by_key);
        keyed.into_iter().map(|(_, frame)| frame).collect()
    }

    /// Power of what is left where the voice rests, re the matched backing.
    pub fn left(&self) -> f64 {
        let (mut left, mut whole) = (0.0, 0.0);
        for band in 0..self.len() {
            let heard = self.heard(band, |c| c.matched);
            let resting = self.resting(band, &heard);
            let matched = self.mean(band, &heard, |c| c.matched);
            let ratio = self.mean(band, &resting, |c| c.difference)
                / self.mean(band, &resting, |c| c.matched).max(1e-20);
            left += ratio.min(1.0) * matched;
            whole += matched;
        }
        left / whole.max(1e-20)
    }
}

impl CellHistory {
    /// What is left at most in one of twenty cells, power re the matched backing, over the bands as loud as they are: a voice
    /// only ever adds to it. Cells in which mix and backing are the same say nothing of the others, unless next to all are.
    pub fn lowest(&self) -> Option<f64> {
        let (mut left, mut whole, mut ratios, mut is_heard) = (0.0, 0.0, Vec::new(), false);
        for band in 0..self.len() {
            let heard = self.heard(band, |c| c.matched);
            is_heard |= heard.len() >= MIN_LOWEST_CELLS;
            ratios.clear();
            ratios
                .extend(heard.iter().map(|&frame| self.cell(band, frame)).map(|c| c.difference / c.matched));
            ratios.retain(|&ratio| ratio > IDENTICAL);
            if ratios.len() < MIN_LOWEST_CELLS {
                continue;
            }
            let at = ratios.len() / LOWEST_ONE_IN;
            let (_, &mut lowest, _) = ratios.select_nth_unstable_by(at, f32::total_cmp);
            let matched = heard.iter().map(|&frame| f64::from(self.cell(band, frame).matched)).sum::<f64>();
            left += f64::from(lowest) * matched;
            whole += matched;
        }
        if whole > 0.0 { Some(left / whole) } else { is_heard.then_some(f64::from(IDENTICAL)) }
    }
}

impl Cell {
    /// Adds one side: difference, matched backing, backing, bend.
    fn add(&mut self, [difference, matched, backing, bend]: [&[Complex32]; 4]) {
        let power = |x: &[Complex32]| x.iter().map(Complex32::norm_sqr).sum::<f32>();
        let inner =
            |x: &[Complex32], y: &[Complex32]| x.iter().zip(y).map(|(x, y)| x * y.conj()).sum::<Complex32>();
        self.mix += difference.iter().zip(matched).map(|(d, b)| (d + b).norm_sqr()).sum::<f32>();
        self.backing += power(backing);
        self.difference += power(difference);
        let matched_power = power(matched);
        self.matched += matched_power;
        let explains = 1.0 / (matched_power + 1e-20);
        let product = inner(difference, matched);
        self.product += product.re;
        self.in_phase += product.re * product.re * explains;
        self.quadrature += product.im * product.im * explains;
        let bend_matched = inner(bend, matched);
        self.bend += power(bend) - bend_matched.norm_sqr() * explains;
        self.bend_product += inner(difference, bend).re - (product * bend_matched.conj()).re * explains;
    }
}
