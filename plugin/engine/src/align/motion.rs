//! How a delay moves: plain values.

/// Quickest drift that is learned, samples per sample. Chosen by hand; not measured.
pub const QUICKEST: f64 = 1e-2;

/// How a delay moves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DelayMotion {
    /// Process noise: variance of the change of the rate, (samples per step)^2 per step; 0 = the delay stands still.
    pub process: f64,
    /// Rate at which the delay grows, samples per sample.
    pub rate: f64,
}

impl DelayMotion {
    /// The delay stands still.
    pub const NONE: Self = Self { process: 0.0, rate: 0.0 };

    /// Whether the delay moves.
    pub fn moves(&self) -> bool {
        self.process > 0.0
    }
}
