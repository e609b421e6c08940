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

/// Sum in double precision, four at a time: one sum would wait for itself.
#[inline(always)]
pub fn sum(values: &[f32]) -> f64 {
    let (fours, rest) = values.as_chunks::<4>();
    let mut sums = [0.0f64; 4];
    for four in fours {
        (0..4).for_each(|i| sums[i] += f64::from(four[i]));
    }
    sums.into_iter().chain(rest.iter().map(|&x| f64::from(x))).sum()
}

/// Sum of products, likewise.
#[inline(always)]
pub fn sum_of_products(a: &[f32], b: &[f32]) -> f64 {
    let ((fours, rest), (b, rest_b)) = (a.as_chunks::<4>(), b.as_chunks::<4>());
    let product = |a: f32, b: f32| f64::from(a) * f64::from(b);
    let mut sums = [0.0f64; 4];
    for (a, b) in fours.iter().zip(b) {
        (0..4).for_each(|i| sums[i] += product(a[i], b[i]));
    }
    sums.into_iter().chain(rest.iter().zip(rest_b).map(|(&a, &b)| product(a, b))).sum()
}

/// Mean square of two channels.
pub fn mean_square(stereo: [&[f32]; 2]) -> f64 {
    let count = stereo[0].len() + stereo[1].len();
    let sum: f64 = stereo.into_iter().map(|side| sum_of_products(side, side)).sum();
    if count == 0 { 0.0 } else { sum / count as f64 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sums_all_products() {
        let (a, b) = ([1.0, 2.0, 3.0, 4.0, 5.0, 6.0], [1.0, 1.0, 1.0, 1.0, 10.0, 100.0]);
        assert_eq!([6, 4, 1].map(|len| sum_of_products(&a[..len], &b[..len])), [660.0, 10.0, 1.0]);
        assert_eq!([6, 4, 1].map(|len| sum(&a[..len])), [21.0, 10.0, 1.0]);
    }

    /// 90 % of a sine lies within sin(0.45 pi) of its reach (textbook: its arcsine distribution).
    #[test]
    fn nine_tenths_leave_the_rarest_out() {
        let mut sine: Vec<f64> = (0..10_000).map(|n| (0.01 * f64::from(n)).sin()).collect();
        assert!((range_of_nine_tenths(&mut sine) - 2.0 * 0.98769).abs() < 0.01);
        assert_eq!((range_of_nine_tenths(&mut [3.0]), range_of_nine_tenths(&mut [])), (0.0, 0.0));
    }
}
