//! Readings shared with the window: one way and wait-free.

use minuend_engine::Readings;
use triple_buffer::{Input, Output, triple_buffer};

/// What the window shows: raw numbers that belong together.
#[derive(Clone, Copy, Debug, Default)]
pub struct Meters {
    /// The engine's readings after the last block.
    pub readings: Readings,
    /// Sample rate, Hz; 0 before the host has activated the plug-in.
    pub sample_rate_hz: f64,
    /// How much later than the mix the output is, samples.
    pub latency_samples: u32,
}

/// The end held by the audio thread and the end held by the window.
pub fn meters() -> (Input<Meters>, Output<Meters>) {
    triple_buffer(&Meters::default())
}
