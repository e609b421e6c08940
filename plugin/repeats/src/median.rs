//! The middle of what several sources have in a cell.

use crate::{
    cells::Cells,
    sorting_network::{LANES, SortingNetwork},
};

/// Component-wise median of the sources, in each cell of those that count at its bin: `counts[source_idx][bin_idx]`. At
/// least one counts at every bin.
pub fn median(sources: &[&Cells], counts: &[Vec<bool>], num_bins: usize, out: &mut Cells) {
    let network = SortingNetwork::new(sources.len());
    let mut lists = vec![[0.0; LANES]; sources.len()];
    let num_frames = out.len() / num_bins;
    for first in (0..num_bins).step_by(LANES) {
        let lanes = LANES.min(num_bins - first);
        let mut num = [0; LANES];
        let mut add = vec![[0.0; LANES]; sources.len()];
        for (source, counts) in counts.iter().enumerate() {
            for lane in 0..lanes {
                let does = counts[first + lane];
                num[lane] += usize::from(does);
                // What does not count is sorted behind all that does.
                add[source][lane] = if does { 0.0 } else { f32::INFINITY };
            }
        }
        for frame in 0..num_frames {
            let at = frame * num_bins + first;
            let mut middle = |part: fn(&Cells) -> &[f32], out: &mut [f32]| {
                for ((list, source), add) in lists.iter_mut().zip(sources).zip(&add) {
                    let values = &part(source)[at..at + lanes];
                    for lane in 0..lanes {
                        list[lane] = values[lane] + add[lane];
                    }
                }
                network.sort(&mut lists);
                for lane in 0..lanes {
                    let num = num[lane];
                    out[at + lane] = 0.5 * (lists[(num - 1) / 2][lane] + lists[num / 2][lane]);
                }
            };
            middle(|cells| &cells.re, &mut out.re);
            middle(|cells| &cells.im, &mut out.im);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_counts_has_a_vote() {
        let cells = |value: f32| Cells { re: vec![value; 20], im: vec![-value; 20] };
        let sources = [cells(1.0), cells(7.0), cells(3.0), cells(100.0)];
        let sources: Vec<&Cells> = sources.iter().collect();
        let mut counts = vec![vec![true; 20]; 4];
        counts[3][19] = false;
        let mut out = Cells::silent(20);
        median(&sources, &counts, 20, &mut out);
        assert_eq!((out.re[0], out.im[0]), (5.0, -5.0), "of four, the mean of the two in the middle");
        assert_eq!((out.re[19], out.im[19]), (3.0, -3.0), "of three");
    }
}
