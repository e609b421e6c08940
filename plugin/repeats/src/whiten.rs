//! A signal with all of the band and all of the time made equally loud.

use std::collections::VecDeque;

use realfft::num_complex::Complex32;

use crate::{local_mean::LocalMean, stft::Stft};

/// Cells this far below the song's mean power are left as quiet as they are: what a codec or a converter leaves in a side
/// that is silent must not count as music.
const FLOOR: f64 = 1e-7;

/// How a signal is whitened.
#[derive(Clone, Copy, Debug)]
pub struct Whitening {
    /// A frame, samples.
    pub frame_samples: usize,
    /// Bins to each side that a cell is compared with.
    pub half_bins: usize,
    /// Frames to each side, likewise.
    pub half_frames: usize,
    /// Mean square of the song, per channel.
    pub mean_square: f64,
}

impl Whitening {
    /// Divides every cell by the root mean power of its neighbourhood. Correlation then tells what repeats, and not what is
    /// loud.
    pub fn of(self, signal: &[f32]) -> Vec<f32> {
        let mut stft = Stft::new(self.frame_samples);
        let num_bins = stft.num_bins();
        let mut local = LocalMean::new(num_bins, self.half_bins, self.half_frames);
        let (len, hop) = (self.frame_samples, self.frame_samples / 4);
        // Mean power of a bin under a Hann window, whose squares add up to 3/8 of its length.
        let floor = (FLOOR * self.mean_square * 0.375 * len as f64) as f32 + 1e-12;
        let num_frames = (signal.len() + len) / hop + 1;
        let mut out = vec![0.0; num_frames * hop + len];
        let mut rows: VecDeque<(Vec<Complex32>, Vec<f32>)> = VecDeque::new();
        let mut mean = vec![0.0; num_bins];
        // Frames before this one are no longer in `rows`.
        let mut first = 0;
        for newest in 0..num_frames + self.half_frames {
            if newest < num_frames {
                let mut spectrum = vec![Complex32::default(); num_bins];
                stft.analyse(signal, (newest * hop) as i64 - len as i64, &mut spectrum);
                let power = spectrum.iter().map(Complex32::norm_sqr).collect();
                rows.push_back((spectrum, power));
            }
            let Some(frame) = newest.checked_sub(self.half_frames) else { continue };
            if frame > first + self.half_frames {
                rows.pop_front();
                first += 1;
            }
            local.of_rows(rows.iter().map(|(_, power)| power.as_slice()), &mut mean);
            // Its spectrum is not needed again, only its power.
            let spectrum = &mut rows[frame - first].0;
            spectrum.iter_mut().zip(&mean).for_each(|(bin, mean)| *bin /= (mean + floor).sqrt());
            stft.synthesise(spectrum, &mut out[frame * hop..][..len]);
        }
        out.drain(..len);
        out.truncate(signal.len());
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::noise;

    fn whitening(mean_square: f64) -> Whitening {
        Whitening { frame_samples: 256, half_bins: 4, half_frames: 4, mean_square }
    }

    /// What is 40 dB down comes out as loud as the rest, what is below the floor does not.
    #[test]
    fn all_of_the_time_is_equally_loud() {
        let level = |n: usize| match n / 8_000 {
            0 => 1.0,
            1 => 0.01,
            _ => 1e-6,
        };
        let signal: Vec<f32> = noise(3, 24_000).into_iter().enumerate().map(|(n, x)| level(n) * x).collect();
        let white = whitening(0.03).of(&signal);
        assert_eq!(white.len(), signal.len());
        let rms = |from: usize| white[from..from + 4_000].iter().map(|x| x * x).sum::<f32>().sqrt();
        let (loud, soft, none) = (rms(2_000), rms(10_000), rms(18_000));
        assert!((soft / loud - 1.0).abs() < 0.1, "{loud} {soft}");
        assert!(none / loud < 0.02, "{loud} {none}");
        assert!(whitening(0.0).of(&[0.0; 3000]).iter().all(|x| *x == 0.0));
    }

    /// A tone is brought down to what is beside it.
    #[test]
    fn all_of_the_band_is_equally_loud() {
        let signal: Vec<f32> = noise(5, 16_000)
            .into_iter()
            .enumerate()
            .map(|(n, x)| x + 10.0 * (0.5 * n as f32).sin())
            .collect();
        let white = whitening(50.0).of(&signal);
        let tone = |signal: &[f32]| -> f32 {
            let part = |f: fn(f32) -> f32| -> f32 {
                signal.iter().enumerate().map(|(n, x)| x * f(0.5 * n as f32)).sum()
            };
            (part(f32::sin).powi(2) + part(f32::cos).powi(2)) / signal.iter().map(|x| x * x).sum::<f32>()
        };
        assert!(tone(&white) < 0.1 * tone(&signal), "{} {}", tone(&white), tone(&signal));
    }
}
