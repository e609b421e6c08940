//! Every parameter: id, range, default, and text both ways.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

use minuend_engine::Settings;
use minuend_engine::settings::{self, BackingKind, Follow, Listen, Polarity, Slope, Tone};
use nice_plug::plugin::ParamValue;
use nice_plug::prelude::*;

/// Gives an engine enum the ids (kept in sessions) and words (shown by hosts) of its values.
macro_rules! choice {
    ($name:ident of $engine:ident, $doc:literal: $($variant:ident $id:literal $text:literal),+) => {
        #[doc = $doc]
        #[derive(Clone, Copy, Debug, PartialEq)]
        pub struct $name(pub $engine);

        impl $name {
            const ALL: &[$engine] = &[$($engine::$variant),+];
        }

        impl Enum for $name {
            fn variants() -> &'static [&'static str] {
                &[$($text),+]
            }

            fn ids() -> Option<&'static [&'static str]> {
                Some(&[$($id),+])
            }

            fn to_index(self) -> usize {
                Self::ALL.iter().position(|value| *value == self.0).unwrap_or_default()
            }

            fn from_index(index: usize) -> Self {
                Self(*Self::ALL.get(index).unwrap_or(&Self::ALL[0]))
            }
        }
    };
}

choice!(ListenChoice of Listen, "What is heard.":
    Difference "difference" "Difference", Backing "backing" "Backing", Mix "mix" "Mix");
choice!(PolarityChoice of Polarity, "Polarity of the subtraction.":
    Follow "follow" "Follow", Keep "keep" "Keep", Invert "invert" "Invert");
choice!(FollowChoice of Follow, "What is followed as it moves.":
    Off "off" "Off", Level "level" "Level", LevelAndTone "level-and-tone" "Level and tone");
choice!(ToneChoice of Tone, "How free the matched tone is.":
    Off "off" "Off", PerSide "per-side" "Per side", AcrossSides "across-sides" "Across sides");
choice!(SlopeChoice of Slope, "Steepness of the low-cut.":
    Off "off" "Off", Db12 "12" "12 dB/oct", Db24 "24" "24 dB/oct", Db48 "48" "48 dB/oct");
choice!(BackingKindChoice of BackingKind, "Where the backing comes from.":
    Recorded "recorded" "Recorded", Estimated "estimated" "Estimated", Auto "auto" "Auto");

/// What the user can set. An id never changes; a name may.
#[derive(Params)]
pub struct Controls {
    /// What is heard.
    #[id = "listen"]
    pub listen: EnumParam<ListenChoice>,
    /// Level of the backing on top of the matched level, dB.
    #[id = "trim"]
    pub trim: FloatParam,
    /// Delay of the backing on top of the found one, samples.
    #[id = "nudge"]
    pub nudge: FloatParam,
    /// Polarity of the subtraction.
    #[id = "polarity"]
    pub polarity: EnumParam<PolarityChoice>,
    /// What is followed as it moves.
    #[id = "follow"]
    pub follow: EnumParam<FollowChoice>,
    /// How free the matched tone is.
    #[id = "tone"]
    pub tone: EnumParam<ToneChoice>,
    /// How much of what still leaks is taken out, percent.
    #[id = "cleanup"]
    pub cleanup: FloatParam,
    /// Corner of the low-cut, Hz.
    #[id = "lowcut"]
    pub low_cut: FloatParam,
    /// Steepness of the low-cut.
    #[id = "slope"]
    pub slope: EnumParam<SlopeChoice>,
    /// Level of the output, dB.
    #[id = "output"]
    pub output: FloatParam,
    /// Keep the match and stop learning.
    #[id = "hold"]
    pub hold: BoolParam,
    /// Forget the match and start over: acts when it goes on. Counted in [`Controls::relearn_presses`].
    #[id = "relearn"]
    pub relearn: BoolParam,
    /// Where the backing comes from.
    #[id = "backing_kind"]
    pub backing_kind: EnumParam<BackingKindChoice>,
    /// The host's bypass: the mix, delayed by our latency.
    #[id = "bypass"]
    pub bypass: BoolParam,

    /// How often [`Controls::relearn`] has gone on. A press and its release may both arrive between two blocks, so
    /// the value alone would not tell.
    pub relearn_presses: Arc<AtomicU32>,
}

impl Default for Controls {
    fn default() -> Self {
        let default = Settings::default();
        let relearn_presses = Arc::new(AtomicU32::new(0));
        let count_press = {
            let presses = Arc::clone(&relearn_presses);
            move |on: bool| {
                presses.fetch_add(u32::from(on), Ordering::Relaxed);
            }
        };
        Self {
            listen: EnumParam::new("Listen", ListenChoice(default.listen)),
            // A trim of 0.01 dB leaves -59 dB of the backing: steps must be finer than that.
            trim: number("Trim", default.trim_db, even(settings::TRIM_DB), 0.001, " dB"),
            nudge: number(
                "Fine delay",
                default.nudge_samples,
                even(settings::NUDGE_SAMPLES),
                0.01,
                " samples",
            ),
            polarity: EnumParam::new("Polarity", PolarityChoice(default.polarity)),
            follow: EnumParam::new("Level follow", FollowChoice(default.follow)),
            tone: EnumParam::new("Tone match", ToneChoice(default.tone)),
            cleanup: number("Clean-up", default.cleanup_percent, even(settings::CLEANUP_PERCENT), 1.0, " %"),
            low_cut: number("Low-cut", default.low_cut_hz, low_end(settings::LOW_CUT_HZ), 0.1, " Hz"),
            slope: EnumParam::new("Low-cut slope", SlopeChoice(default.slope)),
            output: number("Output", default.output_db, even(settings::OUTPUT_DB), 0.01, " dB"),
            hold: BoolParam::new("Hold", default.hold),
            relearn: BoolParam::new("Learn again", false).with_callback(Arc::new(count_press)),
            backing_kind: EnumParam::new("Backing is", BackingKindChoice(default.backing_kind)),
            bypass: BoolParam::new("Bypass", default.bypass).make_bypass(),
            relearn_presses,
        }
    }
}

impl Controls {
    /// Every control as the engine wants it. Real-time safe.
    pub fn settings(&self) -> Settings {
        Settings {
            listen: self.listen.value().0,
            trim_db: self.trim.value(),
            nudge_samples: self.nudge.value(),
            polarity: self.polarity.value().0,
            follow: self.follow.value().0,
            tone: self.tone.value().0,
            cleanup_percent: self.cleanup.value(),
            low_cut_hz: self.low_cut.value(),
            slope: self.slope.value().0,
            output_db: self.output.value(),
            hold: self.hold.value(),
            backing_kind: self.backing_kind.value().0,
            bypass: self.bypass.value(),
        }
        .clamped()
    }

    /// Every control by id as a session keeps it, without the automation's modulation.
    pub fn values(&self) -> BTreeMap<String, ParamValue> {
        self.param_map()
            .into_iter()
            .map(|(id, param, _)| {
                // SAFETY: the pointers are into `self`.
                let value = unsafe {
                    match param {
                        ParamPtr::FloatParam(p) => ParamValue::F32((*p).unmodulated_plain_value()),
                        ParamPtr::IntParam(p) => ParamValue::I32((*p).unmodulated_plain_value()),
                        ParamPtr::BoolParam(p) => ParamValue::Bool((*p).unmodulated_plain_value()),
                        ParamPtr::EnumParam(p) => match (*p).unmodulated_plain_id() {
                            Some(id) => ParamValue::String(id.into()),
                            None => ParamValue::I32((*p).unmodulated_plain_value()),
                        },
                    }
                };
                (id, value)
            })
            .collect()
    }
}

/// A range spread evenly over its slider.
fn even((min, max): (f32, f32)) -> FloatRange {
    FloatRange::Linear { min, max }
}

/// A range of which the lower half of the slider covers the lowest quarter.
fn low_end((min, max): (f32, f32)) -> FloatRange {
    FloatRange::Skewed { min, max, factor: 0.5 }
}

/// A number within a range, in steps of `step`; shown with its sign if it can be negative.
///
/// Values are snapped to the step, so that a default that went through the host's 0 to 1 is still the default.
fn number(name: &'static str, default: f32, range: FloatRange, step: f32, unit: &'static str) -> FloatParam {
    let signed = range.unnormalize(0.0) < 0.0;
    FloatParam::new(name, default, range)
        .with_step_size(step)
        .with_unit(unit)
        .with_value_to_string(Arc::new(move |value| number_to_text(value, step, signed)))
        .with_string_to_value(Arc::new(text_to_number))
}

/// As many decimals as the step has; a sign in front if asked for, but none before zero.
fn number_to_text(value: f32, step: f32, signed: bool) -> String {
    let decimals = (-step.log10()).ceil().max(0.0) as usize;
    let value = (f64::from(value) / f64::from(step)).round() * f64::from(step);
    if value == 0.0 {
        format!("{:.decimals$}", 0.0)
    } else if signed {
        format!("{value:+.decimals$}")
    } else {
        format!("{value:.decimals$}")
    }
}

/// A finite number, with or without a unit behind it; a `k` in front of the unit, decimal commas and the typographic
/// minus are understood.
fn text_to_number(text: &str) -> Option<f32> {
    let digits = text.trim_end_matches(|c: char| c.is_alphabetic() || c.is_whitespace() || c == '%');
    let unit = text[digits.len()..].trim_start();
    let value: f64 = digits.trim_start().replace(',', ".").replace('\u{2212}', "-").parse().ok()?;
    let value = if unit.starts_with(['k', 'K']) { 1e3 * value } else { value } as f32;
    value.is_finite().then_some(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A host may show, and send back, any of a parameter's values.
    #[test]
    fn text_round_trips_over_the_whole_range() {
        let controls = Controls::default();
        for (id, param, _) in controls.param_map() {
            for i in 0..=1000 {
                let normalized = i as f32 / 1000.0;
                // SAFETY: the parameters live as long as `controls`.
                let (text, back, again) = unsafe {
                    let text = param.normalized_value_to_string(normalized, true);
                    let back = param.string_to_normalized_value(&text);
                    let again = back.map(|value| param.normalized_value_to_string(value, true));
                    (text, back, again)
                };
                assert_eq!(again.as_deref(), Some(text.as_str()), "{id} {normalized} {back:?}");
            }
        }
    }

    #[test]
    fn defaults_survive_the_hosts_normalisation() {
        let controls = Controls::default();
        for param in [&controls.trim, &controls.nudge, &controls.cleanup, &controls.low_cut, &controls.output]
        {
            let default = param.default_plain_value();
            assert_eq!(param.preview_plain(param.preview_normalized(default)), default, "{}", param.name());
        }
        assert_eq!(controls.settings(), Settings::default());
    }

    #[test]
    fn text_is_read_as_people_write_it() {
        for (text, value) in [
            ("-3.5", -3.5),
            ("+3,5 dB", 3.5),
            ("\u{2212}3 db", -3.0),
            (" 80Hz ", 80.0),
            ("0.2 kHz", 200.0),
            ("0,1k", 100.0),
            ("0 samples", 0.0),
            ("35 %", 35.0),
            ("35%", 35.0),
        ] {
            assert_eq!(text_to_number(text), Some(value), "{text}");
        }
        for text in ["", "dB", "nan", "inf", "-infinity dB", "1e99", "1.2.3", "12 dB/oct", "1e36 kHz", "%"] {
            assert_eq!(text_to_number(text), None, "{text}");
        }
        assert_eq!(number_to_text(-0.0004, 0.001, true), "0.000");
        assert_eq!(number_to_text(1.5, 0.001, true), "+1.500");
        assert_eq!(number_to_text(80.0, 0.1, false), "80.0");
        assert_eq!(number_to_text(50.0, 1.0, false), "50");
    }

    #[test]
    fn a_press_between_two_blocks_is_counted() {
        let controls = Controls::default();
        let press = controls.relearn.as_ptr();
        // SAFETY: the parameter lives as long as `controls`.
        unsafe {
            assert!(press._internal_set_normalized_value(1.0));
            assert!(press._internal_set_normalized_value(0.0));
        }
        assert_eq!(controls.relearn_presses.load(Ordering::Relaxed), 1);
    }
}
