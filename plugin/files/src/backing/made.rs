//! What came of it.

use minuend_repeats::{BlockSources, Grade};

/// What was found in a song.
#[derive(Clone, Debug, PartialEq)]
pub struct Made {
    /// Sample rate of the song and of what was written, Hz.
    pub sample_rate_hz: u32,
    /// Length of what was written, samples.
    pub num_samples: u64,
    /// How alike the song's repeats are, 0 to 1: half of it has a better one.
    pub similarity: f32,
    /// What every half second of the part was built from.
    pub blocks: Vec<BlockSources>,
    /// Samples that had to be clipped to fit an integer file.
    pub clipped_samples: u64,
}

impl Made {
    /// The same in a word.
    pub fn grade(&self) -> Grade {
        Grade::of(self.similarity)
    }

    /// Part of what was written over which a backing was found, 0 to 1.
    pub fn built(&self) -> f64 {
        let built = self.blocks.iter().filter(|block| is_built(block)).count();
        built as f64 / self.blocks.len().max(1) as f64
    }

    /// What was found, in one line.
    pub fn describe(&self) -> String {
        let mut line = format!(
            "repeats {} ({:.2} of 1), backing found over {:.0} % of it",
            grade_word(self.grade()),
            self.similarity,
            100.0 * self.built()
        );
        if self.clipped_samples > 0 {
            line += &format!(
                ", {} samples passed full scale and were clipped: write float",
                self.clipped_samples
            );
        }
        line
    }

    /// What the user must know beside it.
    pub fn warnings(&self, centre_percent: f32) -> Vec<String> {
        let mut warnings = Vec::new();
        if self.grade() == Grade::Fair {
            warnings.push(
                "the song repeats only in part: expect instruments in the vocal, and some of the voice in the backing; \
                 a real instrumental does better"
                    .to_owned(),
            );
        }
        if centre_percent > 0.0 {
            warnings.push(format!(
                "--centre {centre_percent}: voices at the sides, doubled or panned, go into the backing with what is there"
            ));
        }
        warnings
    }
}

/// Whether anything was found to build a block from.
pub fn is_built(block: &BlockSources) -> bool {
    block.is_free || !block.repeats.is_empty()
}

/// A grade in the word that is printed.
pub fn grade_word(grade: Grade) -> &'static str {
    match grade {
        Grade::Good => "good",
        Grade::Fair => "fair",
        Grade::DoesNotRepeat => "does not repeat",
    }
}

#[cfg(test)]
mod tests {
    use minuend_repeats::Repeat;

    use super::*;

    #[test]
    fn it_is_told_in_words() {
        let block = |is_free, num: usize| BlockSources {
            start: 0,
            repeats: vec![Repeat { lag_samples: 1.0, correlation: 0.9 }; num],
            is_free,
        };
        let made = Made {
            sample_rate_hz: 8_000,
            num_samples: 16_000,
            similarity: 0.87,
            blocks: vec![block(false, 2), block(true, 0), block(false, 0), block(false, 1)],
            clipped_samples: 0,
        };
        assert_eq!(made.describe(), "repeats good (0.87 of 1), backing found over 75 % of it");
        assert!(made.warnings(0.0).is_empty());
        assert!(made.warnings(50.0)[0].contains("doubled or panned"));
        let fair = Made { similarity: 0.4, ..made };
        assert!(fair.warnings(0.0)[0].contains("only in part"));
    }
}
