//! Two files, and how they are played.

use std::path::Path;

use minuend_engine::{Match, Settings, causes::Causes};

/// Two files and how they are played.
pub struct Pair<'a> {
    /// The full mix; its rate is that of everything.
    pub mix: &'a Path,
    /// The backing, at any rate.
    pub backing: &'a Path,
    /// One setting of every control.
    pub settings: Settings,
}

/// How the mix and the output are made.
#[derive(Clone, Copy)]
pub struct Format {
    /// Sample rate, Hz.
    pub rate_hz: u32,
    /// Channels of the mix.
    pub num_channels: usize,
}

/// What an engine starts from.
#[derive(Clone, Copy, Default)]
pub struct Start<'a> {
    /// By how much the backing is moved earlier, samples.
    pub advance_samples: i64,
    /// What was learned.
    pub learned: Option<&'a Match>,
    /// What is known to limit the null.
    pub causes: Option<&'a Causes>,
    /// Whether its output is of use.
    pub is_heard: bool,
    /// Whether it is to be found out how the pair was bent; only where the output is of no use.
    pub seeks_bend: bool,
}
