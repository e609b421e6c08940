//! Figures for how good a difference is, where the true vocal is known.

pub mod null_depth;
mod octaves;
pub mod tolerant_sdr;
pub mod vocal_loss;
mod wiener_filter;

/// Inner products of two signals of equal shape, `[channel_idx][sample_idx]`, frame by frame and over all channels.
/// Samples after the last whole frame are left out.
fn inner_products<T: Copy + Into<f64>>(a: &[Vec<T>], b: &[Vec<T>], frame_samples: usize) -> Vec<f64> {
    debug_assert_eq!(a.len(), b.len());
    let num_frames = a.first().map_or(0, |channel| channel.len() / frame_samples);
    let mut products = vec![0.0; num_frames];
    for (a, b) in a.iter().zip(b) {
        debug_assert_eq!(a.len(), b.len());
        let frames = a.chunks_exact(frame_samples).zip(b.chunks_exact(frame_samples));
        for (product, (a, b)) in products.iter_mut().zip(frames) {
            *product += a.iter().zip(b).map(|(&a, &b)| a.into() * b.into()).sum::<f64>();
        }
    }
    products
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::{null_depth::null_depth_db, vocal_loss::vocal_loss_db};
    use crate::si_sdr::si_sdr_db;
    use minuend_files::noise::noise;

    const RATE_HZ: u32 = 44_100;
    const SAMPLES: usize = 2 * RATE_HZ as usize;

    /// What `reference/metrics.py` prints, with numpy 2.4.6, SciPy 1.17.1 and fast_bss_eval 0.1.4: SI-SDR, null depth
    /// and vocal loss.
    const REFERENCE: [f64; 3] = [19.241_617_890, 25.378_776_500, -20.925_409_813];

    /// Both sides work in double precision on the same single-precision samples; SciPy filters sample by sample, we do
    /// in the frequency domain. A millionth of a dB is far more than either rounds.
    const TOLERANCE_DB: f64 = 1e-6;

    fn delayed(signal: &[f64], samples: usize) -> impl Iterator<Item = f64> {
        std::iter::repeat_n(0.0, samples).chain(signal.iter().copied())
    }

    fn single(signal: &[Vec<f64>]) -> Vec<Vec<f32>> {
        signal.iter().map(|channel| channel.iter().map(|&x| x as f32).collect()).collect()
    }

    /// Vocal, backing and estimate; the same formulas stand in the script.
    fn signals() -> [Vec<Vec<f32>>; 3] {
        let tone = |n: usize, hz: f64| (TAU * hz * n as f64 / f64::from(RATE_HZ)).sin();
        let channels = |signal: &dyn Fn(usize) -> Vec<f64>| [0, 1].map(signal).to_vec();
        let backing = channels(&|side| {
            let hz = 55.0 * (side + 1) as f64;
            noise(1 + side as u64)
                .take(SAMPLES)
                .enumerate()
                .map(|(n, x)| 0.3 * x + 0.2 * tone(n, hz))
                .collect()
        });
        let vocal = channels(&|side| {
            let noise: Vec<_> = noise(11 + side as u64).take(SAMPLES).collect();
            let softer = noise.iter().zip(delayed(&noise, 1));
            // The voice rests from 1.2 s on.
            let sung = |n: usize| if n < 52_920 { 1.0 } else { 0.001 };
            softer.enumerate().map(|(n, (x, y))| sung(n) * (0.25 * (x + y) + 0.1 * tone(n, 440.0))).collect()
        });
        let estimate = channels(&|side| {
            let (vocal, backing, other) = (&vocal[side], &backing[side], &backing[1 - side]);
            let late = delayed(vocal, 8).zip(delayed(other, 3));
            let on_time = vocal.iter().zip(backing);
            on_time.zip(late).map(|((v, b), (w, c))| 0.9 * v + 0.04 * w + 0.05 * b + 0.02 * c).collect()
        });
        [single(&vocal), single(&backing), single(&estimate)]
    }

    /// All three against general-purpose libraries.
    #[test]
    fn agree_with_reference_libraries() {
        let [vocal, backing, estimate] = signals();
        let found = [
            si_sdr_db(&vocal, &estimate),
            null_depth_db(&vocal, &backing, &estimate, RATE_HZ).unwrap(),
            vocal_loss_db(&vocal, &backing, &estimate, RATE_HZ).unwrap(),
        ];
        for (found, expected) in found.into_iter().zip(REFERENCE) {
            assert!((found - expected).abs() < TOLERANCE_DB, "{found} dB, not {expected} dB");
        }
    }
}
