//! Where the alignment changed: the moment before which one alignment explains the mix better, and after which the other
//! does (maximum likelihood for a Gaussian residual of unknown power in short blocks).

/// Length of a block, samples.
pub const BLOCK: usize = 32;
/// Pre-emphasis, so that a bass does not drown what is sharp in time.
const EMPHASIS: f32 = 0.95;

/// Logarithm of the power of each block of a residual, which is heard piece by piece; lower is better.
#[derive(Default)]
pub struct EdgeCosts {
    costs: Vec<f64>,
    /// The last sample heard, left and right.
    last: Option<[f32; 2]>,
}

impl EdgeCosts {
    /// Hears the next piece, of whole blocks; of a last one that is not whole, the rest is left out.
    pub fn hear(&mut self, [left, right]: [&[f32]; 2]) {
        let blocks = left.chunks_exact(BLOCK).zip(right.chunks_exact(BLOCK));
        for (left, right) in blocks {
            let power = |block: &[f32], last: Option<f32>| -> f64 {
                let before = last.into_iter().chain(block.iter().copied());
                let from = usize::from(last.is_none());
                let emphasised = block[from..].iter().zip(before).map(|(x, before)| x - EMPHASIS * before);
                emphasised.map(|x| f64::from(x).powi(2)).sum()
            };
            let [last_left, last_right] = [0, 1].map(|side| self.last.map(|last| last[side]));
            let sum = power(left, last_left) + power(right, last_right);
            self.costs.push((sum + 1e-10).ln());
            self.last = Some([left[BLOCK - 1], right[BLOCK - 1]]);
        }
    }

    /// Index of the block at which what these are the costs of gives way to what `after` are the costs of.
    pub fn edge(&self, after: &Self) -> usize {
        let (mut sum, mut best, mut at) = (0.0, 0.0, 0);
        for (block, (before, after)) in self.costs.iter().zip(&after.costs).enumerate() {
            sum += before - after;
            if sum < best {
                (best, at) = (sum, block + 1);
            }
        }
        at
    }
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
            let costs = |with_music: &dyn Fn(usize) -> bool| {
                let residual = |n: usize| voice[n] + if with_music(n) { music[n] } else { 0.0 };
                let residual: Vec<f32> = (0..48_000).map(residual).collect();
                let mut costs = EdgeCosts::default();
                residual.chunks(50 * BLOCK).for_each(|piece| costs.hear([piece, piece]));
                costs
            };
            let found = costs(&|n| n >= cut).edge(&costs(&|n| n < cut)) * BLOCK;
            assert!(found.abs_diff(cut) <= 2 * BLOCK, "{found} of {cut}");
        }
    }
}
