//! How the tone moves, band by band: plain values.

use crate::matching::movement::Movement;

/// Bands, an octave apart. An octave lower there are too few bins to form two halves.
pub const NUM_TONE_BANDS: usize = 8;
/// Least cost reduction with which a band is followed, nats of power. Bands of a compressor gave 0.15 to 3 (six mixes
/// through three-band compressors, voice included), codecs at most 0.04, a clipper 0.12.
const MIN_COST_REDUCTION: f64 = 0.15;

/// The same where no other band moves, nats: bands that were followed alone by mistake gave 0.15 to
/// 0.21 (four songs), one of a compressor 0.46.
const ALONE_COST_REDUCTION: f64 = 0.3;

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

    /// Whether bands tell that the tone moves: two that are followed, or one that pays clearly.
    pub fn tell(bands: &[Self]) -> bool {
        let mut followed = bands.iter().filter(|band| band.is_followed());
        followed.clone().nth(1).is_some() || followed.any(|band| band.pays > ALONE_COST_REDUCTION)
    }
}

/// Whether a cost reduction is worth following a band.
pub fn pays(cost_reduction: f64) -> bool {
    cost_reduction > MIN_COST_REDUCTION
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One band that pays by a hair may be followed by mistake; not so two, or one that pays clearly.
    #[test]
    fn one_band_by_a_hair_tells_nothing() {
        let told = |pays: [f64; 2]| {
            let movement = Movement { process: 1e-4, ..Movement::STILL };
            BandMovement::tell(&pays.map(|pays| BandMovement { movement, pays }))
        };
        assert_eq!([[0.154, 0.1], [0.154, 0.16], [0.1, 0.46]].map(told), [false, true, true]);
        assert!(!BandMovement::tell(&[BandMovement { pays: 1.0, ..BandMovement::STILL }; 2]));
    }
}
