//! A stand-in for a machine that takes the backing out of a mix, and music for it; for tests.

use crate::dsp::noise::noise;
use crate::spectral::spectrum::Spectrum;
use crate::spectral::window::root_hann;
use realfft::num_complex::Complex32;
use std::f32::consts::TAU;

/// Rate of the music, Hz.
pub const RATE_HZ: usize = 8_000;

/// A voice: partials that glide, in phrases with rests between.
pub fn voice(num_samples: usize) -> Vec<f32> {
    let mut phase = 0.0;
    let sung = |n: usize| {
        let t = n as f32 / RATE_HZ as f32;
        phase += TAU * (220.0 + 60.0 * (0.7 * t).sin() + 4.0 * (35.0 * t).sin()) / RATE_HZ as f32;
        let phrase = ((1.3 * t).sin() + 0.5).max(0.0);
        phrase * (1..9).map(|k| (k as f32 * phase).sin() / k as f32).sum::<f32>()
    };
    (0..num_samples).map(sung).map(|x| 0.15 * x).collect()
}

/// A backing: chords that are struck, a beat of noise, and a pad of it.
pub fn backing(num_samples: usize, seed: u32) -> Vec<f32> {
    let hiss = noise(num_samples, seed);
    let struck = |n: usize| {
        let t = n as f32 / RATE_HZ as f32;
        let (beat, since) = ((2.0 * t) as usize, (2.0 * t).fract() / 2.0);
        let root = [110.0, 130.8, 98.0, 146.8][beat % 4];
        let chord: f32 =
            [1.0, 1.5, 2.5, 3.0, 6.0].iter().map(|k| (TAU * root * k * t).sin() / k).sum::<f32>()
                * (-3.0 * since).exp();
        0.1 * chord + hiss[n] * (0.04 + 0.1 * (-20.0 * since).exp())
    };
    (0..num_samples).map(struck).collect()
}

/// What a machine hands out that lays a mask over the mix, as sure of each cell as its powers allow; a part of the voice stays
/// in it.
pub fn estimate(voice: &[f32], backing: &[f32], bleed: f32) -> Vec<f32> {
    const FRAME: usize = 512;
    let (mut spectrum, window) = (Spectrum::new(FRAME), root_hann(FRAME));
    let mut out = vec![0.0; voice.len()];
    let mut bins = [(); 2].map(|()| vec![Complex32::default(); FRAME / 2 + 1]);
    for at in (0..voice.len() - FRAME).step_by(FRAME / 4) {
        for (bins, signal) in bins.iter_mut().zip([voice, backing]) {
            let time = spectrum.time().iter_mut().zip(&signal[at..]).zip(&window);
            time.for_each(|((to, x), w)| *to = w * x);
            spectrum.forward(bins);
        }
        let [sung, played] = &mut bins;
        for (v, b) in sung.iter().zip(played) {
            let (v_size, b_size) = (v.norm(), b.norm() + 1e-9);
            *b = (*v + *b) * (b_size / (v_size + b_size)) + *v * bleed;
        }
        let frame = spectrum.inverse(&bins[1]);
        // Squared root Hann windows a quarter apart sum to 2.
        out[at..].iter_mut().zip(frame).zip(&window).for_each(|((to, x), w)| *to += 0.5 * *x * w);
    }
    out
}

/// SI-SDR of an estimate, dB (Le Roux et al. 2019).
pub fn si_sdr_db(truth: &[f32], estimate: &[f32]) -> f64 {
    let product =
        |a: &[f32], b: &[f32]| a.iter().zip(b).map(|(a, b)| f64::from(*a) * f64::from(*b)).sum::<f64>();
    let (all, wanted) =
        (product(estimate, estimate), product(truth, estimate).powi(2) / product(truth, truth));
    10.0 * (wanted / (all - wanted)).log10()
}
