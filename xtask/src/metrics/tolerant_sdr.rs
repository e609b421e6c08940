//! How good a difference is whose voice was mastered: what mastering may do to a voice does not count against it.

use std::{f64::consts::FRAC_1_PI, ops::Range};

use super::{inner_products, wiener_filter::WienerFilter};

/// Length of a segment, s: each has filters of its own.
const SEGMENT_S: u32 = 12;
/// Hops a second: 25 ms.
const HOPS_PER_S: u32 = 40;
/// Mean of a Hann window over each quarter of it, which is a hop.
const WINDOW: [f64; 4] = [0.5 - FRAC_1_PI, 0.5 + FRAC_1_PI, 0.5 + FRAC_1_PI, 0.5 - FRAC_1_PI];
/// Part of the mean energy by which a gain is drawn towards 1, so that silence has one.
const TOWARDS_ONE: f64 = 1e-7;
/// Highest gain.
const MAX_GAIN: f64 = 4.0;
/// How often filters and gain are fitted in turn.
const ROUNDS: usize = 2;

/// Tolerant SDR of an estimate of the vocal, dB: how far everything lies below the voice that is not the voice through
/// some filter and some gain. An equaliser and a compressor on the mix are no distortion here; what remains of the
/// backing, and what came and went faster than the gain may, are.
///
/// The signals are cut into segments of 12 s; a last one shorter than 4 s joins the one before. In each, the estimate `e`
/// is fitted, by least squares, by `f = q (h * g v)`: `v` is the vocal, `h` a filter of 512 taps per channel, 64 of them
/// before time 0 (see `WienerFilter`), and `q` a gain that all channels share. It is fitted in Hann windows of 100 ms
/// every 25 ms, each of whose gains stands in the middle of the third of its four hops, with straight lines between them,
/// and no farther than 0 to 4. In the first of two rounds `g` is 1, in the second the first's `q`.
///
/// ```text
/// 10 log10(sum |f|^2 / sum |e - f|^2)   over all segments
/// ```
///
/// A definition of our own. Both signals are `[channel_idx][sample_idx]` of equal shape. Infinity when nothing but the
/// voice is there, minus infinity when nothing of it is.
pub fn tolerant_sdr_db(vocal: &[Vec<f32>], estimate: &[Vec<f32>], sample_rate_hz: u32) -> f64 {
    let (mut fitted, mut distortion) = (0.0, 0.0);
    for (f, e) in fitted_vocal(vocal, estimate, sample_rate_hz, HOPS_PER_S)
        .iter()
        .flatten()
        .zip(estimate.iter().flatten())
    {
        fitted += f * f;
        distortion += (f64::from(*e) - f).powi(2);
    }
    if fitted == 0.0 { f64::NEG_INFINITY } else { 10.0 * (fitted / distortion).log10() }
}

/// The `f` of [`tolerant_sdr_db`], of the shape of both, with so many gains a second: what became of the vocal in the estimate.
pub fn fitted_vocal(
    vocal: &[Vec<f32>],
    estimate: &[Vec<f32>],
    sample_rate_hz: u32,
    hops_per_s: u32,
) -> Vec<Vec<f64>> {
    debug_assert_eq!(vocal.len(), estimate.len());
    let mut fitted = vec![Vec::with_capacity(vocal[0].len()); vocal.len()];
    for segment in segments(vocal[0].len(), (SEGMENT_S * sample_rate_hz) as usize) {
        let cut = |signal: &[Vec<f32>]| -> Vec<Vec<f64>> {
            signal.iter().map(|x| x[segment.clone()].iter().copied().map(f64::from).collect()).collect()
        };
        let fit = fit(&cut(vocal), &cut(estimate), (sample_rate_hz / hops_per_s) as usize);
        fitted.iter_mut().zip(fit).for_each(|(all, fit)| all.extend(fit));
    }
    fitted
}

/// Segments of that many samples; a last one shorter than a third of that joins the one before.
fn segments(num_samples: usize, length: usize) -> impl Iterator<Item = Range<usize>> {
    let count = (num_samples / length + usize::from(num_samples % length >= length / 3)).max(1);
    (0..count).map(move |i| i * length..if i + 1 == count { num_samples } else { (i + 1) * length })
}

/// What of the estimate of a segment is the voice through filters and a gain.
fn fit(vocal: &[Vec<f64>], estimate: &[Vec<f64>], hop_samples: usize) -> Vec<Vec<f64>> {
    let filter = WienerFilter::new(vocal[0].len());
    let mut voice = vocal.to_vec();
    let mut fit = Vec::new();
    for _ in 0..ROUNDS {
        fit = voice.iter().zip(estimate).map(|(v, e)| filter.fitted(v, e)).collect();
        let gains = gains(&fit, estimate, hop_samples);
        for channel in fit.iter_mut().chain(&mut voice) {
            channel.iter_mut().zip(&gains).for_each(|(x, gain)| *x *= gain);
        }
    }
    fit
}

/// The smooth gain that brings a signal closest to a target, sample by sample.
fn gains(signal: &[Vec<f64>], target: &[Vec<f64>], hop_samples: usize) -> Vec<f64> {
    let windowed = |target| -> Vec<f64> {
        let products = inner_products(signal, target, hop_samples);
        // The hop itself is the third of its window.
        let product = |hop: usize| hop.checked_sub(2).and_then(|hop| products.get(hop)).unwrap_or(&0.0);
        let sum = |hop| WINDOW.iter().enumerate().map(|(i, weight)| weight * product(hop + i)).sum();
        (0..products.len()).map(sum).collect()
    };
    let (energies, products) = (windowed(signal), windowed(target));
    let mean = energies.iter().sum::<f64>() / energies.len() as f64;
    let least = (TOWARDS_ONE * mean).max(f64::MIN_POSITIVE);
    let gains: Vec<_> = energies.iter().zip(&products).map(|(e, p)| (p + least) / (e + least)).collect();
    let gain = |hop: usize| gains.get(hop).or(gains.last()).copied().unwrap_or(1.0);
    let at = |n: usize| {
        let hops = (n as f64 / hop_samples as f64 - 0.5).max(0.0);
        let (hop, part) = (hops as usize, hops.fract());
        (gain(hop) + part * (gain(hop + 1) - gain(hop))).clamp(0.0, MAX_GAIN)
    };
    (0..signal[0].len()).map(at).collect()
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::tolerant_sdr_db;
    use minuend_files::noise::{noise, samples};

    const RATE_HZ: u32 = 1_000;

    /// Seconds, and what `reference/tolerant_sdr.py` prints of them with numpy 2.4.6 and SciPy 1.17.1, dB: one segment of
    /// 13 s, and three, the last of them 5 s.
    const REFERENCE: [(usize, f64); 2] = [(13, 29.622_090), (29, 29.500_736)];

    fn tone(n: usize, hz: f64) -> f64 {
        (TAU * hz * n as f64 / f64::from(RATE_HZ)).sin()
    }

    /// Two channels of a voice that rests for the tenth second, through an early and a late echo of opposite sign and a gain
    /// that comes and goes, which leaves its bounds at times, and noise. The same formulas stand in the script.
    #[test]
    fn agrees_with_reference_libraries() {
        for (seconds, expected) in REFERENCE {
            let num_samples = seconds * RATE_HZ as usize;
            let sung = |seed| -> Vec<f64> {
                let rests = |n| (9_000..10_000).contains(&n);
                noise(seed)
                    .take(num_samples)
                    .enumerate()
                    .map(|(n, x)| if rests(n) { 0.0 } else { x })
                    .collect()
            };
            let vocal = [1, 48_271].map(sung);
            let estimate = [0, 1].map(|side: usize| {
                let at = |n: usize| vocal[side].get(n).copied().unwrap_or(0.0);
                let noise: Vec<_> = noise(1_234_567 + 1_000_000 * side as u64).take(num_samples).collect();
                let sample = |n: usize| {
                    let echoes = at(n) + 0.4 * at(n + 3) - 0.3 * at(n.wrapping_sub(20));
                    (2.5 + 2.7 * tone(n, 0.4)) * echoes + 0.1 * noise[n]
                };
                (0..num_samples).map(|n| sample(n) as f32).collect()
            });
            let vocal = vocal.map(|channel| channel.iter().map(|&x| x as f32).collect());
            let found = tolerant_sdr_db(&vocal, &estimate, RATE_HZ);
            // Both work in double precision on the same samples, and the script prints six decimals.
            assert!((found - expected).abs() < 2e-6, "{found}, not {expected}");
        }
    }

    /// A voice through a short filter and a slow gain is the voice: only the noise beside it counts, whatever its level.
    #[test]
    fn is_what_no_filter_and_no_slow_gain_make_of_the_voice() {
        const SAMPLES: usize = 24_000;
        // 512 taps fit 4 % of the noise of 12 000 samples, and 480 gains whose windows overlap some 2 %.
        const FITTED_DB: f64 = 0.3;
        let vocal = [samples(1, SAMPLES)];
        let energy = |signal: &[f32]| signal.iter().map(|&x| f64::from(x).powi(2)).sum::<f64>();
        let mastered = |gain: &dyn Fn(usize) -> f64| -> Vec<f32> {
            let filtered = |n: usize| 0.8 * vocal[0][n] - 0.3 * vocal[0][n.saturating_sub(5)];
            (0..SAMPLES).map(|n| (gain(n) * f64::from(filtered(n))) as f32).collect()
        };
        let slow = mastered(&|n| 0.5 + 0.15 * tone(n, 0.1));
        let noise = samples(48_271, SAMPLES);
        for sdr_db in [6.0, 20.0] {
            let level = (energy(&slow) / energy(&noise)).sqrt() * 10_f64.powf(-sdr_db / 20.0);
            let estimate = slow.iter().zip(&noise).map(|(v, n)| v + level as f32 * n).collect();
            let found = tolerant_sdr_db(&vocal, &[estimate], RATE_HZ);
            assert!((found - sdr_db - FITTED_DB).abs() < 0.1, "{found}, not {sdr_db}");
        }
        // A gain between 0.25 and 0.75 that comes and goes within each hop is none that windows of hops can follow: what it
        // does to the voice is an eighth of what its mean, 0.5, leaves of it.
        let fast = tolerant_sdr_db(&vocal, &[mastered(&|n| 0.5 + 0.25 * tone(n, 40.0))], RATE_HZ);
        assert!((fast - 10.0 * 8_f64.log10() - FITTED_DB).abs() < 0.1, "{fast}");
    }

    /// Silence, and parts shorter than a hop, divide nothing by zero.
    #[test]
    fn silence_is_worst() {
        let (voice, silence) = ([samples(1, 700)], [vec![0.0; 700]]);
        assert_eq!(tolerant_sdr_db(&silence, &voice, RATE_HZ), f64::NEG_INFINITY);
        assert_eq!(tolerant_sdr_db(&voice, &silence, RATE_HZ), f64::NEG_INFINITY);
        assert_eq!(tolerant_sdr_db(&silence, &silence, RATE_HZ), f64::NEG_INFINITY);
        let half_silent = [voice[0].clone(), vec![0.0; 700]];
        assert!(tolerant_sdr_db(&half_silent, &half_silent, RATE_HZ) > 50.0);
        let short = [vec![0.5; 9]];
        assert!(tolerant_sdr_db(&short, &short, RATE_HZ) > 20.0);
    }
}
