//! What the user has set, in real units: plain values that know no host.

/// What is heard. All three are time-aligned, so switching never jumps.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Listen {
    /// The mix minus the matched backing.
    #[default]
    Difference,
    /// The backing as it is subtracted.
    Backing,
    /// The mix as it came, delayed.
    Mix,
}

/// Polarity with which the backing is subtracted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Polarity {
    /// As found by listening to both.
    #[default]
    Follow,
    /// As the backing came.
    Keep,
    /// Against the backing's own.
    Invert,
}

/// What is followed as it moves.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Follow {
    /// The matched level stays.
    Off,
    /// One level for all frequencies.
    Level,
    /// The level, and then a level in each of some bands of frequencies.
    #[default]
    LevelAndTone,
}

/// How free the matched tone is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Tone {
    /// One gain for both sides.
    Off,
    /// A filter for either side.
    PerSide,
    /// Filters for either side and from each side to the other.
    #[default]
    AcrossSides,
}

/// Where the backing comes from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum BackingKind {
    /// A recording of the song without the voice.
    Recorded,
    /// Estimated from the mix by a machine, with rests of the voice in it: subtracted cautiously.
    Estimated,
    /// What it turns out to be; a recording until then.
    #[default]
    Auto,
}

/// Steepness of the low-cut.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Slope {
    /// No low-cut.
    Off,
    /// 12 dB per octave.
    Db12,
    /// 24 dB per octave.
    #[default]
    Db24,
    /// 48 dB per octave.
    Db48,
}

/// Range of [`Settings::trim_db`].
pub const TRIM_DB: (f32, f32) = (-12.0, 12.0);
/// Range of [`Settings::nudge_samples`].
pub const NUDGE_SAMPLES: (f32, f32) = (-32.0, 32.0);
/// Range of [`Settings::cleanup_percent`].
pub const CLEANUP_PERCENT: (f32, f32) = (0.0, 100.0);
/// Range of [`Settings::low_cut_hz`].
pub const LOW_CUT_HZ: (f32, f32) = (20.0, 400.0);
/// Range of [`Settings::output_db`].
pub const OUTPUT_DB: (f32, f32) = (-24.0, 12.0);

/// A trim further than this to either side, dB, is no correction any more: the level of a match is seldom off by so much.
const CORRECTION_DB: f32 = 3.0;

/// One setting of every control. They act on the mix sample they arrive with, so automation lands on the
/// song position it was drawn at, whatever the latency.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings {
    /// What is heard.
    pub listen: Listen,
    /// Level of the backing on top of the matched level, dB, within [`TRIM_DB`].
    pub trim_db: f32,
    /// Delay of the backing on top of the found one, samples, within [`NUDGE_SAMPLES`].
    pub nudge_samples: f32,
    /// Polarity of the subtraction.
    pub polarity: Polarity,
    /// What is followed as it moves.
    pub follow: Follow,
    /// How free the matched tone is.
    pub tone: Tone,
    /// How much of what still leaks is taken out, within [`CLEANUP_PERCENT`]; 0 = plain subtraction.
    pub cleanup_percent: f32,
    /// Corner (-3 dB) of the low-cut, Hz, within [`LOW_CUT_HZ`].
    pub low_cut_hz: f32,
    /// Steepness of the low-cut.
    pub slope: Slope,
    /// Level of the output, dB, within [`OUTPUT_DB`].
    pub output_db: f32,
    /// Keep the match and stop learning. What follows level and tone as they move, and what the clean-up hears, is part of the
    /// path and goes on.
    pub hold: bool,
    /// Where the backing comes from.
    pub backing_kind: BackingKind,
    /// Pass the delayed mix, untouched by every other setting.
    pub bypass: bool,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            listen: Listen::default(),
            trim_db: 0.0,
            nudge_samples: 0.0,
            polarity: Polarity::default(),
            follow: Follow::default(),
            tone: Tone::default(),
            cleanup_percent: 50.0,
            low_cut_hz: 80.0,
            slope: Slope::default(),
            output_db: 0.0,
            hold: false,
            backing_kind: BackingKind::default(),
            bypass: false,
        }
    }
}

impl Settings {
    /// Whether Trim, Polarity or Nudge turn the backing away from where it was matched: what is heard then is no fault of the match.
    pub fn are_by_hand(&self) -> bool {
        self.polarity != Polarity::Follow || self.trim_db.abs() > CORRECTION_DB || self.nudge_samples != 0.0
    }

    /// Whether what is left of the backing may be judged by: only if it was matched as closely as can be. What a backing of
    /// another tone, level or delay leaves is in phase with it, too.
    pub fn may_judge_backing(&self) -> bool {
        !self.hold && self.nudge_samples == 0.0 && self.follow != Follow::Off && self.tone != Tone::Off
    }

    /// The same settings with every number finite and inside its range; what is not a number becomes the default.
    #[must_use]
    pub fn clamped(&self) -> Self {
        let default = Self::default();
        let clamp = |value: f32, (low, high): (f32, f32), default: f32| {
            if value.is_nan() { default } else { value.clamp(low, high) }
        };
        Self {
            trim_db: clamp(self.trim_db, TRIM_DB, default.trim_db),
            nudge_samples: clamp(self.nudge_samples, NUDGE_SAMPLES, default.nudge_samples),
            cleanup_percent: clamp(self.cleanup_percent, CLEANUP_PERCENT, default.cleanup_percent),
            low_cut_hz: clamp(self.low_cut_hz, LOW_CUT_HZ, default.low_cut_hz),
            output_db: clamp(self.output_db, OUTPUT_DB, default.output_db),
            ..*self
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn by_hand_is_what_turns_the_backing_away_from_its_match() {
        let matched = Settings::default();
        for (settings, are_by_hand) in [
            (matched, false),
            (Settings { trim_db: -3.0, output_db: 6.0, hold: true, ..matched }, false),
            (Settings { trim_db: -3.1, ..matched }, true),
            (Settings { trim_db: 3.1, ..matched }, true),
            (Settings { nudge_samples: 0.01, ..matched }, true),
            (Settings { polarity: Polarity::Keep, ..matched }, true),
            (Settings { polarity: Polarity::Invert, ..matched }, true),
        ] {
            assert_eq!(settings.are_by_hand(), are_by_hand, "{settings:?}");
        }
    }
}
