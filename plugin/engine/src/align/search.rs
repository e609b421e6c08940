//! Finds the backing in the mix while a voice sings over it: generalised cross-correlation with phase transform
//! (Knapp & Carter 1976), summed over both sides. The sign of its peak is the polarity.

use crate::dsp::at_once::{Both, each};
use crate::dsp::ring::{Ring, Signal};
use crate::dsp::sinc::{dot, windowed_sinc};
use crate::dsp::sizes::Sizes;
use crate::spectral::spectrum::Spectrum;
use multiversion::multiversion;
use realfft::num_complex::Complex32;

/// Longest stretch of music looked at round a known delay, seconds.
pub const LOOK_S: f64 = 2.0;
/// Least music in which the whole reach is searched, seconds: in less, unrelated music agrees by chance.
const LEAST_S: f64 = 0.7;
/// How early the backing may be, seconds.
pub const EARLY_S: f64 = 18.0;
/// How late it may be, seconds.
pub const LATE_S: f64 = 10.5;
/// Band compared at the full rate.
const BAND_HZ: (f64, f64) = (60.0, 12_000.0);
/// Neighbours of a peak that belong to it, seconds.
const PEAK_S: f64 = 1.5e-3;
/// Lags looked at on either side when a known delay is searched again, samples at 44.1 and 48 kHz.
pub const LOCAL: usize = 2048;
/// Quieter than this (RMS re full scale) nothing can be told.
const AUDIBLE: f64 = 1e-4;

/// Samples at a fraction of the rate that are made at a time.
const DECIMATED_BLOCK: usize = 1024;

/// Highest over second highest correlation peak from which a search counts. Right songs gave 3.1 or more, wrong
/// songs at most 1.38 (measured on 28 pairs of recordings); this lies between.
pub const LOCK_CONFIDENCE: f32 = 1.7;

/// An alignment that was found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Found {
    /// How much later than the backing the mix plays the same music, samples.
    pub delay_samples: f64,
    /// True if the polarity is flipped.
    pub inverted: bool,
    /// Highest peak over the second highest.
    pub confidence: f32,
}

/// Searches the whole reach with the last seconds of what was heard from a position on, for each number of seconds, longest
/// first: where the `most` highest peaks are, best first. Only the first one tells how sure it is; none while too little was
/// heard.
pub fn search(
    [mix, backing]: [&Ring; 2],
    from: i64,
    windows_s: &[f64],
    most: usize,
    sizes: Sizes,
    both: Both,
) -> Vec<Vec<Found>> {
    let step = (sizes.sample_rate_hz / 10_000.0).floor().max(1.0) as usize;
    let begin = from.max(mix.begin()).max(backing.begin()).min(mix.end());
    let heard = (mix.end() - begin) as usize;
    if heard < sizes.samples(LEAST_S) {
        return vec![Vec::new(); windows_s.len()];
    }
    let end = mix.end();
    let window = |window_s: f64| (heard / 2).min(sizes.samples(window_s)) / step * step;
    let reach = |window: usize, reach_s: f64| (heard - window).min(sizes.samples(reach_s)) / step * step;
    // The newest mix against the older backing, and the newest backing against the older mix.
    let directions = [(0, 1, EARLY_S, 1.0), (1, 0, LATE_S, -1.0)];
    // At a fraction of the rate once, as far as the longest search reaches: both sides of the mix, then of the backing.
    let longest = windows_s.iter().map(|&window_s| window(window_s)).max().unwrap_or_default();
    let sides = [(mix, 0, LATE_S), (mix, 1, LATE_S), (backing, 0, EARLY_S), (backing, 1, EARLY_S)];
    let decimated = each(&sides, both, |&(ring, side, reach_s)| {
        let len = longest + reach(longest, reach_s);
        Excerpt { ring, start: end - len as i64, len }.decimated(side, step)
    });
    let rate = sizes.sample_rate_hz / step as f64;
    let peak_width = (PEAK_S * rate).ceil() as usize;
    each(windows_s, both, |&window_s| {
        let window = window(window_s);
        let (num_peaks, width) = (most.max(2), 2.0 * (peak_width * step) as f64);
        // With the sides alike and opposed. Of a correlation no more is kept than its peaks.
        let mut peaks = [Vec::new(), Vec::new()];
        for (newer, older, reach_s, sign) in directions {
            let reach = reach(window, reach_s);
            let is_audible = |signal: usize, len: usize| {
                Excerpt { ring: [mix, backing][signal], start: end - len as i64, len }.is_audible()
            };
            if !is_audible(newer, window) || !is_audible(older, window + reach) {
                continue;
            }
            let last = |signal: usize, len: usize| Last { sides: &decimated[2 * signal..][..2], len };
            let (newer, older) = (last(newer, window / step), last(older, (window + reach) / step));
            // Only delays within the reach must not wrap round: the newer one is as long as what is left of the older one.
            let len = fast_len(older.len);
            let mut correlator = Correlator::new(&newer, &older, len);
            for (peaks, sides) in peaks.iter_mut().zip([Sides::Alike, Sides::Opposed]) {
                let correlation = correlator.correlation(sides, (BAND_HZ.0 / rate, 0.4));
                // The older one starts earlier by the reach, so no delay at all is a lag of minus the reach.
                let by_delay = correlation[len - reach / step..].iter().chain(&correlation[..1]).enumerate();
                let heights = by_delay.map(|(delay, at)| (sign * (step * delay) as f64, at.abs()));
                peaks.extend(highest(heights, num_peaks, width));
            }
        }
        let surest_peaks = |sides| {
            let peaks = highest(peaks[sides as usize].iter().copied(), num_peaks, width);
            let &[best, second, ..] = &peaks[..] else { return (peaks, 0.0) };
            (peaks, best.1 / second.1.max(f32::MIN_POSITIVE))
        };
        let (peaks, confidence) = surest(surest_peaks, |(_, confidence)| *confidence);
        if peaks.len() < 2 {
            return Vec::new();
        }
        let found = peaks.iter().enumerate().take(most).filter_map(|(rank, &(delay_samples, _))| {
            let found = look_at([mix, backing], from, LOOK_S, delay_samples.round() as i64, 4 * step, sizes)?;
            Some(Found { confidence: if rank == 0 { confidence } else { 1.0 }, ..found })
        });
        found.collect()
    })
}

/// Looks again at a known delay: the peak within `reach` samples of `delay_samples`, over the last seconds, so many at most, of what
/// was heard from a position on.
pub fn look_at(
    [mix, backing]: [&Ring; 2],
    from: i64,
    window_s: f64,
    delay_samples: i64,
    reach: usize,
    sizes: Sizes,
) -> Option<Found> {
    let local = sizes.scaled(LOCAL) as i64;
    // For a late backing the counterpart of the newest mix is not there yet.
    let end = mix.end().min(backing.end() + delay_samples - local);
    let begin = mix.begin().max(from).max(backing.begin().max(from) + delay_samples);
    let len = (end - begin).min(sizes.samples(window_s) as i64);
    if len < sizes.samples(0.2) as i64 {
        return None;
    }
    let newer = Excerpt { ring: mix, start: end - len, len: len as usize };
    let older = Excerpt { ring: backing, start: newer.start - delay_samples, ..newer };
    if !newer.is_audible() || !older.is_audible() {
        return None;
    }
    let rate = sizes.sample_rate_hz;
    // Only lags up to the local ones must not wrap round.
    let room = fast_len(len as usize + local as usize);
    let band = (BAND_HZ.0 / rate, (BAND_HZ.1 / rate).min(0.45));
    let mut correlator = Correlator::new(&newer, &older, room);
    let look = |sides| peak_near(correlator.correlation(sides, band), delay_samples, reach, local, rate);
    surest(look, |found| found.map_or(0.0, |found| found.confidence))
}

/// How the sides of the mix stand to those of the backing.
#[derive(Clone, Copy)]
enum Sides {
    Alike,
    /// One of them is upside down.
    Opposed,
}

/// What is found with the sides alike, or with one of them upside down if that alone is sure.
fn surest<T>(mut find: impl FnMut(Sides) -> T, confidence: impl Fn(&T) -> f32) -> T {
    let alike = find(Sides::Alike);
    if confidence(&alike) >= LOCK_CONFIDENCE {
        return alike;
    }
    let opposed = find(Sides::Opposed);
    if confidence(&opposed) >= LOCK_CONFIDENCE { opposed } else { alike }
}

/// The highest peak of a correlation about a known delay, within `reach` of it; its confidence within `local`, samples.
fn peak_near(correlation: &[f32], delay_samples: i64, reach: usize, local: i64, rate: f64) -> Option<Found> {
    let at = |lag: i64| correlation[lag.rem_euclid(correlation.len() as i64) as usize];
    let reach = reach as i64;
    let peak = (-reach..=reach).max_by(|&a, &b| at(a).abs().total_cmp(&at(b).abs()))?;
    let width = (PEAK_S * rate) as i64;
    let second = (-local..=local)
        .filter(|lag| (lag - peak).abs() > width)
        .map(|lag| at(lag).abs())
        .fold(f32::MIN_POSITIVE, f32::max);
    // Parabola through the peak and its neighbours.
    let sign = at(peak).signum();
    let [before, top, after] = [-1, 0, 1].map(|d| f64::from(sign * at(peak + d)));
    let curve = before - 2.0 * top + after;
    let fraction = if curve < 0.0 { 0.5 * (before - after) / curve } else { 0.0 };
    Some(Found {
        delay_samples: delay_samples as f64 + peak as f64 + fraction,
        inverted: sign < 0.0,
        confidence: at(peak).abs() / second,
    })
}

/// The `most` highest of values, delays in samples and how high they are, further than `width` samples from each other.
fn highest(values: impl Iterator<Item = (f64, f32)> + Clone, most: usize, width: f64) -> Vec<(f64, f32)> {
    let mut highest: Vec<(f64, f32)> = Vec::new();
    while highest.len() < most {
        let far = |p: &(f64, f32)| p.1 > 0.0 && highest.iter().all(|h| (p.0 - h.0).abs() > width);
        let Some(next) = values.clone().filter(far).max_by(|a, b| a.1.total_cmp(&b.1)) else { break };
        highest.push(next);
    }
    highest
}

/// A stretch of a ring.
struct Excerpt<'a> {
    ring: &'a Ring,
    start: i64,
    len: usize,
}

impl Signal for Excerpt<'_> {
    fn num_samples(&self) -> usize {
        self.len
    }

    fn read(&self, channel: usize, from: usize, out: &mut [f32]) {
        self.ring.read(channel, self.start + from as i64, out);
    }
}

/// The last samples of two sides.
struct Last<'a> {
    sides: &'a [Vec<f32>],
    len: usize,
}

impl Signal for Last<'_> {
    fn num_samples(&self) -> usize {
        self.len
    }

    fn read(&self, channel: usize, from: usize, out: &mut [f32]) {
        let side = &self.sides[channel];
        out.copy_from_slice(&side[side.len() - self.len + from..][..out.len()]);
    }
}

impl Excerpt<'_> {
    /// Whether anything can be told of it; mostly its first moments decide.
    fn is_audible(&self) -> bool {
        let least = AUDIBLE * AUDIBLE * (2 * self.len) as f64;
        let (mut energy, mut block) = (0.0, [0.0; 1024]);
        for side in 0..2 {
            for at in (0..self.len).step_by(block.len()) {
                let heard_samples = block.len().min(self.len - at);
                let heard = &mut block[..heard_samples];
                self.read(side, at, heard);
                energy += heard.iter().map(|&x| f64::from(x) * f64::from(x)).sum::<f64>();
                if energy >= least {
                    return true;
                }
            }
        }
        false
    }

    /// One side of it, one sample for so many.
    fn decimated(&self, side: usize, step: usize) -> Vec<f32> {
        let mut decimated = vec![0.0; self.len / step];
        if step == 1 {
            self.read(side, 0, &mut decimated);
            return decimated;
        }
        // A windowed sinc that is 60 dB down where aliases would fall into the band compared.
        let half = 8 * step;
        let kernel: Vec<f32> = (0..2 * half + 1)
            .map(|n| {
                let t = (n as f64 - half as f64) / step as f64;
                (windowed_sinc(0.9 * t, 7.5, 6.0) * 0.9 / step as f64) as f32
            })
            .collect();
        // Block by block, so that no copy of all of it is needed.
        let mut block = vec![0.0; DECIMATED_BLOCK * step + 2 * half];
        for (idx, out) in decimated.chunks_mut(DECIMATED_BLOCK).enumerate() {
            let first = idx * DECIMATED_BLOCK;
            let from = (first * step).saturating_sub(half);
            let heard = &mut block[..((first + out.len()) * step + half).min(self.len) - from];
            self.read(side, from, heard);
            convolve(heard, from, &kernel, step, first, out);
        }
        decimated
    }
}

/// Samples of a signal at a fraction of its rate, from sample `first` of them on, through a kernel about each, as far as it is
/// known: `heard`, from sample `from` on.
#[multiversion(targets("x86_64+avx2"))]
fn convolve(heard: &[f32], from: usize, kernel: &[f32], step: usize, first: usize, out: &mut [f32]) {
    let half = kernel.len() / 2;
    for (n, out) in (first..).zip(out) {
        let centre = n * step;
        let begin = centre.saturating_sub(half);
        let to = (centre + half + 1 - from).min(heard.len());
        *out = dot(&heard[begin - from..to], &kernel[begin + half - centre..]);
    }
}

/// The least length that is no shorter and made of factors with fast transforms.
fn fast_len(len: usize) -> usize {
    let twos = len.next_power_of_two();
    [twos / 16 * 9, twos / 8 * 5, twos / 4 * 3].into_iter().find(|&fast| fast >= len).unwrap_or(twos)
}

/// Takes in one side of a signal, and silence after it.
fn load(spectrum: &mut Spectrum, signal: &impl Signal, side: usize) {
    let (heard, rest) = spectrum.time().split_at_mut(signal.num_samples());
    signal.read(side, 0, heard);
    rest.fill(0.0);
}

/// Circular correlation of two stereo signals with all but phase removed: peak at index d if `x[n] = y[n - d]`.
struct Correlator {
    spectrum: Spectrum,
    /// Cross spectrum of either side.
    cross: [Vec<Complex32>; 2],
}

impl Correlator {
    /// For circles of `len` samples.
    fn new(x: &impl Signal, y: &impl Signal, len: usize) -> Self {
        let mut spectrum = Spectrum::new(len);
        let cross = [0, 1].map(|side| {
            let mut cross = vec![Complex32::default(); spectrum.num_bins()];
            load(&mut spectrum, x, side);
            spectrum.forward(&mut cross);
            load(&mut spectrum, y, side);
            cross.iter_mut().zip(spectrum.bins_of_time()).for_each(|(x, y)| *x *= y.conj());
            cross
        });
        Self { spectrum, cross }
    }

    /// The correlation in a band, as fractions of the sample rate.
    fn correlation(&mut self, sides: Sides, band: (f64, f64)) -> &[f32] {
        let len = self.spectrum.len() as f64;
        let sign = match sides {
            Sides::Alike => 1.0,
            Sides::Opposed => -1.0,
        };
        let [left, right] = &self.cross;
        let cross = self.spectrum.bins();
        cross
            .iter_mut()
            .zip(left.iter().zip(right))
            .for_each(|(sum, (left, right))| *sum = left + right * sign);
        // Bins far under the rest hold nothing but noise (above a codec's edge) and must not vote.
        let level = |s: &Complex32| s.norm_sqr().sqrt();
        let gate = 1e-7 * cross.iter().map(level).fold(0.0, f32::max);
        let bins = (band.0 * len).ceil() as usize..(band.1 * len) as usize;
        for (k, s) in cross.iter_mut().enumerate() {
            let level = level(s);
            *s = if bins.contains(&k) && level > gate { *s / level } else { Complex32::default() };
        }
        self.spectrum.time_of_bins()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::at_once::in_turn;
    use crate::dsp::noise::noise;

    /// What is found first with the last four seconds.
    fn found(mix: &Ring, backing: &Ring) -> Option<Found> {
        let found = search([mix, backing], i64::MIN, &[4.0], 1, Sizes::new(16_000.0), in_turn);
        found[0].first().copied()
    }

    /// Decaying noise bursts: wide-band and never repeating, like music to a correlator.
    fn music(len: usize, seed: u32) -> Vec<f32> {
        let envelope = |n: usize| 0.3 * (-((n % 9000) as f32) / 3000.0).exp();
        noise(len, seed).into_iter().enumerate().map(|(n, x)| envelope(n) * x).collect()
    }

    fn rings(delay: i64, inverted: bool, rate: usize, seconds: usize) -> (Ring, Ring) {
        let len = seconds * rate;
        let song = music(len + 2 * 20 * rate, 1);
        let voice = music(len, 2);
        let at = |n: i64| song[(n + 20 * rate as i64) as usize];
        let sign = if inverted { -1.0 } else { 1.0 };
        let mix: Vec<f32> = (0..len as i64).map(|n| sign * at(n - delay) + voice[n as usize]).collect();
        let backing: Vec<f32> = (0..len as i64).map(at).collect();
        let (mut x, mut y) = (Ring::new(len), Ring::new(len));
        x.push([&mix, &mix]);
        y.push([&backing, &backing]);
        (x, y)
    }

    /// Known truth over a grid of delays, with a voice as loud as the backing. The tolerance is the Cramer-Rao
    /// scale for this band and length (hundredths of a sample) with room for the parabola's bias.
    #[test]
    fn finds_known_delays_of_either_sign_and_polarity() {
        for (delay, seconds) in
            [(0, 2), (1, 2), (-7, 2), (3_000, 2), (-3_000, 2), (95_000, 10), (-95_000, 10)]
        {
            for inverted in [false, true] {
                let (mix, backing) = rings(delay, inverted, 16_000, seconds);
                let found = found(&mix, &backing).unwrap();
                assert!((found.delay_samples - delay as f64).abs() < 0.1, "{delay}: {found:?}");
                assert_eq!(found.inverted, inverted);
                assert!(found.confidence > 2.0, "{delay}: {found:?}");
            }
        }
    }

    /// One side upside down cancels the other in the sum of both.
    #[test]
    fn a_backing_with_one_side_upside_down_is_found() {
        let sizes = Sizes::new(16_000.0);
        let (song, voice) = (music(90_000, 1), music(90_000, 2));
        let delayed: Vec<f32> = (0..90_000).map(|n| if n < 3_000 { 0.0 } else { song[n - 3_000] }).collect();
        let mixed = |sign: f32| -> Vec<f32> {
            delayed.iter().zip(&voice).map(|(song, voice)| sign * song + voice).collect()
        };
        let (mut mix, mut backing) = (Ring::new(90_000), Ring::new(90_000));
        mix.push([&mixed(1.0), &mixed(-1.0)]);
        backing.push([&song, &song]);
        let found = found(&mix, &backing).unwrap();
        assert!((found.delay_samples - 3_000.0).abs() < 0.1 && found.confidence > 2.0, "{found:?}");
        assert!(!found.inverted, "the left side tells the polarity");
        let found = look_at([&mix, &backing], i64::MIN, LOOK_S, 3_005, 64, sizes).unwrap();
        assert!((found.delay_samples - 3_000.0).abs() < 0.1 && found.confidence > 2.0, "{found:?}");
    }

    #[test]
    fn unrelated_music_is_not_found() {
        for seed in 0..10 {
            let (mut x, mut y) = (Ring::new(64_000), Ring::new(64_000));
            let (mix, backing) = (music(64_000, 10 + seed), music(64_000, 100 + seed));
            x.push([&mix, &mix]);
            y.push([&backing, &backing]);
            assert!(found(&x, &y).unwrap().confidence < 1.5);
        }
    }

    #[test]
    fn silence_tells_nothing() {
        let (mut x, mut y) = (Ring::new(64_000), Ring::new(64_000));
        x.push([&music(64_000, 1), &music(64_000, 2)]);
        y.push([&[0.0; 64_000], &[0.0; 64_000]]);
        assert_eq!(found(&x, &y), None);
    }
}
