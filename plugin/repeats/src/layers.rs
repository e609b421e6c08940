//! What a repeat lacks, or has too much, all the time.

use crate::{
    cells::Cells,
    local_mean::LocalMean,
    sorting_network::{LANES, SortingNetwork},
};

/// Bins to each side over which it is smoothed: about half an octave at the lowest notes of a bass, a semitone from 1 kHz on.
const HALF_BINS: usize = 6;

/// The variance that another layer brings, at each bin, `[source_idx][bin_idx]`.
///
/// A repeat may lack an instrument, or play another chord. That is there all the time, while a voice comes and goes: it is
/// the median over time of the distance to the song itself. The song's own voice is in the distance of every repeat, so the
/// least of them counts as none. `sources[0]` is the song itself, whose is none.
pub fn layer_variance(sources: &[&Cells], num_bins: usize) -> Vec<Vec<f32>> {
    let num_cells = sources[0].len();
    let num_frames = num_cells / num_bins;
    let network = SortingNetwork::new(num_frames);
    let mut smooth = LocalMean::new(num_bins, HALF_BINS, 0);
    let mut distance = vec![0.0; num_cells];
    let mut column = vec![[0.0; LANES]; num_frames];
    let mut median = vec![0.0; num_bins];
    let mut layers = vec![vec![0.0; num_bins]; sources.len()];
    for (source, layer) in sources.iter().zip(&mut layers).skip(1) {
        source.distance(sources[0], &mut distance);
        for first in (0..num_bins).step_by(LANES) {
            let lanes = LANES.min(num_bins - first);
            for (frame, list) in column.iter_mut().enumerate() {
                list[..lanes].copy_from_slice(&distance[frame * num_bins + first..][..lanes]);
            }
            network.sort(&mut column);
            let (low, high) = (&column[(num_frames - 1) / 2], &column[num_frames / 2]);
            for lane in 0..lanes {
                median[first + lane] = 0.5 * (low[lane] + high[lane]);
            }
        }
        smooth.of(&median, layer);
    }
    for bin in 0..num_bins {
        let least = layers[1..].iter().map(|layer| layer[bin]).fold(f32::INFINITY, f32::min);
        layers[1..].iter_mut().for_each(|layer| layer[bin] -= least);
    }
    layers
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One repeat has a voice for a while, one another instrument all the time, in some bins: only that is a layer.
    #[test]
    fn what_is_there_all_the_time_is_a_layer() {
        let (num_bins, num_frames) = (40, 11);
        let cells = |level: &dyn Fn(usize, usize) -> f32| Cells {
            re: (0..num_bins * num_frames).map(|n| level(n / num_bins, n % num_bins)).collect(),
            im: vec![0.0; num_bins * num_frames],
        };
        let song = cells(&|_, _| 1.0);
        let voice = cells(&|frame, _| if frame < 4 { 5.0 } else { 1.0 });
        let instrument = cells(&|_, bin| if bin < 20 { 3.0 } else { 1.0 });
        let layers = layer_variance(&[&song, &voice, &instrument], num_bins);
        assert_eq!((&layers[0], &layers[1]), (&vec![0.0; num_bins], &vec![0.0; num_bins]));
        assert!(
            layers[2][..13].iter().all(|&v| v == 4.0) && layers[2][27..].iter().all(|&v| v == 0.0),
            "{layers:?}"
        );
    }
}
