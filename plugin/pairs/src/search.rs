//! Which recordings may share music.

use std::{collections::BTreeMap, sync::Arc};

use realfft::{ComplexToReal, RealFftPlanner, num_complex::Complex32};

use crate::fingerprint::{Fingerprint, HOP, NUM_BITS};

/// Many recordings, of which each is compared with each, at every lag.
pub struct Search {
    /// Spectra of the bits over time, by recording and bit.
    spectra: Vec<Vec<Vec<Complex32>>>,
    num_frames: Vec<usize>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    size: usize,
}

/// Two recordings that may be of one song.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Candidate {
    /// Which recordings.
    pub pair: [usize; 2],
    /// By how many samples the first plays the same music later than the second, to about 64 ms.
    pub lag_samples: i64,
    /// How alike they are there: the correlation of their bits, 1 if all agree, about 0 of recordings that have nothing in common.
    pub alike: f32,
}

/// Frames of a recording that are compared: almost 9 minutes.
const MOST_FRAMES: usize = 4096;
/// Samples of a recording that count.
pub const MOST_SAMPLES: usize = MOST_FRAMES * HOP;
/// Candidates a recording: of 24 songs of one tempo and with the same drums the right one was always the first.
const MOST_CANDIDATES: usize = 4;
/// Least likeness, in standard deviations of that of recordings that have nothing in common, whose bits are as good as tossed:
/// the highest of all lags of 124,750 pairs is at about 6.5 (normal distribution), neighbouring bits not being quite independent.
const LEAST_DEVIATIONS: f32 = 8.0;
/// Least frames that both must have at a lag: 4 s.
const LEAST_FRAMES: usize = 32;

impl Search {
    /// Of these recordings.
    pub fn new(fingerprints: &[Fingerprint]) -> Self {
        let num_frames: Vec<_> = fingerprints.iter().map(|f| f.num_frames().min(MOST_FRAMES)).collect();
        let size = (2 * num_frames.iter().copied().max().unwrap_or(0)).next_power_of_two().max(2);
        let mut planner = RealFftPlanner::new();
        let forward = planner.plan_fft_forward(size);
        let spectrum = |bits: &Vec<f32>| {
            let mut time = forward.make_input_vec();
            for (time, bit) in time.iter_mut().zip(bits.iter().take(MOST_FRAMES)) {
                *time = *bit;
            }
            let mut spectrum = forward.make_output_vec();
            forward.process(&mut time, &mut spectrum).expect("lengths are the plan's");
            spectrum
        };
        let spectra = fingerprints.iter().map(|f| f.bits.iter().map(spectrum).collect()).collect();
        Self { spectra, num_frames, inverse: planner.plan_fft_inverse(size), size }
    }

    /// Of the candidates of all recordings those that are among the best of either of theirs, the most alike first.
    pub fn best(mut candidates: Vec<Candidate>) -> Vec<Candidate> {
        candidates.sort_by(|a, b| b.alike.total_cmp(&a.alike));
        let mut counts = BTreeMap::new();
        candidates.retain(|candidate| {
            let count = candidate.pair.map(|recording| {
                let count = counts.entry(recording).or_insert(0);
                *count += 1;
                *count
            });
            count.into_iter().any(|count| count <= MOST_CANDIDATES)
        });
        candidates
    }

    /// The recordings behind this one that may share music with it.
    pub fn candidates_of(&self, first: usize) -> Vec<Candidate> {
        let mut cross = vec![Complex32::default(); self.size / 2 + 1];
        let mut values = self.inverse.make_output_vec();
        let mut scratch = self.inverse.make_scratch_vec();
        let mut candidates = Vec::new();
        for second in first + 1..self.spectra.len() {
            cross.fill(Complex32::default());
            for (first, second) in self.spectra[first].iter().zip(&self.spectra[second]) {
                for (cross, (first, second)) in cross.iter_mut().zip(first.iter().zip(second)) {
                    *cross += first * second.conj();
                }
            }
            // Of a real signal these are real.
            cross[0].im = 0.0;
            cross[self.size / 2].im = 0.0;
            let planned = self.inverse.process_with_scratch(&mut cross, &mut values, &mut scratch);
            planned.expect("lengths are the plan's");
            candidates.extend(self.most_alike([first, second], &values));
        }
        candidates
    }

    /// The lag at which two recordings are most alike, of their correlation by lag.
    fn most_alike(&self, pair: [usize; 2], values: &[f32]) -> Option<Candidate> {
        let [first, second] = pair.map(|recording| self.num_frames[recording] as i64);
        let least = LEAST_FRAMES.min(first as usize).min(second as usize).max(1) as i64;
        let at = |lag: i64| {
            let both = (first.min(second + lag) - lag.max(0)) as f32 * NUM_BITS as f32;
            let sum = values[lag.rem_euclid(self.size as i64) as usize] / self.size as f32;
            // In standard deviations of a sum of so many tosses of a coin.
            (sum / both.sqrt(), sum / both, lag)
        };
        let lags = least - second..=first - least;
        let (deviations, alike, lag) = lags.map(at).max_by(|a, b| a.0.total_cmp(&b.0))?;
        let candidate = Candidate { pair, lag_samples: lag * HOP as i64, alike };
        (deviations > LEAST_DEVIATIONS).then_some(candidate)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::made::noise;

    /// A recording in another one, later or earlier in it, and softer than what is with it; a third has nothing to do with them.
    #[test]
    fn a_recording_is_found_in_another_one() {
        let (music, other) = (noise(1, 30 * HOP * 8), noise(3, 60 * HOP * 8));
        for (at, from) in [(50, 0), (0, 60)] {
            let mut with = other[..music.len() + at * HOP].to_vec();
            with.iter_mut().for_each(|x| *x *= 1.5);
            with[at * HOP..].iter_mut().zip(&music).for_each(|(x, y)| *x += y);
            let recordings = [&music[from * HOP..], &with, &noise(2, 100_000)];
            let search = Search::new(&recordings.map(Fingerprint::of));
            let [found] = search.candidates_of(0)[..] else { panic!("one is found") };
            assert_eq!((found.pair, found.lag_samples), ([0, 1], -((at + from) as i64) * HOP as i64));
            assert!(found.alike > 0.1 && found.alike < 0.7, "{}", found.alike);
            assert_eq!(search.candidates_of(1), []);
        }
    }

    /// Recording 0 has as many as count that are more alike; the last is the best that recording 9 has.
    #[test]
    fn the_best_of_either_stay() {
        let candidate = |second, alike| Candidate { pair: [0, second], lag_samples: 0, alike };
        let many =
            [(1, 0.2), (2, 0.3), (9, 0.1), (3, 0.9), (4, 0.8), (4, 0.15), (4, 0.14), (4, 0.13), (4, 0.12)];
        let best = Search::best(many.map(|(second, alike)| candidate(second, alike)).to_vec());
        let found: Vec<_> = best.iter().map(|found| (found.pair[1], found.alike)).collect();
        assert_eq!(
            found,
            [(3, 0.9), (4, 0.8), (2, 0.3), (1, 0.2), (4, 0.15), (4, 0.14), (4, 0.13), (9, 0.1)]
        );
    }
}
