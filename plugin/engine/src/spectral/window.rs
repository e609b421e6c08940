//! Windows of frames.

/// Periodic Hann window.
pub fn hann(len: usize) -> Vec<f32> {
    let step = std::f64::consts::TAU / len as f64;
    (0..len).map(|n| (0.5 - 0.5 * (step * n as f64).cos()) as f32).collect()
}

/// Its square root: applied before a transform and again after it, it is a Hann window.
pub fn root_hann(len: usize) -> Vec<f32> {
    hann(len).into_iter().map(f32::sqrt).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Hann windows a half apart sum to 1, squared ones a quarter apart to 3/2 (textbook).
    #[test]
    fn overlapping_windows_sum_to_a_constant() {
        let (window, root) = (hann(64), root_hann(64));
        for n in 0..16 {
            let halves: f32 = [n, n + 32].iter().map(|&n| root[n] * root[n]).sum();
            let quarters: f32 = [n, n + 16, n + 32, n + 48].iter().map(|&n| window[n] * window[n]).sum();
            assert!((halves - 1.0).abs() < 1e-6 && (quarters - 1.5).abs() < 1e-6, "{n}");
        }
    }
}
