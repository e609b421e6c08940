//! A curve without memory that only rises, and its inverse.

/// Intervals on either side of zero. Found on a tape simulator's curve, whose slope falls by 32 dB: with 10 of them the voice
/// comes out at 23 dB of SDR, with 20 at 38.
pub const INTERVALS: usize = 20;
/// The knots of a curve: where all intervals begin and end.
pub const KNOTS: usize = 2 * INTERVALS + 1;
/// Range of the slope between two knots of a curve, as a ratio (60 dB): what fell deeper than that is noise.
pub const MOST_STEEPNESS: f32 = 1000.0;

/// From bent samples to straight ones. Its slope is given at evenly spaced knots and is linear between them, so that the curve
/// is made of parabolas, and its inverse of square roots. Beyond the last knots it goes on straight.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Curve {
    /// The last knot, at either sign: the largest sample that it was learned from, linear.
    span: f32,
    slopes: [f32; KNOTS],
    /// Its value at each knot.
    heights: [f64; KNOTS],
}

impl Curve {
    /// Bends nothing.
    pub const STRAIGHT: Self = {
        let mut heights = [0.0; KNOTS];
        let mut knot = 0;
        while knot < KNOTS {
            heights[knot] = knot as f64 / INTERVALS as f64 - 1.0;
            knot += 1;
        }
        Self { span: 1.0, slopes: [1.0; KNOTS], heights }
    };

    /// With slopes at the knots from `-span` to `span`; `None` if it does not rise everywhere, or is steeper than any that is
    /// learned.
    pub fn new(span: f32, slopes: [f32; KNOTS]) -> Option<Self> {
        let sound = |x: f32| x.is_finite() && (1e-6..=1e6).contains(&x);
        let (least, most) = slopes.iter().fold((f32::MAX, 0.0f32), |(a, b), &s| (a.min(s), b.max(s)));
        if !sound(span) || !slopes.iter().all(|&s| sound(s)) || most > MOST_STEEPNESS * least {
            return None;
        }
        let step = f64::from(span) / INTERVALS as f64;
        let mut heights = [0.0; KNOTS];
        for knot in 1..KNOTS {
            let mean = 0.5 * (f64::from(slopes[knot - 1]) + f64::from(slopes[knot]));
            heights[knot] = heights[knot - 1] + step * mean;
        }
        let zero = heights[INTERVALS];
        heights.iter_mut().for_each(|height| *height -= zero);
        Some(Self { span, slopes, heights })
    }

    /// The last knot, linear.
    pub fn span(&self) -> f32 {
        self.span
    }

    /// Slope at each knot, from the lowest on.
    pub fn slopes(&self) -> &[f32; KNOTS] {
        &self.slopes
    }

    /// Whether it bends nothing.
    pub fn is_straight(&self) -> bool {
        *self == Self::STRAIGHT
    }

    fn step(&self) -> f64 {
        f64::from(self.span) / INTERVALS as f64
    }

    /// Makes a bent sample straight.
    pub fn undo(&self, bent: f32) -> f32 {
        let along = f64::from(bent) / self.step() + INTERVALS as f64;
        // Beyond the last knots the slope at them holds.
        let knot = along.clamp(0.0, (KNOTS - 2) as f64) as usize;
        let [left, right] = [self.slopes[knot], self.slopes[knot + 1]].map(f64::from);
        let t = along - knot as f64;
        let inside = t.clamp(0.0, 1.0);
        let curved = inside * (left + 0.5 * inside * (right - left));
        let beyond = (t - inside) * if t < 0.0 { left } else { right };
        (self.heights[knot] + self.step() * (curved + beyond)) as f32
    }

    /// Bends a straight sample: the inverse of [`Self::undo`], but for what rounding to 32 bits in between costs.
    pub fn apply(&self, straight: f32) -> f32 {
        let height = f64::from(straight);
        let knot = self.heights.partition_point(|&h| h <= height).clamp(1, KNOTS - 1) - 1;
        let [left, right] = [self.slopes[knot], self.slopes[knot + 1]].map(f64::from);
        let up = (height - self.heights[knot]) / self.step();
        let top = 0.5 * (left + right);
        let t = if up < 0.0 {
            up / left
        } else if up > top {
            1.0 + (up - top) / right
        } else {
            // The parabola's root in the form that stays exact where both slopes are alike.
            2.0 * up / (left + (left * left + 2.0 * (right - left) * up).max(0.0).sqrt())
        };
        ((knot as f64 + t - INTERVALS as f64) * self.step()) as f32
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;

    /// Slopes that fall outwards by up to 26 dB, on one side sooner, with a kink at zero.
    fn uneven() -> Curve {
        let slopes = std::array::from_fn(|knot| {
            let u = knot as f32 / INTERVALS as f32 - 1.0;
            if u < 0.0 { 1.0 + 19.0 * u * u } else { 0.5 + 3.0 * u }
        });
        Curve::new(0.8, slopes).unwrap()
    }

    #[test]
    fn a_straight_curve_is_the_identity_to_the_last_bit() {
        for x in noise(1000, 1).into_iter().chain([0.0, 1.0, -1.0]) {
            assert_eq!([Curve::STRAIGHT.undo(x), Curve::STRAIGHT.apply(x)], [x, x]);
        }
        let heights = Curve::new(1.0, [1.0; KNOTS]).unwrap().heights;
        assert!(heights.iter().zip(Curve::STRAIGHT.heights).all(|(a, b)| (a - b).abs() < 1e-12));
    }

    /// Half a bit of 32 is 6e-8 of the straight sample; the flattest part of the curve's inverse makes no more of it, the
    /// steepest twice as much.
    #[test]
    fn what_is_bent_comes_back() {
        let curve = uneven();
        for x in noise(2000, 1).into_iter().map(|x| 3.0 * x) {
            let straight = curve.undo(x);
            let tolerance = 2.5e-7 * straight.abs().max(0.1);
            assert!(
                (curve.apply(straight) - x).abs() < tolerance,
                "{x}: {straight}, {}",
                curve.apply(straight)
            );
            assert!((curve.undo(curve.apply(x)) - x).abs() < 20.0 * 2.5e-7 * x.abs().max(0.1), "{x}");
        }
    }

    /// By the integral of the slope, written out for the upper side: 0.5 u + 3 u^2 / 2 of the span.
    #[test]
    fn the_slope_is_its_derivative() {
        let curve = uneven();
        for u in [0.0f32, 0.05, 0.1, 0.5, 0.85, 1.0] {
            let expected = 0.8 * (0.5 * u + 1.5 * u * u);
            assert!((curve.undo(0.8 * u) - expected).abs() < 1e-6, "{u}: {}", curve.undo(0.8 * u));
        }
        let beyond = curve.undo(1.6) - curve.undo(0.8);
        assert!((beyond - 0.8 * 3.5).abs() < 1e-5, "{beyond}");
        assert_eq!(curve.undo(0.0), 0.0);
    }

    #[test]
    fn what_does_not_rise_is_refused() {
        let with = |knot: usize, slope: f32| {
            let mut slopes = [1.0; KNOTS];
            slopes[knot] = slope;
            Curve::new(1.0, slopes).is_some()
        };
        assert!(with(3, 900.0) && with(40, 0.002));
        for slope in [0.0, -1.0, f32::NAN, f32::INFINITY, 1100.0, 0.0009] {
            assert!(!with(3, slope), "{slope}");
        }
        assert!(Curve::new(0.0, [1.0; KNOTS]).is_none() && Curve::new(f32::NAN, [1.0; KNOTS]).is_none());
    }
}
