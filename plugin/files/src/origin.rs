//! Where a file comes from, in words that stand in it.

use minuend_engine::{
    Settings,
    settings::{BackingKind, Follow, Listen, Polarity, Slope, Tone},
};

use crate::{
    request::{Passes, Render},
    write::Container,
};

/// The names of the files and, of everything that was asked for, what a render without options would not do. What was found
/// follows in the file, behind a colon.
pub fn origin(request: &Render) -> String {
    let name = |path: &std::path::Path| path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let mut words = settings(&request.settings);
    match request.passes {
        Passes::Two => {}
        Passes::One => words.push("one pass".to_owned()),
        Passes::Held(_) => words.push("with a match that was kept".to_owned()),
    }
    if request.part_s.start > 0.0 {
        words.push(format!("from {} s", request.part_s.start));
    }
    if request.part_s.end.is_finite() {
        words.push(format!("to {} s", request.part_s.end));
    }
    if Container::of(&request.out).is_ok_and(|container| container.default_bits() != request.bits) {
        words.push(request.bits.words().to_owned());
    }
    let words = if words.is_empty() { String::new() } else { format!(" ({})", words.join(", ")) };
    let backing: Vec<String> = request.backing.iter().map(|path| name(path)).collect();
    format!("{} with {}{words}", name(&request.mix), backing.join(" + "))
}

/// The controls that do not stand where they stand in a fresh plug-in, under their names.
fn settings(settings: &Settings) -> Vec<String> {
    let default = Settings::default();
    let choices = [
        match settings.listen {
            Listen::Difference => "",
            Listen::Backing => "listen backing",
            Listen::Mix => "listen mix",
        },
        match settings.polarity {
            Polarity::Follow => "",
            Polarity::Keep => "polarity keep",
            Polarity::Invert => "polarity invert",
        },
        match settings.follow {
            Follow::Off => "level follow off",
            Follow::Level => "level follow level",
            Follow::LevelAndTone => "",
        },
        match settings.tone {
            Tone::Off => "tone match off",
            Tone::PerSide => "tone match per side",
            Tone::AcrossSides => "",
        },
        match settings.slope {
            Slope::Off => "low-cut slope off",
            Slope::Db12 => "low-cut slope 12 dB",
            Slope::Db24 => "",
            Slope::Db48 => "low-cut slope 48 dB",
        },
        match settings.backing_kind {
            BackingKind::Auto => "",
            BackingKind::Recorded => "backing is recorded",
            BackingKind::Estimated => "backing is estimated",
        },
    ];
    let numbers = [
        ("trim", settings.trim_db, default.trim_db, "dB"),
        ("fine delay", settings.nudge_samples, default.nudge_samples, "samples"),
        ("clean-up", settings.cleanup_percent, default.cleanup_percent, "%"),
        ("low-cut", settings.low_cut_hz, default.low_cut_hz, "Hz"),
        ("output", settings.output_db, default.output_db, "dB"),
    ];
    let changed = numbers.into_iter().filter(|(_, value, default, _)| value != default);
    choices
        .into_iter()
        .filter(|words| !words.is_empty())
        .map(str::to_owned)
        .chain(changed.map(|(name, value, _, unit)| format!("{name} {value} {unit}")))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::write::Bits;

    #[test]
    fn parts_are_all_named() {
        let one = Render::new("Lamp mix.wav", "parts/drums.wav", "out.wav");
        let parts = Render { backing: ["parts/drums.wav", "parts/bass.wav"].map(Into::into).to_vec(), ..one };
        assert_eq!(origin(&parts), "Lamp mix.wav with drums.wav + bass.wav");
    }

    #[test]
    fn it_tells_what_was_asked_for() {
        let plain = Render::new("a/Lamp mix.wav", "b/Lamp backing.mp3", "out.wav");
        assert_eq!(origin(&plain), "Lamp mix.wav with Lamp backing.mp3");
        let settings = Settings {
            trim_db: -0.5,
            slope: Slope::Off,
            backing_kind: BackingKind::Estimated,
            ..Settings::default()
        };
        let asked = Render { settings, part_s: 1.5..90.0, passes: Passes::One, bits: Bits::Int24, ..plain };
        assert_eq!(
            origin(&asked),
            "Lamp mix.wav with Lamp backing.mp3 (low-cut slope off, backing is estimated, trim -0.5 dB, one pass, \
             from 1.5 s, to 90 s, 24 bits)"
        );
        let flac = Render {
            settings: Settings::default(),
            part_s: 0.0..f64::INFINITY,
            passes: Passes::Two,
            out: "a.flac".into(),
            ..asked
        };
        assert_eq!(origin(&flac), "Lamp mix.wav with Lamp backing.mp3", "24 bits are usual there");
    }
}
