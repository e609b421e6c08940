//! Spectra of some frames.

use realfft::num_complex::Complex32;

/// Spectra of frames that follow each other, `[frame_idx][bin_idx]`, real and imaginary parts apart, so that both are worked
/// on several at a time.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Cells {
    /// Real parts.
    pub re: Vec<f32>,
    /// Imaginary parts.
    pub im: Vec<f32>,
}

impl Cells {
    /// Silence in so many cells.
    pub fn silent(len: usize) -> Self {
        Self { re: vec![0.0; len], im: vec![0.0; len] }
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.re.len()
    }

    /// Puts a frame's spectrum in its place.
    pub fn set_frame(&mut self, frame_idx: usize, spectrum: &[Complex32]) {
        let at = frame_idx * spectrum.len();
        for (bin, value) in spectrum.iter().enumerate() {
            (self.re[at + bin], self.im[at + bin]) = (value.re, value.im);
        }
    }

    /// Takes a frame's spectrum out again.
    pub fn frame(&self, frame_idx: usize, spectrum: &mut [Complex32]) {
        let at = frame_idx * spectrum.len();
        for (bin, value) in spectrum.iter_mut().enumerate() {
            *value = Complex32::new(self.re[at + bin], self.im[at + bin]);
        }
    }

    /// Power of each cell.
    pub fn power(&self, out: &mut [f32]) {
        for ((out, re), im) in out.iter_mut().zip(&self.re).zip(&self.im) {
            *out = re * re + im * im;
        }
    }

    /// Power of the difference in each cell.
    pub fn distance(&self, other: &Self, out: &mut [f32]) {
        let len = self.len();
        let (a_re, a_im, b_re, b_im) = (&self.re[..len], &self.im[..len], &other.re[..len], &other.im[..len]);
        for (idx, out) in out[..len].iter_mut().enumerate() {
            let (re, im) = (a_re[idx] - b_re[idx], a_im[idx] - b_im[idx]);
            *out = re * re + im * im;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn powers_and_distances() {
        let mut cells = Cells::silent(4);
        let spectrum = [Complex32::new(3.0, 4.0), Complex32::new(1.0, 0.0)];
        cells.set_frame(1, &spectrum);
        let mut out = [0.0; 4];
        cells.power(&mut out);
        assert_eq!(out, [0.0, 0.0, 25.0, 1.0]);
        cells.distance(&Cells { re: vec![1.0; 4], im: vec![0.0; 4] }, &mut out);
        assert_eq!(out, [1.0, 1.0, 20.0, 0.0]);
        let mut found = [Complex32::default(); 2];
        cells.frame(1, &mut found);
        assert_eq!(found, spectrum);
    }
}
