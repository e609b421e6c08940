//! What options may be.

use std::num::NonZeroUsize;

use clap::builder::{PossibleValuesParser, TypedValueParser};

/// Parses one of a few words.
pub fn choice<T: Copy + Send + Sync + 'static>(
    choices: impl IntoIterator<Item = (&'static str, T)>,
) -> impl TypedValueParser<Value = T> {
    let choices: Vec<_> = choices.into_iter().collect();
    PossibleValuesParser::new(choices.iter().map(|&(word, _)| word)).map(move |found| {
        choices.iter().find(|&&(word, _)| word == found).expect("the parser passes only these words").1
    })
}

/// Parses a number within a range.
pub fn ranged((low, high): (f32, f32)) -> impl Fn(&str) -> Result<f32, String> + Clone {
    move |text| match text.parse::<f32>() {
        Ok(value) if (low..=high).contains(&value) => Ok(value),
        _ => Err(format!("must be a number from {low} to {high}")),
    }
}

/// Parses how many songs at a time.
pub fn at_least_one(text: &str) -> Result<NonZeroUsize, String> {
    text.parse().map_err(|_| "must be a number of songs, 1 or more".to_owned())
}

/// Parses a time: seconds, minutes and seconds, or hours, minutes and seconds.
pub fn time_s(text: &str) -> Result<f64, String> {
    let wrong = || "must be a time: seconds, M:SS or H:MM:SS".to_owned();
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

#[cfg(test)]
mod tests {
    use minuend_engine::settings::TRIM_DB;

    use super::*;

    #[test]
    fn times_are_read_as_people_write_them() {
        for (text, expected) in
            [("0", 0.0), ("90.5", 90.5), ("1:30", 90.0), ("1:02:03.25", 3723.25), ("0:00", 0.0)]
        {
            assert_eq!(time_s(text), Ok(expected), "{text}");
        }
        for wrong in ["", "-1", "1:60", "1:2:3:4", "a", "1:", ":30", "NaN", "inf", "1:-2", "1e9"] {
            assert!(time_s(wrong).is_err(), "{wrong:?}");
        }
    }

    /// The ranges are the engine's own, and what lies outside is refused rather than clamped in silence.
    #[test]
    fn numbers_outside_their_range_are_refused() {
        let parse = ranged(TRIM_DB);
        assert_eq!(parse("-12"), Ok(-12.0));
        for wrong in ["-12.1", "13", "NaN", "inf", "", "3 dB"] {
            assert!(parse(wrong).is_err(), "{wrong:?}");
        }
    }
}
