//! Decibels and ratios.

/// Amplitude ratio of a level in dB.
pub fn db_to_gain(db: f32) -> f32 {
    10f32.powf(db / 20.0)
}

/// Level in dB of a power, at least -200 dB.
pub fn power_to_db(power: f64) -> f64 {
    10.0 * power.max(1e-20).log10()
}

/// Mean square of two channels.
pub fn mean_square(stereo: [&[f32]; 2]) -> f64 {
    let sum = |x: &[f32]| x.iter().map(|&x| f64::from(x) * f64::from(x)).sum::<f64>();
    let count = stereo[0].len() + stereo[1].len();
    if count == 0 { 0.0 } else { (sum(stereo[0]) + sum(stereo[1])) / count as f64 }
}
