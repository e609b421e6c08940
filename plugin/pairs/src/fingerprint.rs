//! What is compared of a recording at first.

use minuend_fourier::{Transform, hann};
use realfft::num_complex::Complex32;

/// Samples from one frame to the next: 0.13 s.
pub const HOP: usize = 1024;
/// Samples a frame: frames that begin half a hop apart still hear mostly the same.
const FRAME: usize = 4096;
/// Bits a frame.
pub const NUM_BITS: usize = 16;
/// Edges of the bands, Hz: the lowest and the highest; a whole tone and a half each.
const EDGES_HZ: (f32, f32) = (150.0, 3_600.0);

/// Bits of a recording as Haitsma and Kalker have them ("A Highly Robust Audio Fingerprinting System", ISMIR 2002), by bit and
/// frame: whether the energy of a band, less that of the next, has grown since the frame before. 1 if so, -1 if not, 0 in silence. A
/// level, a filter or a codec leave most of them as they are, and so does what is added where it is softer.
pub struct Fingerprint {
    /// By bit, then by frame.
    pub bits: Vec<Vec<f32>>,
}

impl Fingerprint {
    /// Of a recording.
    pub fn of(recording: &[f32]) -> Self {
        let (mut transform, window) = (Transform::new(FRAME), hann(FRAME));
        let mut spectrum = vec![Complex32::default(); transform.num_bins()];
        let edge = |number: usize| {
            let (low, high) = EDGES_HZ;
            let hz = low * (high / low).powf(number as f32 / (NUM_BITS + 1) as f32);
            (hz * FRAME as f32 / crate::RATE_HZ as f32).round() as usize
        };
        let mut before = None;
        let mut bits = vec![Vec::new(); NUM_BITS];
        for frame in recording.windows(FRAME).step_by(HOP) {
            transform.forward_under(&window, frame, &mut spectrum);
            let energy = |band: usize| -> f32 {
                spectrum[edge(band)..edge(band + 1)].iter().map(|bin| bin.norm_sqr()).sum()
            };
            let slopes: [f32; NUM_BITS] = std::array::from_fn(|band| energy(band) - energy(band + 1));
            if let Some(before) = before.replace(slopes) {
                for (bits, (now, before)) in bits.iter_mut().zip(slopes.iter().zip(before)) {
                    let grown = now - before;
                    bits.push(if grown == 0.0 { 0.0 } else { grown.signum() });
                }
            }
        }
        Self { bits }
    }

    /// Number of frames.
    pub fn num_frames(&self) -> usize {
        self.bits[0].len()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::made::noise;

    /// Share of bits that are the same.
    fn alike(a: &[f32], b: &[f32]) -> f32 {
        let [a, b] = [a, b].map(Fingerprint::of);
        let pairs = || a.bits.iter().flatten().zip(b.bits.iter().flatten());
        pairs().filter(|(a, b)| a == b).count() as f32 / pairs().count() as f32
    }

    /// Bits are those of the music: whatever its level, nearly all where little is added, half of other music, none of silence.
    #[test]
    fn bits_are_of_the_music() {
        let [music, other] = [1, 2].map(|seed| noise(seed, 200_000));
        let with = |gain: f32, added: f32| -> Vec<f32> {
            music.iter().zip(&other).map(|(x, y)| gain * x + added * y).collect()
        };
        assert_eq!(alike(&music, &with(-0.125, 0.0)), 1.0);
        assert!(alike(&music, &with(1.0, 0.1)) > 0.9);
        assert!((alike(&music, &other) - 0.5).abs() < 0.04);
        assert!(Fingerprint::of(&[0.0; 20_000]).bits.iter().flatten().all(|bit| *bit == 0.0));
        assert_eq!(Fingerprint::of(&[0.5; 100]).num_frames(), 0);
    }
}
