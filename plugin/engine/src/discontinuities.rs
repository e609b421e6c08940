//! Where the host's transport jumped. Mix and backing jump together, but the backing is read at a delay: between a jump and
//! the jump later by that delay the two are of different places in the song.

use std::ops::Range;

/// Jumps that are told apart. A loop of half a second still is in the 27 s that a match is learned from.
const MOST: usize = 64;

/// Jumps of the transport, oldest first. Where there are more than can be told apart, the oldest two become one stretch of
/// which nothing is known: too much is muted then, never too little.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Discontinuities {
    spans: [Span; MOST],
    len: usize,
}

/// Positions of the first and the last of some jumps.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Span {
    first: i64,
    last: i64,
}

impl Discontinuities {
    /// No jump.
    pub const NONE: Self = Self { spans: [Span { first: 0, last: 0 }; MOST], len: 0 };

    /// Adds a jump right before the sample at `position`.
    pub fn add(&mut self, position: i64) {
        if self.len == MOST {
            self.spans[1].first = self.spans[0].first;
            self.spans.copy_within(1.., 0);
            self.len -= 1;
        }
        self.spans[self.len] = Span { first: position, last: position };
        self.len += 1;
    }

    /// Position of the newest jump.
    pub fn last(&self) -> Option<i64> {
        self.spans[..self.len].last().map(|span| span.last)
    }

    /// Silences the samples of a backing that belong to another place in the song than the mix does at the same time.
    /// `start` = position of the mix at which the block, one side of it, begins; `delay_samples` = delay at which the backing was read.
    pub fn mute(&self, start: i64, delay_samples: i64, block: &mut [f32]) {
        let len = block.len() as i64;
        for muted in self.muted(delay_samples) {
            let [from, to] = [muted.start, muted.end].map(|at| (at - start).clamp(0, len) as usize);
            block[from..to].fill(0.0);
        }
    }

    /// Whether any of a stretch of the mix stands over a backing of another place in the song, read at a delay in samples.
    pub fn touch(&self, stretch: Range<i64>, delay_samples: i64) -> bool {
        self.muted(delay_samples).any(|muted| muted.start < stretch.end && stretch.start < muted.end)
    }

    fn muted(&self, delay_samples: i64) -> impl Iterator<Item = Range<i64>> {
        let muted = move |span: &Span| span.first + delay_samples.min(0)..span.last + delay_samples.max(0);
        self.spans[..self.len].iter().map(muted)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Samples that are left of a block of ones.
    fn left(jumps: &Discontinuities, start: i64, delay_samples: i64) -> Vec<i64> {
        let mut block = [1.0; 40];
        jumps.mute(start, delay_samples, &mut block);
        (0..40).filter(|&n| block[n as usize] != 0.0).map(|n| start + n).collect()
    }

    #[test]
    fn what_lies_between_a_jump_and_its_echo_is_muted() {
        let mut jumps = Discontinuities::NONE;
        jumps.add(110);
        assert_eq!(left(&jumps, 100, 5), (100..110).chain(115..140).collect::<Vec<_>>());
        assert_eq!(left(&jumps, 100, -5), (100..105).chain(110..140).collect::<Vec<_>>());
        assert_eq!(left(&jumps, 100, 0).len(), 40);
        assert_eq!(left(&jumps, 130, 100), []);
        let touched = |from, delay| jumps.touch(from..from + 10, delay);
        assert_eq!([100, 104, 105, 114, 115].map(|from| touched(from, 5)), [false, true, true, true, false]);
        assert_eq!([95, 96, 105, 110].map(|from| touched(from, -5)), [false, true, true, false]);
    }

    /// However many there are, none is lost: what cannot be told apart is muted as a whole.
    #[test]
    fn no_jump_is_lost() {
        let mut jumps = Discontinuities::NONE;
        (0..3 * MOST as i64).for_each(|n| jumps.add(10 * n));
        assert_eq!(jumps.last(), Some(10 * (3 * MOST as i64 - 1)));
        for start in [0, 600, 1_300, 1_800] {
            let left = left(&jumps, start, 4);
            assert!(left.iter().all(|at| at % 10 >= 4), "{left:?}");
        }
        assert_eq!(left(&jumps, 0, 4), [], "too old to be told apart");
        assert_eq!(left(&jumps, 1_840, 4).len(), 24);
    }
}
