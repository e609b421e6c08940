//! Readings as words: pure functions, so that they can be tested without a window.

use minuend_common::words::{at_least, sentence, why_withheld};
use minuend_engine::causes::{Cause, Kind};
use minuend_engine::{Lock, MAX_SAMPLE_RATE_HZ, MIN_SAMPLE_RATE_HZ, Readings, Withheld};

use crate::meters::Meters;

/// A quieter signal is called silent, dB re full scale.
const SILENT_DB: f32 = -119.0;
/// Confidence from which on an alignment is called certain. The right song seldom reads less (median of the search's tests).
const CERTAIN: f32 = 3.0;

/// A search is seldom this long when the backing is the right one, s.
const LONG_SEARCH_S: f64 = 20.0;

/// Sentences on what limits the null for which there is room.
const MOST_LIMITS: usize = 4;

/// State of the lock in one word or two.
pub fn state(meters: &Meters) -> &'static str {
    if meters.sample_rate_hz == 0.0 {
        return "Not running";
    }
    if !meters.engine_works() {
        return "Rate not supported";
    }
    match meters.readings.lock {
        Lock::NoBacking => "No backing heard",
        Lock::Searching => "Searching",
        Lock::Locked => "Locked",
        Lock::Lost => "Lost",
        Lock::TooLate => "Backing too late",
    }
}

/// What the state means for what is heard, and what to do next; `searching_s` is how long it has been searching.
pub fn advice(meters: &Meters, searching_s: f64) -> String {
    let Meters { readings, sample_rate_hz, .. } = meters;
    if *sample_rate_hz == 0.0 {
        return "Switch the plug-in on in the host.".into();
    }
    if !meters.engine_works() {
        let [lowest, highest] = [MIN_SAMPLE_RATE_HZ, MAX_SAMPLE_RATE_HZ].map(kilohertz);
        return format!(
            "Minuend works at {lowest} to {highest} kHz: at {} kHz the mix passes. Set the host to another sample rate.",
            kilohertz(*sample_rate_hz)
        );
    }
    match readings.lock {
        Lock::NoBacking if readings.mix_db > SILENT_DB => {
            "Only the mix arrives, and passes. Send the backing to this plug-in's sidechain, before its fader.".into()
        }
        Lock::NoBacking => "Play the song, with the backing routed to this plug-in's sidechain.".into(),
        Lock::Searching if readings.mix_db <= SILENT_DB => {
            "The backing is there, the mix is silent: play both.".into()
        }
        Lock::Searching if searching_s > LONG_SEARCH_S => format!(
            "Not found in {searching_s:.0} s of music. Is it the same recording, and does its backing start within 10 s of \
             it? The mix passes meanwhile."
        ),
        Lock::Searching => "Looking for the backing in the mix, which passes meanwhile. Keep playing.".into(),
        Lock::Locked => "The backing is being subtracted.".into(),
        Lock::Lost => {
            "The backing no longer fits. The mix passes, at full level, until it is found again.".into()
        }
        Lock::TooLate => {
            let late_s = readings.late_samples / sample_rate_hz;
            format!(
                "Backing {late_s:.3} s late: move its clip {late_s:.3} s earlier ({} samples). Until then the mix \
                 passes.",
                thousands(readings.late_samples.round() as i64),
            )
        }
    }
}

/// What is wrong with the signals, if anything is.
pub fn warning(readings: &Readings) -> Option<String> {
    match (readings.bad_samples, readings.late_jobs) {
        (0, 0) => None,
        (0, late) => Some(format!(
            "The computer is busy: {} late. Learning is slower, the sound is not touched.",
            count(u64::from(late), "learning step came", "learning steps came")
        )),
        (bad, _) => Some(format!(
            "{} not a number and counted as silence: look for a faulty plug-in before this one.",
            count(bad, "sample was", "samples were")
        )),
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
    if !meters.engine_works() || readings.confidence == 0.0 {
        return Vec::new();
    }
    if !matches!(readings.lock, Lock::Locked | Lock::TooLate) {
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
        Finding {
            name: "Confidence",
            value: confidence(readings.confidence),
            meaning: "How far the delay found stands out from the next best one. The right song seldom reads less than \
                      3 : 1.",
        },
    ];
    if readings.lock == Lock::Locked {
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

/// The null depth: a figure if there is one, and what it means.
pub fn null_depth(meters: &Meters) -> (String, String) {
    if !meters.engine_works() || meters.readings.lock != Lock::Locked {
        return ("\u{2013}".into(), "nothing is subtracted yet".into());
    }
    match (meters.readings.null_depth_db, meters.readings.withheld) {
        (Some(depth_db), _) => (format!("{depth_db:.1} dB"), "where the voice rests, last 10 s".into()),
        (None, Withheld::AtLeast(depth_db)) => {
            (at_least(depth_db), "where the voice rests; what is left there may not be the backing".into())
        }
        (None, withheld) => ("\u{2013}".into(), why_withheld(withheld)),
    }
}

/// What limits the null and what is corrected, one sentence each, the most important first. Delay and polarity are told
/// among the [`findings`].
pub fn limits(meters: &Meters) -> Vec<String> {
    if !meters.engine_works() || meters.readings.lock != Lock::Locked {
        return Vec::new();
    }
    let causes = meters.readings.causes.iter();
    let told = causes.filter(|cause| !matches!(cause.kind, Kind::Delay { .. } | Kind::Polarity)).map(limit);
    told.take(MOST_LIMITS).collect()
}

fn limit(cause: &Cause) -> String {
    let sentence = minus(sentence(cause));
    if cause.kind.stands() {
        format!("Limit: {sentence}. It holds the null at {:.0} dB.", cause.depth_db)
    } else {
        format!("Corrected: {sentence} ({:.0} dB).", cause.worth_db)
    }
}

/// Why there is no null depth to draw.
pub fn no_depth_yet(meters: &Meters, withheld: Withheld) -> String {
    if meters.readings.lock != Lock::Locked || !meters.engine_works() {
        return "Drawn once the backing is subtracted.".into();
    }
    match withheld {
        // A bound is of the whole.
        Withheld::NoRest | Withheld::AtLeast(_) => {
            "Cannot tell yet: it takes a moment in which the voice rests and the null is even.".into()
        }
        withheld => capital(why_withheld(withheld)) + ".",
    }
}

/// Why there is no movement to draw.
pub fn no_movement_yet(meters: &Meters) -> &'static str {
    match meters.readings.lock {
        Lock::Locked if meters.engine_works() => "Nothing heard yet.",
        _ => "Drawn once the backing is subtracted.",
    }
}

/// Why there are no spectra to draw.
pub fn no_spectra_yet(meters: &Meters) -> &'static str {
    if meters.engine_works() {
        "Drawn while the song plays."
    } else if meters.sample_rate_hz == 0.0 {
        "Not running."
    } else {
        "Not drawn at this sample rate."
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
fn kilohertz(hz: f64) -> String {
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
fn thousands(number: i64) -> String {
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
fn grouped(number: f64, decimals: usize) -> String {
    let text = format!("{:.decimals$}", number.abs());
    let (whole, part) = text.split_once('.').unwrap_or((&text, ""));
    let sign =
        if number < 0.0 && text.contains(|c: char| ('1'..='9').contains(&c)) { "\u{2212}" } else { "" };
    format!("{sign}{}.{part}", thousands(whole.parse().unwrap_or_default()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(readings: Readings) -> Meters {
        Meters { readings, sample_rate_hz: 44_100.0, ..Meters::default() }
    }

    fn locked() -> Readings {
        Readings {
            lock: Lock::Locked,
            confidence: 6.4,
            mix_db: -14.0,
            level: [1.0; 2],
            ..Readings::default()
        }
    }

    #[test]
    fn a_late_backing_is_told_how_far_to_move() {
        let late = Readings {
            lock: Lock::TooLate,
            delay_samples: -107_964.0,
            late_samples: 102_050.0,
            confidence: 5.0,
            ..Readings::default()
        };
        assert_eq!(state(&shown(late)), "Backing too late");
        assert_eq!(
            advice(&shown(late), 0.0),
            "Backing 2.314 s late: move its clip 2.314 s earlier (102,050 samples). Until then the mix passes."
        );
    }

    #[test]
    fn every_state_says_what_to_do_or_what_is_done() {
        assert_eq!(state(&Meters::default()), "Not running");
        assert_eq!(advice(&Meters::default(), 0.0), "Switch the plug-in on in the host.");
        let silent = Readings { mix_db: -200.0, ..Readings::default() };
        assert_eq!(
            advice(&shown(silent), 0.0),
            "Play the song, with the backing routed to this plug-in's sidechain."
        );
        assert!(
            advice(&shown(Readings { mix_db: -14.0, ..silent }), 0.0).starts_with("Only the mix arrives")
        );
        let searching = Readings { lock: Lock::Searching, mix_db: -14.0, ..Readings::default() };
        assert!(advice(&shown(searching), 3.0).contains("Keep playing"));
        assert!(advice(&shown(searching), 31.2).starts_with("Not found in 31 s of music."));
        assert!(advice(&shown(Readings { mix_db: -200.0, ..searching }), 0.0).contains("play both"));
        assert!(advice(&shown(Readings { lock: Lock::Lost, ..searching }), 0.0).contains("at full level"));
        assert_eq!(advice(&shown(locked()), 0.0), "The backing is being subtracted.");
    }

    /// What the engine would say of such a rate does not count.
    #[test]
    fn a_rate_at_which_the_mix_passes_is_told_and_nothing_else() {
        let at = |sample_rate_hz| Meters { sample_rate_hz, ..shown(locked()) };
        let told = |hz: f64| [state(&at(hz)).into(), advice(&at(hz), 0.0)];
        for hz in [8_000.0, 192_000.0] {
            assert_eq!(told(hz)[0], "Locked");
        }
        for (hz, khz) in
            [(384_000.0, "384"), (1_234.567_8, "1.235"), (7_999.0, "7.999"), (192_001.0, "192.001")]
        {
            let why = format!(
                "Minuend works at 8 to 192 kHz: at {khz} kHz the mix passes. Set the host to another sample rate."
            );
            assert_eq!(told(hz), ["Rate not supported".into(), why]);
            assert!(findings(&at(hz)).is_empty() && limits(&at(hz)).is_empty());
            assert_eq!(null_depth(&at(hz)).0, "\u{2013}");
            assert_eq!(no_spectra_yet(&at(hz)), "Not drawn at this sample rate.");
            assert_eq!(latency(&at(hz)), "latency 0 ms, 0 samples");
        }
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
        assert!(findings(&shown(Readings { lock: Lock::Searching, ..found })).is_empty());
        assert!(findings(&Meters::default()).is_empty());
        let early = Readings { delay_samples: -1.0, level: [1.0, 0.5], confidence: 2.2, ..locked() };
        let values: Vec<_> = told(early).map(|(_, value)| value).collect();
        assert_eq!(values[0], "\u{2212}0.023 ms, \u{2212}1.00 samples");
        assert_eq!(values[1], "none");
        assert_eq!(values[3], "probable (2.2 : 1)");
        assert_eq!(values[4], "left +0.00, right \u{2212}6.02 dB");
    }

    #[test]
    fn a_null_depth_is_told_only_while_there_is_one() {
        let deep = Readings { null_depth_db: Some(61.26), ..locked() };
        assert_eq!(null_depth(&shown(deep)).0, "61.3 dB");
        assert_eq!(null_depth(&shown(locked())).1, "cannot tell: the voice sings, or the null is uneven");
        assert!(no_depth_yet(&shown(locked()), Withheld::NoRest).contains("in which the voice rests"));
        assert!(
            no_depth_yet(&Meters::default(), Withheld::NoRest).contains("once the backing is subtracted")
        );
        let bounded = Readings { withheld: Withheld::AtLeast(87.6), ..locked() };
        let told = (
            "at least 87 dB".into(),
            "where the voice rests; what is left there may not be the backing".into(),
        );
        assert_eq!(null_depth(&shown(bounded)), told);
        let forbidden = Readings { withheld: Withheld::Forbidden(Kind::Clipping), ..locked() };
        let reason = "cannot tell: clipping or saturation leaves more beneath the voice than where it rests";
        assert_eq!(null_depth(&shown(forbidden)).1, reason);
        let drawn = no_depth_yet(&shown(forbidden), forbidden.withheld);
        assert_eq!(drawn[1..], format!("{reason}.")[1..]);
        assert_eq!(
            null_depth(&shown(Readings { lock: Lock::Searching, ..deep })).1,
            "nothing is subtracted yet"
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
            "Corrected: the backing's level differs by \u{2212}0.8 dB on the left and +1.1 dB on the right (12 dB)."
        );
        assert!(limits(&Meters::default()).is_empty());
    }

    #[test]
    fn faults_are_told_with_a_remedy() {
        assert_eq!(warning(&locked()), None);
        let bad = Readings { bad_samples: 1_200, late_jobs: 3, ..locked() };
        assert_eq!(
            warning(&bad).unwrap(),
            "1,200 samples were not a number and counted as silence: look for a faulty plug-in before this one."
        );
        assert!(
            warning(&Readings { late_jobs: 1, ..locked() }).unwrap().contains("1 learning step came late")
        );
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
