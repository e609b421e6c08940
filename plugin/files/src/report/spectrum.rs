//! Spectra over a whole song: levels of bands a sixth of an octave wide.

use std::{f64::consts::PI, sync::Arc};

use realfft::{RealFftPlanner, RealToComplex, num_complex::Complex};

/// Length of a frame, samples.
const FRAME: usize = 8192;
/// Bands an octave, and where the lowest one lies, Hz.
const BANDS_AN_OCTAVE: f64 = 6.0;
const LOWEST_HZ: f64 = 20.0;

/// The mean power spectrum of a signal (Welch 1967: Hann-weighted frames; here side by side, as songs have plenty).
pub struct MeanSpectrum {
    forward: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    /// Gathered until there is a frame, a buffer a channel.
    frame: Vec<Vec<f32>>,
    spectrum: Vec<Complex<f32>>,
    power: Vec<f64>,
    num_frames: u64,
}

impl MeanSpectrum {
    /// Of a signal with so many channels, whose powers add up.
    pub fn new(num_channels: usize) -> Self {
        let forward = RealFftPlanner::new().plan_fft_forward(FRAME);
        let hann = |n: usize| 0.5 - 0.5 * (2.0 * PI * n as f64 / FRAME as f64).cos();
        Self {
            window: (0..FRAME).map(|n| hann(n) as f32).collect(),
            frame: vec![Vec::with_capacity(FRAME); num_channels],
            spectrum: forward.make_output_vec(),
            power: vec![0.0; FRAME / 2 + 1],
            num_frames: 0,
            forward,
        }
    }

    /// Adds samples, one slice a channel.
    pub fn add<'a>(&mut self, block: impl ExactSizeIterator<Item = &'a [f32]> + Clone) {
        let len = block.clone().next().map_or(0, <[f32]>::len);
        let mut at = 0;
        while at < len {
            let count = (FRAME - self.frame[0].len()).min(len - at);
            for (frame, channel) in self.frame.iter_mut().zip(block.clone()) {
                frame.extend(channel[at..at + count].iter().map(|&x| if x.is_finite() { x } else { 0.0 }));
            }
            at += count;
            if self.frame[0].len() == FRAME {
                self.add_frame();
            }
        }
    }

    fn add_frame(&mut self) {
        for frame in &mut self.frame {
            frame.iter_mut().zip(&self.window).for_each(|(x, w)| *x *= w);
            self.forward.process(frame, &mut self.spectrum).expect("lengths are the plan's");
            for (power, bin) in self.power.iter_mut().zip(&self.spectrum) {
                *power += f64::from(bin.norm_sqr());
            }
            frame.clear();
        }
        self.num_frames += 1;
    }

    /// Centre of each band, Hz, and its level, dB: a full-scale sine on one channel reads -3.
    pub fn bands(&self, sample_rate_hz: f64) -> Vec<(f64, f64)> {
        // Mean square = 2 sum |X|^2 / (N sum w^2), and sum w^2 = 3/8 N of a Hann window.
        let scale = 2.0 / (FRAME as f64 * 0.375 * FRAME as f64) / self.num_frames.max(1) as f64;
        let bin_hz = sample_rate_hz / FRAME as f64;
        let width = 2f64.powf(0.5 / BANDS_AN_OCTAVE);
        let num_bands = ((0.5 * sample_rate_hz / LOWEST_HZ).log2() * BANDS_AN_OCTAVE) as i32;
        let band = |n: i32| {
            let centre = LOWEST_HZ * 2f64.powf(f64::from(n) / BANDS_AN_OCTAVE);
            // Low bands are narrower than a bin and take their part of it.
            let (low, high) = (centre / width / bin_hz + 0.5, centre * width / bin_hz + 0.5);
            let mut power = 0.0;
            for bin in low as usize..=(high as usize).min(self.power.len() - 1) {
                let part = (bin as f64 + 1.0).min(high) - (bin as f64).max(low);
                power += part.max(0.0) * self.power[bin];
            }
            (centre, 10.0 * (power * scale).max(1e-15).log10())
        };
        (0..num_bands).map(band).collect()
    }
}

/// Frequency response of a filter, dB, at the centres of narrow bands: means of power over a sixth of an octave.
pub fn response_db(taps: &[f32], sample_rate_hz: f64) -> Vec<(f64, f64)> {
    let mut impulse = taps.to_vec();
    impulse.resize(taps.len().next_multiple_of(2), 0.0);
    let forward = RealFftPlanner::<f32>::new().plan_fft_forward(impulse.len());
    let mut spectrum = forward.make_output_vec();
    forward.process(&mut impulse, &mut spectrum).expect("lengths are the plan's");
    let bin_hz = sample_rate_hz / impulse.len() as f64;
    let width = 2f64.powf(0.5 / BANDS_AN_OCTAVE);
    let num_points = ((0.5 * sample_rate_hz / LOWEST_HZ).log2() * 4.0 * BANDS_AN_OCTAVE) as i32;
    let point = |n: i32| {
        let centre = LOWEST_HZ * 2f64.powf(f64::from(n) / (4.0 * BANDS_AN_OCTAVE));
        let last = spectrum.len() - 1;
        let low = ((centre / width / bin_hz).round() as usize).min(last);
        let high = ((centre * width / bin_hz).round() as usize).clamp(low, last);
        let power: f64 = spectrum[low..=high].iter().map(|bin| f64::from(bin.norm_sqr())).sum();
        (centre, 10.0 * (power / (high - low + 1) as f64).max(1e-15).log10())
    };
    (0..num_points).map(point).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::samples;

    /// A sine of amplitude a has a mean square of a^2 / 2, all of it in its own band.
    #[test]
    fn a_tone_reads_its_level_in_its_band() {
        let tone: Vec<f32> =
            (0..200_000).map(|n| (0.1 * (2.0 * PI * 1280.0 * n as f64 / 48_000.0).sin()) as f32).collect();
        let mut spectrum = MeanSpectrum::new(1);
        for piece in tone.chunks(777) {
            spectrum.add([piece].into_iter());
        }
        let bands = spectrum.bands(48_000.0);
        let highest = bands.iter().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap();
        assert!((highest.0 - 1280.0).abs() < 1.0, "{highest:?}");
        assert!((highest.1 + 23.01).abs() < 0.02, "{highest:?}");
    }

    /// White noise, even between -0.5 and 0.5, has a mean square of 1/12 over the whole range: bands hold their width's
    /// part of it, +3 dB an octave; both channels add up.
    #[test]
    fn noise_is_spread_by_bandwidth() {
        let [left, right] = [1, 48_271].map(|seed| samples(seed, 2_000_000));
        let mut spectrum = MeanSpectrum::new(2);
        spectrum.add([&left[..], &right[..]].into_iter());
        for (centre, level_db) in spectrum.bands(48_000.0) {
            let width = centre * (2f64.powf(1.0 / 12.0) - 2f64.powf(-1.0 / 12.0));
            let expected = 10.0 * (2.0 / 12.0 * width / 24_000.0).log10();
            // Few bins and 244 frames leave 4.34 / sqrt(244 x 2) dB of scatter below 100 Hz; four times that.
            assert!((level_db - expected).abs() < 0.8, "{centre:.0} Hz: {level_db:.2}, not {expected:.2} dB");
        }
    }

    /// A gain is a gain at all frequencies; two equal taps a sample apart are 2 cos(pi f / rate).
    #[test]
    fn responses_are_those_of_the_taps() {
        let mut taps = vec![0.0; 4096];
        taps[2048] = -0.5;
        assert!(response_db(&taps, 48_000.0).iter().all(|(_, db)| (db + 6.02).abs() < 0.01));
        taps[2049] = -0.5;
        for (hz, db) in response_db(&taps, 48_000.0).into_iter().filter(|&(hz, _)| hz < 12_000.0) {
            let expected = 20.0 * (PI * hz / 48_000.0).cos().log10();
            assert!((db - expected).abs() < 0.05, "{hz}: {db}, not {expected}");
        }
    }
}
