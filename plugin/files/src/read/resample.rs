//! One sample rate into another.

use rubato::{
    Fft, FixedSync, Indexing, Resampler as _, WindowFunction,
    audioadapter_buffers::direct::SequentialSliceOfVecs,
};

/// Length of the filter, s: its transition band is about 0.2 % of the lower rate wide, so a 44.1 kHz file keeps
/// everything up to 21.9 kHz.
const FILTER_S: f64 = 0.1;

/// Resamples a signal that comes in pieces, in step with it: what comes out starts with the first sample and is as
/// long, in time, as what goes in.
///
/// The work is the rubato library's: exact ratio, by multiplication in the frequency domain with a long windowed sinc.
pub struct Resampler {
    fft: Fft<f32>,
    in_hz: u64,
    out_hz: u64,
    /// Gathered until there is a whole chunk.
    chunk: Vec<Vec<f32>>,
    output: Vec<Vec<f32>>,
    /// Output that is still to be left out: the filter's delay.
    delay_left: usize,
    num_in: u64,
    num_out: u64,
}

impl Resampler {
    /// Between two rates, Hz, for so many channels. `None` if the library refuses.
    pub fn new(in_hz: u32, out_hz: u32, num_channels: usize) -> Option<Self> {
        // An even number of the smallest chunks that hold whole samples at both rates: half of either, the filter's
        // delay, is then whole as well.
        let smallest = 2 * (in_hz / gcd(in_hz, out_hz)) as usize;
        let chunk = ((FILTER_S * f64::from(in_hz)) as usize).div_ceil(smallest) * smallest;
        let fft = Fft::<f32>::new_custom(
            in_hz as usize,
            out_hz as usize,
            chunk,
            1,
            num_channels,
            WindowFunction::BlackmanHarris2,
            FixedSync::Both,
        )
        .ok()?;
        Some(Self {
            chunk: vec![Vec::with_capacity(fft.input_frames_next()); num_channels],
            output: vec![vec![0.0; fft.output_frames_max()]; num_channels],
            delay_left: fft.output_delay(),
            in_hz: in_hz.into(),
            out_hz: out_hz.into(),
            num_in: 0,
            num_out: 0,
            fft,
        })
    }

    /// How many samples so many become.
    pub fn length(&self, num_in: u64) -> u64 {
        // Rounded up: the last one that begins before the end.
        let exact = u128::from(num_in) * u128::from(self.out_hz);
        u64::try_from(exact.div_ceil(u128::from(self.in_hz))).unwrap_or(u64::MAX)
    }

    /// Takes samples in, one slice a channel, and appends what is ready.
    pub fn push(&mut self, input: &[Vec<f32>], output: &mut [Vec<f32>]) {
        let (len, wanted) = (input[0].len(), self.fft.input_frames_next());
        self.num_in += len as u64;
        let mut at = 0;
        while at < len {
            let count = (wanted - self.chunk[0].len()).min(len - at);
            for (chunk, input) in self.chunk.iter_mut().zip(input) {
                // What is not finite would spread over the whole filter.
                chunk.extend(input[at..at + count].iter().map(|&x| if x.is_finite() { x } else { 0.0 }));
            }
            at += count;
            if self.chunk[0].len() == wanted {
                self.run(output);
            }
        }
    }

    /// Appends the rest, after the last input.
    pub fn finish(&mut self, output: &mut [Vec<f32>]) {
        let total = self.length(self.num_in);
        while self.num_out < total {
            self.run(output);
        }
    }

    /// Resamples what was gathered, filled up with silence.
    fn run(&mut self, output: &mut [Vec<f32>]) {
        let (num_channels, len) = (self.chunk.len(), self.chunk[0].len());
        let wanted = self.fft.input_frames_next();
        self.chunk.iter_mut().for_each(|channel| channel.resize(wanted, 0.0));
        let frames = self.output[0].len();
        let from = SequentialSliceOfVecs::new(&self.chunk, num_channels, wanted).expect("sizes fit");
        let mut to =
            SequentialSliceOfVecs::new_mut(&mut self.output, num_channels, frames).expect("sizes fit");
        let indexing = Indexing { partial_len: Some(len), ..Indexing::default() };
        let (_, made) = self.fft.process_into_buffer(&from, &mut to, Some(&indexing)).expect("sizes fit");
        let skipped = self.delay_left.min(made);
        self.delay_left -= skipped;
        let left = self.length(self.num_in) - self.num_out;
        let end = made.min(skipped + usize::try_from(left).unwrap_or(usize::MAX));
        for (output, made) in output.iter_mut().zip(&self.output) {
            output.extend_from_slice(&made[skipped..end]);
        }
        self.num_out += (end - skipped) as u64;
        self.chunk.iter_mut().for_each(Vec::clear);
    }
}

/// The greatest number that divides both: Euclid's.
fn gcd(a: u32, b: u32) -> u32 {
    if b == 0 { a } else { gcd(b, a % b) }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::Resampler;

    fn tone(hz: f64, rate_hz: u32, num_samples: usize) -> Vec<f32> {
        (0..num_samples).map(|n| (0.5 * (TAU * hz * n as f64 / f64::from(rate_hz)).sin()) as f32).collect()
    }

    fn resample(signal: &[Vec<f32>], in_hz: u32, out_hz: u32, piece: usize) -> Vec<Vec<f32>> {
        let mut resampler = Resampler::new(in_hz, out_hz, signal.len()).unwrap();
        let mut output = vec![Vec::new(); signal.len()];
        for at in (0..signal[0].len()).step_by(piece) {
            let end = (at + piece).min(signal[0].len());
            let input: Vec<_> = signal.iter().map(|channel| channel[at..end].to_vec()).collect();
            resampler.push(&input, &mut output);
        }
        resampler.finish(&mut output);
        output
    }

    /// A sine at the one rate is the same sine at the other (sampling theorem), on time to far less than a sample.
    #[test]
    fn a_tone_stays_that_tone_in_its_place() {
        for (in_hz, out_hz) in [
            (44_100, 48_000),
            (48_000, 44_100),
            (96_000, 44_100),
            (44_100, 192_000),
            (8_000, 44_100),
            (44_056, 48_000),
        ] {
            for hz in [50.0, 997.0, 0.45 * f64::from(in_hz.min(out_hz))] {
                let input = tone(hz, in_hz, in_hz as usize);
                let output = resample(&[input], in_hz, out_hz, 1000);
                assert_eq!(output[0].len(), out_hz as usize, "{in_hz} to {out_hz}");
                let expected = tone(hz, out_hz, out_hz as usize);
                // The filter reaches over either end, where a tone that begins at once is no tone.
                let inner = out_hz as usize / 8..out_hz as usize * 7 / 8;
                let worst = inner.map(|n| (output[0][n] - expected[n]).abs()).fold(0.0, f32::max);
                // -100 dB re the tone; single precision rounds at -140.
                assert!(worst < 0.5e-5, "{hz} Hz, {in_hz} to {out_hz}: {worst}");
            }
        }
    }

    /// What the lower rate cannot hold must go, lest it comes back as another tone.
    #[test]
    fn what_the_new_rate_cannot_hold_is_gone() {
        for hz in [22_300.0, 23_500.0] {
            let output = resample(&[tone(hz, 48_000, 48_000)], 48_000, 44_100, 4096);
            let worst = output[0][6_000..38_000].iter().fold(0f32, |worst, x| worst.max(x.abs()));
            assert!(worst < 0.5e-5, "{hz} Hz: {worst}");
        }
    }

    /// The output does not depend on the pieces in which the input comes, and its length is that of the input in time.
    #[test]
    fn pieces_do_not_count_and_lengths_fit() {
        for length in [1, 2, 1_000, 44_101] {
            let input = [tone(997.0, 44_100, length), tone(50.0, 44_100, length)];
            let whole = resample(&input, 44_100, 48_000, length);
            assert_eq!(whole[0].len(), (length * 48_000).div_ceil(44_100));
            for piece in [1, 117, 5_000] {
                if length / piece < 2_000 {
                    assert!(
                        resample(&input, 44_100, 48_000, piece) == whole,
                        "{length} in pieces of {piece}"
                    );
                }
            }
        }
        let mut hurt = tone(997.0, 44_100, 44_100);
        hurt[20_000] = f32::NAN;
        assert!(resample(&[hurt], 44_100, 48_000, 4096)[0].iter().all(|x| x.is_finite()));
    }
}
