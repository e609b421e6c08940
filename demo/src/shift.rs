//! Moving a signal by a part of a sample.

use std::f64::consts::PI;

/// The signal `earlier_samples` earlier, of the same length; what would lie outside is silence.
///
/// Windowed sinc (Laakso et al. 1996, "Splitting the unit delay") of 256 taps under a Blackman window: its
/// error stays under -100 dB up to 19 kHz at 44.1 kHz, as the test measures.
pub fn earlier(signal: &[f32], earlier_samples: f64) -> Vec<f32> {
    const HALF: isize = 128;
    let whole = earlier_samples.floor();
    let fraction = earlier_samples - whole;
    let kernel: Vec<f64> = (1 - HALF..=HALF)
        .map(|k| {
            let x = k as f64 - fraction;
            let sinc = if x == 0.0 { 1.0 } else { (PI * x).sin() / (PI * x) };
            let place = x / HALF as f64;
            sinc * (0.42 + 0.5 * (PI * place).cos() + 0.08 * (2.0 * PI * place).cos())
        })
        .collect();
    (0..signal.len() as isize)
        .map(|n| {
            let centre = n + whole as isize;
            let sum: f64 = (1 - HALF..=HALF)
                .zip(&kernel)
                .filter_map(|(k, weight)| {
                    let sample = signal.get(usize::try_from(centre + k).ok()?)?;
                    Some(weight * f64::from(*sample))
                })
                .sum();
            sum as f32
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::earlier;
    use std::f64::consts::TAU;

    /// A sine moved by d samples is the sine read d samples on (the definition of a delay).
    #[test]
    fn moves_sines_exactly() {
        for hz in [100.0, 5000.0, 19_000.0] {
            let sine = |n: f64| (TAU * hz * n / 44_100.0).sin();
            let signal: Vec<f32> = (0..4000).map(|n| sine(f64::from(n)) as f32).collect();
            let moved = earlier(&signal, 1000.37);
            for (n, &value) in moved.iter().enumerate().take(2500).skip(200) {
                let error = f64::from(value) - sine(n as f64 + 1000.37);
                assert!(error.abs() < 1e-5, "{error} at {hz} Hz");
            }
        }
    }
}
