//! The command line of `render`.

use std::{
    num::NonZeroUsize,
    path::{Path, PathBuf},
};

use anyhow::{Result, bail, ensure};
use clap::{
    Args, ValueEnum,
    builder::{PossibleValuesParser, TypedValueParser},
};
use minuend_engine::{
    Settings, Untold,
    settings::{
        BackingKind, CLEANUP_PERCENT, Follow, LOW_CUT_HZ, Listen, NUDGE_SAMPLES, OUTPUT_DB, Polarity, Slope,
        TRIM_DB, Tone,
    },
};
use serde_json::{Value, json};

use crate::{
    batch::{Song, Songs, in_folder, in_list},
    ending::{Ending, NOT_FOUND, SOME_FAILED},
    parallel::{in_parallel, jobs_at_a_time},
    passes::learned::load,
    progress::{Bar, Progress},
    render::{Passes, Render, Rendered, render},
    words::{at_least, sentence, why_untold},
    write::Bits,
};

/// What the command's help says of itself.
const HELP: &str = "\
Audio files are WAV (also RF64), AIFF, FLAC, MP3, M4A (AAC-LC, ALAC), Ogg Vorbis and Opus, mono or stereo. The backing is brought to the
sample rate of the mix. What is written are WAV files, RF64 beyond 4 GiB; they appear whole or not at all.

Many songs: name a folder, or --list a text file, and let --out be a folder.
  In a folder, a song is two audio files called \"NAME mix\" and \"NAME backing\", with a space, -, _ or . between, or a folder
  NAME with a \"mix\" and a \"backing\".
  A list has a line for each song: mix, tab, backing and, if wanted, tab and name; lines beginning with # do not count.
  Either way \"NAME difference.wav\" is written. A song that fails does not stop the others.

Exit codes:
  0    all is done
  1    it failed; the last line says why
  2    the command line is wrong
  3    the backing was not found in the mix; nothing was written
  4    of many songs, some failed; the others are done
  130  stopped, by Ctrl-C, SIGTERM or SIGHUP; nothing is left of what was not finished";

/// Command line of `render`: the files, and the plug-in's controls under their own names.
#[derive(Args)]
#[command(after_help = HELP)]
pub struct RenderArguments {
    /// The full mix, or a folder of songs
    #[arg(required_unless_present = "list")]
    mix: Option<PathBuf>,
    /// The same song without the part you want
    backing: Option<PathBuf>,
    /// WAV file to write; of many songs, the folder for them
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// Text file that lists songs, a line each: mix, tab, backing
    #[arg(long, value_name = "FILE", conflicts_with = "mix")]
    list: Option<PathBuf>,
    /// Songs at a time [default: one a processor]
    #[arg(long, value_name = "N", value_parser = at_least_one)]
    jobs: Option<NonZeroUsize>,
    /// Print one line of JSON for each song instead of words
    #[arg(long)]
    json: bool,
    /// Go over the song once, knowing nothing: exactly what the plug-in plays
    #[arg(long)]
    one_pass: bool,
    /// Go over the song once, with a match that was kept, learning no further
    #[arg(long = "match", value_name = "FILE", conflicts_with = "one_pass")]
    held: Option<PathBuf>,
    /// Keep what was learned, for --match; of many songs, the folder for them
    #[arg(long, value_name = "FILE")]
    save_match: Option<PathBuf>,
    /// Begin at this time of the mix: seconds, M:SS or H:MM:SS, with decimals
    #[arg(long, value_name = "TIME", default_value = "0", allow_negative_numbers = true, value_parser = time_s)]
    from: f64,
    /// End at this time of the mix [default: its end]
    #[arg(long, value_name = "TIME", allow_negative_numbers = true, value_parser = time_s)]
    to: Option<f64>,
    /// Write this too, beside the file: the backing as it is subtracted
    #[arg(long, value_enum, value_name = "WHAT")]
    also: Option<Also>,
    /// Write a page about it, HTML with pictures; of many songs, the folder for them
    #[arg(long, value_name = "FILE")]
    report: Option<PathBuf>,
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
    #[arg(long, default_value = "level-and-tone", value_parser = choice([("off", Follow::Off), ("level", Follow::Level), ("level-and-tone", Follow::LevelAndTone)]))]
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
    /// Replace files that exist
    #[arg(long)]
    force: bool,
}

/// What can be written beside the output.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Also {
    /// The backing as it is subtracted.
    Backing,
}

impl RenderArguments {
    /// Renders, with a progress bar where someone sees it, and prints what was found.
    pub fn run(self) -> Result<()> {
        let many = self.songs()?;
        let passes = match &self.held {
            Some(_) if many.is_some() => bail!("--match is for one song; many songs each learn their own"),
            Some(file) => Passes::Held(Box::new(load(file)?)),
            None if self.one_pass => Passes::One,
            None => Passes::Two,
        };
        let requests: Vec<Result<Render>> = match many {
            Some(songs) => {
                for folder in
                    [Some(&self.out), self.report.as_ref(), self.save_match.as_ref()].into_iter().flatten()
                {
                    ensure!(
                        folder.is_dir(),
                        "{}: is no folder; make it, or name another one, for the files of the songs",
                        folder.display()
                    );
                }
                songs.into_iter().map(|song| song.map(|song| self.request_of(song))).collect()
            }
            None => {
                let (Some(mix), Some(backing)) = (&self.mix, &self.backing) else {
                    bail!("one song takes two files, MIX and BACKING; many take a folder, or --list FILE")
                };
                let (report, save_match) = (self.report.clone(), self.save_match.clone());
                vec![Ok(Render { passes, report, save_match, ..self.request(mix, backing, &self.out) })]
            }
        };
        self.render(&requests)
    }

    /// The songs, if it is about many.
    fn songs(&self) -> Result<Option<Songs>> {
        match (&self.list, &self.mix, &self.backing) {
            (Some(list), ..) => in_list(list).map(Some),
            (None, Some(folder), None) if folder.is_dir() => in_folder(folder).map(Some),
            _ => Ok(None),
        }
    }

    fn request_of(&self, song: Song) -> Render {
        let named = |folder: &Path, what: &str| folder.join(format!("{} {what}", song.name));
        Render {
            passes: if self.one_pass { Passes::One } else { Passes::Two },
            report: self.report.as_ref().map(|folder| named(folder, "report.html")),
            save_match: self.save_match.as_ref().map(|folder| named(folder, "learned.match")),
            ..self.request(&song.mix, &song.backing, &named(&self.out, "difference.wav"))
        }
    }

    fn request(&self, mix: &Path, backing: &Path, out: &Path) -> Render {
        Render {
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
            part_s: self.from..self.to.unwrap_or(f64::INFINITY),
            matched_backing: self.also.map(|Also::Backing| beside(out, "backing")),
            ..Render::new(mix, backing, out)
        }
    }

    /// Renders one song or many, and says what came of each.
    fn render(&self, requests: &[Result<Render>]) -> Result<()> {
        let bar = Bar::new();
        let one = |request: &Result<Render>, progress: &mut Progress| match request {
            Ok(request) => render(request, progress),
            Err(error) => bail!("{error:#}"),
        };
        let mut finished = |idx: usize, result: &Result<Rendered>| {
            let request = requests[idx].as_ref().ok();
            match result {
                _ if self.json => bar.say(&json_line(request, result).to_string()),
                Ok(rendered) => {
                    let out = request.map(|request| request.out.display().to_string()).unwrap_or_default();
                    bar.say(&format!("{out}: {}", describe(rendered)));
                }
                // One song's error is told at the end.
                Err(error) if requests.len() > 1 => bar.complain(&format!("error: {error:#}")),
                Err(_) => {}
            }
        };
        let jobs = jobs_at_a_time(self.jobs);
        let results = in_parallel(requests, jobs, &one, &mut finished, &mut |done| bar.show(done))?;
        drop(bar);
        let num_songs = results.len();
        let mut errors: Vec<_> = results.into_iter().filter_map(Result::err).collect();
        match errors.pop() {
            None => Ok(()),
            Some(error) if num_songs == 1 => Err(error),
            Some(_) => {
                let message =
                    format!("{} of {num_songs} songs failed; the others are done", errors.len() + 1);
                Err(Ending::new(SOME_FAILED, message).into())
            }
        }
    }
}

/// The name of a file that belongs to another one: a word more before its ending.
fn beside(out: &Path, word: &str) -> PathBuf {
    let mut name = out.file_stem().unwrap_or_default().to_owned();
    name.push(format!(" {word}.wav"));
    out.with_file_name(name)
}

/// What came of a song, for scripts.
fn json_line(request: Option<&Render>, result: &Result<Rendered>) -> Value {
    let shown = |path: &PathBuf| Value::from(path.display().to_string());
    let mut line = json!({
        "mix": request.map(|request| shown(&request.mix)),
        "backing": request.map(|request| shown(&request.backing)),
        "out": request.map(|request| shown(&request.out)),
    });
    let more = match result {
        Ok(rendered) => json!({
            "status": "done",
            "sample_rate_hz": rendered.sample_rate_hz,
            "num_samples": rendered.num_samples,
            "delay_samples": rendered.delay_samples,
            "delay_ms": ms(rendered),
            "drift_ppm": rendered.drift_ppm,
            "inverted": rendered.inverted,
            "null_depth_db": rendered.null_depth_db,
            "null_depth_at_least_db": rendered.untold.at_least_db(),
            "locked": rendered.locked,
            "late_s": rendered.late_s,
            "bad_samples": rendered.bad_samples,
            "clipped_samples": rendered.clipped_samples,
            "causes": rendered.causes.iter().map(sentence).collect::<Vec<_>>(),
        }),
        Err(error) => json!({
            "status": if Ending::code_of(error) == NOT_FOUND { "not found" } else { "failed" },
            "error": format!("{error:#}"),
        }),
    };
    if let (Value::Object(line), Value::Object(more)) = (&mut line, more) {
        line.extend(more);
    }
    line
}

fn ms(rendered: &Rendered) -> f64 {
    rendered.delay_samples / f64::from(rendered.sample_rate_hz) * 1000.0
}

/// What was found, in one line.
pub fn describe(rendered: &Rendered) -> String {
    let polarity = if rendered.inverted { "inverted" } else { "kept" };
    let depth = match (rendered.null_depth_db, rendered.untold) {
        (Some(db), _) => format!("null depth {db:.1} dB where the voice rests"),
        (None, Untold::AtLeast(db)) => format!("null depth {} where the voice rests", at_least(db)),
        (None, untold) => format!("null depth unknown ({})", why_untold(untold)),
    };
    let mut line = format!(
        "delay {}, polarity {polarity}, {depth}, locked over {:.0} % of the song",
        delay_words(rendered.delay_samples, f64::from(rendered.sample_rate_hz)),
        rendered.locked * 100.0
    );
    if rendered.drift_ppm != 0.0 {
        line += &format!(", drift {:.1} ppm", rendered.drift_ppm);
    }
    if rendered.late_s > 0.0 {
        line += &format!(
            "; the backing is {0:.3} s too late for the plug-in: move its clip {0:.3} s earlier",
            rendered.late_s
        );
    }
    if rendered.clipped_samples > 0 {
        line += &format!(
            ", {} samples passed full scale and were clipped: lower --output, or leave --bits at float",
            rendered.clipped_samples
        );
    }
    if rendered.bad_samples > 0 {
        line += &format!(", {} samples that were not finite counted as silence", rendered.bad_samples);
    }
    line
}

/// A delay in both its units.
pub fn delay_words(samples: f64, sample_rate_hz: f64) -> String {
    // Rounded first, lest a tiny negative number reads "-0.00".
    let rounded = |value: f64, steps: f64| (value * steps).round() / steps + 0.0;
    let ms = rounded(samples / sample_rate_hz * 1000.0, 1000.0);
    format!("{ms:.3} ms ({:.2} samples)", rounded(samples, 100.0))
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

/// Parses how many songs at a time.
fn at_least_one(text: &str) -> Result<NonZeroUsize, String> {
    text.parse().map_err(|_| "must be a number of songs, 1 or more".to_owned())
}

/// Parses a time: seconds, minutes and seconds, or hours, minutes and seconds.
fn time_s(text: &str) -> Result<f64, String> {
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
