//! Octave bands without delay.

use std::{f64::consts::PI, sync::Arc};

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex, num_complex::Complex};

/// Where the bands meet, Hz.
const EDGES_HZ: [f64; 7] = [125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0];
/// Time after which the slowest of the filters has rung off, s: its poles decay by 138 nepers a second, 300 dB by then.
const RINGING_S: f64 = 0.25;

/// One band of the spectrum.
#[derive(Clone, Copy, Debug)]
pub enum Band {
    /// Everything below this, Hz.
    Below(f64),
    /// From and to, Hz.
    Between(f64, f64),
    /// Everything above this, Hz.
    Above(f64),
}

impl Band {
    /// The bands a sample rate has room for, from the lowest.
    pub fn all(sample_rate_hz: u32) -> Vec<Self> {
        let nyquist_hz = f64::from(sample_rate_hz) / 2.0;
        let edges: Vec<f64> = EDGES_HZ.into_iter().filter(|&edge_hz| edge_hz < nyquist_hz).collect();
        let mut bands: Vec<Self> = edges.first().map(|&edge_hz| Self::Below(edge_hz)).into_iter().collect();
        bands.extend(edges.windows(2).map(|pair| Self::Between(pair[0], pair[1])));
        bands.extend(edges.last().map(|&edge_hz| Self::Above(edge_hz)));
        bands
    }

    /// Squared magnitude of a digital Butterworth filter (Butterworth 1930, by the bilinear transform): of fourth order
    /// at either end, a band-pass made of one of third order between.
    fn power_gain(self, hz: f64, sample_rate_hz: f64) -> f64 {
        let warped = |hz: f64| (PI * hz / sample_rate_hz).tan();
        let at = warped(hz);
        let detuning = match self {
            Self::Below(edge_hz) => (at / warped(edge_hz)).powi(4),
            Self::Above(edge_hz) => (warped(edge_hz) / at).powi(4),
            Self::Between(low_hz, high_hz) => {
                let (low, high) = (warped(low_hz), warped(high_hz));
                ((at * at - low * high) / (at * (high - low))).powi(3)
            }
        };
        1.0 / (1.0 + detuning * detuning)
    }
}

/// Splits signals of one length into bands.
///
/// A recursive filter that runs forwards and then backwards over a signal (Kormylo and Jain 1974) has no phase, and the
/// square of its magnitude: here that gain is applied to the signal's spectrum, which needs no filter sections and rounds
/// less than they do.
pub struct Splitter {
    num_samples: usize,
    sample_rate_hz: f64,
    forward: Arc<dyn RealToComplex<f64>>,
    inverse: Arc<dyn ComplexToReal<f64>>,
}

impl Splitter {
    /// Plans for signals of this many samples.
    pub fn new(num_samples: usize, sample_rate_hz: u32) -> Self {
        let sample_rate_hz = f64::from(sample_rate_hz);
        // Silence between the end and the start, which the transform joins.
        let length = (num_samples + (RINGING_S * sample_rate_hz) as usize).next_power_of_two();
        let mut planner = RealFftPlanner::new();
        Self {
            num_samples,
            sample_rate_hz,
            forward: planner.plan_fft_forward(length),
            inverse: planner.plan_fft_inverse(length),
        }
    }

    /// The spectrum of each channel, for [`Self::band`].
    pub fn spectra(&self, signal: &[Vec<f32>]) -> Vec<Vec<Complex<f64>>> {
        let spectrum = |channel: &Vec<f32>| {
            let mut input: Vec<_> = channel.iter().map(|&x| f64::from(x)).collect();
            input.resize(self.forward.len(), 0.0);
            let mut spectrum = self.forward.make_output_vec();
            self.forward.process(&mut input, &mut spectrum).expect("lengths are the plan's");
            spectrum
        };
        signal.iter().map(spectrum).collect()
    }

    /// What lies in a band, `[channel_idx][sample_idx]`.
    pub fn band(&self, spectra: &[Vec<Complex<f64>>], band: Band) -> Vec<Vec<f64>> {
        let length = self.inverse.len() as f64;
        let channel = |spectrum: &Vec<Complex<f64>>| {
            let weighted = |(bin, x): (usize, &Complex<f64>)| {
                let hz = bin as f64 * self.sample_rate_hz / length;
                x * (band.power_gain(hz, self.sample_rate_hz) / length)
            };
            let mut spectrum: Vec<_> = spectrum.iter().enumerate().map(weighted).collect();
            let mut output = self.inverse.make_output_vec();
            self.inverse.process(&mut spectrum, &mut output).expect("lengths are the plan's");
            output.truncate(self.num_samples);
            output
        };
        spectra.iter().map(channel).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::Band;

    /// A Butterworth filter is 3.01 dB down at its edges, whatever its order, and flat far inside (Butterworth 1930);
    /// run both ways, 6.02 dB: the `power_gain` taken as an amplitude.
    #[test]
    fn neighbours_meet_at_half() {
        let bands = Band::all(44_100);
        assert_eq!(bands.len(), 8);
        for (pair, edge_hz) in bands.windows(2).zip(super::EDGES_HZ) {
            for band in pair {
                assert!((band.power_gain(edge_hz, 44_100.0) - 0.5).abs() < 1e-12, "{band:?} at {edge_hz} Hz");
            }
        }
        for (band, inside_hz) in
            bands.iter().zip([0.0, 177.0, 354.0, 707.0, 1414.0, 2828.0, 5657.0, 22_050.0])
        {
            assert!(band.power_gain(inside_hz, 44_100.0) > 0.999, "{band:?} at {inside_hz} Hz");
        }
    }

    /// Edges from half the sample rate on are no edges.
    #[test]
    fn low_rates_have_fewer_bands() {
        assert!(matches!(Band::all(8_000)[..], [Band::Below(125.0), .., Band::Above(2000.0)]));
    }
}
