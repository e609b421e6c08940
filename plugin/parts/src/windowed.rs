//! A window laid over a spectrum.

use realfft::num_complex::Complex32;

/// The spectrum of a frame under a Hann window from that of the frame without it: the window has three lines.
pub fn windowed(spectrum: &[Complex32], windowed: &mut [Complex32]) {
    let last = spectrum.len() - 1;
    let at = |bin: isize| match bin {
        -1 => spectrum[1].conj(),
        bin if bin as usize > last => spectrum[last - 1].conj(),
        bin => spectrum[bin as usize],
    };
    for (bin, windowed) in windowed.iter_mut().enumerate() {
        let bin = bin as isize;
        *windowed = at(bin) * 0.5 - (at(bin - 1) + at(bin + 1)) * 0.25;
    }
}

#[cfg(test)]
mod tests {
    use minuend_fourier::{Transform, hann};

    use super::*;
    use crate::noise::noise;

    #[test]
    fn a_window_can_be_laid_over_a_spectrum() {
        let len = 64;
        let signal = noise(1, len);
        let mut transform = Transform::new(len);
        let [mut plain, mut found, mut expected] = [0; 3].map(|_| vec![Complex32::default(); len / 2 + 1]);
        transform.forward(&signal, &mut plain);
        windowed(&plain, &mut found);
        transform.forward_under(&hann(len), &signal, &mut expected);
        for (found, expected) in found.iter().zip(&expected) {
            assert!((found - expected).norm() < 1e-5, "{found}, not {expected}");
        }
    }
}
