//! Whether the mix holds what the matched backing claims of it, band by band.

use std::ops::{Add, AddAssign};

use crate::matching::residual_cost::LOUDNESS_EXPONENT;
use crate::spectra::{NUM_BANDS, Spectra, band_edge_hz};

/// Share of the mix's power from which on a backing claims a band. What is softer tells nothing: the voice decides by chance
/// whether the band gets louder or softer.
const CLAIMS: f32 = 0.25;
/// Lowest band looked at, Hz: below, one holds a single frequency of the transform.
const LOWEST_HZ: f64 = 180.0;
/// A band that is softer, mean square re full scale, is silent.
const SILENT: f32 = 1e-9;
/// Largest share that may get louder. Over 2.5 s of 41 open songs and their backings, clean to worn vinyl and loud masters, it
/// was 9 % at most, 3 % in most; with a voice left in the backing 22 to 39 %, in bars that only share their drums 15 to 78 %.
const MOST_RAISED: f64 = 0.12;
/// Up to this share the claims are confirmed: most of the 2.5 s of those songs reach 1 to 3 %, and bars that only share their
/// drums 4 % at best.
const CONFIRMED: f64 = 0.035;

/// How much a backing claims of the mix, by loudness, and where that was wrong.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Claims {
    /// Loudness of what it claims.
    pub claimed: f64,
    /// Of that, where the difference is louder than the mix: the mix does not hold it.
    pub raised: f64,
}

impl Claims {
    /// Of one frame.
    pub fn of(spectra: &Spectra) -> Self {
        let mut claims = Self::default();
        for band in (0..NUM_BANDS).filter(|&band| band_edge_hz(band) >= LOWEST_HZ) {
            let [mix, matched, left] =
                [&spectra.mix, &spectra.matched, &spectra.difference].map(|signal| signal[band]);
            if matched > SILENT && matched > CLAIMS * mix {
                let loudness = f64::from(matched.powf(LOUDNESS_EXPONENT));
                claims.claimed += loudness;
                claims.raised += if left > mix { loudness } else { 0.0 };
            }
        }
        claims
    }

    /// Whether the backing holds what the mix does not, over music of seconds.
    pub fn are_false(&self) -> bool {
        self.raised > MOST_RAISED * self.claimed
    }

    /// Whether the mix holds what the backing claims, over music of seconds; what is between true and false tells neither.
    pub fn are_true(&self) -> bool {
        self.claimed > 0.0 && self.raised < CONFIRMED * self.claimed
    }
}

impl Add for Claims {
    type Output = Self;

    fn add(self, other: Self) -> Self {
        Self { claimed: self.claimed + other.claimed, raised: self.raised + other.raised }
    }
}

impl AddAssign for Claims {
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spectra(bands: &[(usize, f32, f32, f32)]) -> Spectra {
        let mut spectra = Spectra::default();
        for &(band, mix, matched, difference) in bands {
            (spectra.mix[band], spectra.matched[band], spectra.difference[band]) = (mix, matched, difference);
        }
        spectra
    }

    /// Ten bands that go and one that the mix does not hold: 1 of 11, if equally loud. One that the backing hardly claims, one in
    /// the bass and one of nothing do not count.
    #[test]
    fn what_gets_louder_was_not_in_the_mix() {
        let goes = |band| (band, 0.1, 0.08, 0.02);
        let mut bands: Vec<_> = (12..22).map(goes).collect();
        bands.extend([
            (22, 0.05, 0.08, 0.09),
            (23, 0.1, 0.01, 0.2),
            (3, 0.1, 0.1, 0.3),
            (24, 0.0, 1e-12, 1e-12),
        ]);
        let claims = Claims::of(&spectra(&bands));
        assert!((claims.raised / claims.claimed - 1.0 / 11.0).abs() < 1e-6, "{claims:?}");
        assert!(!claims.are_false() && !claims.are_true());
        assert!(!Claims::default().are_false() && !Claims::default().are_true());
        assert!(Claims::of(&spectra(&bands[..10])).are_true());
        bands[0] = (12, 0.05, 0.08, 0.09);
        assert!(Claims::of(&spectra(&bands)).are_false());
    }
}
