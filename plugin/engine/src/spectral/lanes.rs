//! Several bins at once: plain arithmetic on small arrays, which compilers put into vector registers.

use realfft::num_complex::{Complex, Complex32};
use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub};

/// Bins worked on at once.
pub const LANES: usize = 8;

/// The same quantity in neighbouring bins.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Lanes(pub [f32; LANES]);

/// Zero in all bins.
pub const ZERO: Complex<Lanes> = Complex { re: Lanes([0.0; LANES]), im: Lanes([0.0; LANES]) };

/// What formulas need of a number, be it one or several.
pub trait Real:
    Copy
    + Default
    + Add<Output = Self>
    + Sub<Output = Self>
    + Mul<Output = Self>
    + Div<Output = Self>
    + Neg<Output = Self>
    + AddAssign
{
    /// The same value everywhere.
    fn all(value: f32) -> Self;
}

impl Real for f32 {
    #[inline(always)]
    fn all(value: f32) -> Self {
        value
    }
}

impl Real for Lanes {
    #[inline(always)]
    fn all(value: f32) -> Self {
        Self([value; LANES])
    }
}

impl Lanes {
    /// Loads neighbours from `at` on.
    #[inline(always)]
    pub fn load(plane: &[f32], at: usize) -> Self {
        let plane = &plane[at..at + LANES];
        Self(std::array::from_fn(|l| plane[l]))
    }

    /// Loads complex neighbours from `at` on.
    #[inline(always)]
    pub fn load_complex(plane: &[Complex32], at: usize) -> Complex<Self> {
        let plane = &plane[at..at + LANES];
        Complex {
            re: Self(std::array::from_fn(|l| plane[l].re)),
            im: Self(std::array::from_fn(|l| plane[l].im)),
        }
    }

    /// Natural logarithms of positive normal numbers, to the last bit or two: ln(m 2^e) = e ln 2 + 2 artanh((m - 1) / (m + 1)), with m
    /// about 1 (Abramowitz & Stegun 4.1.27). The library's knows one number at a time.
    #[inline(always)]
    pub fn ln(self) -> Self {
        // Bits of the root of a half: the mantissa then lies between that and the root of 2.
        const LEAST: u32 = std::f32::consts::FRAC_1_SQRT_2.to_bits();
        let bits = self.0.map(|x| x.to_bits().wrapping_sub(LEAST));
        let exponent = Self(bits.map(|bits| (bits as i32 >> 23) as f32));
        let mantissa = Self(bits.map(|bits| f32::from_bits((bits & 0x007f_ffff) + LEAST)));
        let x = (mantissa - Self::all(1.0)) / (mantissa + Self::all(1.0));
        let square = x * x;
        let mut series = Self::all(2.0 / 9.0);
        for part in [2.0 / 7.0, 2.0 / 5.0, 2.0 / 3.0] {
            series = series * square + Self::all(part);
        }
        Self::all(std::f32::consts::LN_2) * exponent + x * (series * square + Self::all(2.0))
    }

    /// Square roots.
    #[inline(always)]
    pub fn sqrt(self) -> Self {
        Self(std::array::from_fn(|l| self.0[l].sqrt()))
    }
}

macro_rules! elementwise {
    ($trait:ident, $method:ident, $op:tt) => {
        impl $trait for Lanes {
            type Output = Self;
            #[inline(always)]
            fn $method(self, other: Self) -> Self {
                Self(std::array::from_fn(|l| self.0[l] $op other.0[l]))
            }
        }
    };
}
elementwise!(Add, add, +);
elementwise!(Sub, sub, -);
elementwise!(Mul, mul, *);
elementwise!(Div, div, /);

impl Neg for Lanes {
    type Output = Self;
    #[inline(always)]
    fn neg(self) -> Self {
        Self(std::array::from_fn(|l| -self.0[l]))
    }
}

impl AddAssign for Lanes {
    #[inline(always)]
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}

/// One bin.
#[inline(always)]
pub fn bin(bins: &[Complex<Lanes>], bin: usize) -> Complex32 {
    let lanes = bins[bin / LANES];
    Complex32::new(lanes.re.0[bin % LANES], lanes.im.0[bin % LANES])
}

/// Neighbouring bins.
#[inline(always)]
pub fn of(bins: [Complex32; LANES]) -> Complex<Lanes> {
    Lanes::load_complex(&bins, 0)
}

/// The same lanes, last first.
#[inline(always)]
pub fn reversed(lanes: Complex<Lanes>) -> Complex<Lanes> {
    let reversed = |lanes: Lanes| Lanes(std::array::from_fn(|lane| lanes.0[LANES - 1 - lane]));
    Complex { re: reversed(lanes.re), im: reversed(lanes.im) }
}

/// Product of two complex numbers.
#[inline(always)]
pub fn times<T: Real>(a: Complex<T>, b: Complex<T>) -> Complex<T> {
    Complex { re: a.re * b.re - a.im * b.im, im: a.re * b.im + a.im * b.re }
}

/// Product of a complex number and the conjugate of another.
#[inline(always)]
pub fn times_conj<T: Real>(a: Complex<T>, b: Complex<T>) -> Complex<T> {
    times(a, Complex { re: b.re, im: -b.im })
}

/// A complex number times a real one.
#[inline(always)]
pub fn scaled<T: Real>(a: Complex<T>, by: T) -> Complex<T> {
    Complex { re: a.re * by, im: a.im * by }
}

/// Sum of two complex numbers.
#[inline(always)]
pub fn plus<T: Real>(a: Complex<T>, b: Complex<T>) -> Complex<T> {
    Complex { re: a.re + b.re, im: a.im + b.im }
}

/// Difference of two complex numbers.
#[inline(always)]
pub fn minus<T: Real>(a: Complex<T>, b: Complex<T>) -> Complex<T> {
    Complex { re: a.re - b.re, im: a.im - b.im }
}

/// Squared magnitude.
#[inline(always)]
pub fn power<T: Real>(a: Complex<T>) -> T {
    a.re * a.re + a.im * a.im
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the library's, over all that floats hold.
    #[test]
    fn logarithms_are_those_of_single_numbers() {
        for exponent in -125..127 {
            let x: [f32; LANES] = std::array::from_fn(|lane| (1.0 + lane as f32 / 8.1) * 2f32.powi(exponent));
            for (x, ln) in x.into_iter().zip(Lanes(x).ln().0) {
                let error = (f64::from(ln) - f64::from(x).ln()).abs();
                assert!(error <= 1.5e-7 * f64::from(x).ln().abs().max(1.0), "{x}: {ln}");
            }
        }
    }
}
