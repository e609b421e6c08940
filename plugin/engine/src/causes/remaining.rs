//! What remains: the rules that find out, from what is left, which difference no linear match takes away.

use crate::causes::cells::{Cell, CellHistory, EMPTY_BAND};
use crate::causes::diagnosis::{Kind, Signal};
use crate::dsp::units::power_to_db;

/// Frames needed before anything is reported (4 s). Chosen by hand; not measured.
pub const MIN_FRAMES: usize = 160;
/// Least difference in loudness between the two halves of the frames from which it is read what follows what, nats (3 dB).
/// Chosen by hand; not measured.
const LEAST_CONTRAST: f64 = 0.7;
/// Rise of what is left, dB per dB of the backing, from which it follows the backing. A voice or noise gives 0, what
/// is made of the backing 1, a mixture something between. Where the voice sang over an exact copy it read -0.1 to
/// 0.15, under codecs 0.35 to 1.2 (15 recordings).
const FOLLOWING_RISE: f64 = 0.25;
/// Rise from which nothing else need be asked of it: a voice over a backing that holds it reached 0.3.
const SURELY_FOLLOWING_RISE: f64 = 0.5;
/// Share of what is left, beyond chance, that a gain explains, above which it is no codec but a gain or a filter that
/// is not quite right. Of what codecs leave it was 0.02 to 0.23, the most while the filter was still being learned; of
/// what a moving delay leaves, which rises with the backing by up to 0.4 too, 0.57 to 0.83 (28 recordings).
const MAX_COHERENT_SHARE: f64 = 0.3;
/// Spread of what is left re the backing, dB, from the 5th to the 20th percentile: most codecs keep their error at an
/// even distance, 2 to 9 dB; where a voice dips over a deep null it is 6 to 22 dB.
const MAX_CODEC_SPREAD_DB: f64 = 9.0;
/// Correlation with a third-order bend from which it is clipping (negative: loud moments are too small). Clipped: -0.3
/// to -0.99 by band; else above -0.05.
const BENT_CORRELATION: f64 = -0.25;
/// Contrast between mix and backing beyond which one of them has ended, dB. No tone control reaches that.
/// Chosen by hand; not measured.
const ENDED_DB: f64 = 15.0;
/// Lowest frequency at which a signal may end, Hz: codecs at telephone quality are not music. Chosen by hand; not
/// measured.
const ENDS_FROM_HZ: f64 = 7_000.0;
/// Spread of the quietest frames of steady noise, dB, from the 5th to the 15th percentile: by the chi-squared
/// distribution 0.2 to 0.6 dB in bands of 200 to 20 bins; a voice's own reverberation spreads by several.
const STEADY_SPREAD_DB: f64 = 1.0;
const MIN_STEADY_BINS: usize = 20;
/// Share of those bands that must be steady: noise is there in most of them, rests of a voice in one or two.
const MIN_STEADY_SHARE: f64 = 0.25;
/// Noise under this level re full scale is of no account: 16 bits without dither are at -101 dB, 24 bits at -149.
/// Chosen by hand; not measured.
const LEAST_NOISE_DB: f64 = -112.0;
/// Bleed below this is not reported: amplitude re the voice (-30 dB). Chosen by hand; not measured.
const LEAST_BLEED: f64 = 0.03;

/// What remains, each with its power re the backing; `moving` = what following may leave of movements.
pub fn remaining(bands: &CellHistory, moving: f64) -> Vec<(Kind, f64)> {
    if bands.num_frames() < MIN_FRAMES {
        return Vec::new();
    }
    let rules = Rules::new(bands);
    let mut found = Vec::new();
    let clipping = rules.clipping();
    let noise = rules.noise();
    let edge = rules.edge(noise.map_or(0.0, |(_, level)| level));
    let codec = if clipping.is_none() { rules.codec(&edge) } else { None };
    // What the follower leaves of fast movements rises and falls with the music too, in all bands alike.
    let codec = codec.filter(|codec| codec.left > moving);
    match (codec, &edge) {
        (Some(Codec { power, .. }), _) => {
            let at = edge.as_ref().map(|e| (e.hz as f32, e.missing_in));
            found.push((Kind::Codec { edge: at }, power + edge.as_ref().map_or(0.0, |e| e.power)));
        }
        (None, Some(edge)) => {
            found.push((
                Kind::BandLimit { above_hz: edge.hz as f32, missing_in: edge.missing_in },
                edge.power,
            ));
        }
        _ => {}
    }
    found.extend(clipping.map(|power| (Kind::Clipping, power)));
    found.extend(noise.map(|(kind, level)| (kind, rules.white(level))));
    found.extend(rules.bleed());
    found
}

/// Where one of the signals ends.
struct Edge {
    band: usize,
    hz: f64,
    missing_in: Signal,
    power: f64,
}

/// What a codec leaves.
struct Codec {
    /// Its power re the backing.
    power: f64,
    /// The same re that part of the backing which is in the same bands.
    left: f64,
}

struct Rules<'a> {
    bands: &'a CellHistory,
    /// Frames in the louder half of the difference re the backing.
    sung: Vec<bool>,
    /// Power of the matched backing, all bands.
    whole: f64,
}

impl<'a> Rules<'a> {
    fn new(bands: &'a CellHistory) -> Self {
        let all: Vec<usize> = (0..bands.num_frames()).collect();
        let whole = (0..bands.len()).map(|band| bands.mean(band, &all, |c| c.matched)).sum::<f64>();
        Self { sung: bands.sung(), whole: whole.max(1e-20), bands }
    }

    /// Frames of a band in which the voice sings somewhere.
    fn sung(&self, band: usize) -> Vec<usize> {
        self.bands.heard(band, |c| c.matched).into_iter().filter(|&frame| self.sung[frame]).collect()
    }

    /// How the quietest of the difference in a band rises with something, dB per dB; `None` if that hardly moves.
    fn follows(&self, band: usize, frames: &[usize], with: impl Fn(usize) -> f64) -> Option<f64> {
        let mut frames = frames.to_vec();
        frames.sort_unstable_by(|&a, &b| with(a).total_cmp(&with(b)));
        let (soft, loud) = frames.split_at(frames.len() / 2);
        let lowest = |half: &[usize]| {
            let power = |frame: usize| f64::from(self.bands.cell(band, frame).difference);
            let half = self.bands.lowest_of(band, half, 5, |cell| cell.difference);
            let mean = |of: &dyn Fn(usize) -> f64| {
                half.iter().map(|&frame| of(frame)).sum::<f64>() / half.len().max(1) as f64
            };
            ((mean(&power) + 1e-20).ln(), (mean(&with) + 1e-20).ln())
        };
        let ((soft, with_soft), (loud, with_loud)) = (lowest(soft), lowest(loud));
        let contrast = with_loud - with_soft;
        (frames.len() >= MIN_FRAMES / 4 && contrast > LEAST_CONTRAST).then(|| (loud - soft) / contrast)
    }

    /// What is left rises and falls with the backing, but not coherently.
    fn codec(&self, edge: &Option<Edge>) -> Option<Codec> {
        let (mut slopes, mut coherent, mut spread, mut count) = (0.0, 0.0, 0.0, 0.0);
        let (mut power, mut matched) = (0.0, 1e-20);
        for band in self.bands.bright(edge.as_ref().map_or(usize::MAX, |e| e.band)) {
            let sung = self.sung(band);
            let Some(slope) = self.follows(band, &sung, |f| f64::from(self.bands.cell(band, f).matched))
            else {
                continue;
            };
            let resting = self.bands.resting(band, &sung);
            let mean = |of: fn(&Cell) -> f32| self.bands.mean(band, &resting, of);
            let (difference, backing) = (mean(|c| c.difference), mean(|c| c.matched));
            // What is louder than the matched backing where the voice rests is not left of it, but missing in it.
            if difference > backing {
                continue;
            }
            // By chance one complex gain explains one bin in as many as there are, Hann bins counting two thirds.
            let chance = 1.5 / self.bands.num_bins(band) as f64;
            let ratio = |part: usize| {
                let cell = self.bands.cell(band, resting[(resting.len() - 1) * part / 4]);
                power_to_db(f64::from(cell.difference)) - power_to_db(f64::from(cell.matched))
            };
            spread += ratio(4) - ratio(1);
            slopes += slope.clamp(-1.0, 1.5);
            coherent += (mean(|c| c.in_phase) + mean(|c| c.quadrature)) / difference.max(1e-20) - chance;
            if slope > FOLLOWING_RISE {
                let all = self.bands.mean(band, &self.bands.heard(band, |c| c.matched), |c| c.matched);
                power += difference / backing.max(1e-20) * all;
                matched += all;
            }
            count += 1.0;
        }
        (count >= 2.0
            && slopes / count > FOLLOWING_RISE
            && coherent / count < MAX_COHERENT_SHARE
            && (spread / count < MAX_CODEC_SPREAD_DB || slopes / count > SURELY_FOLLOWING_RISE))
            .then_some(Codec { power: power / self.whole, left: power / matched })
    }

    /// What is left is a third-order bend of the mix: power re the backing.
    fn clipping(&self) -> Option<f64> {
        let (mut correlation, mut count, mut power, mut matched) = (0.0, 0.0, 0.0, 1e-20);
        for band in self.bands.bright(usize::MAX) {
            let frames = self.bands.resting(band, &self.sung(band));
            let mean = |of: fn(&Cell) -> f32| self.bands.mean(band, &frames, of);
            let correlates = self.bands.bend_correlation(band, &frames);
            let Some(correlates) = correlates.filter(|_| frames.len() >= MIN_FRAMES / 20) else { continue };
            correlation += correlates;
            count += 1.0;
            if correlates < BENT_CORRELATION {
                power += mean(|c| c.bend_product).powi(2) / mean(|c| c.bend);
                matched += mean(|c| c.matched);
            }
        }
        (count > 0.0 && correlation / count < BENT_CORRELATION).then_some(power / matched)
    }

    /// Where one signal ends and the other goes on, with more than noise of this mean square per sample.
    fn edge(&self, noise: f64) -> Option<Edge> {
        let bands = self.bands;
        // Level of the backing in the mix, by what the match makes of it.
        let all: Vec<usize> = (0..bands.num_frames()).collect();
        let backing: f64 = (0..bands.len()).map(|band| bands.mean(band, &all, |c| c.backing)).sum();
        let level = self.whole / backing.max(1e-20);
        let mut edge: Option<Edge> = None;
        for band in (0..bands.len()).rev().take_while(|&band| bands.hz(band) >= ENDS_FROM_HZ) {
            let least = EMPTY_BAND.max(4.0 * noise) * bands.white(band);
            let mut contrasts: Vec<f64> = all
                .iter()
                .map(|&frame| bands.cell(band, frame))
                .filter(|c| f64::from(c.mix.max(c.backing)) > least)
                .map(|c| {
                    power_to_db(
                        (f64::from(c.mix) + 0.1 * least) / (level * f64::from(c.backing) + 0.1 * least),
                    )
                })
                .collect();
            if contrasts.len() < MIN_FRAMES / 2 {
                continue; // Both have ended.
            }
            contrasts.sort_unstable_by(f64::total_cmp);
            // Where the voice rests, the mix's own treble.
            let contrast = contrasts[contrasts.len() / 5];
            let missing_in = if contrast > ENDED_DB {
                Signal::Backing
            } else if contrast < -ENDED_DB {
                Signal::Mix
            } else {
                break;
            };
            if edge.as_ref().is_some_and(|e| e.missing_in != missing_in) {
                break;
            }
            let power = edge.map_or(0.0, |e| e.power)
                + match missing_in {
                    Signal::Backing => bands.mean(band, &all, |c| c.mix),
                    Signal::Mix => level * bands.mean(band, &all, |c| c.backing),
                } / self.whole;
            edge = Some(Edge { band, hz: bands.hz(band), missing_in, power });
        }
        // A voice that goes higher than any backing ends nothing: what is missing must rise and fall with the music
        // below the edge.
        edge.filter(|e| {
            e.missing_in == Signal::Mix
                || e.band > 0
                    && self
                        .follows(e.band, &bands.heard(e.band - 1, |c| c.matched), |f| {
                            f64::from(bands.cell(e.band - 1, f).matched)
                        })
                        .is_some_and(|slope| slope > FOLLOWING_RISE)
        })
    }

    /// Power of white noise re the backing, by its mean square per sample.
    fn white(&self, level: f64) -> f64 {
        level * (0..self.bands.len()).map(|band| self.bands.white(band)).sum::<f64>() / self.whole
    }

    /// What is left is steady: with the mean square per sample that it has if it is white.
    fn noise(&self) -> Option<(Kind, f64)> {
        let (mut sum, mut count, mut tried) = (0.0, 0.0, 0.0);
        for band in (0..self.bands.len()).filter(|&band| self.bands.num_bins(band) >= MIN_STEADY_BINS) {
            let heard = self.bands.heard(band, |c| c.matched);
            let mut powers: Vec<f64> =
                heard.iter().map(|&f| f64::from(self.bands.cell(band, f).difference)).collect();
            if powers.len() < MIN_FRAMES {
                continue;
            }
            tried += 1.0;
            powers.sort_unstable_by(f64::total_cmp);
            let at = |part: usize| powers[powers.len() * part / 100];
            if power_to_db(at(15)) - power_to_db(at(5)) < STEADY_SPREAD_DB {
                sum += at(15) / self.bands.white(band);
                count += 1.0;
            }
        }
        let level = sum / f64::max(count, 1.0);
        (count >= 2.0 && count >= MIN_STEADY_SHARE * tried && power_to_db(level) > LEAST_NOISE_DB)
            .then(|| (Kind::Noise { level_db: power_to_db(level) as f32 }, level))
    }

    /// The difference is found in the backing: where the voice is far above the backing, that is the voice.
    fn bleed(&self) -> Option<(Kind, f64)> {
        let (mut product, mut power, mut frames) = (0.0, 0.0, Vec::new());
        for frame in 0..self.bands.num_frames() {
            let (mut p, mut q) = (0.0, 0.0);
            for cell in (0..self.bands.len()).map(|band| self.bands.cell(band, frame)) {
                if cell.difference > 4.0 * cell.matched {
                    p += f64::from(cell.product);
                    q += f64::from(cell.difference);
                }
            }
            product += p;
            power += q;
            frames.push((p, q));
        }
        let share = product / power.max(1e-20);
        // Half-overlapping frames: two count as one.
        let error = (2.0 * frames.iter().map(|(p, q)| (p - share * q).powi(2)).sum::<f64>()).sqrt()
            / power.max(1e-20);
        // The difference holds 1 - bleed of the voice.
        let bleed = share / (1.0 + share);
        (share > 4.0 * error && bleed > LEAST_BLEED)
            .then(|| (Kind::Bleed { level_db: (20.0 * bleed.log10()) as f32 }, bleed * bleed))
    }
}
