//! How the gain of each band hangs on how loud mix and backing are: plain values.

use crate::dynamics::band_powers::NUM_BANDS;
use crate::dynamics::levels::{BandLevels, NUM_DETECTORS};
use realfft::num_complex::Complex32;

/// Knees of a detector: a compressor does nothing under its threshold, and several of them leave it soft.
pub const NUM_KNEES: usize = 2;
/// Largest movements that are told, logarithm of gain: -17 and 10 dB.
const RANGE: (f32, f32) = (-2.0, 1.2);
/// Largest turn of the phase, radians: a crossover turns it as the bands on either side move apart.
const LARGEST_TURN: f32 = std::f32::consts::FRAC_PI_2;

/// Values that the logarithm of a gain is made of, of one detector: for each knee by how much more the mix is beyond it than the
/// backing, and by how much the backing is, dB.
pub type Features = [f32; 2 * NUM_KNEES];

/// What a detector tells.
pub fn features([mix_db, backing_db]: [f32; 2], knees_db: &[f32; NUM_KNEES]) -> Features {
    let mut features = Features::default();
    for (pair, knee_db) in features.chunks_exact_mut(2).zip(knees_db) {
        let beyond = |level_db: f32| (level_db - knee_db).max(0.0);
        pair.copy_from_slice(&[beyond(mix_db) - beyond(backing_db), beyond(backing_db)]);
    }
    features
}

/// One band: its gain is the exponential of a weighted sum of what its detectors tell. The real part moves the level, the imaginary part the
/// phase.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BandDynamics {
    /// Knees of the detectors, dB re full scale.
    pub knees_db: [[f32; NUM_KNEES]; NUM_DETECTORS],
    /// The sum where no detector is beyond a knee.
    pub constant: Complex32,
    /// Weights, nepers (radians) a dB.
    pub weights: [[Complex32; 2 * NUM_KNEES]; NUM_DETECTORS],
}

impl BandDynamics {
    /// Nothing moves.
    pub const STILL: Self = Self {
        knees_db: [[0.0; NUM_KNEES]; NUM_DETECTORS],
        constant: ZERO,
        weights: [[ZERO; 2 * NUM_KNEES]; NUM_DETECTORS],
    };

    /// Logarithm of the gain of the backing in the mix.
    pub fn log_gain(&self, levels_db: &BandLevels) -> Complex32 {
        let mut sum = self.constant;
        for ((&levels_db, knees_db), weights) in levels_db.iter().zip(&self.knees_db).zip(&self.weights) {
            for (feature, weight) in features(levels_db, knees_db).iter().zip(weights) {
                sum += weight * feature;
            }
        }
        within_range(sum)
    }

    /// All of it, in a fixed order.
    pub fn numbers(&self) -> impl Iterator<Item = f32> {
        let complex = [self.constant].into_iter().chain(self.weights.into_iter().flatten());
        self.knees_db.into_iter().flatten().chain(complex.flat_map(|x| [x.re, x.im]))
    }

    /// See [`BandDynamics::numbers`].
    pub fn numbers_mut(&mut self) -> impl Iterator<Item = &mut f32> {
        let complex = std::iter::once(&mut self.constant).chain(self.weights.iter_mut().flatten());
        self.knees_db.iter_mut().flatten().chain(complex.flat_map(|x| [&mut x.re, &mut x.im]))
    }
}

const ZERO: Complex32 = Complex32::new(0.0, 0.0);

/// The nearest logarithm of a gain that is told.
pub fn within_range(log_gain: Complex32) -> Complex32 {
    Complex32::new(log_gain.re.clamp(RANGE.0, RANGE.1), log_gain.im.clamp(-LARGEST_TURN, LARGEST_TURN))
}

/// All bands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DynamicsModel {
    /// From the lowest on.
    pub bands: [BandDynamics; NUM_BANDS],
}

impl DynamicsModel {
    /// Nothing moves, as far as is known.
    pub const NONE: Self = Self { bands: [BandDynamics::STILL; NUM_BANDS] };

    /// Whether nothing moves.
    pub fn is_none(&self) -> bool {
        *self == Self::NONE
    }

    /// Whether every value is finite and within what could have been learned.
    pub fn is_sound(&self) -> bool {
        self.bands.iter().flat_map(BandDynamics::numbers).all(|x| x.abs() <= 1e3)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A compressor of 2:1 on the mix alone: with weights of half a dB a dB, 12 dB of voice above the backing and above the
    /// threshold take 6 dB; under it nothing moves.
    #[test]
    fn a_ratio_is_a_weight() {
        let mut band = BandDynamics::STILL;
        band.knees_db[2] = [-30.0, 0.0];
        let half = -0.5 * std::f32::consts::LN_10 / 20.0;
        band.weights[2][0] = Complex32::new(half, 0.0);
        let mut levels_db = [[-120.0; 2]; NUM_DETECTORS];
        levels_db[2] = [-10.0, -22.0];
        let gain_db = 20.0 * band.log_gain(&levels_db).exp().norm().log10();
        assert!((gain_db + 6.0).abs() < 1e-3, "{gain_db}");
        levels_db[2] = [-31.0, -40.0];
        assert_eq!(band.log_gain(&levels_db), ZERO);
        // Whatever the weights, no gain leaves the range.
        band.weights[2][0] = Complex32::new(1e3, -1e3);
        levels_db[2] = [100.0, -100.0];
        assert_eq!(band.log_gain(&levels_db), Complex32::new(RANGE.1, -LARGEST_TURN));
    }

    #[test]
    fn what_cannot_have_been_learned_is_not_sound() {
        assert!(DynamicsModel::NONE.is_none() && DynamicsModel::NONE.is_sound());
        for bad in [f32::NAN, f32::INFINITY, 1e9] {
            let mut model = DynamicsModel::NONE;
            *model.bands[4].numbers_mut().last().unwrap() = bad;
            assert!(!model.is_sound() && !model.is_none());
        }
    }
}
