//! A Wiener gain with decision-directed smoothing (Ephraim & Malah 1984).

use crate::cleanup::removal::Removal;
use multiversion::multiversion;
use realfft::num_complex::Complex32;

/// Weight of the past in the decision-directed estimate of voice over residue. Chosen by hand; not measured.
const PAST_WEIGHT: f32 = 0.95;
/// Most that a cell is lowered, linear (-20 dB). Chosen by hand; not measured.
const MIN_GAIN: f32 = 0.1;
/// Residue of no more power than this in a cell is none. Chosen by hand; not measured.
const NO_RESIDUE: f32 = 1e-14;

/// Finds the residue in frames.
pub struct WienerFilter {
    /// Power left in each cell of the last frame, mid and side.
    cleaned: [Vec<f32>; 2],
}

impl WienerFilter {
    /// For frames of `num_bins` bins.
    pub fn new(num_bins: usize) -> Self {
        Self { cleaned: std::array::from_fn(|_| vec![0.0; num_bins]) }
    }

    /// Forgets the signals.
    pub fn reset(&mut self) {
        self.cleaned.iter_mut().for_each(|x| x.fill(0.0));
    }

    /// Takes the residue out of the next frame, given in mid and side; where there is no backing that could leave any, its power is
    /// 0.
    pub fn process(&mut self, frame: &[Vec<Complex32>; 2], residue: &[Vec<f32>; 2], removal: &mut Removal) {
        removal.advance();
        let mut any = false;
        for c in 0..2 {
            any |= lower(&frame[c], &residue[c], &mut self.cleaned[c], &mut removal.bins[c]);
        }
        if any {
            removal.add();
        }
    }
}

/// What is removed from the cells of one side; whether it is anything.
#[multiversion(targets("x86_64+avx2"))]
fn lower(frame: &[Complex32], residue: &[f32], cleaned: &mut [f32], removed: &mut [Complex32]) -> bool {
    let mut any = false;
    for (((e, &residue), cleaned), removed) in frame.iter().zip(residue).zip(cleaned).zip(removed) {
        let is_left = residue > NO_RESIDUE;
        let residue = residue.max(NO_RESIDUE);
        let power = e.norm_sqr();
        let voice_over_residue =
            PAST_WEIGHT * *cleaned / residue + (1.0 - PAST_WEIGHT) * (power / residue - 1.0).max(0.0);
        let gain = (voice_over_residue / (1.0 + voice_over_residue)).max(MIN_GAIN);
        let gain = if is_left { gain } else { 1.0 };
        *cleaned = gain * gain * power;
        *removed = e * (1.0 - gain);
        any |= is_left;
    }
    any
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;
    use crate::spectral::spectrum::Spectrum;
    use crate::spectral::window::root_hann;

    /// Where all is residue, all but the least gain is taken out of it; where none is, nothing.
    #[test]
    fn what_is_all_residue_is_taken_out() {
        let (frame, step) = (256, 64);
        let signal = noise(20 * step + frame, 1);
        for (residue, share) in [(1e6, 1.0 - MIN_GAIN), (0.0, 0.0)] {
            let mut wiener = WienerFilter::new(frame / 2 + 1);
            let mut removal = Removal::new(frame, step);
            let (mut spectrum, window) = (Spectrum::new(frame), root_hann(frame));
            let mut bins = [(); 2].map(|()| vec![Complex32::default(); frame / 2 + 1]);
            for at in (0..20 * step).step_by(step) {
                spectrum.time().iter_mut().zip(&signal[at..]).zip(&window).for_each(|((t, x), w)| *t = w * x);
                // The same on both sides is all mid.
                spectrum.forward(&mut bins[0]);
                bins[0].iter_mut().for_each(|x| *x *= std::f32::consts::SQRT_2);
                wiener.process(&bins, &[(); 2].map(|()| vec![residue; frame / 2 + 1]), &mut removal);
                // The step in front lies under four frames.
                for side in removal.removed().iter().filter(|_| at >= frame) {
                    for (n, removed) in side[..step].iter().enumerate() {
                        assert!((removed - share * signal[at + n]).abs() < 1e-4, "{residue} {at} {n}");
                    }
                }
            }
        }
    }
}
