//! Finds a backing that starts too far from the mix for the engine's own search.

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

/// How far the highest peak must stand above all others. In 27 of 28 pairs of a mix and its backing, clean to worn vinyl,
/// it stood 3.2 to 38 times above them, in a rearranged one 1.1; in 284 pairs of different songs the median was 1.05,
/// and nothing away from the start of both stood twice as high.
const CLEAR: f32 = 2.0;

/// By how many samples the backing must be moved earlier (later, if negative) to bring it to about its place, if that is
/// beyond the engine's reach; 0 if it is not, cannot be told, or is `wanted` no longer.
///
/// Generalised cross-correlation with phase transform (Knapp and Carter 1976) of the sums of the channels, over the
/// whole of both files.
pub fn far_offset_samples(mix: &Path, backing: &Path, wanted: &AtomicBool) -> Result<i64> {
    let mix = AudioReader::open(mix)?;
    let rate_hz = mix.sample_rate_hz();
    let backing = AudioReader::open_at(backing, rate_hz)?;
    let step = (rate_hz / COARSE_RATE_HZ).max(1);
    let (mix, backing) = (coarse(mix, step, wanted)?, coarse(backing, step, wanted)?);
    if !wanted.load(Relaxed) {
        return Ok(0);
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
    whiten(&mut cross);
    let mut correlation = inverse.make_output_vec();
    inverse.process(&mut cross, &mut correlation).expect("lengths are the plan's");

    let highest = |allowed: &dyn Fn(usize) -> bool| {
        (0..length)
            .filter(|&lag| allowed(lag))
            .map(|lag| (lag, correlation[lag].abs()))
            .max_by(|a, b| a.1.total_cmp(&b.1))
    };
    let Some((lag, peak)) = highest(&|_| true) else { return Ok(0) };
    // A peak has a width: what lies within 50 ms of it belongs to it.
    let width = (rate_hz / step / 20) as usize;
    let apart = |other: usize| other.abs_diff(lag).min(length - other.abs_diff(lag)) > width;
    let second = highest(&apart).map_or(0.0, |(_, height)| height);
    let lag = if lag < length / 2 { lag as i64 } else { lag as i64 - length as i64 };
    let late_samples = -lag * i64::from(step);
    let far = late_samples.unsigned_abs() as f64 > ENGINE_REACH_S * f64::from(rate_hz);
    Ok(if far && peak > CLEAR * second { late_samples } else { 0 })
}

/// The sum of a file's channels at a coarse rate, by means over `step` samples; as far as it is wanted.
fn coarse(mut reader: AudioReader, step: u32, is_wanted: &AtomicBool) -> Result<Vec<f32>> {
    let wanted = (REACH_S * u64::from(reader.sample_rate_hz()) / u64::from(step)) as usize;
    let mut block = vec![vec![0.0; 1024 * step as usize]; reader.num_channels()];
    let mut signal = Vec::new();
    loop {
        let count = reader.read(&mut block)?;
        for start in (0..count).step_by(step as usize) {
            let sum = block.iter().flat_map(|channel| &channel[start..(start + step as usize).min(count)]);
            signal.push(sum.filter(|x| x.is_finite()).sum());
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

#[cfg(test)]
mod tests {
    use std::sync::atomic::AtomicBool;

    use super::far_offset_samples;
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
            let found = far_offset_samples(&mix, &backing, &AtomicBool::new(true)).unwrap();
            // To the step at which both are compared.
            assert!((found - expected).abs() <= 2, "{found}, not {expected}");
        }
    }
}
