//! The command line of `render`.

use std::{
    ffi::OsString,
    num::NonZeroUsize,
    path::{Path, PathBuf},
};

use anyhow::{Result, bail, ensure};
use clap::Args;

use super::{
    RENDER,
    controls::Controls,
    help::{details, examples, usage},
    outcome::{Outcome, Telling},
    values::{at_least_one, choice, part_of, time_s},
};
use crate::{
    done::is_done,
    ending::Ending,
    parallel::{in_parallel, jobs_at_a_time},
    passes::Learned,
    progress::{Bar, Progress},
    render::render,
    request::{Passes, Render},
    songs::{Song, Songs, files_of, in_folder, in_list, is_audio_name, name_of_mix, part_names},
    write::{Bits, Container, NewFolders, folder_of},
};

/// Command line of `render`: the files, what to do with them, and the plug-in's controls.
#[derive(Args)]
#[command(override_usage = usage(RENDER))]
#[command(after_help = examples(RENDER), after_long_help = details(RENDER))]
pub struct RenderArguments {
    /// The full mix; or, alone, a folder of songs
    #[arg(required_unless_present = "list")]
    mix: Option<PathBuf>,
    /// The same song without the part that you want; or the parts that make that up, files or folders of them
    backing: Vec<PathBuf>,

    /// File to write, .wav or .flac; of many songs, the folder for them [default: "NAME difference.wav" beside the mix]
    #[arg(short, long, value_name = "FILE", help_heading = "Files written")]
    out: Option<PathBuf>,
    /// Kind of a file whose name is not given [default: wav]
    #[arg(long, value_name = "KIND", help_heading = "Files written", value_parser = choice([("wav", Container::Wav), ("flac", Container::Flac)]))]
    format: Option<Container>,
    /// Bits a sample: 16 or 24 with dither, 32 or float for 32-bit float [default: float; in FLAC, 24]
    #[arg(long, value_name = "BITS", help_heading = "Files written", value_parser = choice([("16", Bits::Int16), ("24", Bits::Int24), ("32", Bits::Float), ("float", Bits::Float)]))]
    bits: Option<Bits>,
    /// Write more, beside the file: the backing as it is subtracted, or that and each of its parts
    #[arg(long, value_name = "WHAT", help_heading = "Files written", value_parser = choice([("backing", Also::Backing), ("parts", Also::Parts)]))]
    also: Option<Also>,
    /// Write a page about the song, HTML with pictures; of many songs, the folder for them
    #[arg(long, value_name = "FILE", help_heading = "Files written")]
    report: Option<PathBuf>,
    /// Keep what was learned in a file, for --match; of many songs, the folder for them
    #[arg(long, value_name = "FILE", help_heading = "Files written")]
    save_match: Option<PathBuf>,
    /// Replace files that exist
    #[arg(long, help_heading = "Files written")]
    force: bool,

    /// Begin at this time of the mix: seconds, M:SS or H:MM:SS, with decimals
    #[arg(long, value_name = "TIME", default_value = "0", help_heading = "Part and passes", allow_hyphen_values = true, value_parser = time_s)]
    from: f64,
    /// End at this time of the mix [default: its end]
    #[arg(long, value_name = "TIME", help_heading = "Part and passes", allow_hyphen_values = true, value_parser = time_s)]
    to: Option<f64>,
    /// Go over the song once, learning on the way: exactly what the plug-in plays
    #[arg(long, help_heading = "Part and passes")]
    one_pass: bool,
    /// Go over the song once, with what --save-match kept, learning no further
    #[arg(
        long = "match",
        value_name = "FILE",
        conflicts_with = "one_pass",
        help_heading = "Part and passes"
    )]
    held: Option<PathBuf>,

    /// Text file that lists songs, a line each: mix, tab, backing or folder of parts
    #[arg(long, value_name = "FILE", conflicts_with = "mix", help_heading = "Many songs")]
    list: Option<PathBuf>,
    /// Songs at a time [default: one a processor]
    #[arg(long, value_name = "N", help_heading = "Many songs", value_parser = at_least_one)]
    jobs: Option<NonZeroUsize>,
    /// Only this part of the songs, as 3/40: the third, and every 40th after it, for one of 40 jobs of a scheduler
    #[arg(long, value_name = "N/M", help_heading = "Many songs", value_parser = part_of)]
    part: Option<(usize, usize)>,
    /// Leave out songs that are done
    ///
    /// A song is done when its files are there, not older than mix and backing, whole, and say that they were made of files of these
    /// names with these options.
    #[arg(long, help_heading = "Many songs")]
    resume: bool,

    /// Print one line of JSON for each song instead of words
    #[arg(long, help_heading = "Messages")]
    json: bool,
    /// Print nothing but errors, and the lines of --json
    #[arg(short, long, help_heading = "Messages")]
    quiet: bool,

    #[command(flatten)]
    controls: Controls,
}

/// What can be written beside the output.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Also {
    /// The backing as it is subtracted.
    Backing,
    /// That, and each part of it.
    Parts,
}

impl RenderArguments {
    /// Renders, with a progress bar where someone sees it, and prints what was found. Called like `program` in what it says of a
    /// wrong command line.
    pub fn run(self, program: &str) -> Result<()> {
        let many = self.songs()?;
        self.check(many.is_some()).map_err(|what| Ending::wrong(&usage(program), &what))?;
        let requests = match many {
            Some(songs) => self.requests_of(songs)?,
            None => vec![Ok(self.request_of_one()?)],
        };
        self.render(&requests)
    }

    /// The songs, if it is about many.
    fn songs(&self) -> Result<Option<Songs>> {
        let songs = match (&self.list, &self.mix, &self.backing[..]) {
            (Some(list), ..) => in_list(list)?,
            (None, Some(folder), []) if folder.is_dir() => in_folder(folder)?,
            _ => return Ok(None),
        };
        let (part, of) = self.part.unwrap_or((1, 1));
        Ok(Some(songs.into_iter().skip(part - 1).step_by(of).collect()))
    }

    /// Refuses options that do not go together, of one song or many.
    fn check(&self, is_many: bool) -> Result<(), String> {
        const FILES: &str =
            "one song takes MIX and BACKING, or MIX and its parts; many take a folder, or --list FILE";
        match &self.mix {
            Some(mix) if !is_many && self.backing.is_empty() => {
                let what = if mix.exists() { "BACKING is missing" } else { "is no folder and no file" };
                return Err(format!("{}: {what}; {FILES}", mix.display()));
            }
            Some(mix) if !is_many && mix.is_dir() => {
                return Err(format!(
                    "{}: is a folder, and the first file is the mix; {FILES}",
                    mix.display()
                ));
            }
            _ => {}
        }
        if !is_many && self.part.is_some() {
            return Err(format!("--part is for many songs; {FILES}"));
        }
        if is_many && self.held.is_some() {
            return Err("--match is for one song; many songs each learn their own".to_owned());
        }
        if self.to.is_some_and(|to| to <= self.from) {
            return Err("the part is empty; let --to lie behind --from".to_owned());
        }
        let out = self.out.as_deref().filter(|out| !is_many && !out.is_dir());
        let container = self.container(out)?;
        let bits = self.bits.unwrap_or(container.default_bits());
        container
            .check(out.unwrap_or(Path::new("--format flac")), bits)
            .map_err(|error| error.to_string())?;
        if is_many {
            for folder in self.folders().filter(|folder| !folder.is_dir()) {
                if is_audio_name(folder) || folder.extension().is_some_and(|ending| ending == "html") {
                    return Err(format!(
                        "{}: is the name of a file; many songs take a folder for what is written",
                        folder.display()
                    ));
                }
            }
        }
        Ok(())
    }

    /// What kind of file is written, by its name if it has one.
    fn container(&self, out: Option<&Path>) -> Result<Container, String> {
        let Some(out) = out else { return Ok(self.format.unwrap_or(Container::Wav)) };
        match (Container::of(out), self.format) {
            (Ok(named), Some(format)) if named != format => {
                Err(format!("{}: is not what --format says; leave one of them out", out.display()))
            }
            (named, _) => named.map_err(|error| error.to_string()),
        }
    }

    /// The folders that are named for files of many songs.
    fn folders(&self) -> impl Iterator<Item = &PathBuf> {
        [&self.out, &self.report, &self.save_match].into_iter().flatten()
    }

    fn request_of_one(&self) -> Result<Render> {
        let Some(mix) = &self.mix else { bail!("internal fault: one song without its files") };
        let name = name_of_mix(mix);
        let backing = files_of(&self.backing, mix, &name)?;
        let beside_mix = || self.named(folder_of(mix), &name);
        let request = self.request(mix, backing, self.out.clone().unwrap_or_else(beside_mix))?;
        Ok(Render {
            passes: match &self.held {
                Some(file) => Passes::Held(Box::new(Learned::load(file)?)),
                None => request.passes,
            },
            report: self.report.clone(),
            save_match: self.save_match.clone(),
            ..request
        })
    }

    fn requests_of(&self, songs: Songs) -> Result<Vec<Result<Render>>> {
        for folder in self.folders() {
            ensure!(
                folder.is_dir() || !folder.exists(),
                "{}: is no folder; name one for the files of the songs",
                folder.display()
            );
        }
        Ok(songs.into_iter().map(|song| song.and_then(|song| self.request_of(song))).collect())
    }

    fn request_of(&self, Song { name, mix, backing }: Song) -> Result<Render> {
        let named = |folder: &Path, what: &str| folder.join(format!("{name} {what}"));
        let folder = self.out.as_deref().unwrap_or(folder_of(&mix));
        Ok(Render {
            report: self.report.as_ref().map(|folder| named(folder, "report.html")),
            save_match: self.save_match.as_ref().map(|folder| named(folder, "learned.match")),
            ..self.request(&mix, backing, self.named(folder, &name))?
        })
    }

    /// The file of a song whose name is not given.
    fn named(&self, folder: &Path, song: &str) -> PathBuf {
        folder.join(format!("{song} difference.{}", self.format.unwrap_or(Container::Wav).ending()))
    }

    fn request(&self, mix: &Path, backing: Vec<PathBuf>, out: PathBuf) -> Result<Render> {
        let usual = Render { backing, ..Render::new(mix, "", out) };
        let also_parts = self.also == Some(Also::Parts);
        ensure!(
            !also_parts || usual.is_of_parts(),
            "{}: is one file, and --also parts is for a backing in parts; leave it out, or say --also backing",
            usual.backing[0].display()
        );
        Ok(Render {
            settings: self.controls.settings(),
            bits: self.bits.unwrap_or(usual.bits),
            overwrite: self.force,
            passes: if self.one_pass { Passes::One } else { Passes::Two },
            part_s: self.from..self.to.unwrap_or(f64::INFINITY),
            matched_backing: self.also.map(|_| beside(&usual.out, "backing")),
            part_files: if also_parts { part_files(&usual) } else { Vec::new() },
            ..usual
        })
    }

    /// Renders one song or many, and says what came of each.
    fn render(&self, requests: &[Result<Render>]) -> Result<()> {
        let telling = match (self.json, self.quiet) {
            (true, _) => Telling::Json,
            (false, true) => Telling::Quiet,
            (false, false) => Telling::Words,
        };
        let bar = if self.quiet { Bar::hidden() } else { Bar::new() };
        // For all songs: while one of them is done, a folder that is empty after another failed must stay.
        let _folders = match requests {
            [_] => NewFolders::default(),
            _ => NewFolders::for_files(requests.iter().flatten().flat_map(Render::outputs))?,
        };
        let one = |request: &Result<Render>, progress: &mut Progress| match request {
            Ok(request) if self.resume && is_done(request)? => Ok(Outcome::DoneBefore),
            Ok(request) => render(request, progress).map(|rendered| Outcome::Rendered(Box::new(rendered))),
            Err(error) => bail!("{error:#}"),
        };
        let mut finished = |idx: usize, result: &Result<Outcome>| {
            telling.tell(&bar, &requests[idx], result, requests.len() == 1);
        };
        let mut progress = |done: &[f64]| {
            bar.name(&under_way(requests, done));
            bar.show_all(done)
        };
        let jobs = jobs_at_a_time(self.jobs);
        let results = in_parallel(requests, jobs, &one, &mut finished, &mut progress)?;
        telling.end(&bar, results)
    }
}

/// What is being done: the first song that is not done, and how often the engine went over it.
fn under_way(requests: &[Result<Render>], done: &[f64]) -> String {
    let first = done.iter().position(|&done| done < 1.0);
    let Some((idx, Ok(request))) = first.map(|idx| (idx, &requests[idx])) else { return String::new() };
    let passes = request.num_passes();
    let pass = (1 + (done[idx] * passes as f64) as usize).min(passes);
    let song = match requests.len() {
        1 => String::new(),
        all => format!("song {} of {all}, ", idx + 1),
    };
    let mix = request.mix.file_name().unwrap_or_default().display();
    format!("{song}{mix}, pass {pass} of {passes} ")
}

/// The name of a file that belongs to another one: a word more before its ending.
fn beside(out: &Path, word: &str) -> PathBuf {
    let mut name = out.file_stem().unwrap_or_default().to_owned();
    name.push(format!(" {word}."));
    name.push(out.extension().unwrap_or_default());
    out.with_file_name(name)
}

/// The files of the parts as they are taken away: in a folder called like the difference, called like the parts.
fn part_files(request: &Render) -> Vec<PathBuf> {
    let mut folder = request.out.file_stem().unwrap_or_default().to_owned();
    folder.push(" parts");
    let folder = request.out.with_file_name(folder);
    let named = |mut name: OsString| {
        name.push(".");
        name.push(request.out.extension().unwrap_or_default());
        folder.join(name)
    };
    part_names(&request.backing).into_iter().map(named).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_line_says_what_is_under_way() {
        let song = |name: &str| Ok(Render::new(format!("in/{name} mix.wav"), "backing.wav", "out.wav"));
        let one_pass = song("Tide").map(|tide| Render { passes: Passes::One, ..tide });
        let songs = [song("Lamp"), Err(anyhow::anyhow!("no song")), one_pass];
        for (done, line) in [
            ([0.0, 0.0, 0.0], "song 1 of 3, Lamp mix.wav, pass 1 of 2 "),
            ([0.5, 1.0, 0.2], "song 1 of 3, Lamp mix.wav, pass 2 of 2 "),
            ([1.0, 1.0, 0.999], "song 3 of 3, Tide mix.wav, pass 1 of 1 "),
            ([1.0, 0.0, 1.0], ""),
            ([1.0, 1.0, 1.0], ""),
        ] {
            assert_eq!(under_way(&songs, &done), line);
        }
        assert_eq!(under_way(&songs[..1], &[0.7]), "Lamp mix.wav, pass 2 of 2 ");
    }
}
