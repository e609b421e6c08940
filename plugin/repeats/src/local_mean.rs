//! Means over neighbouring bins and frames.

/// The mean over some bins and frames around each cell, cut off at the rim. Cells lie `[frame_idx][bin_idx]`.
#[derive(Clone)]
pub struct LocalMean {
    num_bins: usize,
    half_bins: usize,
    half_frames: usize,
    /// Sum over frames, with silence on both sides.
    padded: Vec<f32>,
    /// One over the number of bins in the mean at each bin.
    inverse_counts: Vec<f32>,
}

impl LocalMean {
    /// Over so many bins and frames to each side, of spectra of `num_bins` bins.
    pub fn new(num_bins: usize, half_bins: usize, half_frames: usize) -> Self {
        let count = |bin: usize| (bin + half_bins).min(num_bins - 1) + 1 - bin.saturating_sub(half_bins);
        Self {
            num_bins,
            half_bins,
            half_frames,
            padded: vec![0.0; num_bins + 2 * half_bins],
            inverse_counts: (0..num_bins).map(|bin| 1.0 / count(bin) as f32).collect(),
        }
    }

    /// Of all cells, into `means`.
    pub fn of(&mut self, cells: &[f32], means: &mut [f32]) {
        let num_bins = self.num_bins;
        let num_frames = cells.len() / num_bins;
        for (frame, mean) in means.chunks_exact_mut(num_bins).enumerate() {
            let (from, to) =
                (frame.saturating_sub(self.half_frames), (frame + self.half_frames + 1).min(num_frames));
            self.of_rows(cells[from * num_bins..to * num_bins].chunks_exact(num_bins), mean);
        }
    }

    /// Of one frame, given by it and its neighbours.
    pub fn of_rows<'a>(&mut self, rows: impl Iterator<Item = &'a [f32]>, mean: &mut [f32]) {
        let mut num_rows = 0;
        let sum = &mut self.padded[self.half_bins..][..self.num_bins];
        for row in rows {
            if num_rows == 0 {
                sum.copy_from_slice(row);
            } else {
                sum.iter_mut().zip(row).for_each(|(sum, x)| *sum += x);
            }
            num_rows += 1;
        }
        mean.copy_from_slice(&self.padded[..self.num_bins]);
        for shift in 1..=2 * self.half_bins {
            mean.iter_mut().zip(&self.padded[shift..]).for_each(|(mean, x)| *mean += x);
        }
        let rows = 1.0 / num_rows.max(1) as f32;
        mean.iter_mut().zip(&self.inverse_counts).for_each(|(mean, bins)| *mean *= rows * bins);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the plain definition.
    #[test]
    fn means_are_cut_off_at_the_rim() {
        let (num_bins, num_frames) = (7, 5);
        let cells: Vec<f32> = (0..35).map(|n| (n * n % 11) as f32).collect();
        for (half_bins, half_frames) in [(1, 2), (2, 0), (0, 1), (6, 4)] {
            let mut means = vec![f32::NAN; cells.len()];
            LocalMean::new(num_bins, half_bins, half_frames).of(&cells, &mut means);
            for (idx, found) in means.iter().enumerate() {
                let (frame, bin) = (idx / num_bins, idx % num_bins);
                let near = |n: usize| {
                    (n / num_bins).abs_diff(frame) <= half_frames && (n % num_bins).abs_diff(bin) <= half_bins
                };
                let near: Vec<f32> =
                    (0..num_bins * num_frames).filter(|&n| near(n)).map(|n| cells[n]).collect();
                let expected = near.iter().sum::<f32>() / near.len() as f32;
                assert!(
                    (found - expected).abs() < 1e-5,
                    "{half_bins} {half_frames} {idx}: {found}, not {expected}"
                );
            }
        }
    }
}
