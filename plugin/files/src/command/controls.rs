//! The plug-in's controls as options.

use clap::Args;
use minuend_engine::{
    Settings,
    settings::{
        BackingKind, CLEANUP_PERCENT, Follow, LOW_CUT_HZ, Listen, NUDGE_SAMPLES, OUTPUT_DB, Polarity, Slope,
        TRIM_DB, Tone,
    },
};

use super::values::{DB, HZ, PERCENT, SAMPLES, choice, ranged};

/// The plug-in's controls under their own names; those they had before are still understood.
#[derive(Args)]
#[command(next_help_heading = "Controls of the plug-in; a number may have its unit behind it")]
pub struct Controls {
    /// What is written: what is left, the backing as it is subtracted, or the mix as it came
    #[arg(long, value_name = "WHAT", default_value = "difference", value_parser = choice([("difference", Listen::Difference), ("backing", Listen::Backing), ("mix", Listen::Mix)]))]
    listen: Listen,
    /// Level of the backing on top of the level found: -12 to 12 dB
    #[arg(long, value_name = "LEVEL", default_value = "0dB", allow_hyphen_values = true, value_parser = ranged(TRIM_DB, DB))]
    trim: f32,
    /// Delay of the backing on top of the delay found: -32 to 32 samples
    #[arg(long, alias = "nudge", value_name = "DELAY", default_value = "0smp", allow_hyphen_values = true, value_parser = ranged(NUDGE_SAMPLES, SAMPLES))]
    fine_delay: f32,
    /// Subtract on the polarity found, as the backing came, or against it
    #[arg(long, value_name = "HOW", default_value = "follow", value_parser = choice([("follow", Polarity::Follow), ("keep", Polarity::Keep), ("invert", Polarity::Invert)]))]
    polarity: Polarity,
    /// What is followed as it moves in the mix
    #[arg(long, alias = "follow", value_name = "WHAT", default_value = "level-and-tone", value_parser = choice([("off", Follow::Off), ("level", Follow::Level), ("level-and-tone", Follow::LevelAndTone)]))]
    level_follow: Follow,
    /// How freely the backing is shaped to fit: one gain, a filter for either side, or also from side to side
    #[arg(long, alias = "tone", value_name = "HOW", default_value = "across-sides", value_parser = choice([("off", Tone::Off), ("per-side", Tone::PerSide), ("across-sides", Tone::AcrossSides)]))]
    tone_match: Tone,
    /// How much of what still leaks through is taken out: 0 (plain subtraction) to 100 %
    #[arg(long, alias = "cleanup", value_name = "AMOUNT", default_value = "50%", allow_hyphen_values = true, value_parser = ranged(CLEANUP_PERCENT, PERCENT))]
    clean_up: f32,
    /// Corner of the high-pass filter on the output: 20 to 400 Hz
    #[arg(long, value_name = "FREQUENCY", default_value = "80Hz", allow_hyphen_values = true, value_parser = ranged(LOW_CUT_HZ, HZ))]
    low_cut: f32,
    /// Steepness of that filter, dB per octave
    #[arg(long, alias = "slope", value_name = "SLOPE", default_value = "24", value_parser = choice([("off", Slope::Off), ("12", Slope::Db12), ("24", Slope::Db24), ("48", Slope::Db48)]).with_units(&["db/octave", "db/oct", "db"]))]
    low_cut_slope: Slope,
    /// Level of the output: -24 to 12 dB
    #[arg(long, alias = "output", value_name = "LEVEL", default_value = "0dB", allow_hyphen_values = true, value_parser = output_level)]
    output_level: f32,
    /// Where the backing comes from: a recording, or estimated from a mix by a machine, which is subtracted with caution; auto
    /// hears which
    #[arg(long, value_name = "KIND", default_value = "auto", value_parser = choice([("recorded", BackingKind::Recorded), ("estimated", BackingKind::Estimated), ("auto", BackingKind::Auto)]))]
    backing_is: BackingKind,
}

/// The control is called Output, but many a program takes that for the name of a file.
fn output_level(text: &str) -> Result<f32, String> {
    ranged(OUTPUT_DB, DB)(text).map_err(|error| format!("{error}; the file to write is named by --out"))
}

impl Controls {
    /// As the engine takes them.
    pub fn settings(&self) -> Settings {
        Settings {
            listen: self.listen,
            trim_db: self.trim,
            nudge_samples: self.fine_delay,
            polarity: self.polarity,
            follow: self.level_follow,
            tone: self.tone_match,
            cleanup_percent: self.clean_up,
            low_cut_hz: self.low_cut,
            slope: self.low_cut_slope,
            output_db: self.output_level,
            backing_kind: self.backing_is,
            ..Settings::default()
        }
    }
}

#[cfg(test)]
mod tests {
    use clap::Parser;

    use super::*;

    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        controls: Controls,
    }

    fn settings(options: &[&str]) -> Settings {
        let line = std::iter::once("").chain(options.iter().copied());
        Line::try_parse_from(line).unwrap_or_else(|error| panic!("{options:?}: {error}")).controls.settings()
    }

    /// Without options the controls stand where they stand in a fresh plug-in.
    #[test]
    fn defaults_are_the_engines() {
        assert_eq!(settings(&[]), Settings::default());
    }

    /// By the names of the plug-in's controls and of its values, with `=` and without, in upper and lower case, with units and
    /// without.
    #[test]
    fn every_control_is_an_option() {
        let default = Settings::default();
        for (options, expected) in [
            (&["--listen", "Backing"][..], Settings { listen: Listen::Backing, ..default }),
            (&["--trim", "-0.5dB"], Settings { trim_db: -0.5, ..default }),
            (&["--trim=-0.5 dB"], Settings { trim_db: -0.5, ..default }),
            (&["--trim", "-0.5"], Settings { trim_db: -0.5, ..default }),
            (&["--fine-delay", "-3.5smp"], Settings { nudge_samples: -3.5, ..default }),
            (&["--fine-delay=3.5 Samples"], Settings { nudge_samples: 3.5, ..default }),
            (&["--polarity", "INVERT"], Settings { polarity: Polarity::Invert, ..default }),
            (&["--level-follow", "Off"], Settings { follow: Follow::Off, ..default }),
            (&["--level-follow", "Level and tone"], default),
            (&["--tone-match", "Per side"], Settings { tone: Tone::PerSide, ..default }),
            (&["--tone-match", "per_side"], Settings { tone: Tone::PerSide, ..default }),
            (&["--clean-up", "80%"], Settings { cleanup_percent: 80.0, ..default }),
            (&["--low-cut", "0.2kHz"], Settings { low_cut_hz: 200.0, ..default }),
            (&["--low-cut-slope", "48dB"], Settings { slope: Slope::Db48, ..default }),
            (&["--low-cut-slope", "12 dB/oct"], Settings { slope: Slope::Db12, ..default }),
            (&["--low-cut-slope", "OFF"], Settings { slope: Slope::Off, ..default }),
            (&["--output-level", "-3 DB"], Settings { output_db: -3.0, ..default }),
            (&["--backing-is", "Estimated"], Settings { backing_kind: BackingKind::Estimated, ..default }),
            (&["--backing-is", "Recorded"], Settings { backing_kind: BackingKind::Recorded, ..default }),
            (&["--backing-is", "auto"], default),
        ] {
            assert_eq!(settings(options), expected, "{options:?}");
        }
    }

    #[test]
    fn their_earlier_names_are_understood() {
        let earlier = [
            "--nudge",
            "-1",
            "--follow",
            "level",
            "--tone",
            "off",
            "--cleanup",
            "0",
            "--slope",
            "off",
            "--output",
            "-6",
        ];
        let expected = Settings {
            nudge_samples: -1.0,
            follow: Follow::Level,
            tone: Tone::Off,
            cleanup_percent: 0.0,
            slope: Slope::Off,
            output_db: -6.0,
            ..Settings::default()
        };
        assert_eq!(settings(&earlier), expected);
    }

    #[test]
    fn what_is_no_value_of_a_control_is_told() {
        for (options, says) in [
            (["--trim", "3Hz"], "from -12 to 12, in dB"),
            (["--low-cut", "-5"], "from 20 to 400, in Hz"),
            (["--output", "out.wav"], "the file to write is named by --out"),
            (["--polarity", "inverted"], "a similar value exists: 'invert'"),
            (["--low-cut-slope", "18"], "[possible values: off, 12, 24, 48]"),
        ] {
            let error = Line::try_parse_from(["", options[0], options[1]]).map(drop).unwrap_err().to_string();
            assert!(error.contains(says), "{error}");
        }
    }
}
