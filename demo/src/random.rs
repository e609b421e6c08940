//! Noise that is the same on every run.

/// SplitMix64 (Steele, Lea, Flood 2014): small, seeded, good enough to hear nothing but hiss.
pub struct Random(u64);

impl Random {
    /// Starts a sequence of its own for each seed.
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// A number evenly spread over -1 to 1.
    pub fn bipolar(&mut self) -> f32 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^= z >> 31;
        (z >> 40) as f32 / (1 << 23) as f32 - 1.0
    }
}

#[cfg(test)]
mod tests {
    use super::Random;

    /// An even spread over -1 to 1 has mean 0 and variance 1/3 (any textbook); 5 standard errors are allowed.
    #[test]
    fn is_evenly_spread() {
        let mut random = Random::new(1);
        let n = 100_000;
        let values: Vec<f64> = (0..n).map(|_| f64::from(random.bipolar())).collect();
        assert!(values.iter().all(|v| (-1.0..=1.0).contains(v)));
        let mean = values.iter().sum::<f64>() / f64::from(n);
        let variance = values.iter().map(|v| v * v).sum::<f64>() / f64::from(n);
        assert!(mean.abs() < 5.0 * (1.0 / 3.0 / f64::from(n)).sqrt(), "{mean}");
        assert!((variance - 1.0 / 3.0).abs() < 5.0 * (4.0 / 45.0 / f64::from(n)).sqrt(), "{variance}");
    }
}
