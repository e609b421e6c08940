//! What came of each part.

use minuend_parts::Model;

use crate::rendered::delay_words;

/// A part as it was taken away.
#[derive(Clone, Debug, PartialEq)]
pub struct TakenPart {
    /// Name of its file.
    pub name: String,
    /// How freely it was fitted.
    pub model: Model,
    /// How much louder the mix has it than its file, by side of the mix, dB; negative infinity = nothing.
    pub level_db: Vec<f64>,
    /// Whether the mix has it upside down.
    pub inverted: bool,
    /// How much later the mix has it, samples.
    pub delay_samples: f64,
    /// Why it is nothing, if it is.
    pub why_nothing: Option<Nothing>,
}

/// Why nothing is taken of a part.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Nothing {
    /// Its file is silent.
    Silent,
    /// It is not in the mix.
    NotInMix,
    /// It agrees with the mix, but what it holds the other parts hold already.
    InOthers,
}

impl Nothing {
    /// In words that follow the name of a part.
    pub fn words(self) -> &'static str {
        match self {
            Self::Silent => "is silent",
            Self::NotInMix => "is not in the mix: level nothing",
            Self::InOthers => "adds nothing to the others: level nothing",
        }
    }
}

impl TakenPart {
    /// Its level in words.
    pub fn level_words(&self) -> String {
        // Rounded first, lest a tiny negative number reads "-0.0".
        let rounded: Vec<f64> = self.level_db.iter().map(|db| (10.0 * db).round() / 10.0 + 0.0).collect();
        match rounded[..] {
            [left, right] if (left - right).abs() >= 0.05 => {
                format!("{left:+.1} dB left, {right:+.1} dB right")
            }
            [level, ..] => format!("{level:+.1} dB"),
            [] => String::new(),
        }
    }

    /// Its tone in words.
    pub fn tone_words(&self) -> &'static str {
        match self.model {
            Model::Nothing => "",
            Model::AsItCame | Model::Level => "as it came",
            Model::Short => "slightly filtered",
            Model::Long => "filtered",
        }
    }
}

/// What came of the parts, in one line; delays where they differ.
pub fn parts_in_words(parts: &[TakenPart], sample_rate_hz: f64) -> String {
    let taken = || parts.iter().filter(|part| part.why_nothing.is_none());
    let first = taken().map(|part| part.delay_samples).fold(f64::INFINITY, f64::min);
    let words = |part: &TakenPart| {
        if let Some(nothing) = part.why_nothing {
            return format!("{} {}", part.name, nothing.words());
        }
        let mut words = format!("{} {}", part.name, part.level_words());
        if part.inverted {
            words += ", inverted";
        }
        if part.model > Model::Level {
            words += &format!(", {}", part.tone_words());
        }
        let later = part.delay_samples - first;
        if later >= 0.5 {
            words += &format!(", later by {}", delay_words(later, sample_rate_hz));
        }
        words
    };
    parts.iter().map(words).collect::<Vec<_>>().join("; ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_are_told_in_words() {
        let part = |name: &str, model, level_db: [f64; 2], delay_samples| TakenPart {
            name: name.to_owned(),
            model,
            level_db: level_db.to_vec(),
            inverted: false,
            delay_samples,
            why_nothing: None,
        };
        let parts = [
            part("drums.wav", Model::Level, [-3.04, -3.0], 100.0),
            TakenPart { inverted: true, ..part("bass.wav", Model::Long, [-0.01, -2.0], 580.0) },
            TakenPart {
                why_nothing: Some(Nothing::NotInMix),
                ..part("pad.wav", Model::Nothing, [f64::NEG_INFINITY; 2], 0.0)
            },
        ];
        assert_eq!(
            parts_in_words(&parts, 48_000.0),
            "drums.wav -3.0 dB; bass.wav +0.0 dB left, -2.0 dB right, inverted, filtered, later by 10.000 ms (480.00 samples); \
             pad.wav is not in the mix: level nothing"
        );
    }
}
