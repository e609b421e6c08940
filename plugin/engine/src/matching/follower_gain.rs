//! The gain of the level follower over one hop.

/// A gain that moves linearly from the start of a hop to its end.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FollowerGain {
    /// At the hop's start, linear.
    pub from: f32,
    /// At its end, linear.
    pub to: f32,
}

impl FollowerGain {
    /// At a sample of the hop. Counted in 32 bits, so that a loop takes several samples at once.
    #[inline(always)]
    pub fn at(&self, hop: usize, sample: usize) -> f32 {
        self.from + (self.to - self.from) / hop as f32 * (sample as i32 + 1) as f32
    }
}
