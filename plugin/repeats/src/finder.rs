//! Where the song comes again, to the fraction of a sample.
//!
//! The idea that a backing repeats while the voice does not is that of Rafii and Pardo: REPET (IEEE TASLP 21(1), 2013), and,
//! without a fixed period, REPET-SIM (ISMIR 2012). They compare magnitudes of short frames; here the waveform of about a bar
//! is compared, since what comes again sample for sample can be subtracted.

use std::{f64::consts::PI, ops::Range};

use crate::{
    correlator::Correlator, decimate::decimated, refine::refine, sizes::Sizes, song::Song, whiten::Whitening,
};

/// Repeats of a segment that are kept.
const MAX_REPEATS: usize = 10;
/// More of them from passages that are known to hold no voice.
const MAX_FREE_REPEATS: usize = 6;
/// Least correlation of a repeat. White noise of this length against a whole song reaches about 0.03.
const LEAST_CORRELATION: f32 = 0.10;
/// Before the lag is refined, less is asked for.
const COARSE: f32 = 0.6;
/// Repeats nearer than this to the segment itself are its own sound, not another one, s.
const LEAST_LAG_S: f64 = 0.25;
/// Repeats nearer than this to a stronger one are the same, s.
const APART_S: f64 = 0.03;
/// A segment is silent if it is this far below the song's mean power.
const SILENT: f64 = 1e-6;

/// A repeat of a segment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Repeat {
    /// How much later it is in the song, samples; negative if earlier.
    pub lag_samples: f64,
    /// How much alike, whitened, in the band of the search: -1 to 1. Below 2.7 kHz, where a voice has most of its power; drums
    /// that repeat hide in the band above that nothing else does.
    pub correlation: f32,
}

/// A segment and its repeats.
#[derive(Clone, Debug, PartialEq)]
pub struct Segment {
    /// Where it begins, samples.
    pub start: usize,
    /// Strongest first.
    pub repeats: Vec<Repeat>,
    /// There is nothing in it that could repeat.
    pub is_silent: bool,
}

/// One channel made ready to be searched.
pub struct Searchable {
    low: Vec<f32>,
    full: Vec<f32>,
}

impl Searchable {
    /// A channel of the song; channels may be prepared side by side.
    pub fn new(song: &Song, channel_idx: usize) -> Self {
        let sizes = Sizes::new(song.sample_rate_hz());
        let channel = &song.channels()[channel_idx];
        // Of both channels alike, so that a side that is all but silent stays so.
        let mean_square = song.power(0, song.num_samples()) / song.channels().len() as f64;
        let low = Whitening {
            frame_samples: sizes.search_frame_samples,
            half_bins: 4,
            half_frames: 4,
            mean_square,
        };
        let full =
            Whitening { frame_samples: sizes.frame_samples, half_bins: 8, half_frames: 2, mean_square };
        Self { low: low.of(&decimated(channel, sizes.decimation)), full: full.of(channel) }
    }
}

/// Finds repeats.
pub struct Finder {
    sizes: Sizes,
    sample_rate_hz: f64,
    correlator: Correlator,
    /// Whitened, `[channel_idx][sample_idx]`.
    full: Vec<Vec<f32>>,
    free: Vec<Range<usize>>,
}

impl Finder {
    /// Over all channels of a song. `free` are the passages without a voice, as far as they are known, samples.
    pub fn new(sample_rate_hz: f64, channels: Vec<Searchable>, free: &[Range<usize>]) -> Self {
        let sizes = Sizes::new(sample_rate_hz);
        let (low, full) = channels.into_iter().map(|channel| (channel.low, channel.full)).unzip();
        let correlator = Correlator::new(low, sizes.segment_samples / sizes.decimation);
        Self { sizes, sample_rate_hz, correlator, full, free: free.to_vec() }
    }

    /// Where segments begin, samples: as many as touch a part of the song of so many samples.
    pub fn starts(sizes: &Sizes, num_samples: usize, part: &Range<usize>) -> Vec<usize> {
        let last = num_samples.saturating_sub(sizes.segment_samples / 2);
        let touches = |start: &usize| *start < part.end && start + sizes.segment_samples > part.start;
        (0..last).step_by(sizes.segment_step_samples).filter(touches).collect()
    }

    /// The repeats of the segment of a song that begins at a sample.
    pub fn find(&self, song: &Song, start: usize) -> Segment {
        let mean = song.power(0, song.num_samples());
        let is_silent = song.power(start, start + self.sizes.segment_samples) <= SILENT * mean;
        let repeats = if is_silent { Vec::new() } else { self.repeats(start) };
        Segment { start, repeats, is_silent }
    }

    fn repeats(&self, start: usize) -> Vec<Repeat> {
        let Sizes { decimation, segment_samples, .. } = self.sizes;
        let at = start / decimation;
        let mut correlation = self.correlator.correlate(at);
        let len = correlation.len();
        let near = (LEAST_LAG_S * self.sample_rate_hz) as usize / decimation;
        correlation[at.saturating_sub(near)..(at + near).min(len)].fill(0.0);
        // What ends before half of the segment is over is no repeat of it.
        correlation[len.saturating_sub(segment_samples / decimation / 2)..].fill(0.0);
        let is_peak = |n: &usize| {
            let [before, here, after] = [correlation[n - 1], correlation[*n], correlation[n + 1]];
            here > before && here >= after && here > COARSE * LEAST_CORRELATION
        };
        let mut peaks: Vec<usize> = (1..len.saturating_sub(1)).filter(is_peak).collect();
        peaks.sort_by(|&a, &b| correlation[b].total_cmp(&correlation[a]));
        let is_free = |peak: &&usize| {
            let middle = *peak * decimation + segment_samples / 2;
            self.free.iter().any(|free| free.contains(&middle))
        };
        let best = peaks.iter().take(2 * MAX_REPEATS);
        let best_free = peaks.iter().skip(2 * MAX_REPEATS).filter(is_free).take(2 * MAX_FREE_REPEATS);
        let middle = start + segment_samples / 4..start + 3 * segment_samples / 4;
        let mut repeats: Vec<Repeat> = Vec::new();
        for &peak in best.chain(best_free) {
            let lag = (peak as i64 - at as i64) * decimation as i64;
            let Some(lag_samples) = refine(&self.full, middle.clone(), lag, decimation + 2) else { continue };
            let correlation = interpolated(&correlation, at as f64 + lag_samples / decimation as f64);
            let is_new =
                |repeat: &Repeat| (repeat.lag_samples - lag_samples).abs() > APART_S * self.sample_rate_hz;
            if correlation > LEAST_CORRELATION && repeats.iter().all(is_new) {
                repeats.push(Repeat { lag_samples, correlation });
            }
        }
        repeats.sort_by(|a, b| b.correlation.total_cmp(&a.correlation));
        let mut kept = 0;
        let mut kept_free = 0;
        repeats.retain(|repeat| {
            let middle = (start + segment_samples / 2) as f64 + repeat.lag_samples;
            let is_free = self.free.iter().any(|free| free.contains(&(middle.max(0.0) as usize)));
            let (count, most) = if is_free {
                (&mut kept_free, MAX_FREE_REPEATS + MAX_REPEATS)
            } else {
                (&mut kept, MAX_REPEATS)
            };
            *count += 1;
            *count <= most
        });
        repeats
    }
}

/// The value between samples, by a sinc under a Hann window over eight to each side (common practice, no source).
fn interpolated(signal: &[f32], at: f64) -> f32 {
    const HALF: i64 = 8;
    let whole = at.floor() as i64;
    let sample = |n: i64| usize::try_from(n).ok().and_then(|n| signal.get(n)).copied().unwrap_or(0.0);
    let weight = |x: f64| {
        let sinc = if x.abs() < 1e-9 { 1.0 } else { (PI * x).sin() / (PI * x) };
        sinc * (0.5 + 0.5 * (PI * x / (HALF + 1) as f64).cos())
    };
    (whole - HALF + 1..=whole + HALF).map(|n| sample(n) * weight(at - n as f64) as f32).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::noise;

    const RATE_HZ: f64 = 8_000.0;

    fn finder(song: &Song, free: &[Range<usize>]) -> Finder {
        let channels = (0..song.channels().len()).map(|channel| Searchable::new(song, channel)).collect();
        Finder::new(RATE_HZ, channels, free)
    }

    /// A bar of 17,001 samples, five times, under something else all the time.
    #[test]
    fn a_bar_is_found_in_all_its_places() {
        let bar = noise(1, 17_001);
        let other = noise(2, 5 * bar.len());
        let mix: Vec<f32> = (0..other.len()).map(|n| bar[n % bar.len()] + 0.5 * other[n]).collect();
        let song = Song::new(vec![mix.clone(), mix], RATE_HZ);
        let finder = finder(&song, &[]);
        let segment = finder.find(&song, 34_100);
        let mut lags: Vec<i64> =
            segment.repeats.iter().map(|repeat| repeat.lag_samples.round() as i64).collect();
        lags.sort_unstable();
        assert_eq!(lags, [-34_002, -17_001, 17_001, 34_002]);
        for repeat in &segment.repeats {
            // 1 / (1 + 0.25): what is common, of all.
            assert!((repeat.correlation - 0.8).abs() < 0.05, "{repeat:?}");
            assert!((repeat.lag_samples - repeat.lag_samples.round()).abs() < 0.02, "{repeat:?}");
        }
    }

    #[test]
    fn noise_and_silence_have_no_repeats() {
        let mut signal = noise(3, 100_000);
        signal[60_000..].fill(0.0);
        let song = Song::new(vec![signal], RATE_HZ);
        let finder = finder(&song, &[]);
        let segment = finder.find(&song, 16_000);
        assert!(segment.repeats.is_empty() && !segment.is_silent, "{segment:?}");
        assert!(finder.find(&song, 72_000).is_silent);
    }

    #[test]
    fn a_part_is_touched_by_the_segments_around_it() {
        let sizes = Sizes::new(RATE_HZ);
        assert_eq!(Finder::starts(&sizes, 40_000, &(0..40_000)), [0, 8_000, 16_000, 24_000]);
        assert_eq!(Finder::starts(&sizes, 40_000, &(20_000..22_000)), [8_000, 16_000]);
    }
}
