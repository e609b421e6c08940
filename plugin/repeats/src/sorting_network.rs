//! Sorting many short lists side by side.

/// Lists that are sorted at a time.
pub const LANES: usize = 16;

/// Comparisons that put a list of one length in order, whatever it holds, so that many are sorted at once.
#[derive(Clone, Debug)]
pub struct SortingNetwork(Vec<(usize, usize)>);

impl SortingNetwork {
    /// For lists of `len` values: merge exchange by Batcher (Knuth, The Art of Computer Programming 3, algorithm 5.2.2M).
    pub fn new(len: usize) -> Self {
        let mut pairs = Vec::new();
        let top = len.next_power_of_two() / 2;
        let mut p = top;
        while p > 0 {
            let (mut q, mut r, mut d) = (top, 0, p);
            loop {
                pairs.extend((0..len.saturating_sub(d)).filter(|i| i & p == r).map(|i| (i, i + d)));
                if q == p {
                    break;
                }
                (d, q, r) = (q - p, q / 2, p);
            }
            p /= 2;
        }
        Self(pairs)
    }

    /// Sorts each lane, smallest first.
    pub fn sort(&self, lists: &mut [[f32; LANES]]) {
        for &(low, high) in &self.0 {
            let (a, b) = (lists[low], lists[high]);
            for lane in 0..LANES {
                lists[low][lane] = if a[lane] < b[lane] { a[lane] } else { b[lane] };
                lists[high][lane] = if a[lane] < b[lane] { b[lane] } else { a[lane] };
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::noise;

    #[test]
    fn every_length_is_sorted() {
        for len in 1..40 {
            let values = noise(len as u64, len * LANES);
            let mut lists: Vec<[f32; LANES]> =
                values.chunks_exact(LANES).map(|lanes| std::array::from_fn(|lane| lanes[lane])).collect();
            SortingNetwork::new(len).sort(&mut lists);
            for lane in 0..LANES {
                let mut expected: Vec<f32> = values.iter().skip(lane).step_by(LANES).copied().collect();
                expected.sort_by(f32::total_cmp);
                assert_eq!(lists.iter().map(|lanes| lanes[lane]).collect::<Vec<_>>(), expected, "{len}");
            }
        }
    }
}
