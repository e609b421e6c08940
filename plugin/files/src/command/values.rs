//! What options may be.

use std::{ffi::OsStr, num::NonZeroUsize, ops::Range};

use clap::{
    Arg, Command, Error,
    builder::{PossibleValue, PossibleValuesParser, TypedValueParser},
};

/// One of a few words: in upper or lower case, with spaces, `-` or `_` between them, and with a unit behind if there is one.
#[derive(Clone)]
pub struct Choice<T> {
    choices: Vec<(&'static str, T)>,
    units: &'static [&'static str],
}

/// Parses one of a few words.
pub fn choice<T: Clone>(choices: impl IntoIterator<Item = (&'static str, T)>) -> Choice<T> {
    Choice { choices: choices.into_iter().collect(), units: &[] }
}

impl<T> Choice<T> {
    /// Also with one of these behind it; the longest of them first.
    pub fn with_units(mut self, units: &'static [&'static str]) -> Self {
        self.units = units;
        self
    }

    fn words(&self) -> impl Iterator<Item = &'static str> {
        self.choices.iter().map(|&(word, _)| word)
    }
}

impl<T: Clone + Send + Sync + 'static> TypedValueParser for Choice<T> {
    type Value = T;

    fn parse_ref(&self, command: &Command, option: Option<&Arg>, value: &OsStr) -> Result<T, Error> {
        let plain = |text: &str| text.to_lowercase().replace([' ', '-', '_'], "");
        let found = plain(&value.to_string_lossy());
        let bare = self.units.iter().find_map(|unit| found.strip_suffix(unit)).unwrap_or(&found);
        if let Some((_, value)) =
            self.choices.iter().find(|(word, _)| [bare, &found].contains(&plain(word).as_str()))
        {
            return Ok(value.clone());
        }
        // For its error, which lists them all and finds the one that was meant.
        PossibleValuesParser::new(self.words()).parse_ref(command, option, value)?;
        unreachable!("a word of the list was found before");
    }

    fn possible_values(&self) -> Option<Box<dyn Iterator<Item = PossibleValue> + '_>> {
        Some(Box::new(self.words().map(PossibleValue::new)))
    }
}

/// A unit, by how it is shown and by how people spell it, each with what the number is multiplied by.
#[derive(Clone, Copy)]
pub struct Unit {
    shown: &'static str,
    spellings: &'static [(&'static str, f64)],
}

/// Decibels.
pub const DB: Unit = Unit { shown: "dB", spellings: &[("db", 1.0)] };
/// Hertz.
pub const HZ: Unit = Unit { shown: "Hz", spellings: &[("hz", 1.0), ("khz", 1e3), ("k", 1e3)] };
/// Per cent.
pub const PERCENT: Unit = Unit { shown: "%", spellings: &[("%", 1.0), ("percent", 1.0)] };
/// Samples.
pub const SAMPLES: Unit =
    Unit { shown: "samples", spellings: &[("samples", 1.0), ("sample", 1.0), ("smp", 1.0)] };

/// Parses a number within a range, with or without its unit; a decimal comma and the typographic minus are understood.
pub fn ranged((low, high): (f32, f32), unit: Unit) -> impl Fn(&str) -> Result<f32, String> + Clone {
    move |text| {
        let text = text.trim().replace(',', ".").replace('\u{2212}', "-").to_lowercase();
        let (digits, spelling) =
            text.split_at(text.find(|c| !matches!(c, '0'..='9' | '.' | '+' | '-')).unwrap_or(text.len()));
        let factor = match spelling.trim() {
            "" => Some(1.0),
            spelling => {
                unit.spellings.iter().find(|(known, _)| *known == spelling).map(|&(_, factor)| factor)
            }
        };
        let value =
            digits.trim().parse::<f64>().ok().zip(factor).map(|(value, factor)| (value * factor) as f32);
        value
            .filter(|value| (low..=high).contains(value))
            .ok_or_else(|| format!("must be a number from {low} to {high}, in {}", unit.shown))
    }
}

/// Parses how many songs at a time.
pub fn at_least_one(text: &str) -> Result<NonZeroUsize, String> {
    text.parse().map_err(|_| "must be a number of songs, 1 or more".to_owned())
}

/// Parses a part of many songs: the first number, and of how many parts.
pub fn part_of(text: &str) -> Result<(usize, usize), String> {
    let numbers = text.split_once('/').and_then(|(part, of)| Some((part.parse().ok()?, of.parse().ok()?)));
    numbers
        .filter(|(part, of)| (1..=*of).contains(part))
        .ok_or("must be like 3/40, the third of 40 parts".into())
}

/// Parses a time: seconds, minutes and seconds, or hours, minutes and seconds.
pub fn time_s(text: &str) -> Result<f64, String> {
    let wrong = || "must be a time: seconds, M:SS or H:MM:SS".to_owned();
    let text = text.trim().trim_end_matches(['s', 'S']).trim_end();
    let parts: Vec<&str> = text.split(':').collect();
    let (seconds, larger) = parts.split_last().ok_or_else(wrong)?;
    let mut total = 0.0;
    for part in larger {
        total = 60.0 * (total + f64::from(part.parse::<u32>().map_err(|_| wrong())?));
    }
    let seconds: f64 = seconds.parse().map_err(|_| wrong())?;
    let highest = if larger.is_empty() { 1e6 } else { 60.0 };
    if larger.len() > 2 || !(0.0..highest).contains(&seconds) || !(0.0..1e6).contains(&total) {
        return Err(wrong());
    }
    Ok(total + seconds)
}

/// Parses a passage: two times with a hyphen between.
pub fn passage_s(text: &str) -> Result<Range<f64>, String> {
    let wrong = || "must be a passage, two times with a hyphen between: 0:00-0:12".to_owned();
    let (from, to) = text.split_once(['-', '\u{2013}']).ok_or_else(wrong)?;
    match (time_s(from), time_s(to)) {
        (Ok(from), Ok(to)) if from < to => Ok(from..to),
        (Ok(_), Ok(_)) => Err("must end after it begins".to_owned()),
        _ => Err(wrong()),
    }
}

#[cfg(test)]
mod tests {
    use minuend_engine::settings::{LOW_CUT_HZ, NUDGE_SAMPLES, TRIM_DB};

    use super::*;

    #[test]
    fn times_are_read_as_people_write_them() {
        for (text, expected) in [
            ("0", 0.0),
            ("90.5", 90.5),
            ("90.5 s", 90.5),
            ("1:30", 90.0),
            ("1:02:03.25", 3723.25),
            ("0:00", 0.0),
        ] {
            assert_eq!(time_s(text), Ok(expected), "{text}");
        }
        for wrong in ["", "-1", "1:60", "1:2:3:4", "a", "1:", ":30", "NaN", "inf", "1:-2", "1e9", "s"] {
            assert!(time_s(wrong).is_err(), "{wrong:?}");
        }
    }

    #[test]
    fn parts_are_numbered_from_one() {
        for (text, expected) in [("1/1", (1, 1)), ("3/40", (3, 40)), ("40/40", (40, 40))] {
            assert_eq!(part_of(text), Ok(expected), "{text}");
        }
        for wrong in ["0/4", "5/4", "4", "/4", "1/", "1/0", "-1/4", "1/4/2", "a/b"] {
            assert!(part_of(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn passages_are_two_times() {
        assert_eq!(passage_s("0:00-0:12.5"), Ok(0.0..12.5));
        assert_eq!(passage_s("90 s \u{2013} 2:00"), Ok(90.0..120.0));
        for wrong in ["0:12", "0:12-0:00", "5-5", "-5", "5-", "a-b", "1-2-3"] {
            assert!(passage_s(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn numbers_are_read_as_people_write_them() {
        for (range, unit, text, expected) in [
            (TRIM_DB, DB, "-12", -12.0),
            (TRIM_DB, DB, "-0.5dB", -0.5),
            (TRIM_DB, DB, " +0,5 DB ", 0.5),
            (TRIM_DB, DB, "\u{2212}3 db", -3.0),
            (LOW_CUT_HZ, HZ, "80Hz", 80.0),
            (LOW_CUT_HZ, HZ, "0.2kHz", 200.0),
            (LOW_CUT_HZ, HZ, ".1 k", 100.0),
            (NUDGE_SAMPLES, SAMPLES, "3.5smp", 3.5),
            (NUDGE_SAMPLES, SAMPLES, "-1 Samples", -1.0),
            ((0.0, 100.0), PERCENT, "35 %", 35.0),
        ] {
            assert_eq!(ranged(range, unit)(text), Ok(expected), "{text}");
        }
    }

    /// The ranges are the engine's own, and what lies outside is refused rather than clamped in silence.
    #[test]
    fn numbers_outside_their_range_or_of_another_unit_are_refused() {
        let parse = ranged(TRIM_DB, DB);
        for wrong in
            ["-12.1", "13", "NaN", "inf", "", "dB", "3 Hz", "3 dB/oct", "1e1", "1-2", "- 3", "--force"]
        {
            assert_eq!(parse(wrong), Err("must be a number from -12 to 12, in dB".to_owned()), "{wrong:?}");
        }
    }
}
