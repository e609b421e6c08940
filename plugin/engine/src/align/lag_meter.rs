//! Measures by how much the mix lags behind the filtered backing, frame by frame: generalised cross-correlation (Knapp &
//! Carter 1976) with the inverse covariance of the voice as its weight.

use crate::align::lag_filter::LagFilter;
use crate::dsp::ring::{Ring, Stereo, stereo};
use crate::spectral::covariance::{self, Covariance};
use crate::spectral::halves::halves;
use crate::spectral::lanes::{LANES, Lanes, Real, ZERO, minus, plus, power, times, times_conj};
use crate::spectral::twin_spectrum::{self, TwinSpectrum, split};
use crate::spectral::window::hann;
use multiversion::multiversion;
use realfft::num_complex::{Complex, Complex32, Complex64};

/// Band compared, Hz. Chosen by hand; not measured.
const BAND_HZ: (f64, f64) = (80.0, 9_000.0);
/// Lags compared on either side of the prediction, half samples. Chosen by hand; not measured.
const SEARCHED: usize = 24;
/// Floor of the voice's power re the backing's in the weights, so that a deep null does not weigh without bound.
/// Chosen by hand; not measured.
const VOICE_FLOOR: f32 = 1e-2;
/// The same re full scale (power in a bin), so that silence does not. Chosen by hand; not measured.
const WEIGHT_FLOOR: f32 = 1e-10;
/// Share of all of the correlation that its peak must reach for the frame to count. Chosen by hand; not measured.
const MIN_PEAK_SHARE: f32 = 0.15;
/// Distance of two lags from which they are different peaks, samples. Chosen by hand; not measured.
const OTHER_PEAK_SAMPLES: f64 = 0.5;
/// Share of the last frames that the backing must have made quieter before it can be gone. It was 0.96 to 1 where a good filter was in
/// force; 0.55 in the first three seconds of a speed that wanders, before the filter was good (six songs).
const MOSTLY: f32 = 0.9;
/// Share under which it is gone. Chosen by hand; not measured.
const HARDLY: f32 = 0.5;
/// Memory of that share, frames (1 s). Chosen by hand; not measured.
const THERE_MEMORY_FRAMES: f32 = 86.0;
/// Newton steps from the peak on the grid of half samples; two would do where the peak is clear. Chosen by hand; not
/// measured.
const NEWTON_STEPS: usize = 3;

/// Parts that a measurement is done in, of about the same length.
pub const PARTS: usize = 4;

/// A lag measured in either half of the spectrum.
pub struct MeasuredLag {
    /// Lags, samples.
    pub samples: [f64; 2],
    /// Their inverse variances, if all that disturbs them is the voice.
    pub information: [f64; 2],
}

/// Compares frames of the mix with the backing, brought through the filter.
pub struct LagMeter {
    spectrum: TwinSpectrum,
    heard: Stereo,
    twin: Vec<Complex32>,
    window: Vec<f32>,
    /// Spectra, with room for whole lanes.
    mix: [Vec<Complex32>; 2],
    backing: [Vec<Complex32>; 2],
    /// From the first bin compared on, with room for whole lanes: how the lag turns the backing, [`covariance::powers`] of the residual, and
    /// their means over five bins.
    turns: Vec<Complex<Lanes>>,
    powers: [Vec<f32>; 5],
    means: [Vec<f32>; 5],
    /// The filter through which the backing is compared.
    pub filter: LagFilter,
    /// Weighted cross spectra of either half.
    cross: [Vec<Complex32>; 2],
    /// Highest peaks, samples, with weights that know nothing of the prediction, and with those for it.
    free: Option<f64>,
    expected: Option<f64>,
    /// [`LagMeter::misfit`] of no backing at all, and of one at the prediction.
    without: f32,
    predicted: f32,
    /// Share of the last frames that the backing makes quieter, and whether that was most of them since the last restart.
    there: f32,
    was_there: bool,
    first_bin: usize,
    last_bin: usize,
    half_of_bin: Vec<Option<usize>>,
}

impl LagMeter {
    /// A meter of frames of `frame` samples that has no filter yet.
    pub fn new(frame: usize, sample_rate_hz: f64) -> Self {
        let bin_hz = sample_rate_hz / frame as f64;
        let num_bins = frame / 2 + 1;
        Self {
            window: hann(frame),
            mix: std::array::from_fn(|_| vec![Complex32::default(); num_bins + LANES]),
            backing: std::array::from_fn(|_| vec![Complex32::default(); num_bins + LANES]),
            turns: vec![ZERO; num_bins.div_ceil(LANES)],
            powers: std::array::from_fn(|_| vec![0.0; num_bins + 2 * LANES]),
            means: std::array::from_fn(|_| vec![0.0; num_bins + LANES]),
            filter: LagFilter::new(frame),
            cross: std::array::from_fn(|_| vec![Complex32::default(); num_bins + LANES]),
            free: None,
            expected: None,
            without: 0.0,
            predicted: 0.0,
            there: 0.0,
            was_there: false,
            first_bin: (BAND_HZ.0 / bin_hz).ceil() as usize,
            last_bin: ((BAND_HZ.1 / bin_hz) as usize).min(frame / 2 - 3),
            half_of_bin: halves(0, num_bins),
            spectrum: TwinSpectrum::new(frame),
            heard: stereo(frame),
            twin: vec![Complex32::default(); frame],
        }
    }

    /// Nothing is known of whether the backing is there.
    pub fn restart(&mut self) {
        (self.there, self.was_there) = (0.0, false);
    }

    /// Whether the backing was there since the last restart: it made most frames quieter for a while.
    pub fn was_there(&self) -> bool {
        self.was_there
    }

    /// Whether it is there no longer.
    pub fn has_lost_it(&self) -> bool {
        self.was_there && self.there < HARDLY
    }

    /// Lag of the frame of the mix that ends at `end` behind the filtered backing read `base` samples earlier,
    /// searched about the predicted lag; `None` if no peak is clear, and before the last of [`PARTS`] is done.
    pub fn measure(
        &mut self,
        part: usize,
        mix: &Ring,
        backing: &Ring,
        end: i64,
        base: i64,
        predicted: f64,
    ) -> Option<MeasuredLag> {
        if self.filter.is_silent() {
            return None;
        }
        // Weights that take the prediction for true confirm it: they are highest where the backing at the predicted lag
        // happens to fit. So the lag is also searched with weights that know nothing of it, and the better fit decides.
        match part {
            0 => self.transform(mix, backing, end, base),
            1 => {
                self.free = self.peak(predicted, None);
                self.without = log_residual(self);
            }
            2 => {
                self.expected = self.peak(predicted, Some(predicted));
                self.predicted = log_residual(self);
            }
            _ => return self.decide(predicted),
        }
        None
    }

    /// Spectra of the mix and of the filtered backing.
    fn transform(&mut self, mix: &Ring, backing: &Ring, end: i64, base: i64) {
        let start = end - self.window.len() as i64;
        for (signal, start, [left, right]) in
            [(mix, start, &mut self.mix), (backing, start - base, &mut self.backing)]
        {
            signal.read_stereo(start, &mut self.heard);
            twin_spectrum::load(&self.window, &self.heard[0], &self.heard[1], &mut self.twin);
            self.spectrum.forward(&mut self.twin);
            split(&self.twin, left, right);
        }
        self.filter_backing();
    }

    fn decide(&mut self, predicted: f64) -> Option<MeasuredLag> {
        let mut peak = self.expected;
        if let Some(free) = self.free
            && peak.is_none_or(|peak| (free - peak).abs() > OTHER_PEAK_SAMPLES)
        {
            let fits_at_peak = peak.map_or(f32::MAX, |peak| self.misfit(peak));
            let fits = self.predicted.min(fits_at_peak);
            if self.misfit(free) < fits {
                peak = self.peak(predicted, Some(free));
            }
        }
        let peak = peak?;
        // A backing that makes nothing quieter any more lies elsewhere: its weights confirm what was predicted all the same.
        let is_there = self.predicted < self.without || self.misfit(peak) < self.without;
        self.there += (f32::from(u8::from(is_there)) - self.there) / THERE_MEMORY_FRAMES;
        self.was_there |= self.there > MOSTLY;
        if is_there || !self.was_there { self.refine(peak) } else { None }
    }

    /// Newton's method on the correlation of either half, from their common peak.
    fn refine(&self, peak: f64) -> Option<MeasuredLag> {
        let (mut lags, mut information) = ([peak; 2], [0.0; 2]);
        for half in 0..2 {
            for _ in 0..NEWTON_STEPS {
                let (slope, curve) = derivatives(self, half, lags[half]);
                if curve <= 0.0 {
                    return None;
                }
                lags[half] += (slope / curve).clamp(-0.5, 0.5);
                information[half] = curve;
            }
        }
        Some(MeasuredLag { samples: lags, information })
    }

    /// Brings the newest frame of the backing through the filter.
    fn filter_backing(&mut self) {
        let [left, right] = &mut self.backing;
        for k in self.first_bin..=self.last_bin {
            let y = [left[k], right[k]];
            let side = |side: usize| {
                self.filter.responses[side][0][k] * y[0] + self.filter.responses[side][1][k] * y[1]
            };
            (left[k], right[k]) = (side(0), side(1));
        }
    }

    /// How badly the backing fits at a lag: the sum over the bins of the logarithm of the residual's power.
    fn misfit(&mut self, lag: f64) -> f32 {
        average_residual(self, Some(lag));
        log_residual(self)
    }

    /// Lag of the highest peak about the prediction, samples, with the weights for a backing at `weighed_at`; leaves the
    /// weighted cross spectra behind.
    fn peak(&mut self, predicted: f64, weighed_at: Option<f64>) -> Option<f64> {
        average_residual(self, weighed_at);
        let totals = weigh(self);
        let total = totals[0] + totals[1];
        let around = (2.0 * predicted).round();
        let correlation = correlate(self, 0.5 * around);
        let (lag, peak) = correlation.into_iter().enumerate().max_by(|a, b| a.1.total_cmp(&b.1))?;
        (total > 0.0 && peak >= MIN_PEAK_SHARE * total)
            .then_some(0.5 * (around + lag as f64 - SEARCHED as f64))
    }
}

/// Mean [`covariance::powers`] of the residual over five bins, with the backing at a lag; of all of the mix without.
#[multiversion(targets("x86_64+avx2"))]
fn average_residual(meter: &mut LagMeter, lag: Option<f64>) {
    let LagMeter { first_bin: first, last_bin: last, mix, backing, turns, powers, means, .. } = meter;
    let num_bins = *last - *first;
    match lag {
        Some(lag) => {
            let mut turning = Turns::new(*first, meter.window.len(), lag);
            turns[..num_bins.div_ceil(LANES)].fill_with(|| turning.next());
        }
        None => turns.fill(ZERO),
    }
    for (&turn, at) in turns.iter().zip((0..num_bins).step_by(LANES)) {
        let (b, x) = (load(backing, *first + at), load(mix, *first + at));
        let residual = [minus(x[0], times(b[0], turn)), minus(x[1], times(b[1], turn))];
        for (to, power) in powers.iter_mut().zip(covariance::powers(residual, b)) {
            to[at..at + LANES].copy_from_slice(&power.0);
        }
    }
    for at in (2..num_bins - 2).step_by(LANES) {
        for (to, powers) in means.iter_mut().zip(&*powers) {
            let near = Lanes::load(powers, at - 2) + Lanes::load(powers, at - 1) + Lanes::load(powers, at);
            let sum = near + Lanes::load(powers, at + 1) + Lanes::load(powers, at + 2);
            to[at..at + LANES].copy_from_slice(&(sum / Lanes::all(5.0)).0);
        }
    }
}

/// Sum over the bins of the logarithm of the mean residual's power.
#[multiversion(targets("x86_64+avx2"))]
fn log_residual(meter: &LagMeter) -> f32 {
    let [left, right, .., backing] = &meter.means;
    let (floor, least) = (Lanes::all(VOICE_FLOOR), Lanes::all(WEIGHT_FLOOR));
    let end = meter.last_bin - 2 - meter.first_bin;
    let of = |at: usize| {
        let power = Lanes::load(left, at) + Lanes::load(right, at) + floor * Lanes::load(backing, at) + least;
        power.ln().0.into_iter().take(end - at).sum::<f32>()
    };
    (2..end).step_by(LANES).map(of).sum()
}

/// Cross spectra of either half, weighted by the means of the residual; the sums of their magnitudes.
#[multiversion(targets("x86_64+avx2"))]
fn weigh(meter: &mut LagMeter) -> [f32; 2] {
    let (first, last) = (meter.first_bin, meter.last_bin);
    let mut totals = [0.0f32; 2];
    meter.cross.iter_mut().for_each(|cross| cross[first..last].fill(Complex32::default()));
    for from in (first + 2..last - 2).step_by(LANES) {
        let (b, x) = (load(&meter.backing, from), load(&meter.mix, from));
        let [p11, p22, re, im, reference] = &meter.means;
        let at = from - first;
        let mean = [
            Lanes::load(p11, at),
            Lanes::load(p22, at),
            Lanes::load(re, at),
            Lanes::load(im, at),
            Lanes::load(reference, at),
        ];
        let weighted = Covariance::new(mean, VOICE_FLOOR, WEIGHT_FLOOR).weigh(b);
        let cross = plus(times_conj(x[0], weighted[0]), times_conj(x[1], weighted[1]));
        let magnitude = power(cross).sqrt().0;
        for (lane, k) in (from..(from + LANES).min(last - 2)).enumerate() {
            if let Some(half) = meter.half_of_bin[k] {
                meter.cross[half][k] = Complex32::new(cross.re.0[lane], cross.im.0[lane]);
                totals[half] += magnitude[lane];
            }
        }
    }
    totals
}

/// Correlation of both halves at the lags searched, from the lowest on, about one in samples.
#[multiversion(targets("x86_64+avx2"))]
fn correlate(meter: &LagMeter, around: f64) -> [f32; 2 * SEARCHED + 1] {
    let (first, frame) = (meter.first_bin, meter.window.len());
    let (mut turns, mut halves) = (Turns::new(first, frame, -around), Turns::new(first, frame, -0.5));
    let mut sums = [Lanes::default(); 2 * SEARCHED + 1];
    for at in (first..meter.last_bin).step_by(LANES) {
        let cross = plus(Lanes::load_complex(&meter.cross[0], at), Lanes::load_complex(&meter.cross[1], at));
        let (turned, half) = (times(cross, turns.next()), halves.next());
        let (mut later, mut earlier) = (turned, turned);
        sums[SEARCHED] += turned.re;
        for lag in 1..=SEARCHED {
            (later, earlier) = (times(later, half), times_conj(earlier, half));
            sums[SEARCHED + lag] += later.re;
            sums[SEARCHED - lag] += earlier.re;
        }
    }
    sums.map(|sum| sum.0.iter().sum())
}

/// Slope and curvature of the correlation of a half at a lag in samples; the latter negated.
#[multiversion(targets("x86_64+avx2"))]
fn derivatives(meter: &LagMeter, half: usize, lag: f64) -> (f64, f64) {
    let (first, frame) = (meter.first_bin, meter.window.len());
    let mut turns = Turns::new(first, frame, -lag);
    let bin = Lanes::all((std::f64::consts::TAU / frame as f64) as f32);
    let (mut slopes, mut curves) = (Lanes::default(), Lanes::default());
    for at in (first..meter.last_bin).step_by(LANES) {
        let s = times(Lanes::load_complex(&meter.cross[half], at), turns.next());
        let w = bin * Lanes(std::array::from_fn(|lane| (at + lane) as f32));
        slopes += w * s.im;
        curves += w * w * s.re;
    }
    let sum = |lanes: Lanes| lanes.0.iter().map(|&x| f64::from(x)).sum::<f64>();
    (-sum(slopes), sum(curves))
}

#[inline(always)]
fn load(sides: &[Vec<Complex32>; 2], at: usize) -> [Complex<Lanes>; 2] {
    [Lanes::load_complex(&sides[0], at), Lanes::load_complex(&sides[1], at)]
}

/// What a lag of `lag` samples does to the bins of a transform of `len` samples, from `first` on: e^(-j 2 pi k lag / len),
/// by steps of some bins (double precision, so that a thousand of them stay exact to a float).
struct Turns {
    re: [f64; LANES],
    im: [f64; LANES],
    step: Complex64,
}

impl Turns {
    #[inline(always)]
    fn new(first: usize, len: usize, lag: f64) -> Self {
        let angle = -std::f64::consts::TAU * lag / len as f64;
        let one = Complex64::from_polar(1.0, angle);
        let mut turn = Complex64::from_polar(1.0, angle * first as f64);
        let (mut re, mut im) = ([0.0; LANES], [0.0; LANES]);
        for lane in 0..LANES {
            (re[lane], im[lane]) = (turn.re, turn.im);
            turn *= one;
        }
        Self { re, im, step: Complex64::from_polar(1.0, angle * LANES as f64) }
    }

    /// Those of the next bins.
    #[inline(always)]
    fn next(&mut self) -> Complex<Lanes> {
        let (mut now, step) = (ZERO, self.step);
        for lane in 0..LANES {
            let (re, im) = (self.re[lane], self.im[lane]);
            (now.re.0[lane], now.im.0[lane]) = (re as f32, im as f32);
            self.re[lane] = re * step.re - im * step.im;
            self.im[lane] = re * step.im + im * step.re;
        }
        now
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;
    use crate::matching::taps::Taps;

    /// Noise 0.3 samples late, by a filter, under a voice half as loud.
    #[test]
    fn a_lag_is_measured_to_a_part_of_a_sample() {
        let (frame, len) = (2048, 6000);
        let (song, voice) = (noise(len, 1), noise(len, 2));
        let filter = Taps::gains(1024, [0.8; 2], 0.0);
        let late = Taps::gains(1024, [0.8; 2], 0.3).apply(&[song.clone(), song.clone()]);
        let (mut mix, mut backing) = (Ring::new(len), Ring::new(len));
        // The filter's result begins half a filter after its input.
        let sung: Vec<f32> = late[0].iter().zip(&voice).map(|(x, v)| x + 0.5 * v).collect();
        mix.push([&sung, &sung]);
        backing.push([&song[512..], &song[512..]]);
        let mut meter = LagMeter::new(frame, 16_000.0);
        let measure = |meter: &mut LagMeter, backing: &Ring, predicted: f64| {
            (0..PARTS).find_map(|part| meter.measure(part, &mix, backing, 3_000, -5, predicted))
        };
        assert!(measure(&mut meter, &backing, 5.0).is_none());
        meter.filter.set(&filter);
        assert!(meter.filter.delay_samples().abs() < 1e-6);
        // Read 5 samples late, the backing is that much ahead.
        let lag = measure(&mut meter, &backing, 4.0).unwrap();
        for half in 0..2 {
            assert!((lag.samples[half] - 5.3).abs() < 0.05, "{:?}", lag.samples);
        }
        // Nothing is measured on silence.
        backing.restart(6_000);
        assert!(measure(&mut meter, &backing, 4.0).is_none());
    }

    /// A backing that was there for seconds, and now is another one: nothing is measured. After a restart whatever fits best is.
    #[test]
    fn what_is_gone_is_not_measured() {
        let len = 6_000;
        let rings = [1, 2].map(|seed| {
            let mut ring = Ring::new(len);
            ring.push([&noise(len, seed), &noise(len, seed)]);
            ring
        });
        let mut meter = LagMeter::new(2048, 16_000.0);
        meter.filter.set(&Taps::gains(1024, [0.8; 2], 0.0));
        let measures = |meter: &mut LagMeter, backing: &Ring| {
            let frames = (0..300).map(|n| 3_000 + 8 * n);
            let measured = frames.filter_map(|end| {
                (0..PARTS).find_map(|part| meter.measure(part, &rings[0], backing, end, 0, 0.0))
            });
            measured.count()
        };
        assert_eq!(measures(&mut meter, &rings[0]), 300);
        assert!(meter.was_there() && !meter.has_lost_it());
        let of_another = measures(&mut meter, &rings[1]);
        assert!(of_another < 10 && meter.has_lost_it(), "{of_another}");
        meter.restart();
        let of_another = measures(&mut meter, &rings[1]);
        assert!(of_another > 30 && !meter.was_there(), "{of_another}");
    }
}
