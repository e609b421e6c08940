//! Readings as words: pure functions, so that they can be tested without a window.

use minuend_common::words::{
    COMPRESSED, at_least, bent, roughly, sentence, what_leaves_more, why_not_measured, why_withheld,
};
use minuend_engine::causes::{Cause, Kind};
use minuend_engine::settings::BackingKind;
use minuend_engine::{Readings, Withheld};

use super::state::State;
use crate::meters::Meters;

/// A quieter signal is called silent, dB re full scale.
const SILENT_DB: f32 = -119.0;
/// Confidence from which on an alignment is called certain. The right song seldom reads less (median of the search's tests).
const CERTAIN: f32 = 3.0;

/// Sentences on what limits the null for which there is room.
const MOST_LIMITS: usize = 4;

/// What is to be known besides the state.
#[derive(Clone, Debug, PartialEq)]
pub struct Warning {
    /// One sentence or two.
    pub text: String,
    /// Whether the sound is touched.
    pub is_alarm: bool,
}

/// What is wrong with the signals or the computer, if anything is.
pub fn warning(readings: &Readings) -> Option<Warning> {
    match (readings.bad_samples, readings.late_jobs) {
        (0, 0) => None,
        (0, late) => {
            let steps = count(u64::from(late), "learning step came", "learning steps came");
            let text =
                format!("The computer is busy: {steps} late. Learning is slower, the sound is the same.");
            Some(Warning { text, is_alarm: false })
        }
        (bad, _) => {
            let samples = count(bad, "sample was no number and counts", "samples were no numbers and count");
            let text = format!("{samples} as silence: a plug-in before this one is faulty.");
            Some(Warning { text, is_alarm: true })
        }
    }
}

/// Something that has been found.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// What it is called.
    pub name: &'static str,
    /// What was found.
    pub value: String,
    /// What it means, for whoever asks: one or two sentences.
    pub meaning: &'static str,
}

/// What has been found; empty until something has.
pub fn findings(meters: &Meters) -> Vec<Finding> {
    let Meters { readings, sample_rate_hz, .. } = meters;
    let state = State::of(meters);
    if !state.is_matched() && !matches!(state, State::TooLate(_)) {
        return Vec::new();
    }
    let mut findings = vec![
        Finding {
            name: "Delay",
            value: delay(readings.delay_samples, *sample_rate_hz),
            meaning: "How much later the mix plays than the backing. Below zero the backing is the later one.",
        },
        Finding {
            name: "Drift",
            value: drift(readings.drift_ppm),
            meaning: "How far the two clocks run apart, in millionths: 20 ppm are 1 ms in 50 s.",
        },
        Finding {
            name: "Polarity",
            value: if readings.inverted { "inverted" } else { "as it came" }.into(),
            meaning: "Inverted: where the mix goes up, the backing goes down.",
        },
    ];
    if state.is_matched() {
        findings.push(Finding {
            name: "Backing is",
            value: match readings.backing_kind {
                BackingKind::Recorded => "recorded",
                BackingKind::Estimated => "estimated",
                BackingKind::Auto => "not yet known",
            }
            .into(),
            meaning: "A machine's estimate leaves what is in phase with it. Until that was heard for some seconds, the \
                      backing counts as recorded.",
        });
    }
    // What a session kept has not been looked at again yet.
    if readings.confidence > 0.0 {
        findings.push(Finding {
            name: "Confidence",
            value: confidence(readings.confidence),
            meaning: "How far the delay found stands out from the next best one. The right song seldom reads less than \
                      3 : 1.",
        });
    }
    if state.is_matched() {
        findings.push(Finding {
            name: "Matched level",
            value: level(readings.level),
            meaning: "By how much the backing is raised or lowered before it is subtracted.",
        });
    }
    findings
}

/// A delay in both units.
fn delay(samples: f64, sample_rate_hz: f64) -> String {
    let ms = samples / sample_rate_hz * 1e3;
    format!("{} ms, {} samples", grouped(ms, 3), grouped(samples, 2))
}

fn drift(ppm: f32) -> String {
    if ppm == 0.0 { "none".into() } else { minus(format!("{ppm:+.1} ppm")) }
}

fn confidence(ratio: f32) -> String {
    format!("{} ({ratio:.1} : 1)", if ratio >= CERTAIN { "certain" } else { "probable" })
}

/// Matched levels, left and right, by which the backing is made to fit.
fn level(level: [f32; 2]) -> String {
    let [left, right] = level.map(|gain| 20.0 * gain.abs().max(1e-6).log10());
    if level == [0.0; 2] {
        "not yet known".into()
    } else if (left - right).abs() < 0.05 {
        minus(format!("{left:+.2} dB"))
    } else {
        minus(format!("left {left:+.2}, right {right:+.2} dB"))
    }
}

/// What a null sounds like: common practice, no source.
pub const NULL_LEGEND: &str =
    "A null of 20 dB leaves the backing soft, one of 40 dB hardly heard; at 60 dB it is gone.";

/// The null depth: a figure if there is one, and what it means.
pub fn null_depth(meters: &Meters) -> (String, String) {
    if State::of(meters) != State::Locked {
        return ("\u{2013}".into(), "nothing is subtracted now".into());
    }
    let Readings { null_depth_db, withheld, causes, .. } = &meters.readings;
    match (*null_depth_db, *withheld, meters.readings.estimate()) {
        (Some(depth_db), ..) => {
            let under_voice = roughly(causes.about_measured(depth_db));
            (
                format!("{depth_db:.1} dB"),
                format!("where the voice rests, last 10 s; {under_voice} under the voice"),
            )
        }
        (None, Withheld::AtLeast(depth_db), Some(estimate)) => (
            at_least(depth_db),
            format!("where the voice rests; {} under the voice", roughly(estimate.at_least(depth_db))),
        ),
        (None, Withheld::AtLeast(depth_db), None) => {
            (at_least(depth_db), "where the voice rests; what is left there may not be the backing".into())
        }
        (None, Withheld::Forbidden(kind), Some(estimate)) => {
            (roughly(estimate), format!("estimated: {} leaves more under the voice", what_leaves_more(kind)))
        }
        (None, withheld, Some(estimate)) => {
            (roughly(estimate), format!("an estimate: {}", why_not_measured(withheld)))
        }
        (None, withheld, None) => ("\u{2013}".into(), why_withheld(withheld)),
    }
}

/// What limits the null and what is corrected, one sentence each, the most important first. Delay and polarity are told
/// among the [`findings`].
pub fn limits(meters: &Meters) -> Vec<String> {
    if !State::of(meters).is_matched() {
        return Vec::new();
    }
    let causes = meters.readings.causes.iter();
    let told = causes.filter(|cause| !matches!(cause.kind, Kind::Delay { .. } | Kind::Polarity)).map(limit);
    let Readings { bent_db, knows_dynamics, .. } = meters.readings;
    let taken_back = bent_db.map(bent).into_iter().chain(knows_dynamics.then(|| COMPRESSED.into()));
    taken_back.map(|words| format!("Corrected: {words}.")).chain(told).take(MOST_LIMITS).collect()
}

fn limit(cause: &Cause) -> String {
    let sentence = minus(sentence(cause));
    if cause.kind.stands() {
        format!("Limit: {sentence}. It holds the null at {:.0} dB.", cause.depth_db)
    } else {
        format!("Corrected, worth {:.0} dB: {sentence}.", cause.worth_db)
    }
}

/// What stands where the null will be drawn, until anything was subtracted.
pub const NO_NULL_YET: &str = "Null depth, over time and by frequency, and the level follower: drawn here once the backing is subtracted.";

/// What stands where the null depth will be drawn, until there is any.
pub fn no_depth_yet(withheld: Withheld) -> String {
    match withheld {
        // A bound is of the whole.
        Withheld::NoRest | Withheld::AtLeast(_) => {
            "Drawn here once the voice rests and the null holds still.".into()
        }
        withheld => capital(why_withheld(withheld)) + ".",
    }
}

/// What stands where the spectra will be drawn.
pub fn no_spectra_yet(meters: &Meters) -> &'static str {
    match State::of(meters) {
        State::NotRunning | State::Silent => {
            "1. Put this plug-in on the mix's track, before all others.\n\
             2. Send the backing's track to this plug-in's sidechain, before its fader, and take it out of the main output.\n\
             3. Play. The spectra of mix, backing and difference are then drawn here."
        }
        State::WrongRate => "At this sample rate no spectra are drawn.",
        _ => "The spectra of mix, backing and difference are drawn here while the song plays.",
    }
}

/// A level in dB re full scale.
pub fn level_db(db: f32) -> String {
    if db <= SILENT_DB { "silent".into() } else { minus(format!("{db:.1} dB")) }
}

/// The level follower's present movement.
pub fn movement(follow_db: f32) -> String {
    if follow_db.abs() < 0.005 { "still".into() } else { minus(format!("{follow_db:+.2} dB")) }
}

/// A sample rate in kHz, with no more decimals than it has.
pub fn kilohertz(hz: f64) -> String {
    let text = format!("{:.3}", hz / 1e3);
    text.trim_end_matches('0').trim_end_matches('.').into()
}

/// A frequency in few letters.
pub fn frequency(hz: f64) -> String {
    if hz >= 1_000.0 { format!("{:.0}k", hz / 1_000.0) } else { format!("{hz:.0}") }
}

/// The constant latency.
pub fn latency(meters: &Meters) -> String {
    if meters.sample_rate_hz == 0.0 {
        return String::new();
    }
    let samples = meters.latency_samples;
    let ms = f64::from(samples) / meters.sample_rate_hz * 1e3;
    format!("latency {ms:.0} ms, {} samples", thousands(i64::from(samples)))
}

/// A text that begins with a capital.
fn capital(mut text: String) -> String {
    if let Some(first) = text.get_mut(..1) {
        first.make_ascii_uppercase();
    }
    text
}

/// A text with its hyphens turned into minus signs.
fn minus(text: String) -> String {
    text.replace('-', "\u{2212}")
}

fn count(number: u64, one: &str, many: &str) -> String {
    if number == 1 { format!("1 {one}") } else { format!("{} {many}", thousands(number as i64)) }
}

/// A whole number with its thousands apart.
pub fn thousands(number: i64) -> String {
    let digits = number.unsigned_abs().to_string();
    let mut text = String::from(if number < 0 { "\u{2212}" } else { "" });
    for (idx, digit) in digits.chars().enumerate() {
        if idx > 0 && (digits.len() - idx).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

/// A number with its thousands apart and some decimals.
pub fn grouped(number: f64, decimals: usize) -> String {
    let text = format!("{:.decimals$}", number.abs());
    let (whole, part) = text.split_once('.').unwrap_or((&text, ""));
    let sign =
        if number < 0.0 && text.contains(|c: char| ('1'..='9').contains(&c)) { "\u{2212}" } else { "" };
    format!("{sign}{}.{part}", thousands(whole.parse().unwrap_or_default()))
}

#[cfg(test)]
mod tests {
    use minuend_engine::causes::Causes;
    use minuend_engine::{Evidence, Limit, Lock};

    use super::*;

    fn shown(readings: Readings) -> Meters {
        Meters { readings, sample_rate_hz: 44_100.0, ..Meters::default() }
    }

    fn locked() -> Readings {
        Readings {
            lock: Lock::Locked,
            kept: Lock::Locked,
            confidence: 6.4,
            mix_is_heard: true,
            mix_db: -14.0,
            level: [1.0; 2],
            ..Readings::default()
        }
    }

    /// What the engine would say of such a rate does not count.
    #[test]
    fn at_a_rate_at_which_the_mix_passes_nothing_is_found() {
        let at = Meters { sample_rate_hz: 384_000.0, ..shown(locked()) };
        assert!(findings(&at).is_empty() && limits(&at).is_empty());
        assert_eq!(null_depth(&at).0, "\u{2013}");
        assert_eq!(no_spectra_yet(&at), "At this sample rate no spectra are drawn.");
        assert_eq!(latency(&at), "latency 0 ms, 0 samples");
    }

    #[test]
    fn findings_are_told_in_both_units_and_only_when_found() {
        let found = Readings {
            delay_samples: 17_640.37,
            drift_ppm: -19.96,
            inverted: true,
            level: [-1.3646, -1.3646],
            ..locked()
        };
        let told = |readings| findings(&shown(readings)).into_iter().map(|found| (found.name, found.value));
        let expected = [
            ("Delay", "400.008 ms, 17,640.37 samples"),
            ("Drift", "\u{2212}20.0 ppm"),
            ("Polarity", "inverted"),
            ("Backing is", "not yet known"),
            ("Confidence", "certain (6.4 : 1)"),
            ("Matched level", "+2.70 dB"),
        ];
        assert!(
            told(found).eq(expected.map(|(name, value)| (name, value.to_owned()))),
            "{:?}",
            findings(&shown(found))
        );
        for Finding { name, meaning, .. } in findings(&shown(found)) {
            assert!(meaning.ends_with('.') && !meaning.contains("  "), "{name} is explained");
        }
        assert!(
            findings(&shown(Readings { lock: Lock::Searching, kept: Lock::Searching, ..found })).is_empty()
        );
        // While nothing plays it stays in sight; of what a session kept it is not known yet how far it stands out.
        let kept = Readings { lock: Lock::NoBacking, mix_is_heard: false, ..found };
        assert_eq!(findings(&shown(kept)), findings(&shown(found)));
        let recalled = told(Readings { confidence: 0.0, ..kept }).map(|(name, _)| name);
        assert!(recalled.eq(["Delay", "Drift", "Polarity", "Backing is", "Matched level"]));
        assert!(findings(&Meters::default()).is_empty());
        let early = Readings { delay_samples: -1.0, level: [1.0, 0.5], confidence: 2.2, ..locked() };
        let values: Vec<_> = told(early).map(|(_, value)| value).collect();
        assert_eq!(values[0], "\u{2212}0.023 ms, \u{2212}1.00 samples");
        assert_eq!(values[1], "none");
        assert_eq!(values[4], "probable (2.2 : 1)");
        assert_eq!(values[5], "left +0.00, right \u{2212}6.02 dB");
    }

    #[test]
    fn a_null_depth_is_told_only_while_there_is_one() {
        let deep = Readings { null_depth_db: Some(61.26), ..locked() };
        assert_eq!(null_depth(&shown(deep)).0, "61.3 dB");
        assert_eq!(null_depth(&shown(locked())).1, "cannot tell: the voice sings, or the null is uneven");
        assert!(no_depth_yet(Withheld::NoRest).contains("once the voice rests"));
        let bounded = Readings { withheld: Withheld::AtLeast(87.6), ..locked() };
        let told = (
            "at least 87 dB".into(),
            "where the voice rests; what is left there may not be the backing".into(),
        );
        assert_eq!(null_depth(&shown(bounded)), told);
        // Once it can be estimated, that is told instead of a reason alone.
        let evidence = Evidence { limit: Limit::Bend, figure_db: 27.0 };
        let causes = Causes::default().with_evidence(Some(evidence));
        let sings = Readings { causes, knows_causes: true, ..locked() };
        let told =
            ("roughly 27 dB (16 to 36)".into(), "an estimate: the voice sings, or the null is uneven".into());
        assert_eq!(null_depth(&shown(sings)), told);
        let bounded = Readings { withheld: Withheld::AtLeast(31.0), ..sings };
        let told = (
            "at least 31 dB".into(),
            "where the voice rests; roughly 31 dB (27 to 36) under the voice".into(),
        );
        assert_eq!(null_depth(&shown(bounded)), told);
        assert_eq!(
            null_depth(&shown(deep)).1,
            "where the voice rests, last 10 s; roughly 61 dB (41 to 66) under the voice"
        );
        let forbidden = Readings { withheld: Withheld::Forbidden(Kind::Clipping), ..locked() };
        let reason = "cannot tell: clipping or saturation leaves more under the voice than in its rests";
        assert_eq!(null_depth(&shown(forbidden)).1, reason);
        let drawn = no_depth_yet(forbidden.withheld);
        assert_eq!(drawn[1..], format!("{reason}.")[1..]);
        assert_eq!(
            null_depth(&shown(Readings { lock: Lock::Searching, ..deep })).1,
            "nothing is subtracted now"
        );
    }

    #[test]
    fn a_limit_is_told_with_its_depth_and_what_is_put_right_with_its_worth() {
        let cause = |kind| Cause { kind, depth_db: 21.6, worth_db: 12.3 };
        assert_eq!(
            limit(&cause(Kind::Codec { edge: None })),
            "Limit: what is left is grainy and follows the music: lossy file. It holds the null at 22 dB."
        );
        assert_eq!(
            limit(&cause(Kind::Level { sides_db: [-0.8, 1.1] })),
            "Corrected, worth 12 dB: the backing's level differs by \u{2212}0.8 dB on the left and +1.1 dB on the right."
        );
        assert!(limits(&Meters::default()).is_empty());
        let mastered = Readings { bent_db: Some(3.26), knows_dynamics: true, ..locked() };
        assert_eq!(
            limits(&shown(mastered)),
            [
                "Corrected: the sum was bent, as by tape, a tube or a clipper: its peaks were held down by 3.3 dB.",
                "Corrected: each band was compressed on its own, as by a multiband compressor."
            ]
        );
    }

    #[test]
    fn faults_are_told_with_a_remedy() {
        assert_eq!(warning(&locked()), None);
        let bad = warning(&Readings { bad_samples: 1_200, late_jobs: 3, ..locked() }).unwrap();
        assert!(bad.is_alarm, "samples are lost");
        assert_eq!(
            bad.text,
            "1,200 samples were no numbers and count as silence: a plug-in before this one is faulty."
        );
        let busy = warning(&Readings { late_jobs: 1, ..locked() }).unwrap();
        assert!(!busy.is_alarm, "the sound is the same");
        assert!(busy.text.contains("1 learning step came late"));
    }

    #[test]
    fn numbers_are_grouped() {
        assert_eq!(thousands(0), "0");
        assert_eq!(thousands(-1_234_567), "\u{2212}1,234,567");
        assert_eq!(grouped(-0.001, 2), "0.00");
        assert_eq!(grouped(999.999, 2), "1,000.00");
        assert_eq!(frequency(125.0), "125");
        assert_eq!(frequency(16_000.0), "16k");
        assert_eq!(level_db(-200.0), "silent");
        assert_eq!(level_db(-14.26), "\u{2212}14.3 dB");
        assert_eq!(movement(0.001), "still");
        assert_eq!(movement(-1.5), "\u{2212}1.50 dB");
    }
}
