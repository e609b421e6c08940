//! Noise for tests.

/// Uniform noise between -0.5 and 0.5, the same for each seed: Lehmer's generator with the constants of Park and
/// Miller 1988. Choose seeds far apart: one that is `k` times another gives noise that correlates with it by `1 / k`.
pub fn noise(seed: u64) -> impl Iterator<Item = f64> {
    let next = |state: &u64| Some(state * 16_807 % 2_147_483_647);
    std::iter::successors(Some(seed), next).skip(1).map(|state| state as f64 / 2_147_483_647.0 - 0.5)
}

/// Samples of the same in single precision.
pub fn samples(seed: u64, num_samples: usize) -> Vec<f32> {
    noise(seed).take(num_samples).map(|x| x as f32).collect()
}
