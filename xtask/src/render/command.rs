//! The command line of `cargo xtask render`.

use std::{
    ops::ControlFlow,
    path::PathBuf,
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering::Relaxed},
    },
};

use anyhow::Result;
use clap::{
    Args,
    builder::{PossibleValuesParser, TypedValueParser},
};
use indicatif::{ProgressBar, ProgressStyle};
use minuend_engine::{
    Settings,
    settings::{
        BackingKind, CLEANUP_PERCENT, Follow, LOW_CUT_HZ, Listen, NUDGE_SAMPLES, OUTPUT_DB, Polarity, Slope,
        TRIM_DB, Tone,
    },
};

use super::{Render, Rendered, render};
use crate::audio_files::Bits;

/// Command line of `render`: the files, and the plug-in's controls under their own names.
#[derive(Args)]
pub struct RenderArguments {
    /// The full mix, WAV or FLAC, mono or stereo
    mix: PathBuf,
    /// The same song without the part you want, at the same sample rate
    backing: PathBuf,
    /// WAV file to write
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// What is written [difference, backing (as it is subtracted), mix]
    #[arg(long, default_value = "difference", value_parser = choice([("difference", Listen::Difference), ("backing", Listen::Backing), ("mix", Listen::Mix)]))]
    listen: Listen,
    /// Level of the backing on top of the matched level, dB, -12 to 12
    #[arg(long, default_value = "0", allow_negative_numbers = true, value_name = "DB", value_parser = ranged(TRIM_DB))]
    trim: f32,
    /// Delay of the backing on top of the found one, samples, -32 to 32
    #[arg(long, default_value = "0", allow_negative_numbers = true, value_name = "SAMPLES", value_parser = ranged(NUDGE_SAMPLES))]
    nudge: f32,
    /// Polarity of the subtraction
    #[arg(long, default_value = "follow", value_parser = choice([("follow", Polarity::Follow), ("keep", Polarity::Keep), ("invert", Polarity::Invert)]))]
    polarity: Polarity,
    /// What is followed as it moves
    #[arg(long, default_value = "level", value_parser = choice([("off", Follow::Off), ("level", Follow::Level)]))]
    follow: Follow,
    /// How free the matched tone is: one gain, a filter per side, filters across the sides too
    #[arg(long, default_value = "across-sides", value_parser = choice([("off", Tone::Off), ("per-side", Tone::PerSide), ("across-sides", Tone::AcrossSides)]))]
    tone: Tone,
    /// How much of what still leaks is taken out, percent, 0 to 100; 0 = plain subtraction
    #[arg(long, default_value = "50", value_name = "PERCENT", value_parser = ranged(CLEANUP_PERCENT))]
    cleanup: f32,
    /// Corner of the low-cut, Hz, 20 to 400
    #[arg(long, default_value = "80", value_name = "HZ", value_parser = ranged(LOW_CUT_HZ))]
    low_cut: f32,
    /// Steepness of the low-cut, dB per octave
    #[arg(long, default_value = "24", value_parser = choice([("off", Slope::Off), ("12", Slope::Db12), ("24", Slope::Db24), ("48", Slope::Db48)]))]
    slope: Slope,
    /// Level of the output, dB, -24 to 12
    #[arg(long, default_value = "0", allow_negative_numbers = true, value_name = "DB", value_parser = ranged(OUTPUT_DB))]
    output: f32,
    /// Where the backing comes from: a recording, or estimated from a mix by a machine (subtracted cautiously)
    #[arg(long, default_value = "recorded", value_parser = choice([("recorded", BackingKind::Recorded), ("estimated", BackingKind::Estimated)]))]
    backing_is: BackingKind,
    /// Bits a sample of the file written
    #[arg(long, value_enum, default_value_t)]
    bits: Bits,
    /// Replace the file if it exists
    #[arg(long)]
    force: bool,
}

impl RenderArguments {
    /// Renders, with a progress bar where someone sees it, and prints what was found.
    pub fn run(self) -> Result<()> {
        let request = Render {
            mix: self.mix,
            backing: self.backing,
            out: self.out,
            settings: Settings {
                listen: self.listen,
                trim_db: self.trim,
                nudge_samples: self.nudge,
                polarity: self.polarity,
                follow: self.follow,
                tone: self.tone,
                cleanup_percent: self.cleanup,
                low_cut_hz: self.low_cut,
                slope: self.slope,
                output_db: self.output,
                backing_kind: self.backing_is,
                ..Settings::default()
            },
            bits: self.bits,
            overwrite: self.force,
        };
        let rendered = with_progress(|progress| render(&request, progress))?;
        println!("{}: {}", request.out.display(), describe(&rendered));
        if rendered.clipped_samples > 0 {
            println!(
                "{} samples passed full scale and were clipped: lower --output, or leave --bits at float",
                rendered.clipped_samples
            );
        }
        Ok(())
    }
}

/// Runs a job with a progress bar, on a terminal only, and tells it to stop when the user does.
pub fn with_progress<T>(job: impl FnOnce(&mut dyn FnMut(f64) -> ControlFlow<()>) -> Result<T>) -> Result<T> {
    let stop = Arc::new(AtomicBool::new(false));
    let on_signal = stop.clone();
    // Without a handler the program still works; it would leave its temporary file behind when interrupted.
    let _ = ctrlc::set_handler(move || on_signal.store(true, Relaxed));
    const STEPS: f64 = 1000.0;
    let bar = ProgressBar::new(STEPS as u64).with_style(
        ProgressStyle::with_template("{wide_bar} {percent:>3} % {eta:>4}").expect("the template is sound"),
    );
    let result = job(&mut |done| {
        bar.set_position((done * STEPS) as u64);
        if stop.load(Relaxed) { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    });
    bar.finish_and_clear();
    result
}

/// What was found, in one line.
pub fn describe(rendered: &Rendered) -> String {
    // Rounded first, lest a tiny negative number reads "-0.00".
    let rounded = |value: f64, digits: f64| (value * digits).round() / digits + 0.0;
    let delay = rounded(rendered.delay_samples, 100.0);
    let ms = rounded(rendered.delay_samples / f64::from(rendered.sample_rate_hz) * 1000.0, 1000.0);
    let polarity = if rendered.inverted { "inverted" } else { "kept" };
    let depth =
        rendered.null_depth_db.map_or("unknown".to_owned(), |db| format!("{db:.1} dB where the voice rests"));
    let mut line = format!(
        "delay {ms:.3} ms ({delay:.2} samples), polarity {polarity}, null depth {depth}, locked over {:.0} % of the song",
        rendered.locked * 100.0
    );
    if rendered.bad_samples > 0 {
        line += &format!(", {} samples that were not finite counted as silence", rendered.bad_samples);
    }
    line
}

/// Parses one of a few words.
fn choice<T: Copy + Send + Sync + 'static>(
    choices: impl IntoIterator<Item = (&'static str, T)>,
) -> impl TypedValueParser<Value = T> {
    let choices: Vec<_> = choices.into_iter().collect();
    PossibleValuesParser::new(choices.iter().map(|&(word, _)| word)).map(move |found| {
        choices.iter().find(|&&(word, _)| word == found).expect("the parser passes only these words").1
    })
}

/// Parses a number within a range.
fn ranged((low, high): (f32, f32)) -> impl Fn(&str) -> Result<f32, String> + Clone {
    move |text| match text.parse::<f32>() {
        Ok(value) if (low..=high).contains(&value) => Ok(value),
        _ => Err(format!("must be a number from {low} to {high}")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The ranges are the engine's own, and what lies outside is refused rather than clamped in silence.
    #[test]
    fn numbers_outside_their_range_are_refused() {
        let parse = ranged(TRIM_DB);
        assert_eq!(parse("-12"), Ok(-12.0));
        for wrong in ["-12.1", "13", "NaN", "inf", "", "3 dB"] {
            assert!(parse(wrong).is_err(), "{wrong:?}");
        }
    }

    /// Without options the controls stand where they stand in a fresh plug-in.
    #[test]
    fn defaults_are_the_engines() {
        #[derive(clap::Parser)]
        struct Line {
            #[command(flatten)]
            render: RenderArguments,
        }
        let line =
            <Line as clap::Parser>::parse_from(["", "mix.wav", "backing.wav", "--out", "out.wav"]).render;
        let default = Settings::default();
        assert_eq!((line.listen, line.polarity), (default.listen, default.polarity));
        assert_eq!((line.follow, line.tone), (default.follow, default.tone));
        assert_eq!((line.slope, line.backing_is), (default.slope, default.backing_kind));
        assert_eq!((line.trim, line.nudge), (default.trim_db, default.nudge_samples));
        assert_eq!((line.low_cut, line.output), (default.low_cut_hz, default.output_db));
        assert_eq!(line.cleanup, default.cleanup_percent);
    }
}
