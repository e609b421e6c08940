//! Two recordings held against each other.

use crate::{
    cells::{CELL, Cell, Cells, NUM_BANDS},
    offset::Offsets,
};

/// Samples a stretch in which the lag is one: 4 s.
const STRETCH: usize = 2 * CELL;
/// Stretches that are compared, at most, evenly over the music that both hold.
const MOST_STRETCHES: usize = 40;
/// How far the lag of a stretch may be from that of the one before, samples: 0.13 s, more than fingerprints leave open.
const REACH: usize = 1024;
/// A cell counts where neither recording is softer than this, re its loudest cell of the band: -40 dB.
const AUDIBLE: f64 = 1e-4;

/// What two recordings have in common.
#[derive(Clone, Debug)]
pub struct Comparison {
    /// By how many samples the first is later than the second, in the middle of what was found.
    pub lag_samples: i64,
    /// Share of the stretches in which a lag was found, 0 to 1.
    pub found: f64,
    /// How much they have in common where they have most, 0 to 1: of each band the coherence that a tenth of its cells reach, of
    /// those the lower quartile.
    pub common: f64,
    /// How much they have in common where they have least: the same the other way round.
    pub least_common: f64,
    /// By how much the first is louder than the second where they have less in common, in their logarithms: -1 if it is the second
    /// with something added, 1 if the second is the first with something added, about 0 if either holds what the other does not.
    pub slope: f64,
    /// Standard error of that.
    pub slope_error: f64,
    /// Standard deviation of what they have in common, of its natural logarithm, within a band: of little the slope tells nothing.
    pub spread: f64,
}

/// What is so much in common, in nearly every band, is of one recording: of made songs with the same drums and tempo it was 0.99,
/// and 0.86 at most of two different ones.
const COMMON: f64 = 0.9;
/// The same where the slope is beyond doubt: of a mix and its backing through two lossy codecs, the mix through a filter and a
/// compressor of 4 to 1, it was 0.71 and 0.75, with 30 standard errors; of different songs with a slope that is clear otherwise
/// 0.71 at most, with 6 standard errors, and of a voice and its mix 0.62, with 16.
const COMMON_BEYOND_DOUBT: f64 = 0.68;
const ERRORS_BEYOND_DOUBT: f64 = 20.0;
/// What is so much in common everywhere is the same.
const SAME: f64 = 0.95;
/// Halfway from both holding as much of their own to one holding all of the other.
const CLEAR_SLOPE: f64 = 0.5;
/// So many standard errors are no chance.
const ERRORS: f64 = 5.0;
/// Less is a codec's doing: of one mix and the same through Opus it was 0.003, of mixes with soft voices 0.1.
const LEAST_SPREAD: f64 = 0.04;

/// What two recordings are to each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Relation {
    /// Nothing, or only something in common, as two songs with one drum loop.
    Different,
    /// The same music from beginning to end.
    Same,
    /// The one of this number, 0 or 1, is the other with something added.
    Mix(usize),
    /// The same song, but not which is the other with something added: it is always as loud, or either holds what the other does
    /// not.
    Unsure,
}

impl Comparison {
    /// Compares two recordings, of which the first is later by about so many samples. `None` if no stretch of both agrees.
    pub fn of([first, second]: [&[f32]; 2], lag_samples: i64) -> Option<Self> {
        let (from, to) = (lag_samples.max(0), (second.len() as i64 + lag_samples).min(first.len() as i64));
        let num_stretches = ((to - from) / STRETCH as i64).clamp(0, MOST_STRETCHES as i64);
        let offsets = Offsets::new(STRETCH, REACH);
        let mut cells = Cells::new();
        let mut bands = vec![Vec::new(); NUM_BANDS];
        let (mut lag, mut lags, mut num_heard) = (lag_samples, Vec::new(), 0);
        for idx in 0..num_stretches {
            let at = from + (to - from - STRETCH as i64) * idx / (num_stretches - 1).max(1);
            let here = part(first, at, STRETCH);
            let around = part(second, at - lag - REACH as i64, STRETCH + 2 * REACH);
            if [&here, &around].iter().any(|part| part.iter().all(|x| *x == 0.0)) {
                continue;
            }
            num_heard += 1;
            let Some(later) = offsets.find(&here, &around) else { continue };
            lag += later;
            lags.push(lag);
            let there = part(second, at - lag, STRETCH);
            for (here, there) in here.chunks_exact(CELL).zip(there.chunks_exact(CELL)) {
                for (band, cell) in bands.iter_mut().zip(cells.of([here, there])) {
                    band.push(cell);
                }
            }
        }
        lags.sort_unstable();
        let middle = *lags.get(lags.len() / 2)?;
        let found = lags.len() as f64 / f64::from(num_heard);
        Some(Self::of_cells(&bands, middle, found))
    }

    fn of_cells(bands: &[Vec<Cell>], lag_samples: i64, found: f64) -> Self {
        let (mut most, mut least) = (Vec::new(), Vec::new());
        let (mut products, mut squares, mut levels, mut count) = (0.0, 0.0, 0.0, 0.0);
        for band in bands {
            let loudest = |side: usize| band.iter().map(|cell| cell.energies[side]).fold(0.0, f64::max);
            let floors = [0, 1].map(|side| AUDIBLE * loudest(side) + f64::MIN_POSITIVE);
            let heard = band.iter().filter(|cell| (0..2).all(|side| cell.energies[side] > floors[side]));
            let points: Vec<[f64; 2]> = heard
                .map(|cell| [cell.coherence.max(0.05).ln(), (cell.energies[0] / cell.energies[1]).ln()])
                .collect();
            if points.is_empty() {
                continue;
            }
            let mut shares: Vec<f64> = points.iter().map(|point| point[0].exp()).collect();
            shares.sort_by(f64::total_cmp);
            least.push(shares[shares.len() / 10]);
            most.push(shares[shares.len() - 1 - shares.len() / 10]);
            // Within a band: a recording with other highs is no other recording.
            let mean = |of: usize| points.iter().map(|point| point[of]).sum::<f64>() / points.len() as f64;
            let means = [mean(0), mean(1)];
            for point in &points {
                let [x, y] = [0, 1].map(|of| point[of] - means[of]);
                products += x * y;
                squares += x * x;
                levels += y * y;
            }
            count += points.len() as f64 - 1.0;
        }
        most.sort_by(f64::total_cmp);
        least.sort_by(f64::total_cmp);
        let quartile = |values: &[f64]| values.get(values.len() / 4).copied().unwrap_or(0.0);
        // The line of least squares, and its standard error.
        let squares = squares + f64::MIN_POSITIVE;
        let slope = products / squares;
        let left = (levels - slope * products).max(0.0);
        Self {
            lag_samples,
            found,
            common: quartile(&most),
            least_common: quartile(&least),
            slope,
            slope_error: (left / f64::max(count, 1.0) / squares).sqrt(),
            spread: (squares / f64::max(count, 1.0)).sqrt(),
        }
    }

    /// What they are to each other.
    pub fn relation(&self) -> Relation {
        let is_clear = |errors: f64| {
            self.spread > LEAST_SPREAD && self.slope.abs() > CLEAR_SLOPE.max(errors * self.slope_error)
        };
        let is_beyond_doubt = self.common > COMMON_BEYOND_DOUBT && is_clear(ERRORS_BEYOND_DOUBT);
        if self.common < COMMON && !is_beyond_doubt {
            Relation::Different
        } else if is_clear(ERRORS) {
            Relation::Mix(usize::from(self.slope > 0.0))
        } else if self.least_common > SAME {
            Relation::Same
        } else {
            Relation::Unsure
        }
    }
}

/// So many samples of a recording, silent outside it.
fn part(recording: &[f32], from: i64, len: usize) -> Vec<f32> {
    let end = recording.len() as i64;
    let inside = from.clamp(0, end)..(from + len as i64).clamp(0, end);
    let mut part = vec![0.0; len];
    let at = (inside.start - from) as usize;
    part[at..at + (inside.end - inside.start) as usize]
        .copy_from_slice(&recording[inside.start as usize..inside.end as usize]);
    part
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Fingerprint, Search, made};

    /// All relations that are found among recordings but that of being different, by number.
    fn relations(recordings: &[Vec<f32>]) -> Vec<([usize; 2], Relation, i64)> {
        let search = Search::new(&recordings.iter().map(|r| Fingerprint::of(r)).collect::<Vec<_>>());
        let all = (0..recordings.len()).flat_map(|first| search.candidates_of(first)).collect();
        let compared = Search::best(all).into_iter().filter_map(|found| {
            let comparison =
                Comparison::of(found.pair.map(|recording| &recordings[recording][..]), found.lag_samples)?;
            Some((found.pair, comparison.relation(), comparison.lag_samples))
        });
        let mut related: Vec<_> =
            compared.filter(|(_, relation, _)| *relation != Relation::Different).collect();
        related.sort_by_key(|related| related.0);
        related
    }

    /// Backings and mixes of so many songs, in turns: every third voice is soft, and each mix starts later by other samples.
    fn backings_and_mixes(songs: u64, seconds: usize) -> Vec<Vec<f32>> {
        let both = |seed: u64| {
            let song = made::song(seed, seconds);
            let mix = made::mix(
                &song,
                if seed.is_multiple_of(3) { 0.5 } else { 1.0 },
                777 * seed as usize % 50_000,
            );
            [song.backing, mix]
        };
        (0..songs).flat_map(both).collect()
    }

    fn assert_paired(songs: u64, seconds: usize) {
        let found = relations(&backings_and_mixes(songs, seconds));
        let expected = (0..songs as usize).map(|song| ([2 * song, 2 * song + 1], Relation::Mix(1)));
        assert_eq!(
            found.iter().map(|found| (found.0, found.1)).collect::<Vec<_>>(),
            expected.collect::<Vec<_>>()
        );
        for (song, found) in found.iter().enumerate() {
            assert_eq!(found.2, -(777 * song as i64 % 50_000));
        }
    }

    /// Songs with the same drums at the same tempo, in the same key: each mix with its own backing, and nothing else.
    #[test]
    fn mixes_are_found_with_their_backings() {
        assert_paired(4, 24);
    }

    /// The same of 200 recordings; takes a minute.
    #[test]
    #[ignore = "takes a minute"]
    fn a_hundred_mixes_are_found_with_their_backings() {
        assert_paired(100, 40);
    }

    /// Little noise on one of two that are the same, as a codec leaves it, is no voice.
    #[test]
    fn a_codec_makes_no_mix() {
        let song = made::song(3, 24);
        let mix = made::mix(&song, 1.0, 0);
        let noisy = mix.iter().zip(made::noise(9, mix.len())).map(|(x, y)| x + 0.02 * y).collect();
        assert_eq!(relations(&[mix, noisy]), [([0, 1], Relation::Same, 0)]);
    }

    /// What is the same, or of one song without being its backing, is no pair; nor is a voice, whose music is not all of the mix.
    #[test]
    fn what_is_no_pair_is_told() {
        let song = made::song(1, 24);
        let other_voice = made::song(2, 24).voice;
        let other = made::Song { backing: song.backing.clone(), voice: other_voice };
        let mix = made::mix(&song, 1.0, 0);
        let louder = mix.iter().map(|x| 1.5 * x).collect();
        let found = relations(&[mix, louder, made::mix(&other, 1.0, 300), song.voice]);
        let expected =
            [([0, 1], Relation::Same, 0), ([0, 2], Relation::Unsure, -300), ([1, 2], Relation::Unsure, -300)];
        assert_eq!(found, expected);
        assert!(relations(&[vec![0.0; 100_000], vec![0.0; 100_000], vec![0.1; 10]]).is_empty());
        assert!(relations(&[]).is_empty());
    }
}
