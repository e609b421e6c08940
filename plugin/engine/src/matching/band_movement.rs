//! How the tone moves, band by band: plain values.

use crate::matching::movement::Movement;

/// Bands, an octave apart. An octave lower there are too few bins to form two halves.
pub const NUM_TONE_BANDS: usize = 8;
/// Least cost reduction with which a band is followed, nats of power. Bands of a compressor gave 0.15 to 3 (six mixes
/// through three-band compressors, voice included), codecs at most 0.04, a clipper 0.12.
const MIN_COST_REDUCTION: f64 = 0.15;

/// How the level of one band moves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BandMovement {
    /// How the level moves.
    pub movement: Movement,
    /// Cost reduction: mean by which following lowers the logarithm of what is left, nats of power.
    pub pays: f64,
}

impl BandMovement {
    /// Nothing moves, as far as is known.
    pub const STILL: Self = Self { movement: Movement::STILL, pays: 0.0 };

    /// Whether the band is followed.
    pub fn is_followed(&self) -> bool {
        self.movement.moves() && pays(self.pays)
    }
}

/// Whether a cost reduction is worth following a band.
pub fn pays(cost_reduction: f64) -> bool {
    cost_reduction > MIN_COST_REDUCTION
}
