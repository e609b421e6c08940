//! The bus compressor.

use crate::stereo::{SAMPLE_RATE_HZ, Stereo};

/// A compressor's settings.
pub struct Compressor {
    /// Where it begins to work, dB re full scale.
    pub threshold_db: f64,
    /// Input change over output change above the threshold.
    pub ratio: f64,
    /// Time constant downwards, s.
    pub attack_s: f64,
    /// Time constant upwards, s.
    pub release_s: f64,
}

/// The gain it applies to each sample of a signal, linear, the same for both sides: feed-forward, with the branching
/// smoother of Giannoulis, Massberg and Reiss 2012 ("Digital dynamic range compressor design", section 2.3) in the
/// log domain.
pub fn gain(signal: &Stereo, settings: &Compressor) -> Vec<f32> {
    let keep = |seconds: f64| (-1.0 / (seconds * f64::from(SAMPLE_RATE_HZ))).exp();
    let (attack, release) = (keep(settings.attack_s), keep(settings.release_s));
    let mut reduction_db = 0.0;
    signal[0]
        .iter()
        .zip(&signal[1])
        .map(|(left, right)| {
            let level_db = 20.0 * f64::from(left.abs().max(right.abs()).max(1e-6)).log10();
            let aim_db = (level_db - settings.threshold_db).max(0.0) * (1.0 - 1.0 / settings.ratio);
            let keep = if aim_db > reduction_db { attack } else { release };
            reduction_db = keep * reduction_db + (1.0 - keep) * aim_db;
            10f64.powf(-reduction_db / 20.0) as f32
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::{Compressor, gain};

    /// By the meaning of a ratio: 12 dB over the threshold at 3:1 come out 4 dB over it, so 8 dB are taken off; below
    /// the threshold nothing is.
    #[test]
    fn keeps_its_ratio() {
        let settings = Compressor { threshold_db: -20.0, ratio: 3.0, attack_s: 0.001, release_s: 0.01 };
        let steady = |db: f32| vec![10f32.powf(db / 20.0); 44_100];
        let at = |db: f32| 20.0 * gain(&[steady(db), steady(db)], &settings).last().expect("samples").log10();
        assert!((at(-8.0) + 8.0).abs() < 0.01, "{}", at(-8.0));
        assert_eq!(at(-21.0), 0.0);
    }
}
