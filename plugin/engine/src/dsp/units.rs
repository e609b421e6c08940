//! Decibels and ratios.

/// Amplitude ratio of a level in dB.
pub fn db_to_gain(db: f32) -> f32 {
    10f32.powf(db / 20.0)
}

/// Power ratio of a level in dB.
pub fn db_to_power(db: f64) -> f64 {
    10f64.powf(db / 10.0)
}

/// Level in dB of a power, at least -200 dB.
pub fn power_to_db(power: f64) -> f64 {
    10.0 * power.max(1e-20).log10()
}

/// Arithmetic mean; 0 of nothing.
pub fn mean(x: &[f64]) -> f64 {
    if x.is_empty() { 0.0 } else { x.iter().sum::<f64>() / x.len() as f64 }
}

/// Range of values for nine tenths of the time: from the 5th to the 95th percentile. Sorts them; 0 if there are none.
pub fn range_of_nine_tenths(values: &mut [f64]) -> f64 {
    values.sort_unstable_by(f64::total_cmp);
    let at = |part: usize| values[(values.len() - 1) * part / 100];
    if values.is_empty() { 0.0 } else { at(95) - at(5) }
}

/// Whether two channels hold nothing at all: every sample is 0.
pub fn is_silence(stereo: [&[f32]; 2]) -> bool {
    stereo.into_iter().flatten().all(|&x| x == 0.0)
}

/// Mean square of two channels.
pub fn mean_square(stereo: [&[f32]; 2]) -> f64 {
    let sum = |x: &[f32]| x.iter().map(|&x| f64::from(x) * f64::from(x)).sum::<f64>();
    let count = stereo[0].len() + stereo[1].len();
    if count == 0 { 0.0 } else { (sum(stereo[0]) + sum(stereo[1])) / count as f64 }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 90 % of a sine lies within sin(0.45 pi) of its reach (textbook: its arcsine distribution).
    #[test]
    fn nine_tenths_leave_the_rarest_out() {
        let mut sine: Vec<f64> = (0..10_000).map(|n| (0.01 * f64::from(n)).sin()).collect();
        assert!((range_of_nine_tenths(&mut sine) - 2.0 * 0.98769).abs() < 0.01);
        assert_eq!((range_of_nine_tenths(&mut [3.0]), range_of_nine_tenths(&mut [])), (0.0, 0.0));
    }
}
