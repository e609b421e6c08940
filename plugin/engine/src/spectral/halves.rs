//! Two halves of the spectrum that have no bin in common, so that what was found in one can be tested in the other.

use std::f64::consts::LN_2;

/// Least width of a cell, bins. Chosen by hand; not measured.
const MIN_CELL_BINS: usize = 12;
/// Bins left out at either end of a cell: under a Hann window a bin spreads over its neighbours (textbook).
const GAP_BINS: usize = 2;

/// The half that each bin from `first_bin` on belongs to, if any. The halves are interleaved cells, a quarter octave wide.
pub fn halves(first_bin: usize, num_bins: usize) -> Vec<Option<usize>> {
    let mut halves = vec![None; num_bins];
    let (mut from, mut cell) = (1usize, 0usize);
    while from < first_bin + num_bins {
        let width = MIN_CELL_BINS.max((from as f64 * ((LN_2 / 4.0).exp() - 1.0)) as usize);
        for bin in from + GAP_BINS..from + width - GAP_BINS {
            if let Some(half) = bin.checked_sub(first_bin).and_then(|k| halves.get_mut(k)) {
                *half = Some((cell + 1) % 2);
            }
        }
        from += width;
        cell += 1;
    }
    halves
}

#[cfg(test)]
mod tests {
    use super::halves;

    #[test]
    fn halves_have_no_bins_in_common() {
        let halves = halves(3, 1000);
        assert_eq!(halves.len(), 1000);
        for (bin, half) in halves.iter().enumerate() {
            let near = &halves[bin.saturating_sub(2)..(bin + 3).min(halves.len())];
            assert!(near.iter().flatten().all(|other| half.is_none_or(|half| half == *other)), "{bin}");
        }
        assert!([0, 1].iter().all(|half| halves.iter().filter(|x| **x == Some(*half)).count() > 300));
    }
}
