//! The last frames of an analysis, addressed by age.

use std::ops::{Index, IndexMut};

/// A fixed number of frames whose memory is used again and again. Index 0 is the newest frame, 1 the one before it.
#[derive(Clone)]
pub struct FrameRing<T> {
    frames: Vec<T>,
    newest: usize,
    num_frames: u64,
}

impl<T: Clone> FrameRing<T> {
    /// A ring of `len` frames that are all like `frame`.
    pub fn new(frame: T, len: usize) -> Self {
        Self { frames: vec![frame; len], newest: 0, num_frames: 0 }
    }
}

impl<T> FrameRing<T> {
    /// Starts over; `clear` makes each frame what it was at first.
    pub fn reset(&mut self, clear: impl FnMut(&mut T)) {
        self.num_frames = 0;
        self.frames.iter_mut().for_each(clear);
    }

    /// Makes the oldest frame the newest one, to be overwritten by the caller.
    pub fn advance(&mut self) {
        self.newest = (self.newest + 1) % self.frames.len();
        self.num_frames += 1;
    }

    /// Frames since the last reset.
    pub fn num_frames(&self) -> u64 {
        self.num_frames
    }

    /// The frames before, at and after the one of an age of at least 1.
    pub fn around(&self, age: usize) -> [&T; 3] {
        [&self[age + 1], &self[age], &self[age - 1]]
    }

    /// All frames, in no order.
    pub fn iter_mut(&mut self) -> impl Iterator<Item = &mut T> {
        self.frames.iter_mut()
    }

    fn position(&self, age: usize) -> usize {
        (self.newest + self.frames.len() - age) % self.frames.len()
    }
}

impl<T> Index<usize> for FrameRing<T> {
    type Output = T;

    fn index(&self, age: usize) -> &T {
        &self.frames[self.position(age)]
    }
}

impl<T> IndexMut<usize> for FrameRing<T> {
    fn index_mut(&mut self, age: usize) -> &mut T {
        let position = self.position(age);
        &mut self.frames[position]
    }
}

#[cfg(test)]
mod tests {
    use super::FrameRing;

    #[test]
    fn frames_are_found_by_age() {
        let mut ring = FrameRing::new(0, 4);
        for frame in 1..=6 {
            ring.advance();
            ring[0] = frame;
        }
        assert_eq!([0, 1, 2, 3].map(|age| ring[age]), [6, 5, 4, 3]);
        assert_eq!(ring.around(1), [&4, &5, &6]);
        assert_eq!(ring.num_frames(), 6);
        ring.reset(|frame| *frame = 0);
        assert_eq!((ring.num_frames(), [0, 1, 2, 3].map(|age| ring[age])), (0, [0; 4]));
    }
}
