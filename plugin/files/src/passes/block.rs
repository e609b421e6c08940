//! The blocks in which files are played.

use std::ops::ControlFlow;

use anyhow::Result;
use minuend_engine::Readings;

/// Samples a step; the output does not depend on it.
pub const BLOCK_SAMPLES: usize = 4096;

/// What is played before a part of a song, so that the engine's stages have settled, s.
const LEAD_IN_S: f64 = 5.0;

/// One block of output, the latency taken off.
pub struct Block<'a> {
    /// What is heard, one slice a channel.
    pub output: &'a [&'a [f32]],
    /// What went into the engine as this came out of it.
    pub mix: &'a [Vec<f32>],
    /// Likewise, the backing, moved.
    pub backing: &'a [Vec<f32>],
    /// The engine's readings at the block's end.
    pub readings: &'a Readings,
    /// Position in the mix of the block's first sample.
    pub at_sample: u64,
    /// Part of the pass that is done, 0 to 1.
    pub done: f64,
}

/// Is handed each block, and can break off.
pub type Each<'a> = dyn FnMut(Block) -> Result<ControlFlow<()>> + 'a;

/// Position in the mix from which a part is played, so that the engine has settled where it begins.
pub fn lead_in(part_start: u64, rate_hz: u32) -> u64 {
    part_start.saturating_sub((LEAD_IN_S * f64::from(rate_hz)) as u64)
}
