//! What was found among files.

use std::path::PathBuf;

use minuend_pairs::{Comparison, RATE_HZ, Relation};

/// A mix and its backing.
#[derive(Clone, Debug, PartialEq)]
pub struct Pair {
    /// The mix.
    pub mix: PathBuf,
    /// Its backing.
    pub backing: PathBuf,
    /// By how much the mix plays the same music later, s.
    pub delay_s: f64,
    /// Other files that sound like the backing.
    pub also: Vec<PathBuf>,
}

/// All that was found.
#[derive(Debug, Default)]
pub struct Found {
    /// Which mix has which backing, by the names of the mixes.
    pub pairs: Vec<Pair>,
    /// Files that belong together, and why it is not told which is the backing of which.
    pub unsure: Vec<(Vec<PathBuf>, &'static str)>,
    /// Files that belong to no other one.
    pub alone: Vec<PathBuf>,
    /// What is wrong with files that could not be read.
    pub unreadable: Vec<String>,
}

/// Two files, by number, and what they are to each other.
pub struct Related {
    /// Which two.
    pub pair: [usize; 2],
    /// What was measured.
    pub comparison: Comparison,
}

/// Why two files of a song are no pair.
const SAME: &str = "sound the same";
const NOT_WHICH: &str = "are of one song, but not one the other with something added, as far as can be told";
const SEVERAL: &str = "may all be backings of the first";

impl Found {
    /// Of files and their relations.
    pub fn of(files: &[PathBuf], related: &[Related]) -> Self {
        let relation = |a: usize, b: usize| {
            related.iter().find(|r| r.pair == [a, b] || r.pair == [b, a]).map(|r| r.comparison.relation())
        };
        let mut found = Self::default();
        let mut is_alone = vec![true; files.len()];
        for mix in 0..files.len() {
            let backings: Vec<_> = related.iter().filter_map(|related| related.backing_of(mix)).collect();
            let Some(&(backing, lag_samples)) = backings.first() else { continue };
            let others = || backings[1..].iter().map(|&(other, _)| other);
            is_alone[mix] = false;
            backings.iter().for_each(|&(backing, _)| is_alone[backing] = false);
            if others().all(|other| relation(backing, other) == Some(Relation::Same)) {
                found.pairs.push(Pair {
                    mix: files[mix].clone(),
                    backing: files[backing].clone(),
                    delay_s: lag_samples as f64 / f64::from(RATE_HZ),
                    also: others().map(|other| files[other].clone()).collect(),
                });
            } else {
                let all = [mix, backing].into_iter().chain(others());
                found.unsure.push((all.map(|file| files[file].clone()).collect(), SEVERAL));
            }
        }
        for related in related {
            let why = match related.comparison.relation() {
                Relation::Same => SAME,
                Relation::Unsure => NOT_WHICH,
                Relation::Mix(_) | Relation::Different => continue,
            };
            related.pair.iter().for_each(|&file| is_alone[file] = false);
            found.unsure.push((related.pair.map(|file| files[file].clone()).to_vec(), why));
        }
        found.alone =
            files.iter().zip(is_alone).filter(|(_, alone)| *alone).map(|(file, _)| file.clone()).collect();
        found
    }
}

impl Related {
    /// The other file, and by how many samples this one is later, if the other is the backing of this.
    fn backing_of(&self, mix: usize) -> Option<(usize, i64)> {
        let Relation::Mix(which) = self.comparison.relation() else { return None };
        let lag_samples = self.comparison.lag_samples;
        let lag_samples = if which == 0 { lag_samples } else { -lag_samples };
        (self.pair[which] == mix).then_some((self.pair[1 - which], lag_samples))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn related(pair: [usize; 2], common: f64, least_common: f64, slope: f64) -> Related {
        let comparison = Comparison {
            lag_samples: 8_000,
            found: 1.0,
            common,
            least_common,
            slope,
            slope_error: 0.01,
            spread: 0.2,
        };
        Related { pair, comparison }
    }

    #[test]
    fn what_is_found_is_sorted() {
        let files: Vec<PathBuf> = ('a'..='i').map(|c| format!("{c}.wav").into()).collect();
        let found = Found::of(
            &files,
            &[
                // b is a with a voice, one second later; c is a again.
                related([0, 1], 0.99, 0.5, 1.0),
                related([1, 2], 0.99, 0.5, -1.0),
                related([0, 2], 0.99, 0.99, 0.0),
                // d holds both e and f, which are not the same.
                related([3, 4], 0.99, 0.5, -1.0),
                related([5, 3], 0.99, 0.5, 1.0),
                related([6, 7], 0.99, 0.5, 0.1),
                related([0, 8], 0.5, 0.1, 1.0),
            ],
        );
        let files_of =
            |names: &str| names.chars().map(|c| format!("{c}.wav").into()).collect::<Vec<PathBuf>>();
        let pair = Pair { mix: "b.wav".into(), backing: "a.wav".into(), delay_s: -1.0, also: files_of("c") };
        let delay_s = 1.0;
        assert_eq!(found.pairs, [Pair { delay_s: -delay_s, ..pair }]);
        assert_eq!(
            found.unsure,
            [(files_of("def"), SEVERAL), (files_of("ac"), SAME), (files_of("gh"), NOT_WHICH)]
        );
        assert_eq!(found.alone, files_of("i"));
    }
}
