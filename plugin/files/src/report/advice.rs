//! What to try next.

use minuend_common::words::{at_least, why_withheld};
use minuend_engine::Withheld;

/// What advice goes by.
#[derive(Clone, Copy, Debug)]
pub struct Facts {
    /// Null depth, dB, if it could be measured or estimated.
    pub null_depth_db: Option<f32>,
    /// Why there is none.
    pub withheld: Withheld,
    /// Part of the music with a backing over which it was found, 0 to 1.
    pub found: f64,
    /// Whether the backing holds what the mix does not, somewhere.
    pub holds_more: bool,
    /// By how much the backing comes too late for a single pass, s.
    pub late_s: f64,
    /// Range within which the level moved for nine tenths of the time, dB.
    pub movement_db: f64,
    /// Whether mix and backing are files of a codec that throws something away.
    pub lossy: [bool; 2],
    /// Whether what is left looks like that of such a codec.
    pub codec_heard: bool,
    /// Whether the two files have different sample rates.
    pub rates_differ: bool,
    /// Drift, parts in a million.
    pub drift_ppm: f64,
    /// Samples clipped on writing.
    pub clipped_samples: u64,
    /// Samples of the inputs that were no numbers.
    pub bad_samples: u64,
    /// Whether the backing is said to be estimated.
    pub estimated: bool,
}

/// From this depth on a null is as deep as two recordings that are not copies give, dB.
const DEEP_DB: f32 = 40.0;

/// Advice, most pressing first; one line of praise if there is nothing to advise.
pub fn advice(facts: &Facts) -> Vec<String> {
    let mut advice = Vec::new();
    let mut say = |text: String| advice.push(text);
    let depth_db = facts.null_depth_db;
    let shallow = depth_db.or(facts.withheld.at_least_db()).is_none_or(|db| db < DEEP_DB);
    if facts.late_s > 0.0 {
        say(format!(
            "The backing is {0:.3} s too late for a single pass. In a host, move its clip {0:.3} s earlier; here, leave out --one-pass.",
            facts.late_s
        ));
    }
    if facts.found < 0.9 {
        say(format!(
            "The backing was found over {:.0} % of the song only; elsewhere the mix passes. Check that both are the same version: \
             another arrangement or another take cannot be subtracted.",
            facts.found * 100.0
        ));
    }
    if facts.holds_more {
        say("In places the backing holds what the mix does not: a voice that was left in it, or another take. What is taken there \
             is not only the music: look for a backing without it."
            .into());
    }
    if shallow {
        match facts.lossy {
            [true, true] => {
                say("Both files are from a lossy codec. Lossless files of both will null deeper.".into())
            }
            [true, false] => {
                say("The mix is from a lossy codec. A lossless file of it will null deeper.".into())
            }
            [false, true] => {
                say("The backing is from a lossy codec. A lossless file of it will null deeper.".into())
            }
            [false, false] if facts.codec_heard => say(
                "What is left looks like that of a lossy codec, though neither file is of one: at some time \
                 one of them was. Its lossless original will null deeper."
                    .into(),
            ),
            [false, false] => {}
        }
        if facts.movement_db > 1.0 {
            say(format!(
                "The backing's level moves in the mix by {:.1} dB, as a compressor or limiter does that hears the voice. A mix from \
                 before that will null deeper.",
                facts.movement_db
            ));
        }
        if facts.drift_ppm.abs() > 1.0 {
            say(format!(
                "The clocks run {:.0} parts in a million apart: one of the two was recorded anew. A direct digital copy will null deeper.",
                facts.drift_ppm.abs()
            ));
        }
        if facts.rates_differ {
            say("The files have different sample rates, so at least one was converted. Two files of one rate are nearer to each other.".into());
        }
        if depth_db.is_some_and(|db| db < 15.0) && !facts.estimated {
            say("If the backing was taken out of a mix by a machine and this was not noticed, try --backing-is estimated. If it \
                 is another master of the song, look for the one that belongs to this mix."
                .into());
        }
    }
    if depth_db.is_none() && shallow && facts.found >= 0.9 {
        say(match facts.withheld {
            Withheld::NoRest => "Depth cannot be told where the voice never rests. Judge by ear.".into(),
            Withheld::AtLeast(db) => {
                format!("The null is {} deep, and may be deeper. Judge by ear.", at_least(db))
            }
            withheld => format!("Of the depth one {}. Judge by ear.", why_withheld(withheld)),
        });
    }
    if facts.clipped_samples > 0 {
        say(format!(
            "{} samples passed full scale and were clipped: lower --output-level, or write float.",
            facts.clipped_samples
        ));
    }
    if facts.bad_samples > 0 {
        say(format!(
            "{} samples of the files are not numbers and counted as silence: export them again.",
            facts.bad_samples
        ));
    }
    if advice.is_empty() {
        let praise = if shallow {
            "Nothing that could be told: this may be as deep as these two files allow."
        } else {
            "Nothing: the null is deep."
        };
        advice.push(praise.into());
    }
    advice
}

#[cfg(test)]
mod tests {
    use minuend_engine::causes::Kind;

    use super::*;

    const GOOD: Facts = Facts {
        null_depth_db: Some(60.0),
        withheld: Withheld::NoRest,
        found: 1.0,
        holds_more: false,
        late_s: 0.0,
        movement_db: 0.0,
        lossy: [false; 2],
        codec_heard: false,
        rates_differ: false,
        drift_ppm: 0.0,
        clipped_samples: 0,
        bad_samples: 0,
        estimated: false,
    };

    #[test]
    fn advice_follows_from_what_was_found() {
        let shallow = Facts { null_depth_db: Some(20.0), ..GOOD };
        for (facts, says) in [
            (GOOD, "Nothing: the null is deep"),
            (shallow, "as deep as these two files allow"),
            (Facts { codec_heard: true, ..shallow }, "lossless original"),
            (Facts { late_s: 2.3141, ..GOOD }, "2.314 s earlier"),
            (Facts { found: 0.5, ..GOOD }, "50 %"),
            (Facts { holds_more: true, ..GOOD }, "holds what the mix does not"),
            (Facts { lossy: [true, false], ..shallow }, "The mix is from a lossy codec"),
            (Facts { movement_db: 3.04, ..shallow }, "3.0 dB"),
            (Facts { drift_ppm: -150.0, ..shallow }, "150 parts"),
            (Facts { rates_differ: true, ..shallow }, "different sample rates"),
            (Facts { null_depth_db: Some(9.0), ..GOOD }, "--backing-is estimated"),
            (Facts { null_depth_db: None, ..GOOD }, "Judge by ear"),
            (
                Facts { null_depth_db: None, withheld: Withheld::Forbidden(Kind::Clipping), ..GOOD },
                "clipping or saturation leaves more under the voice",
            ),
            (Facts { null_depth_db: None, withheld: Withheld::AtLeast(33.3), ..GOOD }, "at least 33 dB deep"),
            (
                Facts { null_depth_db: None, withheld: Withheld::AtLeast(72.0), ..GOOD },
                "Nothing: the null is deep",
            ),
            (Facts { clipped_samples: 7, ..GOOD }, "7 samples"),
            (Facts { bad_samples: 8, ..GOOD }, "8 samples"),
        ] {
            let found = advice(&facts);
            assert!(found.len() == 1 && found[0].contains(says), "{found:?} does not say {says:?}");
        }
        // What does not hurt is not complained about.
        let lossy = Facts { lossy: [true; 2], movement_db: 4.0, drift_ppm: 20.0, rates_differ: true, ..GOOD };
        assert!(advice(&lossy)[0].contains("Nothing"));
    }
}
