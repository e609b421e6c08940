//! The command line of `pair`.

use std::{num::NonZeroUsize, path::PathBuf};

use anyhow::Result;
use clap::Args;
use serde_json::{Value, json};

use super::{
    json::SCHEMA,
    pair_help::{pair_details, pair_examples},
    values::at_least_one,
};
use crate::{
    ending::{Ending, NOT_FOUND, SOME_FAILED},
    pair::{FindPairs, Found, Pair, find_pairs},
    progress::Bar,
};

/// Command line of `pair`.
#[derive(Args)]
#[command(after_help = pair_examples("minuend pair"), after_long_help = pair_details("minuend pair"))]
pub struct PairArguments {
    /// The folder of the files; those in the folders in it count, too
    folder: PathBuf,

    /// The list to write [default: songs.txt in the folder]
    #[arg(short, long, value_name = "FILE", help_heading = "Files written")]
    out: Option<PathBuf>,
    /// Replace a list that exists
    #[arg(long, help_heading = "Files written")]
    force: bool,

    /// Files at a time [default: one a processor]
    #[arg(long, value_name = "N", help_heading = "Many songs", value_parser = at_least_one)]
    jobs: Option<NonZeroUsize>,

    /// Print one line of JSON for each pair, and for what is none, instead of words
    #[arg(long, help_heading = "Messages")]
    json: bool,
    /// Print nothing but errors, and the lines of --json
    #[arg(short, long, help_heading = "Messages")]
    quiet: bool,
}

impl PairArguments {
    /// Finds the pairs, with a progress bar where someone sees it, and prints them.
    pub fn run(self) -> Result<()> {
        let request = FindPairs {
            list: self.out.unwrap_or_else(|| self.folder.join("songs.txt")),
            folder: self.folder,
            overwrite: self.force,
            jobs: self.jobs,
        };
        let bar = if self.quiet { Bar::hidden() } else { Bar::new() };
        let found = find_pairs(&request, &mut |done| bar.show(done))?;
        if self.json {
            json_lines(&found).iter().for_each(|line| bar.say(&line.to_string()));
        } else if !self.quiet {
            words(&found).iter().for_each(|line| bar.say(line));
        }
        found.unreadable.iter().for_each(|error| bar.complain(&format!("error: {error}")));
        if found.pairs.is_empty() {
            let message =
                format!("{}: no file in it is the backing of another one", request.folder.display());
            return Err(Ending::new(NOT_FOUND, message).into());
        }
        if !self.quiet && !self.json {
            bar.say(&format!("{}: {}", request.list.display(), counted(found.pairs.len(), "pair")));
        }
        match found.unreadable.len() {
            0 => Ok(()),
            count => {
                let message = format!("{} could not be read", counted(count, "file"));
                Err(Ending::new(SOME_FAILED, message).into())
            }
        }
    }
}

/// So many of what has an s for more than one.
fn counted(count: usize, one: &str) -> String {
    format!("{count} {one}{}", if count == 1 { "" } else { "s" })
}

fn words(found: &Found) -> Vec<String> {
    let pair = |Pair { mix, backing, delay_s, also }: &Pair| {
        let also: Vec<_> = also.iter().map(|file| file.display().to_string()).collect();
        let also =
            if also.is_empty() { String::new() } else { format!("; {} sounds the same", also.join(", ")) };
        format!("{}: backing {}, {delay_s:+.3} s{also}", mix.display(), backing.display())
    };
    let unsure = |(files, why): &(Vec<PathBuf>, &str)| {
        let files: Vec<_> = files.iter().map(|file| file.display().to_string()).collect();
        format!("not sure: {} {why}", files.join(", "))
    };
    let alone = found.alone.iter().map(|file| format!("alone: {}", file.display()));
    found.pairs.iter().map(pair).chain(found.unsure.iter().map(unsure)).chain(alone).collect()
}

fn json_lines(found: &Found) -> Vec<Value> {
    let shown = |file: &PathBuf| file.display().to_string();
    let pair = |Pair { mix, backing, delay_s, also }: &Pair| {
        json!({
            "schema": SCHEMA,
            "status": "pair",
            "mix": shown(mix),
            "backing": shown(backing),
            "delay_s": delay_s,
            "backing_could_also_be": also.iter().map(shown).collect::<Vec<_>>(),
        })
    };
    let unsure = |(files, why): &(Vec<PathBuf>, &str)| {
        let files: Vec<_> = files.iter().map(shown).collect();
        json!({ "schema": SCHEMA, "status": "not sure", "files": files, "why": why })
    };
    let alone =
        found.alone.iter().map(|file| json!({ "schema": SCHEMA, "status": "alone", "file": shown(file) }));
    let failed = found.unreadable.iter();
    let failed = failed.map(|error| json!({ "schema": SCHEMA, "status": "failed", "error": error }));
    found.pairs.iter().map(pair).chain(found.unsure.iter().map(unsure)).chain(alone).chain(failed).collect()
}
