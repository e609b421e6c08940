//! Whether a backing can be made, told before it is.

use crate::finder::Segment;

/// From this similarity on a backing is good: programmed songs have 0.78 to 0.88, and voices come to 20 dB and more.
///
/// Both borders lie in a wide gap between what was measured, so where exactly is a guess.
const GOOD: f32 = 0.6;
/// Below this it is none: songs whose drums alone repeat have 0.25 to 0.27 and come to 2 dB, those that are played, or whose
/// oscillators run freely, have 0.13 to 0.15 and come to no more than 1 dB over the mix itself.
const REPEATS: f32 = 0.3;

/// How well a song repeats.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Grade {
    /// Sample for sample, with something else on top.
    Good,
    /// In part.
    Fair,
    /// Not enough for a backing.
    DoesNotRepeat,
}

impl Grade {
    /// By the similarity of its best repeats.
    pub fn of(similarity: f32) -> Self {
        match similarity {
            s if s >= GOOD => Self::Good,
            s if s >= REPEATS => Self::Fair,
            _ => Self::DoesNotRepeat,
        }
    }
}

/// Median over all segments that can be heard of the correlation of their best repeat, 0 to 1; those without any count as 0.
pub fn similarity(segments: &[Segment]) -> f32 {
    let heard = segments.iter().filter(|segment| !segment.is_silent);
    let mut best: Vec<f32> =
        heard.map(|segment| segment.repeats.first().map_or(0.0, |repeat| repeat.correlation)).collect();
    best.sort_by(f32::total_cmp);
    match best.len() {
        0 => 0.0,
        len => 0.5 * (best[(len - 1) / 2] + best[len / 2]),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::finder::Repeat;

    #[test]
    fn half_of_the_song_tells() {
        let segment = |best: &[f32], is_silent| Segment {
            start: 0,
            repeats: best.iter().map(|&correlation| Repeat { lag_samples: 1.0, correlation }).collect(),
            is_silent,
        };
        assert_eq!(similarity(&[]), 0.0);
        let segments =
            [segment(&[0.9, 0.2], false), segment(&[], false), segment(&[0.5], false), segment(&[], true)];
        assert_eq!(similarity(&segments), 0.5);
        assert_eq!(similarity(&segments[..2]), 0.45);
        assert_eq!(
            [0.29, 0.3, 0.59, 0.6].map(Grade::of),
            [Grade::DoesNotRepeat, Grade::Fair, Grade::Fair, Grade::Good]
        );
    }
}
