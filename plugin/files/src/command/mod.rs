//! The command line of the program `minuend`.

mod backing;
mod backing_help;
mod controls;
mod help;
mod json;
mod outcome;
mod pair;
mod pair_help;
mod render;
mod values;

use std::process::ExitCode;

use clap::{
    CommandFactory, Parser, Subcommand,
    error::{ContextKind, ContextValue, ErrorKind},
};

pub use backing::BackingArguments;
pub use backing_help::{backing_details, backing_examples};
pub use help::{details, examples, usage};
pub use pair::PairArguments;
pub use pair_help::{pair_details, pair_examples};
pub use render::RenderArguments;

use crate::ending::end;

/// Which build it is, for whoever asks: the same for all that are made of the same source in the same way.
const BUILD: &str = concat!(
    env!("CARGO_PKG_VERSION"),
    "\nbuilt for ",
    env!("MINUEND_TARGET"),
    " (",
    env!("MINUEND_PROFILE"),
    ") by ",
    env!("MINUEND_RUSTC")
);

/// A way to call each command, for a look.
const EXAMPLES: &str = "\
Examples:
  minuend render \"Nine Lamps mix.wav\" \"Nine Lamps backing.wav\"
      writes \"Nine Lamps difference.wav\" beside the mix
  minuend render songs -o differences
      the same for each \"NAME mix\" and \"NAME backing\" in the folder songs
  minuend pair songs
      files of any names: hears which belong together, and lists them
  minuend backing \"Nine Lamps.wav\"
      no backing at hand: makes one, if the song repeats itself

'minuend COMMAND --help' tells all about a command: files that are read, what
is written, exit codes. Nothing that exists is replaced without --force.";

/// What `minuend` does.
#[derive(Parser)]
#[command(name = "minuend", bin_name = "minuend", version, long_version = BUILD)]
#[command(about = "Mix minus backing, from files to files")]
#[command(
    long_about = "Mix minus backing, from files to files. You have a finished mix and the same song without its voice, or \
                  without any other part, and want the part that makes the difference."
)]
#[command(after_help = EXAMPLES)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Write a mix minus its backing, from files to a file
    Render(RenderArguments),
    /// Make a backing from the song itself, if it repeats
    Backing(BackingArguments),
    /// Find which file of a folder is the backing of which mix, by sound, for render --list
    Pair(PairArguments),
}

/// Does what the command line says.
pub fn main() -> ExitCode {
    let arguments = Arguments::try_parse().unwrap_or_else(|mut error| {
        if error.kind() == ErrorKind::InvalidSubcommand {
            let tip = "to take a backing away, 'minuend render MIX BACKING'";
            error.insert(ContextKind::Suggested, ContextValue::StyledStrs(vec![tip.into()]));
        }
        error.exit()
    });
    end(match arguments.command {
        Command::Render(arguments) => arguments.run(RENDER),
        Command::Backing(arguments) => arguments.run(BACKING),
        Command::Pair(arguments) => arguments.run(),
    })
}

/// The command line as a description, of which completions and manual pages are made.
pub fn description() -> clap::Command {
    Arguments::command()
}

/// How `render` is called in this program.
const RENDER: &str = "minuend render";
/// How `backing` is called in this program.
const BACKING: &str = "minuend backing";
