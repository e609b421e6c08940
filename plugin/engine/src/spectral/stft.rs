//! Short-time Fourier transform of two stereo signals that go on side by side, of which only the newest frame is kept.

use crate::dsp::units::is_silence;
use crate::spectral::lanes::{LANES, Lanes, ZERO};
use crate::spectral::twin_spectrum::{TwinSpectrum, mirrored, sides};
use crate::spectral::window::hann;
use multiversion::multiversion;
use realfft::num_complex::{Complex, Complex32};

/// Power of the first sample of a sound re the mean of those that were taken with it from which on it is an edge. Chosen by hand; not
/// measured.
const EDGE: f32 = 0.01;

/// Spectra of left and right, several bins at once, zero beyond the last bin.
pub type StereoBins = [Vec<Complex<Lanes>>; 2];

/// Silence in `num_bins` bins.
pub fn stereo_bins(num_bins: usize) -> StereoBins {
    std::array::from_fn(|_| vec![ZERO; num_bins.div_ceil(LANES)])
}

/// Makes spectra silent.
pub fn silence(signals: &mut [StereoBins; 2]) {
    signals.iter_mut().flatten().for_each(|side| side.fill(ZERO));
}

/// Cuts two stereo signals into frames under a Hann window.
#[derive(Clone)]
pub struct Stft {
    spectrum: TwinSpectrum,
    window: Vec<f32>,
    /// The last samples of both signals, left as the real and right as the imaginary part; the oldest stands at `oldest`.
    history: [Vec<Complex32>; 2],
    oldest: usize,
    /// Whether the newest samples of either signal were silent.
    are_silent: [bool; 2],
    /// Samples that were taken since an edge.
    since_edge: usize,
    twin: Vec<Complex32>,
    first_bin: usize,
    num_bins: usize,
}

impl Stft {
    /// Frames of `len` samples, of which `num_bins` bins from `first_bin` on are kept.
    pub fn new(len: usize, first_bin: usize, num_bins: usize) -> Self {
        Self {
            spectrum: TwinSpectrum::new(len),
            window: hann(len),
            history: std::array::from_fn(|_| vec![Complex32::default(); len]),
            oldest: 0,
            are_silent: [true; 2],
            since_edge: usize::MAX,
            twin: vec![Complex32::default(); len],
            first_bin,
            num_bins,
        }
    }

    /// Forgets the signals.
    pub fn reset(&mut self) {
        self.history.iter_mut().for_each(|h| h.fill(Complex32::default()));
        (self.oldest, self.are_silent, self.since_edge) = (0, [true; 2], usize::MAX);
    }

    /// Takes the next samples of both signals, a number that a frame can be divided by and always the same.
    pub fn push(&mut self, signals: [[&[f32]; 2]; 2]) {
        let len = signals[0][0].len();
        let newest = (self.oldest + self.window.len() - len) % self.window.len();
        self.since_edge = self.since_edge.saturating_add(len);
        for ((history, was_silent), [left, right]) in
            self.history.iter_mut().zip(&mut self.are_silent).zip(signals)
        {
            let is_silent = is_silence([left, right]);
            let before = history[newest..newest + len].iter().rev();
            let is_cut = match (*was_silent, is_silent) {
                (true, false) => is_edge(left.iter().copied()) || is_edge(right.iter().copied()),
                (false, true) => is_edge(before.clone().map(|x| x.re)) || is_edge(before.map(|x| x.im)),
                _ => false,
            };
            *was_silent = is_silent;
            if is_cut {
                self.since_edge = 0;
            }
            let oldest = &mut history[self.oldest..self.oldest + len];
            for ((twin, &left), &right) in oldest.iter_mut().zip(left).zip(right) {
                *twin = Complex32::new(left, right);
            }
        }
        self.oldest = (self.oldest + len) % self.window.len();
    }

    /// Whether a signal is cut off within the newest frame: not where it ends with the newest samples, which the next frame tells.
    pub fn is_cut(&self) -> bool {
        self.since_edge < self.window.len()
    }

    /// Spectra of both signals in the newest frame.
    pub fn analyse(&mut self, spectra: &mut [StereoBins; 2]) {
        analyse(self, spectra);
    }
}

/// Whether a sound begins as loud as it goes on. That of an instrument does not, what is cut off does.
fn is_edge(samples: impl Iterator<Item = f32>) -> bool {
    let mut sound = samples.skip_while(|&x| x == 0.0);
    let first = sound.next().unwrap_or_default();
    let (count, sum) = sound.fold((1.0, first * first), |(count, sum), x| (count + 1.0, sum + x * x));
    first * first * count > EDGE * sum
}

#[multiversion(targets("x86_64+avx2"))]
fn analyse(stft: &mut Stft, spectra: &mut [StereoBins; 2]) {
    let len = stft.window.len();
    for (history, [left, right]) in stft.history.iter().zip(spectra) {
        let (newer, older) = history.split_at(stft.oldest);
        let (first, second) = stft.twin.split_at_mut(older.len());
        let (early, late) = stft.window.split_at(older.len());
        first.iter_mut().zip(early).zip(older).for_each(|((x, &w), h)| *x = h * w);
        second.iter_mut().zip(late).zip(newer).for_each(|((x, &w), h)| *x = h * w);
        stft.spectrum.forward(&mut stft.twin);
        let bins = stft.first_bin..stft.first_bin + stft.num_bins;
        for (idx, (left, right)) in left.iter_mut().zip(right).enumerate() {
            let from = bins.start + idx * LANES;
            if from > 0 && from + LANES <= bins.end {
                [*left, *right] = sides(Lanes::load_complex(&stft.twin, from), mirrored(&stft.twin, from));
                continue;
            }
            for (lane, bin) in (from..bins.end.min(from + LANES)).enumerate() {
                let mirrored = if bin == 0 { 0 } else { len - bin };
                let [l, r] = sides(stft.twin[bin], stft.twin[mirrored]);
                (left.re.0[lane], left.im.0[lane]) = (l.re, l.im);
                (right.re.0[lane], right.im.0[lane]) = (r.re, r.im);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;
    use crate::spectral::lanes;
    use crate::spectral::spectrum::Spectrum;

    /// Some bins of the last frame, against one transform a side.
    #[test]
    fn the_newest_frame_is_transformed() {
        let (len, hop, first_bin, num_bins) = (64, 16, 3, 10);
        let signals: [[Vec<f32>; 2]; 2] =
            std::array::from_fn(|s| std::array::from_fn(|c| noise(96, (2 * s + c) as u32)));
        let mut stft = Stft::new(len, first_bin, num_bins);
        for at in (0..96).step_by(hop) {
            stft.push(signals.each_ref().map(|sides| sides.each_ref().map(|side| &side[at..at + hop])));
        }
        let mut spectra = [stereo_bins(num_bins), stereo_bins(num_bins)];
        stft.analyse(&mut spectra);
        let (mut spectrum, mut bins) = (Spectrum::new(len), vec![Complex32::default(); len / 2 + 1]);
        for (signal, spectra) in signals.iter().flatten().zip(spectra.iter().flatten()) {
            spectrum.time().iter_mut().zip(&signal[32..]).zip(hann(len)).for_each(|((t, x), w)| *t = w * x);
            spectrum.forward(&mut bins);
            for (k, bin) in bins[first_bin..][..num_bins].iter().enumerate() {
                assert!((lanes::bin(spectra, k) - bin).norm() < 1e-5, "{k}");
            }
        }
        silence(&mut spectra);
        assert!(spectra.iter().flatten().flatten().all(|lanes| *lanes == ZERO));
    }

    /// A song that begins or ends at once is cut off, one that fades in is not: from the samples of the edge on until the frame is
    /// beyond them.
    #[test]
    fn a_frame_holds_the_edges_of_what_is_cut_off() {
        let (len, hop) = (64, 16);
        let song: Vec<f32> = [1.0, -1.0].repeat(6 * hop);
        let is_cut = |mix: &dyn Fn(usize) -> f32| -> Vec<bool> {
            let mut stft = Stft::new(len, 0, 8);
            let silence = vec![0.0; hop];
            let mut push = |at: usize| {
                let part: Vec<f32> = (at * hop..(at + 1) * hop).map(|n| mix(n) * song[n]).collect();
                stft.push([[&silence, &part], [&song[at * hop..(at + 1) * hop], &silence]]);
                stft.is_cut()
            };
            (0..12).map(&mut push).collect()
        };
        let at = |cut: &[usize]| -> Vec<bool> { (0..12).map(|frame| cut.contains(&frame)).collect() };
        // The other signal begins at once with the first.
        assert_eq!(is_cut(&|_| 1.0), at(&[0, 1, 2, 3]));
        assert_eq!(is_cut(&|n| if n < 100 { 0.0 } else { 1.0 }), at(&[0, 1, 2, 3, 6, 7, 8, 9]));
        assert_eq!(
            is_cut(&|n| if n < 100 { 0.0 } else { 1e-4 * (n - 100).pow(2) as f32 }),
            at(&[0, 1, 2, 3])
        );
        assert_eq!(is_cut(&|n| if n < 100 { 1.0 } else { 0.0 }), at(&[0, 1, 2, 3, 7, 8, 9, 10]));
    }
}
