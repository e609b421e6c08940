//! What came of it.

use minuend_common::words::{
    at_least, backing_kind, bend_sentence, dynamics_sentence, roughly, what_leaves_more, why_not_measured,
    why_withheld,
};
use minuend_engine::{Withheld, causes::Cause, settings::BackingKind};

use crate::{
    covered,
    parts::{TakenPart, parts_in_words},
    passes::{Learned, depth::SongDepth, sections::Section},
};

/// Less than this of a mix, dB, is no voice. What a codec throws away can be as loud.
const NOTHING_LEFT_DB: f64 = -25.0;

/// What was found on the way.
#[derive(Clone, Debug, PartialEq)]
pub struct Rendered {
    /// Sample rate of the mix and of what was written, Hz.
    pub sample_rate_hz: u32,
    /// Length of what was written, samples.
    pub num_samples: u64,
    /// How much later than the backing the mix plays the same music, samples.
    pub delay_samples: f64,
    /// By how much the delay grows, parts in a million; 0 while it stands still.
    pub drift_ppm: f64,
    /// True when the backing was found with its polarity flipped.
    pub inverted: bool,
    /// What the backing was taken to be; Auto if that was not decided, which counts as recorded.
    pub backing_kind: BackingKind,
    /// How far the backing is down in the difference.
    pub depth: SongDepth,
    /// The sections of what was written.
    pub sections: Vec<Section>,
    /// Other delays, samples, at which a song that repeats would agree with the backing as well.
    pub also_at: Vec<f64>,
    /// By how much the backing comes too late for the plug-in, s: only of [`Passes::One`](crate::Passes::One), which moves nothing.
    pub late_s: f64,
    /// Samples of either file that were not finite and counted as silence.
    pub bad_samples: u64,
    /// Samples that had to be clipped to fit an integer file.
    pub clipped_samples: u64,
    /// What limits the null, and what was corrected: first what stands.
    pub causes: Vec<Cause>,
    /// How loud what is left is against the mix, dB.
    pub left_db: f64,
    /// What came of each part, if the backing came in parts.
    pub parts: Vec<TakenPart>,
    /// What was learned, for another time.
    pub learned: Learned,
}

impl Rendered {
    /// The delay in ms.
    pub fn delay_ms(&self) -> f64 {
        self.delay_samples / f64::from(self.sample_rate_hz) * 1000.0
    }

    /// Part of what was written from which the backing is subtracted, 0 to 1.
    pub fn subtracted(&self) -> f64 {
        covered::share(&self.sections)
    }

    /// What was found, in one line.
    pub fn describe(&self) -> String {
        let polarity = if self.inverted { "inverted" } else { "kept" };
        let depth = depth_words(&self.depth);
        let mut line = format!(
            "delay {}, polarity {polarity}, backing {}, {depth}, subtracted over {:.0} % of the song",
            delay_words(self.delay_samples, f64::from(self.sample_rate_hz)),
            backing_kind(self.backing_kind),
            100.0 * self.subtracted()
        );
        if !self.also_at.is_empty() {
            let ms = |samples: &f64| format!("{:.0} ms", samples / f64::from(self.sample_rate_hz) * 1000.0);
            let places: Vec<String> = self.also_at.iter().map(ms).collect();
            line += &format!(", the song repeats: the delay could also be {}", places.join(" or "));
        }
        let jumps =
            covered::jumps(&self.learned.found.sections, &self.sections, f64::from(self.sample_rate_hz));
        for words in covered::words(&self.sections).into_iter().chain(jumps) {
            line += &format!(", {words}");
        }
        if self.drift_ppm != 0.0 {
            line += &format!(", drift {:.1} ppm", self.drift_ppm);
        }
        if let Some(bend) = bend_sentence(&self.learned.found.bend) {
            line += &format!("; {bend}, which was taken back");
        }
        if let Some(dynamics) = dynamics_sentence(&self.learned.found.dynamics) {
            line += &format!("; {dynamics}, which was followed");
        }
        if self.late_s > 0.0 {
            line += &format!(
                "; the backing is {0:.3} s too late for the plug-in: move its clip {0:.3} s earlier",
                self.late_s
            );
        }
        if !self.parts.is_empty() {
            line += &format!("; parts: {}", parts_in_words(&self.parts, f64::from(self.sample_rate_hz)));
            if self.left_db < NOTHING_LEFT_DB {
                line += "; next to nothing is left: nobody sings, or one of the parts is the voice itself, which is taken away with \
                         it; leave that part out";
            }
        }
        if self.clipped_samples > 0 {
            line += &format!(
                ", {} samples passed full scale and were clipped: lower --output-level, or write float",
                self.clipped_samples
            );
        }
        if self.bad_samples > 0 {
            line += &format!(", {} samples that were not finite counted as silence", self.bad_samples);
        }
        line
    }
}

/// How deep the null is.
fn depth_words(depth: &SongDepth) -> String {
    if let (Some(db), Some(under_voice)) = (depth.told_db, depth.under_voice) {
        return format!(
            "null depth {db:.1} dB where the voice rests, {} under the voice",
            roughly(under_voice)
        );
    }
    match (depth.withheld, depth.estimate().map(roughly), depth.rests_db) {
        (Withheld::AtLeast(db), Some(roughly), _) => {
            format!("null depth {} where the voice rests, {roughly} under the voice", at_least(db))
        }
        (Withheld::AtLeast(db), None, _) => format!("null depth {} where the voice rests", at_least(db)),
        (Withheld::Forbidden(kind), Some(roughly), rests_db) => {
            let rests = rests_db.map(|db| format!(" ({db:.0} dB there)")).unwrap_or_default();
            let what = what_leaves_more(kind);
            format!("null depth {roughly} under the voice, where {what} leaves more than in its rests{rests}")
        }
        (withheld, Some(roughly), _) => {
            format!("null depth {roughly}, an estimate: {}", why_not_measured(withheld))
        }
        (withheld, None, _) => format!("null depth unknown ({})", why_withheld(withheld)),
    }
}

/// A delay in both its units.
pub fn delay_words(samples: f64, sample_rate_hz: f64) -> String {
    // Rounded first, lest a tiny negative number reads "-0.00".
    let rounded = |value: f64, steps: f64| (value * steps).round() / steps + 0.0;
    let ms = rounded(samples / sample_rate_hz * 1000.0, 1000.0);
    format!("{ms:.3} ms ({:.2} samples)", rounded(samples, 100.0))
}

#[cfg(test)]
mod tests {
    use minuend_engine::{Estimate, causes::Kind};

    use super::*;

    #[test]
    fn depth_is_told_as_far_as_it_is_known() {
        let withheld = Withheld::Forbidden(Kind::Clipping);
        let under_voice = Some(Estimate { depth_db: 29.5, from_db: 26.2, to_db: 34.9 });
        for (depth, words) in [
            (
                SongDepth {
                    told_db: Some(61.26),
                    under_voice: Some(Estimate { depth_db: 61.26, from_db: 58.3, to_db: 64.3 }),
                    ..SongDepth::default()
                },
                "null depth 61.3 dB where the voice rests, roughly 61 dB (58 to 64) under the voice",
            ),
            (
                SongDepth { withheld: Withheld::AtLeast(51.9), ..SongDepth::default() },
                "null depth at least 51 dB where the voice rests",
            ),
            (
                SongDepth { withheld: Withheld::AtLeast(51.9), under_voice, ..SongDepth::default() },
                "null depth at least 51 dB where the voice rests, roughly 30 dB (26 to 35) under the voice",
            ),
            (
                SongDepth { withheld, rests_db: Some(137.0), under_voice, told_db: None },
                "null depth roughly 30 dB (26 to 35) under the voice, where clipping or saturation leaves more than in its rests (137 dB there)",
            ),
            (
                SongDepth { under_voice, ..SongDepth::default() },
                "null depth roughly 30 dB (26 to 35), an estimate: the voice sings, or the null is uneven",
            ),
            (
                SongDepth::default(),
                "null depth unknown (cannot tell: the voice sings, or the null is uneven)",
            ),
        ] {
            assert_eq!(depth_words(&depth), words);
        }
    }
}
