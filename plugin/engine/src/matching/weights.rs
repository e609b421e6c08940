//! Weights for what two sides tell of the backing: the inverse covariance of the voice, taken from the residual (after
//! Nakatani et al. 2010), so that times and frequencies where the voice rests decide.

use realfft::num_complex::Complex32;

/// Share of the whole power added to either side: sides that agree too well would weigh without bound.
const LEAK: f32 = 0.02;

/// Power of the residual left and right, real and imaginary part of its cross power, and mean power of the backing.
pub fn powers(residual: [Complex32; 2], backing: [Complex32; 2]) -> [f32; 5] {
    let cross = residual[0] * residual[1].conj();
    let backing = 0.5 * (backing[0].norm_sqr() + backing[1].norm_sqr());
    [residual[0].norm_sqr(), residual[1].norm_sqr(), cross.re, cross.im, backing]
}

/// The covariance of the voice in one bin.
pub struct Covariance {
    p11: f32,
    p22: f32,
    p12: Complex32,
    scale: f32,
}

impl Covariance {
    /// From mean [`powers`]; `floor` re the backing and `least` keep a deep null from weighing without bound.
    pub fn new(mean: [f32; 5], floor: f32, least: f32) -> Self {
        let floor = floor * mean[4] + least;
        let leak = LEAK * (mean[0] + mean[1]);
        let (p11, p22) = (mean[0] + floor + leak, mean[1] + floor + leak);
        let p12 = Complex32::new(mean[2], mean[3]);
        Self { p11, p22, p12, scale: 1.0 / (p11 * p22 - p12.norm_sqr()) }
    }

    /// The inverse: weights of left and right, and between them.
    pub fn inverse(&self) -> (f32, f32, Complex32) {
        (self.p22 * self.scale, self.p11 * self.scale, -self.p12 * self.scale)
    }

    /// The inverse times a vector.
    pub fn weigh(&self, v: [Complex32; 2]) -> [Complex32; 2] {
        let Self { p11, p22, p12, scale } = *self;
        [(v[0] * p22 - p12 * v[1]) * scale, (v[1] * p11 - p12.conj() * v[0]) * scale]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
