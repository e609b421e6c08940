//! The tests' noise.

/// White noise between -1 and 1, the same for the same seed (linear congruential generator, Numerical Recipes).
pub fn noise(len: usize, mut seed: u32) -> Vec<f32> {
    (0..len)
        .map(|_| {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (seed >> 8) as f32 / 8_388_608.0 - 1.0
        })
        .collect()
}
