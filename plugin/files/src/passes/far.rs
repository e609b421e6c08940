//! Compares the whole of both files: finds a backing that starts too far from the mix for the engine's own search, and tells where a
//! song that repeats has its place.

use anyhow::Result;
use realfft::{RealFftPlanner, num_complex::Complex};
use std::{
    path::Path,
    sync::atomic::{AtomicBool, Ordering::Relaxed},
};

use crate::read::AudioReader;

/// Beyond this the engine does not look, s; less a second, in which its own search takes over.
const ENGINE_REACH_S: f64 = 9.0;

/// Rate at which the two are compared, at least, Hz: enough to tell places apart, few enough samples for whole songs.
const COARSE_RATE_HZ: u32 = 4_000;

/// How much of each file is compared, s: a quarter of an hour takes about 150 MiB.
const REACH_S: u64 = 900;

/// How far the highest peak must stand above all others to be the place. In 27 of 28 pairs of a mix and its
/// backing, clean to worn vinyl, it stood 3.2 to 38 times above them, in a rearranged one 1.1; in 284 pairs of different songs the
/// median was 1.05, and nothing away from the start of both stood twice as high.
const CLEAR: f32 = 2.0;
/// A peak counts from so many standard deviations of the correlation on: the highest of millions of chance values reaches 5.5.
const SIGNIFICANT: f32 = 8.0;
/// Two peaks are of one height if they differ by less than so many standard deviations, and a share of the height: a song that
/// repeats to the sample is then at home in both places. Chosen by hand; not measured.
const ALIKE: (f32, f32) = (6.0, 0.02);
/// But none is told that is lower by more than this share of the height: where a drift blurs all peaks they hardly stand out.
const ALIKE_AT_MOST: f32 = 0.1;
/// Width over which the whitening is even, Hz: many teeth of the comb of a bar, and narrower than what makes up a tone.
const EVEN_HZ: f64 = 20.0;
/// What lies within so much of a peak belongs to it, s: its width, and a delay that drifts.
const WIDTH_S: f64 = 0.05;
/// Places told of, and tried, at most.
const MOST_PLACES: usize = 3;

/// A mix against its backing, over the whole of both files.
pub struct WholeSong {
    /// By how many samples the backing must be moved earlier (later, if negative) to bring it to about its place, if that is
    /// beyond the engine's reach and clear; 0 otherwise. Then there is no need to wait for the engine.
    pub far_samples: i64,
    correlation: Correlation,
    /// Standard deviation of the correlation.
    deviation: f32,
}

/// A correlation by lag of the mix, in steps, circular; magnitudes.
struct Correlation {
    values: Vec<f32>,
    /// Samples of the mix a step.
    step: u32,
    /// What lies this near to a peak belongs to it, steps.
    width: usize,
}

impl WholeSong {
    /// Compares the files; `None` if either is silent, or `wanted` no longer.
    ///
    /// Generalised cross-correlation (Knapp and Carter 1976) of the channels' sums, with phase transform and with a whitening
    /// that is even over [`EVEN_HZ`]: a song of bars that are alike has a comb for a spectrum, of which phases alone prefer the
    /// first and the last place.
    pub fn compare(mix: &Path, backing: &Path, wanted: &AtomicBool) -> Result<Option<Self>> {
        let mix = AudioReader::open(mix)?;
        let rate_hz = mix.sample_rate_hz();
        let backing = AudioReader::open_at(backing, rate_hz)?;
        let step = coarse_step(rate_hz);
        let (mix, backing) = (coarse(mix, step, wanted)?, coarse(backing, step, wanted)?);
        if !wanted.load(Relaxed) {
            return Ok(None);
        }
        let length = (mix.len() + backing.len()).next_power_of_two();
        let mut planner = RealFftPlanner::<f32>::new();
        let (forward, inverse) = (planner.plan_fft_forward(length), planner.plan_fft_inverse(length));
        let spectrum = |mut signal: Vec<f32>| {
            signal.resize(length, 0.0);
            let mut spectrum = forward.make_output_vec();
            forward.process(&mut signal, &mut spectrum).expect("lengths are the plan's");
            spectrum
        };
        // Mix times conjugate backing peaks at the lag by which the mix is later.
        let mut cross = spectrum(mix);
        for (mix, backing) in cross.iter_mut().zip(spectrum(backing)) {
            *mix *= backing.conj();
        }
        let mut even = cross.clone();
        whiten(&mut cross);
        whiten_evenly(&mut even, (EVEN_HZ * length as f64 * f64::from(step) / f64::from(rate_hz)) as usize);
        let width = (WIDTH_S * f64::from(rate_hz / step)) as usize;
        let correlation = |mut cross: Vec<Complex<f32>>| {
            let mut values = inverse.make_output_vec();
            inverse.process(&mut cross, &mut values).expect("lengths are the plan's");
            values.iter_mut().for_each(|x| *x = x.abs());
            Correlation { values, step, width }
        };
        // All but phase removed, so that one place stands out most.
        let phases = correlation(cross);
        if phases.values.iter().all(|x| *x == 0.0) {
            return Ok(None);
        }
        let far_samples = phases.far_samples(rate_hz);
        // Evenly whitened, so that a peak is as high as the music is long that agrees.
        let correlation = correlation(even);
        Ok(Some(Self { far_samples, deviation: correlation.deviation(), correlation }))
    }

    /// The same where the engine has found it at these delays, samples: if it is at home elsewhere with more of the song. Of a delay
    /// that moves, which blurs all peaks, only what stands clear above it counts.
    pub fn better_samples(&self, delays: &[f64], moves: bool) -> Option<i64> {
        let (lag, peak) = self.correlation.highest(&[])?;
        let found = self.correlation.height_near(delays);
        let enough = if moves { CLEAR * found } else { found + self.alike(peak) };
        (self.is_significant(peak) && peak > enough).then(|| -self.correlation.samples(lag))
    }

    /// The same where it was found nowhere, likeliest first: part of a song that repeats agrees with more than one place of it.
    pub fn likely_samples(&self) -> Vec<i64> {
        let mut lags = Vec::new();
        let mut least = 0.0;
        while lags.len() < MOST_PLACES
            && let Some((lag, height)) = self.correlation.highest(&lags)
            && self.is_significant(height)
            && height > least
        {
            least = least.max(height / CLEAR);
            lags.push(lag);
        }
        lags.into_iter().map(|lag| -self.correlation.samples(lag)).collect()
    }

    /// Other delays, samples, at which the song agrees with the backing as well as at these.
    pub fn also_at(&self, delays: &[f64]) -> Vec<f64> {
        let found = self.correlation.height_near(delays);
        let mut lags: Vec<usize> = delays.iter().map(|&delay| self.correlation.lag_of(delay)).collect();
        let mut also = Vec::new();
        if !self.is_significant(found) {
            return also;
        }
        while also.len() < MOST_PLACES
            && let Some((lag, height)) = self.correlation.highest(&lags)
            && self.is_significant(height)
            && found - height <= self.alike(found).min(ALIKE_AT_MOST * found)
        {
            also.push(self.correlation.samples(lag) as f64);
            lags.push(lag);
        }
        also
    }

    fn is_significant(&self, height: f32) -> bool {
        height > SIGNIFICANT * self.deviation
    }

    /// By how much two peaks about as high as this may differ by chance.
    fn alike(&self, height: f32) -> f32 {
        ALIKE.0 * self.deviation + ALIKE.1 * height
    }
}

impl Correlation {
    /// See [`WholeSong::far_samples`], at a rate in Hz.
    fn far_samples(&self, rate_hz: u32) -> i64 {
        let Some((lag, peak)) = self.highest(&[]) else { return 0 };
        let second = self.highest(&[lag]).map_or(0.0, |(_, height)| height);
        let far = self.samples(lag).unsigned_abs() as f64 > ENGINE_REACH_S * f64::from(rate_hz);
        if far && peak > CLEAR * second { -self.samples(lag) } else { 0 }
    }

    /// The highest peak that does not belong to these.
    fn highest(&self, without: &[usize]) -> Option<(usize, f32)> {
        let length = self.values.len();
        let apart = |a: usize, b: usize| a.abs_diff(b).min(length - a.abs_diff(b)) > self.width;
        let lags = (0..length).filter(|&lag| without.iter().all(|&other| apart(lag, other)));
        lags.map(|lag| (lag, self.values[lag])).max_by(|a, b| a.1.total_cmp(&b.1))
    }

    /// Height of the highest peak to which one of these delays, samples, belongs.
    fn height_near(&self, delays: &[f64]) -> f32 {
        let length = self.values.len();
        let near = |&delay: &f64| {
            let first = self.lag_of(delay) + length - self.width;
            (0..=2 * self.width).map(move |off| self.values[(first + off) % length])
        };
        delays.iter().flat_map(near).fold(0.0, f32::max)
    }

    fn deviation(&self) -> f32 {
        let square: f64 = self.values.iter().map(|x| f64::from(x * x)).sum();
        (square / self.values.len() as f64).sqrt() as f32
    }

    /// Delay of the mix at a lag, samples.
    fn samples(&self, lag: usize) -> i64 {
        let length = self.values.len();
        let lag = if lag < length / 2 { lag as i64 } else { lag as i64 - length as i64 };
        lag * i64::from(self.step)
    }

    fn lag_of(&self, delay_samples: f64) -> usize {
        let lag = (delay_samples / f64::from(self.step)).round() as i64;
        lag.rem_euclid(self.values.len() as i64) as usize
    }
}

/// Samples at a rate, Hz, that become one at the coarse rate.
pub fn coarse_step(rate_hz: u32) -> u32 {
    (rate_hz / COARSE_RATE_HZ).max(1)
}

/// The sum of a file's channels at a coarse rate, by means over `step` samples; as far as it is wanted. The second channel counts
/// half, so that one side upside down cancels nothing.
pub fn coarse(mut reader: AudioReader, step: u32, is_wanted: &AtomicBool) -> Result<Vec<f32>> {
    let wanted = (REACH_S * u64::from(reader.sample_rate_hz()) / u64::from(step)) as usize;
    let mut block = vec![vec![0.0; 1024 * step as usize]; reader.num_channels()];
    let mut signal = Vec::new();
    loop {
        let count = reader.read(&mut block)?;
        for start in (0..count).step_by(step as usize) {
            let range = start..(start + step as usize).min(count);
            let sum =
                |channel: &Vec<f32>| channel[range.clone()].iter().filter(|x| x.is_finite()).sum::<f32>();
            signal.push(block.iter().zip([1.0, 0.5]).map(|(channel, share)| share * sum(channel)).sum());
        }
        if count < block[0].len() || signal.len() >= wanted || !is_wanted.load(Relaxed) {
            return Ok(signal);
        }
    }
}

/// Leaves each bin its phase only. Bins far below the average carry noise, and count for less.
fn whiten(cross: &mut [Complex<f32>]) {
    let mean = cross.iter().map(|bin| bin.norm()).sum::<f32>() / cross.len() as f32;
    for bin in cross {
        *bin /= bin.norm() + 1e-3 * mean + f32::MIN_POSITIVE;
    }
}

/// The same by the mean magnitude over so many neighbours.
fn whiten_evenly(cross: &mut [Complex<f32>], width: usize) {
    let mut up_to = vec![0.0; cross.len() + 1];
    for (bin, value) in cross.iter().enumerate() {
        up_to[bin + 1] = up_to[bin] + f64::from(value.norm());
    }
    let floor = 1e-3 * up_to[cross.len()] / cross.len() as f64 + f64::from(f32::MIN_POSITIVE);
    let last = cross.len();
    for (bin, value) in cross.iter_mut().enumerate() {
        let (from, to) = (bin.saturating_sub(width / 2), (bin + width / 2 + 1).min(last));
        let mean = (up_to[to] - up_to[from]) / (to - from) as f64;
        *value *= (1.0 / (mean + floor)) as f32;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{noise::samples, write::write_all};

    const RATE_HZ: u32 = 8_000;

    /// Known offsets on either side of the engine's reach, and no relation at all.
    #[test]
    fn tells_offsets_beyond_the_engines_reach() {
        let folder = tempfile::tempdir().unwrap();
        let [mix, backing] = ["mix.wav", "backing.wav"].map(|name| folder.path().join(name));
        let noise = |seed, seconds: u32| samples(seed, (seconds * RATE_HZ) as usize);
        let song = noise(1, 40);
        let silence = |seconds: f32| vec![0.0; (seconds * RATE_HZ as f32) as usize];
        let inverted = || song.iter().map(|x| -0.3 * x).collect::<Vec<_>>();
        let late = 100_001;
        for (mix_channel, backing_channel, expected) in [
            (song.clone(), [silence(12.500_125), inverted()].concat(), late),
            ([silence(12.500_125), song.clone()].concat(), inverted(), -late),
            (song.clone(), [silence(5.0), inverted()].concat(), 0),
            (song.clone(), noise(77_777, 60), 0),
            (song.clone(), silence(60.0), 0),
        ] {
            write_all(&mix, RATE_HZ, &[mix_channel]).unwrap();
            write_all(&backing, RATE_HZ, &[backing_channel.clone(), backing_channel]).unwrap();
            let whole = WholeSong::compare(&mix, &backing, &AtomicBool::new(true)).unwrap();
            let found = whole.map_or(0, |whole| whole.far_samples);
            // To the step at which both are compared.
            assert!((found - expected).abs() <= 2, "{found}, not {expected}");
        }
    }

    /// Four bars of 5 s that are alike to the sample, and an end. A backing that begins with the second bar was found one bar off.
    /// With the end, the whole song tells; without it, either place is as good.
    #[test]
    fn a_song_that_repeats_is_placed_by_the_whole_of_it() {
        let folder = tempfile::tempdir().unwrap();
        let [mix, backing] = ["mix.wav", "backing.wav"].map(|name| folder.path().join(name));
        let seconds = |s: usize| s * RATE_HZ as usize;
        let (bar, end) = (samples(1, seconds(5)), samples(48_271, seconds(5)));
        let song = [&bar[..], &bar, &bar, &bar, &end].concat();
        let (right, one_off) = (seconds(10) as f64, seconds(5) as f64);
        for (from, to, better, also) in
            [(10, 25, Some(-80_000), vec![]), (10, 15, None, vec![0.0, 80_000.0, 120_000.0])]
        {
            write_all(&mix, RATE_HZ, std::slice::from_ref(&song)).unwrap();
            write_all(&backing, RATE_HZ, &[song[seconds(from)..seconds(to)].to_vec()]).unwrap();
            let whole = WholeSong::compare(&mix, &backing, &AtomicBool::new(true)).unwrap().unwrap();
            assert_eq!(whole.better_samples(&[one_off], false), better);
            assert_eq!(whole.better_samples(&[one_off, right], false), None);
            let mut found = whole.also_at(&[one_off]);
            found.sort_by(f64::total_cmp);
            if better.is_none() {
                assert_eq!(found, also);
            }
            assert_eq!(whole.also_at(&[right]).len(), also.len());
        }
    }
}
