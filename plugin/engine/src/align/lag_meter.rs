//! Measures by how much the mix lags behind the filtered backing, frame by frame: generalised cross-correlation (Knapp &
//! Carter 1976) with the inverse covariance of the voice as its weight.

use crate::align::lag_filter::LagFilter;
use crate::dsp::ring::Ring;
use crate::spectral::covariance::{self, Covariance};
use crate::spectral::halves::halves;
use crate::spectral::lanes::{LANES, Lanes, Real, minus, plus, power, times, times_conj};
use crate::spectral::spectrum::Spectrum;
use crate::spectral::window::hann;
use multiversion::multiversion;
use realfft::num_complex::{Complex32, Complex64};

/// Band compared, Hz. Chosen by hand; not measured.
const BAND_HZ: (f64, f64) = (80.0, 9_000.0);
/// Lags compared on either side of the prediction, samples. Chosen by hand; not measured.
const SEARCHED_SAMPLES: f64 = 12.0;
/// Floor of the voice's power re the backing's in the weights, so that a deep null does not weigh without bound.
/// Chosen by hand; not measured.
const VOICE_FLOOR: f32 = 1e-2;
/// The same re full scale (power in a bin), so that silence does not. Chosen by hand; not measured.
const WEIGHT_FLOOR: f32 = 1e-10;
/// Share of all of the correlation that its peak must reach for the frame to count. Chosen by hand; not measured.
const MIN_PEAK_SHARE: f32 = 0.15;
/// Distance of two lags from which they are different peaks, samples. Chosen by hand; not measured.
const OTHER_PEAK_SAMPLES: f64 = 0.5;
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
    spectrum: Spectrum,
    /// Of twice the length, for a correlation at half samples.
    correlator: Spectrum,
    window: Vec<f32>,
    /// Spectra, with room for whole lanes.
    mix: [Vec<Complex32>; 2],
    backing: [Vec<Complex32>; 2],
    /// From the first bin compared on, with room for whole lanes: how the lag turns the backing, [`covariance::powers`] of the residual, and
    /// their means over five bins.
    turns: Vec<Complex32>,
    powers: [Vec<f32>; 5],
    means: [Vec<f32>; 5],
    /// The filter through which the backing is compared.
    pub filter: LagFilter,
    /// Weighted cross spectra of either half.
    cross: [Vec<Complex32>; 2],
    correlation: Vec<Complex32>,
    /// Highest peaks, samples, with weights that know nothing of the prediction, and with those for it.
    free: Option<f64>,
    expected: Option<f64>,
    first_bin: usize,
    last_bin: usize,
    half_of_bin: Vec<Option<usize>>,
}

impl LagMeter {
    /// A meter of frames of `frame` samples that has no filter yet.
    pub fn new(frame: usize, sample_rate_hz: f64) -> Self {
        let bin_hz = sample_rate_hz / frame as f64;
        let (spectrum, correlator) = (Spectrum::new(frame), Spectrum::new(2 * frame));
        let num_bins = spectrum.num_bins();
        let zeros = || vec![Complex32::default(); num_bins];
        Self {
            window: hann(frame),
            mix: std::array::from_fn(|_| vec![Complex32::default(); num_bins + LANES]),
            backing: std::array::from_fn(|_| vec![Complex32::default(); num_bins + LANES]),
            turns: vec![Complex32::default(); num_bins + LANES],
            powers: std::array::from_fn(|_| vec![0.0; num_bins + 2 * LANES]),
            means: std::array::from_fn(|_| vec![0.0; num_bins + LANES]),
            filter: LagFilter::new(frame),
            cross: std::array::from_fn(|_| zeros()),
            correlation: vec![Complex32::default(); correlator.num_bins()],
            free: None,
            expected: None,
            first_bin: (BAND_HZ.0 / bin_hz).ceil() as usize,
            last_bin: ((BAND_HZ.1 / bin_hz) as usize).min(frame / 2 - 3),
            half_of_bin: halves(0, num_bins),
            spectrum,
            correlator,
        }
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
            1 => self.free = self.peak(predicted, None),
            2 => self.expected = self.peak(predicted, Some(predicted)),
            _ => return self.decide(predicted),
        }
        None
    }

    /// Spectra of the mix and of the filtered backing.
    fn transform(&mut self, mix: &Ring, backing: &Ring, end: i64, base: i64) {
        let start = end - self.window.len() as i64;
        for (signal, start, spectra) in
            [(mix, start, &mut self.mix), (backing, start - base, &mut self.backing)]
        {
            for (side, bins) in spectra.iter_mut().enumerate() {
                let time = self.spectrum.time();
                signal.read(side, start, time);
                time.iter_mut().zip(&self.window).for_each(|(x, w)| *x *= w);
                let num_bins = self.spectrum.num_bins();
                self.spectrum.forward(&mut bins[..num_bins]);
            }
        }
        self.filter_backing();
    }

    fn decide(&mut self, predicted: f64) -> Option<MeasuredLag> {
        let mut peak = self.expected;
        if let Some(free) = self.free
            && peak.is_none_or(|peak| (free - peak).abs() > OTHER_PEAK_SAMPLES)
        {
            let fits_at_peak = peak.map_or(f32::MAX, |peak| self.misfit(peak));
            let fits = self.misfit(predicted).min(fits_at_peak);
            if self.misfit(free) < fits {
                peak = self.peak(predicted, Some(free));
            }
        }
        self.refine(peak?)
    }

    /// Newton's method on the correlation of either half, from their common peak.
    fn refine(&self, peak: f64) -> Option<MeasuredLag> {
        let (first, last, frame) = (self.first_bin, self.last_bin, self.window.len());
        let (mut lags, mut information) = ([peak; 2], [0.0; 2]);
        for half in 0..2 {
            for _ in 0..NEWTON_STEPS {
                let (mut slope, mut curve) = (0.0f64, 0.0f64);
                let cross = &self.cross[half][first..last];
                for ((k, cross), turn) in (first..).zip(cross).zip(turns(first, frame, -lags[half])) {
                    let w = std::f64::consts::TAU * k as f64 / frame as f64;
                    let s = cross * turn;
                    slope -= w * f64::from(s.im);
                    curve += w * w * f64::from(s.re);
                }
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

    /// How badly the backing fits at a lag: the mean logarithm of the residual's power, but for a constant.
    fn misfit(&mut self, lag: f64) -> f32 {
        average_residual(self, Some(lag));
        let means = self.means.each_ref();
        let cost = |k: usize| (means[0][k] + means[1][k] + VOICE_FLOOR * means[4][k] + WEIGHT_FLOOR).ln();
        (2..self.last_bin - 2 - self.first_bin).map(cost).fold(0.0, |sum, cost| sum + cost)
    }

    /// Lag of the highest peak about the prediction, samples, with the weights for a backing at `weighed_at`; leaves the
    /// weighted cross spectra behind.
    fn peak(&mut self, predicted: f64, weighed_at: Option<f64>) -> Option<f64> {
        average_residual(self, weighed_at);
        let totals = weigh(self);
        self.correlation.fill(Complex32::default());
        for k in self.first_bin..self.last_bin {
            self.correlation[k] = self.cross[0][k] + self.cross[1][k];
        }
        let total = totals[0] + totals[1];
        let scale = self.correlator.len() as f32 / 2.0;
        let values = self.correlator.inverse(&self.correlation);
        let searched = (2.0 * SEARCHED_SAMPLES) as i64;
        let around = (2.0 * predicted).round() as i64;
        let at = |lag: i64| values[lag.rem_euclid(values.len() as i64) as usize] * scale;
        let peak = (around - searched..=around + searched).max_by(|&a, &b| at(a).total_cmp(&at(b)))?;
        (total > 0.0 && at(peak) >= MIN_PEAK_SHARE * total).then_some(0.5 * peak as f64)
    }
}

/// Mean [`covariance::powers`] of the residual over five bins, with the backing at a lag; of all of the mix without.
#[multiversion(targets("x86_64+avx2"))]
fn average_residual(meter: &mut LagMeter, lag: Option<f64>) {
    let LagMeter { first_bin: first, last_bin: last, mix, backing, turns, powers, means, .. } = meter;
    let num_bins = *last - *first;
    match lag {
        Some(lag) => {
            let turning = self::turns(*first, meter.window.len(), lag);
            turns.iter_mut().zip(turning).take(num_bins).for_each(|(to, turn)| *to = turn);
        }
        None => turns.fill(Complex32::default()),
    }
    for at in (0..num_bins).step_by(LANES) {
        let turn = Lanes::load_complex(turns, at);
        let [b, x] = [&*backing, &*mix]
            .map(|signal| signal.each_ref().map(|side| Lanes::load_complex(side, *first + at)));
        let residual = std::array::from_fn(|side| minus(x[side], times(b[side], turn)));
        for (to, power) in powers.iter_mut().zip(covariance::powers(residual, b)) {
            to[at..at + LANES].copy_from_slice(&power.0);
        }
    }
    for at in (2..num_bins - 2).step_by(LANES) {
        for (to, powers) in means.iter_mut().zip(&*powers) {
            let [a, b, c, d, e] = std::array::from_fn(|i| Lanes::load(powers, at + i - 2));
            to[at..at + LANES].copy_from_slice(&((a + b + c + d + e) / Lanes::all(5.0)).0);
        }
    }
}

/// Cross spectra of either half, weighted by the means of the residual; the sums of their magnitudes.
#[multiversion(targets("x86_64+avx2"))]
fn weigh(meter: &mut LagMeter) -> [f32; 2] {
    let (first, last) = (meter.first_bin, meter.last_bin);
    let mut totals = [0.0f32; 2];
    meter.cross.iter_mut().for_each(|cross| cross.fill(Complex32::default()));
    for from in (first + 2..last - 2).step_by(LANES) {
        let [b, x] = [&meter.backing, &meter.mix]
            .map(|signal| signal.each_ref().map(|side| Lanes::load_complex(side, from)));
        let mean = meter.means.each_ref().map(|mean| Lanes::load(mean, from - first));
        let weighted = Covariance::new(mean, VOICE_FLOOR, WEIGHT_FLOOR).weigh(b);
        let cross = plus(times_conj(x[0], weighted[0]), times_conj(x[1], weighted[1]));
        let magnitude = power(cross).0.map(f32::sqrt);
        for (lane, k) in (from..(from + LANES).min(last - 2)).enumerate() {
            if let Some(half) = meter.half_of_bin[k] {
                meter.cross[half][k] = Complex32::new(cross.re.0[lane], cross.im.0[lane]);
                totals[half] += magnitude[lane];
            }
        }
    }
    totals
}

/// What a lag of `lag` samples does to the bins of a transform of `len` samples, from `first` on: e^(-j 2 pi k lag / len),
/// by steps of one bin (double precision, so that a thousand of them stay exact to a float).
fn turns(first: usize, len: usize, lag: f64) -> impl Iterator<Item = Complex32> {
    let angle = -std::f64::consts::TAU * lag / len as f64;
    let step = Complex64::from_polar(1.0, angle);
    let mut turn = Complex64::from_polar(1.0, angle * first as f64);
    std::iter::repeat_with(move || {
        let now = Complex32::new(turn.re as f32, turn.im as f32);
        turn *= step;
        now
    })
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
}
