//! What the stages in force do to the backing.

use crate::matching::follower_gain::FollowerGain;
use crate::matching::taps::Taps;

/// What the chain does to the backing.
pub struct Chain<'a> {
    /// Filter in force.
    pub taps: &'a Taps,
    /// Whole delay in force, samples.
    pub delay_samples: i64,
    /// Delays of the last hops, samples, while they move; empty otherwise.
    pub course: &'a [f64],
    /// The first of them, counted from the start of the song.
    pub course_from: i64,
    /// Length of those hops, samples.
    pub hop: usize,
    /// Gains of the level follower, hop by hop, if it is at work.
    pub gains: Option<&'a [FollowerGain]>,
}
