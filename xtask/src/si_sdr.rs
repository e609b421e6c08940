//! Scale-invariant signal-to-distortion ratio.

/// Scale-invariant signal-to-distortion ratio of an estimate, dB: how far everything that is not the reference lies
/// below the reference in it, whatever the estimate's level.
///
/// Le Roux, Wisdom, Erdogan, Hershey: "SDR - half-baked or well done?", 2019, arXiv 1811.02508, equation 5, without
/// removing means. Both signals are `[channel_idx][sample_idx]` of equal shape; one gain serves all channels. Minus
/// infinity when either is silent or they have nothing in common, infinity when one is a multiple of the other.
pub fn si_sdr_db(reference: &[Vec<f32>], estimate: &[Vec<f32>]) -> f64 {
    debug_assert_eq!(reference.len(), estimate.len());
    let pairs = || {
        reference.iter().zip(estimate).flat_map(|(reference, estimate)| {
            debug_assert_eq!(reference.len(), estimate.len());
            reference.iter().zip(estimate).map(|(&s, &e)| (f64::from(s), f64::from(e)))
        })
    };
    let energy: f64 = pairs().map(|(s, _)| s * s).sum();
    if energy == 0.0 {
        return f64::NEG_INFINITY;
    }
    let gain = pairs().map(|(s, e)| s * e).sum::<f64>() / energy;
    let distortion: f64 = pairs().map(|(s, e)| (gain * s - e).powi(2)).sum();
    let target = gain * gain * energy;
    if target == 0.0 { f64::NEG_INFINITY } else { 10.0 * (target / distortion).log10() }
}

#[cfg(test)]
mod tests {
    use super::si_sdr_db;

    /// The example that the documentation of the torchmetrics library prints for its
    /// `ScaleInvariantSignalDistortionRatio`: 18.4030.
    #[test]
    fn agrees_with_a_published_example() {
        let reference = [vec![3.0, -0.5, 2.0, 7.0]];
        let estimate = [vec![2.5, 0.0, 2.0, 8.0]];
        let found = si_sdr_db(&reference, &estimate);
        assert!((found - 18.4030).abs() < 5e-5, "{found}");
    }

    /// Two channels share one gain: the same eight numbers score the same however they are dealt out.
    #[test]
    fn channels_count_as_one_signal() {
        let split = si_sdr_db(&[vec![3.0, -0.5], vec![2.0, 7.0]], &[vec![2.5, 0.0], vec![2.0, 8.0]]);
        let whole = si_sdr_db(&[vec![3.0, -0.5, 2.0, 7.0]], &[vec![2.5, 0.0, 2.0, 8.0]]);
        assert_eq!(split, whole);
    }

    /// From the definition: level and polarity of the estimate do not count, silence is no estimate.
    #[test]
    fn level_does_not_count_and_silence_is_worst() {
        let reference = [vec![3.0, -0.5, 2.0, 7.0]];
        assert_eq!(si_sdr_db(&reference, &[vec![-6.0, 1.0, -4.0, -14.0]]), f64::INFINITY);
        assert_eq!(si_sdr_db(&reference, &[vec![0.0; 4]]), f64::NEG_INFINITY);
        assert_eq!(si_sdr_db(&[vec![0.0; 4]], &reference), f64::NEG_INFINITY);
    }
}
