//! Where the alignment changed: the moment before which one alignment explains the mix better, and after which the other
//! does (maximum likelihood for a Gaussian residual of unknown power in short blocks).

use crate::dsp::ring::Stereo;

/// Length of a block, samples.
pub const BLOCK: usize = 32;
/// Pre-emphasis, so that a bass does not drown what is sharp in time.
const EMPHASIS: f32 = 0.95;

/// Logarithm of the power of each block of a residual; lower is better.
pub fn costs(residual: &Stereo) -> Vec<f64> {
    let blocks = residual[0].len() / BLOCK;
    let power = |side: &[f32], block: usize| -> f64 {
        let from = (block * BLOCK).max(1);
        (from..(block + 1) * BLOCK).map(|n| f64::from(side[n] - EMPHASIS * side[n - 1]).powi(2)).sum()
    };
    (0..blocks)
        .map(|block| (residual.iter().map(|side| power(side, block)).sum::<f64>() + 1e-10).ln())
        .collect()
}

/// Index of the block at which the second takes over from the first.
pub fn edge(before: &[f64], after: &[f64]) -> usize {
    let (mut sum, mut best, mut at) = (0.0, 0.0, 0);
    for (block, (before, after)) in before.iter().zip(after).enumerate() {
        sum += before - after;
        if sum < best {
            (best, at) = (sum, block + 1);
        }
    }
    at
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;

    /// Known truth: the residual holds the voice alone up to a cut, and voice and music after it.
    #[test]
    fn finds_a_cut_under_a_voice() {
        let (voice, music) = (noise(48_000, 1), noise(48_000, 2));
        for cut in [1_000usize, 20_011, 40_000] {
            let sum = |with_music: &dyn Fn(usize) -> bool| -> Stereo {
                let side = |n: usize| voice[n] + if with_music(n) { music[n] } else { 0.0 };
                std::array::from_fn(|_| (0..48_000).map(side).collect())
            };
            let (before, after) = (costs(&sum(&|n| n >= cut)), costs(&sum(&|n| n < cut)));
            let found = edge(&before, &after) * BLOCK;
            assert!(found.abs_diff(cut) <= 2 * BLOCK, "{found} of {cut}");
        }
    }
}
