//! How loud a repeat is against the song, as a compressor on the mix moves it.

use std::ops::Range;

use crate::merge::Source;

/// Frames to each side over which a level is measured.
const HALF_FRAMES: usize = 3;
/// How much must speak against it before a level is taken to differ, in cells as loud as their variance.
const PRIOR_CELLS: f32 = 3000.0;
/// Levels found, at least and at most.
const RANGE: (f32, f32) = (0.4, 2.5);

/// The gain that brings each source to the song's level, `[source_idx][frame_idx]`, by regression over some bins of all
/// channels, each cell weighted by one over the variance of both. Of `sources[0]`, the song, it is 1.
pub fn levels(
    sources: &[Source],
    variances: &[&[Vec<f32>]],
    num_bins: usize,
    bins: Range<usize>,
) -> Vec<Vec<f32>> {
    let num_frames = sources[0].channels[0].len() / num_bins;
    let mut levels = vec![vec![1.0; num_frames]; sources.len()];
    for (idx, levels) in levels.iter_mut().enumerate().skip(1) {
        let mut sums = vec![(0.0, 0.0); num_frames];
        for (channel, variances) in variances.iter().enumerate() {
            let (song, source) = (&sources[0].channels[channel], &sources[idx].channels[channel]);
            for (frame, (cross, own)) in sums.iter_mut().enumerate() {
                let cells = frame * num_bins + bins.start..frame * num_bins + bins.end;
                for cell in cells {
                    let weight = 1.0 / (variances[0][cell] + variances[idx][cell]);
                    let (re, im) = (source.re[cell], source.im[cell]);
                    *cross += weight * (re * song.re[cell] + im * song.im[cell]);
                    *own += weight * (re * re + im * im);
                }
            }
        }
        for (frame, level) in levels.iter_mut().enumerate() {
            let near = frame.saturating_sub(HALF_FRAMES)..(frame + HALF_FRAMES + 1).min(num_frames);
            let (cross, own) = sums[near]
                .iter()
                .fold((PRIOR_CELLS, PRIOR_CELLS), |sum, near| (sum.0 + near.0, sum.1 + near.1));
            *level = (cross / own).clamp(RANGE.0, RANGE.1);
        }
    }
    levels
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{cells::Cells, noise::noise};

    /// A source 3 dB down, far above its variance, is brought up; one about which nothing is known stays.
    #[test]
    fn a_level_is_found_where_it_can_be() {
        let (num_bins, num_frames) = (100, 9);
        let song = Cells { re: noise(1, 900), im: noise(2, 900) };
        let soft = |x: &Vec<f32>| x.iter().map(|x| 0.7 * x).collect();
        let repeat = Cells { re: soft(&song.re), im: soft(&song.im) };
        let sources =
            [&song, &repeat, &repeat].map(|cells| Source { channels: vec![cells.clone()], is_free: false });
        let variances: Vec<Vec<f32>> = [1e-6, 1e-6, 1e3].map(|variance| vec![variance; 900]).to_vec();
        let levels = levels(&sources, &[&variances[..]], num_bins, 5..95);
        assert_eq!(levels[0], vec![1.0; num_frames]);
        assert!(levels[1].iter().all(|level| (level - 1.0 / 0.7).abs() < 0.01), "{levels:?}");
        assert!(levels[2].iter().all(|level| (level - 1.0).abs() < 0.01), "{levels:?}");
    }
}
