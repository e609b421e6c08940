//! Where parts lie in the mix, over the whole of the song.

use realfft::{RealFftPlanner, num_complex::Complex32};

/// Width over which the whitening is even, as a share of the samples' rate: 20 Hz at 4 kHz.
const EVEN_SHARE: f64 = 0.005;
/// So many times the standard deviation a peak must be high: the highest of millions of chance values reaches 5.5.
const SIGNIFICANT: f32 = 8.0;
/// Peaks of a part that are looked at.
const PEAKS: usize = 8;
/// Places of a part that are looked at closely.
const PLACES: usize = 3;

/// A place at which a part agrees with the mix.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Peak {
    /// How much later the mix has the part, samples.
    pub lag: i64,
    /// Height of the correlation.
    pub height: f32,
}

/// Where a part agrees with the mix, highest first, further than `apart` from each other, by generalised cross-correlation
/// (Knapp and Carter 1976), evenly whitened. Of whole songs at a coarse rate.
pub fn peaks(mix: &[f32], part: &[f32], apart: usize) -> Vec<Peak> {
    let len = (mix.len() + part.len()).next_power_of_two().max(2);
    let mut planner = RealFftPlanner::<f32>::new();
    let (forward, inverse) = (planner.plan_fft_forward(len), planner.plan_fft_inverse(len));
    let spectrum = |signal: &[f32]| {
        let mut time = signal.to_vec();
        time.resize(len, 0.0);
        let mut spectrum = forward.make_output_vec();
        let planned = forward.process(&mut time, &mut spectrum);
        debug_assert!(planned.is_ok(), "lengths are those that were planned");
        spectrum
    };
    let mut cross = spectrum(mix);
    cross.iter_mut().zip(spectrum(part)).for_each(|(mix, part)| *mix *= part.conj());
    whiten(&mut cross, (EVEN_SHARE * len as f64) as usize + 1);
    let last = cross.len() - 1;
    (cross[0].im, cross[last].im) = (0.0, 0.0);
    let mut values = inverse.make_output_vec();
    let planned = inverse.process(&mut cross, &mut values);
    debug_assert!(planned.is_ok(), "lengths are those that were planned");
    let square: f64 = values.iter().map(|x| f64::from(x * x)).sum();
    let deviation = ((square / len as f64).sqrt() as f32).max(f32::MIN_POSITIVE);
    let mut found: Vec<Peak> = Vec::new();
    for _ in 0..PEAKS {
        let lag_of = |at: usize| if at < len / 2 { at as i64 } else { at as i64 - len as i64 };
        let free = |at: &usize| found.iter().all(|peak| lag_of(*at).abs_diff(peak.lag) > apart as u64);
        let highest = (0..len)
            .filter(|&at| values[at].abs() > SIGNIFICANT * deviation)
            .filter(free)
            .max_by(|&a, &b| values[a].abs().total_cmp(&values[b].abs()));
        let Some(at) = highest else { break };
        found.push(Peak { lag: lag_of(at), height: values[at].abs() / deviation });
    }
    found
}

/// Divides by the mean magnitude over so many neighbours.
fn whiten(cross: &mut [Complex32], width: usize) {
    let mut up_to = vec![0.0; cross.len() + 1];
    for (bin, value) in cross.iter().enumerate() {
        up_to[bin + 1] = up_to[bin] + f64::from(value.norm());
    }
    let last = cross.len();
    let floor = 1e-3 * up_to[last] / last as f64 + f64::from(f32::MIN_POSITIVE);
    for (bin, value) in cross.iter_mut().enumerate() {
        let (from, to) = (bin.saturating_sub(width / 2), (bin + width / 2 + 1).min(last));
        *value *= (1.0 / ((up_to[to] - up_to[from]) / (to - from) as f64 + floor)) as f32;
    }
}

/// Where each part may lie, from where it agrees: first where most of them are, as parts are that were exported together, and then
/// elsewhere, likeliest first. `near` is how far from most it still belongs to them.
pub fn places(parts: &[Vec<Peak>], near: i64) -> Vec<Vec<i64>> {
    let near_to = |lag: i64| move |peak: &&Peak| (peak.lag - lag).abs() <= near;
    let height =
        |peaks: &[Peak], lag| peaks.iter().filter(near_to(lag)).map(|peak| peak.height).fold(0.0, f32::max);
    let agreement = |lag: i64| parts.iter().map(|peaks| height(peaks, lag)).sum::<f32>();
    let all = parts.iter().flatten().map(|peak| peak.lag);
    let common =
        all.max_by(|&a, &b| agreement(a).total_cmp(&agreement(b)).then(b.abs().cmp(&a.abs()))).unwrap_or(0);
    let of = |peaks: &Vec<Peak>| {
        let here = peaks.iter().filter(near_to(common)).max_by(|a, b| a.height.total_cmp(&b.height));
        let elsewhere = peaks.iter().filter(|peak| (peak.lag - common).abs() > near);
        let here = here.map_or(common, |peak| peak.lag);
        std::iter::once(here).chain(elsewhere.map(|peak| peak.lag)).take(PLACES).collect()
    };
    parts.iter().map(of).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::noise;

    #[test]
    fn parts_are_found_wherever_they_are() {
        let [a, b, c, voice] = [1, 77_777, 987_654_321, 123_456_789].map(|seed| noise(seed, 20_000));
        let at = |signal: &[f32], n: usize, late: usize| n.checked_sub(late).map_or(0.0, |n| signal[n]);
        let mix: Vec<f32> = (0..20_000).map(|n| at(&a, n, 500) - 0.3 * at(&b, n, 5_500) + voice[n]).collect();
        let found: Vec<Vec<Peak>> = [&a, &b, &c].map(|part| peaks(&mix, part, 40)).to_vec();
        assert_eq!((found[0][0].lag, found[1][0].lag), (500, 5_500), "{found:?}");
        assert!(found[2].is_empty(), "{found:?}");
        assert_eq!(places(&found, 100), [vec![500], vec![500, 5_500], vec![500]]);
        assert_eq!(places(&[Vec::new(), Vec::new()], 100), [[0], [0]]);
    }

    /// A loop agrees as well a bar later; it is looked for where the others are first.
    #[test]
    fn a_loop_is_looked_for_with_the_others() {
        let peak = |lag, height| Peak { lag, height };
        let parts = [vec![peak(0, 50.0)], vec![peak(4_000, 31.0), peak(2, 30.0)], vec![peak(1, 20.0)]];
        assert_eq!(places(&parts, 10)[1], [2, 4_000]);
    }
}
