//! Which bins belong to which bands, an octave apart, and to which half of the spectrum.

use crate::matching::band_movement::NUM_TONE_BANDS;
use crate::spectral::octaves;

/// Centre of the lowest band, Hz. Chosen by hand; not measured.
const LOWEST_CENTRE_HZ: f64 = 120.0;
/// Cells of the halves: least width in bins, and width as a share of the frequency, in 16ths (a quarter octave). Chosen by
/// hand; not measured.
const MIN_CELL_BINS: usize = 4;
const CELL_WIDTH_16THS: usize = 3;

/// Where a bin lies among the bands.
#[derive(Clone, Copy)]
pub struct BinPlace {
    /// The lower one of the two bands it belongs to.
    pub band: usize,
    /// Its share in the upper one.
    pub share: f32,
    /// The half of the spectrum it belongs to.
    pub half: Option<usize>,
}

impl BinPlace {
    /// The level of a bin: between the levels of its two bands.
    #[inline(always)]
    pub fn level(&self, levels: &[f32; NUM_TONE_BANDS]) -> f32 {
        let [lower, upper] = [levels[self.band], levels[self.band + 1]];
        lower + self.share * (upper - lower)
    }
}

/// Places of the bins from 0 Hz on. The halves are interleaved cells, 2 bins apart, so that under a Hann window they have
/// nothing in common.
pub fn bin_places(num_bins: usize, bin_hz: f64) -> Vec<BinPlace> {
    let place = |bin: usize| {
        let (band, share) = octaves::place(bin, bin_hz, LOWEST_CENTRE_HZ, NUM_TONE_BANDS);
        BinPlace { band, share, half: None }
    };
    let mut places: Vec<BinPlace> = (0..num_bins).map(place).collect();
    let (mut from, mut half) = (0, 0);
    while from < num_bins {
        let to = from + MIN_CELL_BINS.max(from * CELL_WIDTH_16THS / 16);
        places[(from + 1).min(num_bins)..(to - 1).min(num_bins)].iter_mut().for_each(|p| p.half = Some(half));
        (from, half) = (to, 1 - half);
    }
    places
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn halves_have_no_bins_in_common() {
        let places = bin_places(1025, 44_100.0 / 2048.0);
        for (bin, place) in places.iter().enumerate() {
            // A Hann window spreads a bin over its neighbours (textbook): three bins apart two share nothing.
            let near = &places[bin.saturating_sub(2)..(bin + 3).min(places.len())];
            assert!(near.iter().all(|p| p.half.is_none() || place.half.is_none() || p.half == place.half));
        }
        // Every band has both.
        for band in 0..NUM_TONE_BANDS {
            let has =
                |half| places.iter().any(|p| p.half == Some(half) && (p.band == band || p.band + 1 == band));
            assert!(has(0) && has(1), "band {band}");
        }
    }

    #[test]
    fn a_level_lies_between_those_of_two_bands() {
        let mut levels = [0.0; NUM_TONE_BANDS];
        levels[3] = 1.0;
        // Bands 3 and 4 have their centres at 960 and 1920 Hz: bins of 10 Hz.
        let level = |bin: usize| bin_places(300, 10.0)[bin].level(&levels);
        assert!((level(96) - 1.0).abs() < 1e-6 && level(192).abs() < 1e-6);
        assert!((level(136) - 0.5).abs() < 0.01, "{}", level(136));
        assert_eq!((level(0), level(299)), (0.0, 0.0));
    }
}
