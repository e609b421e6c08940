//! Noise for tests, the same every time.

/// Evenly spread from -0.5 to 0.5, by a linear congruential generator (Park and Miller 1988: a = 48271, m = 2^31 - 1).
pub fn noise(seed: u64, num_samples: usize) -> Vec<f32> {
    let mut state = seed;
    let mut next = || {
        state = state * 48_271 % 0x7fff_ffff;
        state as f32 / 0x7fff_ffff as f32 - 0.5
    };
    // The first values of neighbouring seeds are alike.
    (0..8).for_each(|_| _ = next());
    (0..num_samples).map(|_| next()).collect()
}
