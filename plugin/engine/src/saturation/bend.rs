//! How mix and backing were bent: plain values.

use crate::saturation::curve::Curve;

/// How both sides of mix and backing were bent. The backing went through the same curve as the mix, but may have left it at
/// another level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bend {
    /// The curve of either side, at the level of the mix.
    pub curves: [Curve; 2],
    /// Level of the backing in the mix re the backing, of either side, linear, with its sign.
    pub backing_levels: [f32; 2],
}

impl Bend {
    /// Nothing was bent.
    pub const NONE: Self = Self { curves: [Curve::STRAIGHT; 2], backing_levels: [1.0; 2] };

    /// Whether nothing was bent.
    pub fn is_none(&self) -> bool {
        self.curves.iter().all(Curve::is_straight)
    }

    /// Whether its levels can have been learned; curves cannot be otherwise.
    pub fn is_sound(&self) -> bool {
        self.backing_levels.iter().all(|level| (1e-3..=1e3).contains(&level.abs()))
    }

    /// Makes the mix straight.
    pub fn undo_mix(&self, mix: [&mut [f32]; 2]) {
        for (curve, side) in self.curves.iter().zip(mix) {
            if !curve.is_straight() {
                side.iter_mut().for_each(|x| *x = curve.undo(*x));
            }
        }
    }

    /// Makes the backing straight, at its own level.
    pub fn undo_backing(&self, backing: [&mut [f32]; 2]) {
        self.change_backing(backing, Curve::undo);
    }

    /// Bends a backing that was made straight.
    pub fn redo_backing(&self, backing: [&mut [f32]; 2]) {
        self.change_backing(backing, Curve::apply);
    }

    fn change_backing(&self, backing: [&mut [f32]; 2], change: fn(&Curve, f32) -> f32) {
        for ((curve, &level), side) in self.curves.iter().zip(&self.backing_levels).zip(backing) {
            if !curve.is_straight() {
                side.iter_mut().for_each(|y| *y = change(curve, *y * level) / level);
            }
        }
    }

    /// Bends what lies at the level of the mix.
    pub fn apply(&self, straight: [&mut [f32]; 2]) {
        for (curve, side) in self.curves.iter().zip(straight) {
            if !curve.is_straight() {
                side.iter_mut().for_each(|x| *x = curve.apply(*x));
            }
        }
    }

    /// By how much the largest samples were held down re soft ones, dB, on the side and at the sign where that is most.
    pub fn peaks_db(&self) -> f32 {
        let held_down = |curve: &Curve| {
            let soft = curve.undo(1e-3 * curve.span()).abs().min(curve.undo(-1e-3 * curve.span()).abs());
            let peak = curve.undo(curve.span()).abs().max(curve.undo(-curve.span()).abs());
            20.0 * (peak / (1e3 * soft)).log10()
        };
        self.curves.iter().map(held_down).fold(0.0, f32::max)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::ring::sides_mut;
    use crate::saturation::curve::{INTERVALS, KNOTS};

    /// A backing at half the level and upside down, bent by the curve of the mix, comes out straight in proportion.
    #[test]
    fn the_backing_is_straightened_at_the_level_of_the_mix() {
        let slopes: [f32; KNOTS] =
            std::array::from_fn(|k| 1.0 + 0.1 * (k as f32 - INTERVALS as f32 + 1.0).powi(2));
        let curve = Curve::new(1.0, slopes).unwrap();
        let bend = Bend { curves: [curve, Curve::STRAIGHT], backing_levels: [-2.0, 3.0] };
        let straight = [-0.7, -0.1, 0.0, 0.3, 0.9];
        let mut mix = [straight.to_vec(), straight.to_vec()];
        bend.apply(sides_mut(&mut mix));
        let mut backing = [mix[0].iter().map(|x| x / -2.0).collect::<Vec<_>>(), straight.to_vec()];
        bend.undo_backing(sides_mut(&mut backing));
        bend.undo_mix(sides_mut(&mut mix));
        assert_eq!(
            (&mix[1], &backing[1]),
            (&straight.to_vec(), &straight.to_vec()),
            "a straight side is left alone"
        );
        for ((x, y), expected) in mix[0].iter().zip(&backing[0]).zip(straight) {
            assert!((x - expected).abs() < 1e-6 && (y * -2.0 - expected).abs() < 1e-6, "{x} {y}");
        }
        let was_straight = backing.clone();
        bend.redo_backing(sides_mut(&mut backing));
        bend.undo_backing(sides_mut(&mut backing));
        for (y, expected) in backing.iter().flatten().zip(was_straight.iter().flatten()) {
            assert!((y - expected).abs() < 1e-6, "{y} {expected}");
        }
        assert!(Bend::NONE.is_none() && Bend::NONE.peaks_db().abs() < 1e-3 && !bend.is_none());
    }

    /// A slope of 1 + |u| reaches 1.5 at the end where a straight line reaches 1: 3.5 dB, at any level.
    #[test]
    fn how_far_peaks_were_held_down_is_told() {
        for gain in [0.1, 1.0] {
            let slope = |knot: usize| gain * (1.0 + (knot as f32 / INTERVALS as f32 - 1.0).abs());
            let curve = Curve::new(0.5, std::array::from_fn(slope)).unwrap();
            let bend = Bend { curves: [Curve::STRAIGHT, curve], ..Bend::NONE };
            assert!((bend.peaks_db() - 3.52).abs() < 0.02, "{}", bend.peaks_db());
        }
    }
}
