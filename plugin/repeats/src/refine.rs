//! A repeat to the fraction of a sample.

use std::ops::Range;

/// The lag near a coarse one at which a stretch is most like the signal that much later, samples; its fraction by a parabola
/// through three correlations. Nothing where too little of the stretch is inside.
pub fn refine(channels: &[Vec<f32>], stretch: Range<usize>, lag: i64, reach: usize) -> Option<f64> {
    let (num_samples, reach) = (channels[0].len() as i64, reach as i64);
    let from = (stretch.start as i64).max(reach - lag);
    let to = (stretch.end as i64).min(num_samples).min(num_samples - lag - reach);
    if to - from < (stretch.len() / 3) as i64 {
        return None;
    }
    let part = |at: i64| at as usize..(at + to - from) as usize;
    let product = |a: i64, b: i64| -> f64 {
        channels.iter().map(|channel| dot(&channel[part(a)], &channel[part(b)])).sum()
    };
    let products: Vec<f64> = (-reach..=reach).map(|more| product(from, from + lag + more)).collect();
    let inner = 1..products.len() - 1;
    let peak = inner.max_by(|&a, &b| products[a].total_cmp(&products[b]))?;
    let [before, top, after] = [products[peak - 1], products[peak], products[peak + 1]];
    let curvature = before - 2.0 * top + after;
    let fraction = if curvature < 0.0 { (0.5 * (before - after) / curvature).clamp(-0.5, 0.5) } else { 0.0 };
    Some((lag + peak as i64 - reach) as f64 + fraction)
}

/// Sum of products, in lanes that the compiler can keep apart.
fn dot(a: &[f32], b: &[f32]) -> f64 {
    const LANES: usize = 16;
    let mut sums = [0.0f32; LANES];
    let (a, b) = (a.chunks_exact(LANES), b.chunks_exact(LANES));
    let rest: f32 = a.remainder().iter().zip(b.remainder()).map(|(a, b)| a * b).sum();
    for (a, b) in a.zip(b) {
        for lane in 0..LANES {
            sums[lane] += a[lane] * b[lane];
        }
    }
    f64::from(rest) + sums.iter().map(|&sum| f64::from(sum)).sum::<f64>()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::noise;

    /// A repeat 500.25 samples later of a signal whose band ends well below half the rate.
    #[test]
    fn lags_are_found_to_the_fraction() {
        let tones: Vec<(f64, f64)> =
            noise(1, 80).chunks(2).map(|x| (f64::from(x[0]), f64::from(x[1]))).collect();
        let tone =
            |t: f64| tones.iter().map(|(w, phase)| ((w + 0.5) * t + 9.0 * phase).sin()).sum::<f64>() as f32;
        let signal: Vec<f32> =
            (0..1000).map(|n| tone(if n < 500 { f64::from(n) } else { f64::from(n) - 500.25 })).collect();
        let lag = |stretch, coarse| refine(std::slice::from_ref(&signal), stretch, coarse, 8);
        for (stretch, coarse, expected) in
            [(50..350, 497, 500.25), (600..900, -503, -500.25), (750..1050, -503, -500.25)]
        {
            let found = lag(stretch, coarse).unwrap();
            assert!((found - expected).abs() < 0.03, "{found}, not {expected}");
        }
        assert_eq!(lag(600..900, 700), None, "outside");
    }
}
