//! The command line of `render`.

use std::{
    num::NonZeroUsize,
    path::{Path, PathBuf},
};

use anyhow::{Result, bail, ensure};
use clap::{Args, ValueEnum};
use minuend_engine::{
    Settings,
    settings::{
        BackingKind, CLEANUP_PERCENT, Follow, LOW_CUT_HZ, Listen, NUDGE_SAMPLES, OUTPUT_DB, Polarity, Slope,
        TRIM_DB, Tone,
    },
};

use super::{
    json::json_line,
    values::{at_least_one, choice, ranged, time_s},
};
use crate::{
    ending::{Ending, SOME_FAILED},
    parallel::{in_parallel, jobs_at_a_time},
    passes::Learned,
    progress::{Bar, Progress},
    render::render,
    rendered::Rendered,
    request::{Passes, Render},
    songs::{Song, Songs, in_folder, in_list},
    write::Bits,
};

/// What the command's help says of itself.
const HELP: &str = "\
Audio files are WAV (also RF64), AIFF, FLAC, MP3, M4A (AAC-LC, ALAC), Ogg Vorbis and Opus, mono or stereo. The backing is brought to the
sample rate of the mix. What is written are WAV files, RF64 beyond 4 GiB, or FLAC; they appear whole or not at all.

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
    /// File to write, .wav or .flac; of many songs, the folder for them
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
    /// Bits a sample of the file written [default: float; in FLAC, 24]
    #[arg(long, value_parser = choice([("16", Bits::Int16), ("24", Bits::Int24), ("float", Bits::Float)]))]
    bits: Option<Bits>,
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
            Some(file) => Passes::Held(Box::new(Learned::load(file)?)),
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
        let usual = Render::new(mix, backing, out);
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
            bits: self.bits.unwrap_or(usual.bits),
            overwrite: self.force,
            part_s: self.from..self.to.unwrap_or(f64::INFINITY),
            matched_backing: self.also.map(|Also::Backing| beside(out, "backing")),
            ..usual
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
                    bar.say(&format!("{out}: {}", rendered.describe()));
                }
                // One song's error is told at the end.
                Err(error) if requests.len() > 1 => bar.complain(&format!("error: {error:#}")),
                Err(_) => {}
            }
        };
        let jobs = jobs_at_a_time(self.jobs);
        let results = in_parallel(requests, jobs, &one, &mut finished, &mut |done| bar.show_all(done))?;
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
    name.push(format!(" {word}."));
    name.push(out.extension().unwrap_or_default());
    out.with_file_name(name)
}

#[cfg(test)]
mod tests {
    use super::*;

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
