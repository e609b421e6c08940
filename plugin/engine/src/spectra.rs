//! Spectra of mix, backing, matched backing and difference in quarter octaves, for whoever draws them.
//!
//! Four signals are four transforms a frame, each of both sides. They are done one a hop, so that no hop has more to do than one of
//! them.

use realfft::num_complex::Complex32;

use crate::dsp::ring::{OwnRing, Stereo, stereo};
use crate::dsp::sizes::Sizes;
use crate::spectral::twin_spectrum::{self, TwinSpectrum};
use crate::spectral::window::hann;

/// Bands of [`Spectra`].
pub const NUM_BANDS: usize = 36;
/// Lower edge of the lowest band, Hz. Chosen by hand; not measured.
const LOWEST_EDGE_HZ: f64 = 32.0;
/// Bands an octave.
const BANDS_PER_OCTAVE: f64 = 4.0;
/// A frame at 44.1 and 48 kHz, samples. Chosen by hand; not measured.
const FRAME: usize = 4096;
/// Mix, backing, matched backing and difference.
const NUM_SIGNALS: usize = 4;

/// Lower edge of a band, Hz; that of band [`NUM_BANDS`] is the upper edge of the highest.
pub fn band_edge_hz(band_idx: usize) -> f64 {
    LOWEST_EDGE_HZ * (band_idx as f64 / BANDS_PER_OCTAVE).exp2()
}

/// What each band held in one frame of about 0.09 s: the mean square over both sides, linear. They belong to the same
/// moment. Bands above half the sample rate are 0.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spectra {
    /// The mix.
    pub mix: [f32; NUM_BANDS],
    /// The backing as it came in.
    pub backing: [f32; NUM_BANDS],
    /// The backing as it was subtracted.
    pub matched: [f32; NUM_BANDS],
    /// What was left, before the low-cut.
    pub difference: [f32; NUM_BANDS],
    /// Counts the frames since `reset`; 0 = none yet.
    pub num_frames: u64,
}

impl Default for Spectra {
    fn default() -> Self {
        let none = [0.0; NUM_BANDS];
        Self { mix: none, backing: none, matched: none, difference: none, num_frames: 0 }
    }
}

/// Measures [`Spectra`] frame by frame.
pub struct Spectrometer {
    spectrum: TwinSpectrum,
    window: Vec<f32>,
    heard: Stereo,
    twin: Vec<Complex32>,
    /// Power of both sides by bin.
    bins: Vec<f32>,
    /// Power up to each bin's upper end; in double precision, so that a loud bass leaves the digits of a soft treble.
    up_to: Vec<f64>,
    bin_hz: f64,
    signals: [OwnRing; NUM_SIGNALS],
    powers: [[f32; NUM_BANDS]; NUM_SIGNALS],
    /// Transforms of the frame that are done.
    done: usize,
    /// Position at which the frame begins.
    begin: i64,
    latest: Spectra,
    is_read: bool,
}

impl Spectrometer {
    /// Nothing heard yet.
    pub fn new(sizes: Sizes) -> Self {
        let len = sizes.scaled(FRAME);
        Self {
            spectrum: TwinSpectrum::new(len),
            window: hann(len),
            heard: stereo(len),
            twin: vec![Complex32::default(); len],
            bins: vec![0.0; len / 2 + 1],
            up_to: vec![0.0; len / 2 + 1],
            bin_hz: sizes.sample_rate_hz / len as f64,
            signals: std::array::from_fn(|_| OwnRing::new(len + NUM_SIGNALS * sizes.hop())),
            powers: [[0.0; NUM_BANDS]; NUM_SIGNALS],
            done: 0,
            begin: 0,
            latest: Spectra::default(),
            is_read: true,
        }
    }

    /// Forgets what it heard.
    pub fn reset(&mut self) {
        self.begin_frame();
        self.latest = Spectra::default();
    }

    fn begin_frame(&mut self) {
        self.signals.iter_mut().for_each(|ring| ring.restart(0));
        (self.done, self.begin) = (0, 0);
    }

    /// Tells whether anybody reads the spectra: as long as nobody does, there are no new ones.
    pub fn set_read(&mut self, is_read: bool) {
        if is_read && !self.is_read {
            self.begin_frame();
        }
        self.is_read = is_read;
    }

    /// The last whole frame.
    pub fn latest(&self) -> &Spectra {
        &self.latest
    }

    /// Hears one hop of mix, backing, matched backing and difference.
    pub fn add(&mut self, hop: [[&[f32]; 2]; NUM_SIGNALS]) {
        if !self.is_read {
            return;
        }
        for (ring, block) in self.signals.iter_mut().zip(hop) {
            ring.push(block);
        }
        let len = self.window.len() as i64;
        if self.signals[0].end() < self.begin + len {
            return;
        }
        self.measure(self.done);
        self.done += 1;
        if self.done == NUM_SIGNALS {
            let [mix, backing, matched, difference] = self.powers;
            let num_frames = self.latest.num_frames + 1;
            self.latest = Spectra { mix, backing, matched, difference, num_frames };
            self.done = 0;
            self.begin += len;
        }
    }

    /// Measures the bands of a signal.
    fn measure(&mut self, signal_idx: usize) {
        self.signals[signal_idx].read_stereo(self.begin, &mut self.heard);
        let [left, right] = &self.heard;
        twin_spectrum::load(&self.window, left, right, &mut self.twin);
        self.spectrum.forward(&mut self.twin);
        twin_spectrum::powers(&self.twin, 0, 0.5, &mut self.bins);
        // By Parseval's theorem, with both halves of the spectrum, the mean square of the Hann window (3/8) taken out,
        // and half of it for one side of two.
        let len = self.window.len() as f64;
        let scale = 0.5 * 2.0 / (len * len * 0.375);
        let mut sum = 0.0;
        for (up_to, bin) in self.up_to.iter_mut().zip(&self.bins) {
            sum += scale * f64::from(*bin);
            *up_to = sum;
        }
        let mut below = self.power_below(band_edge_hz(0));
        for band_idx in 0..NUM_BANDS {
            let upper = self.power_below(band_edge_hz(band_idx + 1));
            self.powers[signal_idx][band_idx] = (upper - below).max(0.0) as f32;
            below = upper;
        }
    }

    /// Power below a frequency, each bin spread evenly round its centre.
    fn power_below(&self, frequency_hz: f64) -> f64 {
        let at = frequency_hz / self.bin_hz + 0.5;
        let (whole, part) = (at as usize, at.fract());
        let last = self.up_to[self.up_to.len() - 1];
        let up_to = |bins: usize| match bins {
            0 => 0.0,
            n => self.up_to.get(n - 1).copied().unwrap_or(last),
        };
        up_to(whole) + part * (up_to(whole + 1) - up_to(whole))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;

    fn heard(meter: &mut Spectrometer, sizes: Sizes, signal: &[f32], gains: [f32; 4]) -> Spectra {
        for hop in signal.chunks_exact(sizes.hop()) {
            let scaled = gains.map(|gain| hop.iter().map(|x| gain * x).collect::<Vec<f32>>());
            meter.add(scaled.each_ref().map(|x| [&x[..], &x[..]]));
        }
        *meter.latest()
    }

    #[test]
    fn a_tone_reads_its_mean_square_in_its_band() {
        for rate_hz in [44_100.0, 96_000.0] {
            let sizes = Sizes::new(rate_hz);
            let tone: Vec<f32> = (0..sizes.scaled(3 * FRAME))
                .map(|n| (std::f64::consts::TAU * 1_000.0 * n as f64 / rate_hz).sin() as f32)
                .collect();
            let spectra = heard(&mut Spectrometer::new(sizes), sizes, &tone, [1.0, 2.0, 0.5, 0.0]);
            let band = (0..NUM_BANDS).find(|&i| band_edge_hz(i + 1) > 1_000.0).unwrap();
            // The mean square of a sine is 1/2.
            assert!((spectra.mix[band] - 0.5).abs() < 0.01, "{}", spectra.mix[band]);
            assert!((spectra.backing[band] - 2.0).abs() < 0.04);
            assert!((spectra.matched[band] - 0.125).abs() < 0.0025);
            assert_eq!(spectra.difference, [0.0; NUM_BANDS]);
            assert!(spectra.mix[band + 3] < 1e-4, "{}", spectra.mix[band + 3]);
            assert!(spectra.num_frames >= 2);
        }
    }

    #[test]
    fn a_soft_treble_is_read_beside_a_loud_bass() {
        let sizes = Sizes::new(48_000.0);
        let sine = |hz: f64, n: usize| (std::f64::consts::TAU * hz * n as f64 / 48_000.0).sin();
        let tones: Vec<f32> =
            (0..3 * FRAME).map(|n| (sine(100.0, n) + 1e-4 * sine(10_000.0, n)) as f32).collect();
        let spectra = heard(&mut Spectrometer::new(sizes), sizes, &tones, [1.0; 4]);
        let band = (0..NUM_BANDS).find(|&i| band_edge_hz(i + 1) > 10_000.0).unwrap();
        assert!((spectra.mix[band] / 0.5e-8 - 1.0).abs() < 0.05, "{}", spectra.mix[band]);
    }

    #[test]
    fn white_noise_reads_by_bandwidth() {
        let sizes = Sizes::new(48_000.0);
        let mut meter = Spectrometer::new(sizes);
        let mut sum = [0.0; NUM_BANDS];
        let signal = noise(FRAME + 6 * 128, 3);
        for round in 0..60u32 {
            let signal = if round == 0 { signal.clone() } else { noise(FRAME + 6 * 128, 3 + round) };
            let spectra = heard(&mut meter, sizes, &signal, [1.0; 4]);
            sum.iter_mut().zip(spectra.mix).for_each(|(sum, x)| *sum += x / 60.0);
        }
        // Uniform noise between -1 and 1 has a mean square of 1/3, spread evenly up to half the rate.
        for band in [0, 10, 20, 35] {
            let width = (band_edge_hz(band + 1) - band_edge_hz(band)) / 24_000.0;
            let ratio = f64::from(sum[band]) / (width / 3.0);
            assert!((10.0 * ratio.log10()).abs() < 1.0, "band {band}: {ratio}");
        }
    }

    #[test]
    fn bands_above_half_the_rate_are_empty_and_reset_forgets() {
        let sizes = Sizes::new(8_000.0);
        let mut meter = Spectrometer::new(sizes);
        let signal = noise(2 * FRAME, 1);
        let spectra = heard(&mut meter, sizes, &signal, [1.0; 4]);
        assert!(spectra.mix.iter().sum::<f32>() > 0.2);
        assert!((0..NUM_BANDS).all(|i| band_edge_hz(i) < 4_010.0 || spectra.mix[i] == 0.0));
        meter.reset();
        assert_eq!(*meter.latest(), Spectra::default());
        assert_eq!(heard(&mut meter, sizes, &signal, [1.0; 4]), spectra);
    }

    /// What is heard while nobody reads them leaves no trace: the next frame begins where they are read again.
    #[test]
    fn spectra_that_nobody_reads_are_not_made() {
        let sizes = Sizes::new(8_000.0);
        let (signal, other) = (noise(2 * FRAME, 1), noise(FRAME / 8, 2));
        let mut meter = Spectrometer::new(sizes);
        let read = heard(&mut meter, sizes, &signal, [1.0; 4]);
        let mut meter = Spectrometer::new(sizes);
        heard(&mut meter, sizes, &other, [1.0; 4]);
        meter.set_read(false);
        assert_eq!(heard(&mut meter, sizes, &signal, [1.0; 4]), Spectra::default());
        meter.set_read(true);
        assert_eq!(heard(&mut meter, sizes, &signal, [1.0; 4]), read);
    }
}
