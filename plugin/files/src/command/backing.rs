//! The command line of `backing`.

use std::{ops::Range, path::PathBuf};

use anyhow::Result;
use clap::Args;
use serde_json::json;

use super::{
    backing_help::{backing_details, backing_examples},
    json::SCHEMA,
    values::{PERCENT, choice, passage_s, ranged, time_s},
};
use crate::{
    backing::{Made, MakeBacking, grade_word, make_backing},
    ending::{Ending, NOT_FOUND},
    progress::Bar,
    songs::name_of_mix,
    write::{Bits, Container, folder_of},
};

/// Command line of `backing`.
#[derive(Args)]
#[command(after_help = backing_examples("minuend backing"), after_long_help = backing_details("minuend backing"))]
pub struct BackingArguments {
    /// The song
    song: PathBuf,

    /// File to write, .wav or .flac [default: "NAME backing.wav" beside the song]
    #[arg(short, long, value_name = "FILE", help_heading = "Files written")]
    out: Option<PathBuf>,
    /// Write this too: the song minus that backing
    #[arg(long, value_name = "FILE", help_heading = "Files written")]
    vocal: Option<PathBuf>,
    /// Write a page about it, HTML: what each half second was built from, how sure, and where nothing was found
    #[arg(long, value_name = "FILE", help_heading = "Files written")]
    report: Option<PathBuf>,
    /// Bits a sample: 16 or 24 with dither, 32 or float for 32-bit float [default: float; in FLAC, 24]
    #[arg(long, value_name = "BITS", help_heading = "Files written", value_parser = choice([("16", Bits::Int16), ("24", Bits::Int24), ("32", Bits::Float), ("float", Bits::Float)]))]
    bits: Option<Bits>,
    /// Replace files that exist
    #[arg(long, help_heading = "Files written")]
    force: bool,

    /// A passage without a voice, as 0:00-0:12; may be given several times
    #[arg(long, value_name = "FROM-TO", help_heading = "What you know of the song", value_parser = passage_s)]
    free: Vec<Range<f64>>,
    /// How much of what is left at the sides is put into the backing, 0 to 100 %: what is not in the middle is then taken as no
    /// voice, and doubled or panned voices are lost
    #[arg(long, value_name = "PERCENT", default_value = "0", help_heading = "What you know of the song", value_parser = ranged((0.0, 100.0), PERCENT))]
    centre: f32,

    /// Begin at this time of the song: seconds, M:SS or H:MM:SS. With --to, a preview that takes seconds
    #[arg(long, value_name = "TIME", default_value = "0", help_heading = "Part", allow_hyphen_values = true, value_parser = time_s)]
    from: f64,
    /// End at this time of the song [default: its end]
    #[arg(long, value_name = "TIME", help_heading = "Part", allow_hyphen_values = true, value_parser = time_s)]
    to: Option<f64>,

    /// Print one line of JSON instead of words
    #[arg(long, help_heading = "Messages")]
    json: bool,
    /// Print nothing but errors, and the line of --json
    #[arg(short, long, help_heading = "Messages")]
    quiet: bool,
}

impl BackingArguments {
    /// Makes the backing, with a progress bar where someone sees it, and prints how well the song repeats. Called like
    /// `program` in what it says of a wrong command line.
    pub fn run(self, program: &str) -> Result<()> {
        let wrong = |what: &str| Ending::wrong(&format!("{program} [OPTIONS] SONG"), what);
        if self.to.is_some_and(|to| to <= self.from) {
            return Err(wrong("the part is empty; let --to lie behind --from").into());
        }
        let out = self.out.clone().unwrap_or_else(|| {
            folder_of(&self.song).join(format!("{} backing.wav", name_of_mix(&self.song)))
        });
        let request = MakeBacking {
            vocal: self.vocal.clone(),
            report: self.report.clone(),
            free_s: self.free.clone(),
            centre_percent: self.centre,
            part_s: self.from..self.to.unwrap_or(f64::INFINITY),
            bits: self.bits,
            overwrite: self.force,
            ..MakeBacking::new(&self.song, out)
        };
        for file in request.audio() {
            let checked = Container::of(file).and_then(|kind| kind.check(file, request.bits_of(file)));
            checked.map_err(|error| wrong(&error.to_string()))?;
        }
        let bar = if self.quiet { Bar::hidden() } else { Bar::new() };
        let made = make_backing(&request, &mut |done| bar.show(done));
        if self.json {
            bar.say(&json_line(&request, &made));
        }
        let made = made?;
        if !self.quiet {
            for warning in made.warnings(request.centre_percent) {
                bar.complain(&format!("warning: {warning}"));
            }
            if !self.json {
                bar.say(&format!("{}: {}", request.out.display(), made.describe()));
            }
        }
        Ok(())
    }
}

/// One line about it, for scripts.
fn json_line(request: &MakeBacking, made: &Result<Made>) -> String {
    let song = request.song.display().to_string();
    match made {
        Ok(made) => json!({
            "schema": SCHEMA,
            "song": song,
            "out": request.out.display().to_string(),
            "status": "done",
            "grade": grade_word(made.grade()),
            "similarity": made.similarity,
            "built": made.built(),
            "sample_rate_hz": made.sample_rate_hz,
            "num_samples": made.num_samples,
            "clipped_samples": made.clipped_samples,
        }),
        Err(error) => json!({
            "schema": SCHEMA,
            "song": song,
            "status": if Ending::code_of(error) == NOT_FOUND { "not found" } else { "failed" },
            "error": format!("{error:#}"),
        }),
    }
    .to_string()
}
