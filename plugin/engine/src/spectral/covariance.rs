//! Weights of two sides by the inverse covariance of what disturbs them (after Nakatani et al. 2010), so that times and
//! frequencies with little disturbance decide.

use crate::spectral::lanes::{Real, minus, power, scaled, times, times_conj};
use realfft::num_complex::Complex;

/// Share of the whole power added to either side: sides that agree too well would weigh without bound. Chosen by hand; not
/// measured.
const SIDES_FLOOR: f32 = 0.02;

/// Power of the disturbance left and right, real and imaginary part of its cross power, and mean power of a reference.
#[inline(always)]
pub fn powers<T: Real>(disturbance: [Complex<T>; 2], reference: [Complex<T>; 2]) -> [T; 5] {
    let cross = times_conj(disturbance[0], disturbance[1]);
    let reference = T::all(0.5) * (power(reference[0]) + power(reference[1]));
    [power(disturbance[0]), power(disturbance[1]), cross.re, cross.im, reference]
}

/// The covariance of a disturbance in one bin, or in several.
pub struct Covariance<T> {
    p11: T,
    p22: T,
    p12: Complex<T>,
    scale: T,
}

impl<T: Real> Covariance<T> {
    /// From mean [`powers`]; `floor` re the reference and `least` keep what is hardly disturbed from weighing without bound.
    #[inline(always)]
    pub fn new(mean: [T; 5], floor: f32, least: f32) -> Self {
        let floor = T::all(floor) * mean[4] + T::all(least);
        let sides = T::all(SIDES_FLOOR) * (mean[0] + mean[1]);
        let (p11, p22) = (mean[0] + floor + sides, mean[1] + floor + sides);
        let p12 = Complex { re: mean[2], im: mean[3] };
        Self { p11, p22, p12, scale: T::all(1.0) / (p11 * p22 - power(p12)) }
    }

    /// The inverse: weights of left and right, and between them.
    #[inline(always)]
    pub fn inverse(&self) -> (T, T, Complex<T>) {
        (self.p22 * self.scale, self.p11 * self.scale, scaled(self.p12, -self.scale))
    }

    /// The inverse times a vector.
    #[inline(always)]
    pub fn weigh(&self, v: [Complex<T>; 2]) -> [Complex<T>; 2] {
        let Self { p11, p22, p12, scale } = *self;
        let left = minus(scaled(v[0], p22), times(p12, v[1]));
        let right = minus(scaled(v[1], p11), times_conj(v[0], p12));
        [scaled(left, scale), scaled(right, scale)]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use realfft::num_complex::Complex32;

    #[test]
    fn weighing_is_the_inverse_written_out() {
        let c = Complex32::new;
        let covariance = Covariance::new([2.0, 3.0, 0.5, -0.25, 1.0], 1e-2, 0.0);
        let (w11, w22, w12) = covariance.inverse();
        let v = [c(1.0, 2.0), c(-0.5, 0.75)];
        let written = [v[0] * w11 + w12 * v[1], w12.conj() * v[0] + v[1] * w22];
        for (a, b) in covariance.weigh(v).into_iter().zip(written) {
            assert!((a - b).norm() < 1e-6);
        }
        // Times the covariance it is one.
        let p = [
            covariance.p11 * w11 + (covariance.p12 * w12.conj()).re,
            covariance.p22 * w22 + (covariance.p12 * w12.conj()).re,
        ];
        assert!(p.iter().all(|p| (p - 1.0).abs() < 1e-6), "{p:?}");
    }
}
