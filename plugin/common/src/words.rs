//! What limits the null and what the backing is, in words: one place for window, report and command line.

use minuend_engine::causes::{Cause, EXCHANGED_DB, Kind, Signal};
use minuend_engine::settings::BackingKind;
use minuend_engine::{Bend, DynamicsModel, Estimate, Withheld};

/// A cause as a sentence without a full stop, e.g. "the clocks differ by 23 ppm".
pub fn sentence(cause: &Cause) -> String {
    match cause.kind {
        Kind::Delay { samples } => {
            let later = if samples >= 0.0 { "later" } else { "earlier" };
            format!("the mix plays {} samples {later} than the backing", trimmed(samples.abs(), 2))
        }
        Kind::Polarity => "the polarity is flipped".to_owned(),
        Kind::Clock { ppm } => {
            format!("the clocks differ by {} ppm", trimmed(ppm.abs(), if ppm.abs() < 2.0 { 2 } else { 0 }))
        }
        Kind::Wow { samples } => {
            format!("the speed wanders, as on tape or vinyl: by {} samples either way", trimmed(samples, 2))
        }
        Kind::Level { sides_db: [left, right] } => {
            if (left - right).abs() < 0.1 {
                let mean = 0.5 * (left + right);
                let word = if mean >= 0.0 { "louder" } else { "softer" };
                format!("the backing is {} dB {word} in the mix", trimmed(f64::from(mean.abs()), 1))
            } else {
                format!(
                    "the backing's level differs by {left:+.1} dB on the left and {right:+.1} dB on the right"
                )
            }
        }
        Kind::Tone { most_db, at_hz } => {
            format!("the tone differs, most by {most_db:+.1} dB at {}", frequency(at_hz))
        }
        Kind::Width { across_db: EXCHANGED_DB.. } => "the sides of the backing are exchanged".to_owned(),
        Kind::Width { across_db } => {
            format!("the width differs: one side holds the other at {across_db:.0} dB")
        }
        Kind::Movement { range_db } => format!("the level moves, by {range_db:.1} dB"),
        Kind::BandLimit { above_hz, missing_in } => {
            format!("above {} the {} is missing", frequency(above_hz), name(missing_in))
        }
        Kind::Codec { edge: Some((above_hz, missing_in)) } => {
            format!("above {} the {} is missing: lossy file", frequency(above_hz), name(missing_in))
        }
        Kind::Codec { edge: None } => "what is left is grainy and follows the music: lossy file".to_owned(),
        Kind::Noise { level_db } => {
            format!("steady noise at {level_db:.0} dB re full scale: hiss or dither")
        }
        Kind::Clipping => "loud moments are bent: clipping or saturation".to_owned(),
        Kind::Bleed { level_db } => format!("the backing contains the voice at about {level_db:.0} dB"),
    }
}

/// How mix and backing were bent, as a sentence without a full stop, if they were.
pub fn bend_sentence(bend: &Bend) -> Option<String> {
    (!bend.is_none()).then(|| bent(bend.peaks_db()))
}

/// What bent the sum held down its peaks by so many dB.
pub fn bent(peaks_db: f32) -> String {
    format!("the sum was bent, as by tape, a tube or a clipper: its peaks were held down by {peaks_db:.1} dB")
}

/// What moved the bands of mix and backing, as a sentence without a full stop, if anything is known to have.
pub fn dynamics_sentence(dynamics: &DynamicsModel) -> Option<&'static str> {
    (!dynamics.is_none()).then_some(COMPRESSED)
}

/// The same where something is.
pub const COMPRESSED: &str = "each band was compressed on its own, as by a multiband compressor";

/// What a null depth is at least, rounded so that it is.
pub fn at_least(db: f32) -> String {
    format!("at least {:.0} dB", db.floor())
}

/// A null depth that is estimated, and the range in which it is.
pub fn roughly(estimate: Estimate) -> String {
    let Estimate { depth_db, from_db, to_db } = estimate;
    format!("roughly {depth_db:.0} dB ({from_db:.0} to {to_db:.0})")
}

/// Why no null depth is told, as a sentence without a full stop.
pub fn why_withheld(withheld: Withheld) -> String {
    match withheld {
        Withheld::AlignmentChanged => "cannot tell so soon after the backing changed its place".to_owned(),
        Withheld::CausesUnknown => "cannot tell before more of the voice is heard".to_owned(),
        Withheld::AtLeast(_) => format!("cannot tell more: {}", why_not_measured(withheld)),
        _ => format!("cannot tell: {}", why_not_measured(withheld)),
    }
}

/// Why a null depth was not measured, without "cannot tell".
pub fn why_not_measured(withheld: Withheld) -> String {
    let by = match withheld {
        Withheld::NoRest => return "the voice sings, or the null is uneven".to_owned(),
        Withheld::AlignmentChanged => return "the backing has just changed its place".to_owned(),
        Withheld::CausesUnknown => return "too little of the voice was heard".to_owned(),
        Withheld::AtLeast(_) => {
            return "what is left where the voice rests may not be the backing".to_owned();
        }
        Withheld::Estimate => "a machine's estimate",
        Withheld::Forbidden(kind) => what_leaves_more(kind),
    };
    format!("{by} leaves more under the voice than in its rests")
}

/// What of a cause leaves more under the voice than in its rests.
pub fn what_leaves_more(kind: Kind) -> &'static str {
    match kind {
        Kind::Codec { .. } => "a lossy file",
        Kind::Clipping => "clipping or saturation",
        Kind::Movement { .. } => "a level that moves",
        Kind::Wow { .. } => "a speed that wanders",
        Kind::BandLimit { .. } => "the missing treble",
        Kind::Noise { .. } => "the noise",
        _ => "what limits the null",
    }
}

fn name(signal: Signal) -> &'static str {
    match signal {
        Signal::Mix => "mix",
        Signal::Backing => "backing",
    }
}

fn frequency(hz: f32) -> String {
    if hz < 1000.0 { format!("{hz:.0} Hz") } else { format!("{} kHz", trimmed(f64::from(hz) / 1000.0, 1)) }
}

/// Rounded, without zeros that say nothing.
fn trimmed(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// What a backing is taken to be, as an adjective.
pub fn backing_kind(kind: BackingKind) -> &'static str {
    match kind {
        BackingKind::Recorded => "recorded",
        BackingKind::Estimated => "estimated by a machine",
        BackingKind::Auto => "taken as recorded (too little was heard to tell)",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use minuend_engine::{Curve, KNOTS};

    #[test]
    fn the_true_reason_is_told_for_a_depth_that_is_not() {
        assert_eq!(why_withheld(Withheld::NoRest), "cannot tell: the voice sings, or the null is uneven");
        assert_eq!(why_withheld(Withheld::CausesUnknown), "cannot tell before more of the voice is heard");
        assert_eq!(
            why_withheld(Withheld::Estimate),
            "cannot tell: a machine's estimate leaves more under the voice than in its rests"
        );
        assert!(why_withheld(Withheld::AlignmentChanged).contains("changed its place"));
        assert!(why_withheld(Withheld::AtLeast(60.0)).contains("may not be the backing"));
        for (kind, by) in [
            (Kind::Codec { edge: None }, "a lossy file"),
            (Kind::Clipping, "clipping or saturation"),
            (Kind::Movement { range_db: 3.0 }, "a level that moves"),
            (Kind::Wow { samples: 1.0 }, "a speed that wanders"),
            (Kind::BandLimit { above_hz: 16_000.0, missing_in: Signal::Mix }, "the missing treble"),
            (Kind::Noise { level_db: -90.0 }, "the noise"),
            (Kind::Polarity, "what limits the null"),
        ] {
            let reason = format!("cannot tell: {by} leaves more under the voice than in its rests");
            assert_eq!(why_withheld(Withheld::Forbidden(kind)), reason);
        }
    }

    #[test]
    fn bands_that_moved_are_told() {
        assert_eq!(dynamics_sentence(&DynamicsModel::NONE), None);
        let mut dynamics = DynamicsModel::NONE;
        dynamics.bands[1].knees_db[0][0] = -20.0;
        assert!(dynamics_sentence(&dynamics).unwrap().contains("multiband"));
    }

    #[test]
    fn a_bend_is_told_where_there_is_one() {
        let curve = Curve::new(1.0, [1.0; KNOTS].map(|slope: f32| 0.5 * slope)).unwrap();
        assert_eq!(bend_sentence(&Bend::NONE), None);
        assert_eq!(
            bend_sentence(&Bend { curves: [curve; 2], ..Bend::NONE }).unwrap(),
            "the sum was bent, as by tape, a tube or a clipper: its peaks were held down by 0.0 dB"
        );
    }

    #[test]
    fn an_estimate_is_told_with_its_range() {
        let estimate = Estimate { depth_db: 31.6, from_db: 26.4, to_db: 40.0 };
        assert_eq!(roughly(estimate), "roughly 32 dB (26 to 40)");
        assert_eq!(why_not_measured(Withheld::NoRest), "the voice sings, or the null is uneven");
    }

    #[test]
    fn a_bound_is_never_rounded_up() {
        assert_eq!(at_least(59.99), "at least 59 dB");
        assert_eq!(at_least(60.0), "at least 60 dB");
    }

    #[test]
    fn every_cause_has_a_sentence() {
        let told = |kind| sentence(&Cause { kind, depth_db: 0.0, worth_db: 0.0 });
        let both = |db| Kind::Level { sides_db: [db; 2] };
        for (kind, expected) in [
            (Kind::Delay { samples: 17.37 }, "the mix plays 17.37 samples later than the backing"),
            (Kind::Delay { samples: -1234.0 }, "the mix plays 1234 samples earlier than the backing"),
            (Kind::Polarity, "the polarity is flipped"),
            (Kind::Clock { ppm: -22.7 }, "the clocks differ by 23 ppm"),
            (Kind::Clock { ppm: 100.0 }, "the clocks differ by 100 ppm"),
            (Kind::Clock { ppm: -0.341 }, "the clocks differ by 0.34 ppm"),
            (Kind::Wow { samples: 3.5 }, "the speed wanders, as on tape or vinyl: by 3.5 samples either way"),
            (both(-2.3), "the backing is 2.3 dB softer in the mix"),
            (both(0.7), "the backing is 0.7 dB louder in the mix"),
            (Kind::Level { sides_db: [0.62, 0.7] }, "the backing is 0.7 dB louder in the mix"),
            (
                Kind::Level { sides_db: [-0.8, 1.1] },
                "the backing's level differs by -0.8 dB on the left and +1.1 dB on the right",
            ),
            (Kind::Tone { most_db: -3.5, at_hz: 2_500.0 }, "the tone differs, most by -3.5 dB at 2.5 kHz"),
            (Kind::Tone { most_db: 6.0, at_hz: 800.0 }, "the tone differs, most by +6.0 dB at 800 Hz"),
            (Kind::Width { across_db: -0.1 }, "the sides of the backing are exchanged"),
            (Kind::Width { across_db: -18.7 }, "the width differs: one side holds the other at -19 dB"),
            (Kind::Movement { range_db: 3.06 }, "the level moves, by 3.1 dB"),
            (
                Kind::BandLimit { above_hz: 16_000.0, missing_in: Signal::Backing },
                "above 16 kHz the backing is missing",
            ),
            (
                Kind::Codec { edge: Some((16_000.0, Signal::Mix)) },
                "above 16 kHz the mix is missing: lossy file",
            ),
            (Kind::Codec { edge: None }, "what is left is grainy and follows the music: lossy file"),
            (Kind::Noise { level_db: -93.0 }, "steady noise at -93 dB re full scale: hiss or dither"),
            (Kind::Clipping, "loud moments are bent: clipping or saturation"),
            (Kind::Bleed { level_db: -14.1 }, "the backing contains the voice at about -14 dB"),
        ] {
            assert_eq!(told(kind), expected);
        }
    }
}
