//! Noise without end, for tests that play on and on.

/// Noise from -0.1 to 0.1, the same for the same seed and position (hash by Wang, "Integer hash function", 2007; from
/// memory).
pub fn noise(seed: u32, n: i64) -> f32 {
    let mut x = (n as u32) ^ seed.wrapping_mul(0x9E37_79B9);
    x = (x ^ 61) ^ (x >> 16);
    x = x.wrapping_mul(9);
    x ^= x >> 4;
    x = x.wrapping_mul(0x27D4_EB2D);
    x ^= x >> 15;
    0.1 * (x as f32 / 2_147_483_648.0 - 1.0)
}
