//! The project's commands, as a library so that tests can call them.

pub mod bundle;
pub mod demo;
pub mod host;
pub mod install;
pub mod metrics;
pub mod package;
pub mod release;
pub mod score;
pub mod sensitivity;
pub mod setup;
pub mod si_sdr;
pub mod test;
pub mod window;

use anyhow::Result;
use clap::{Parser, Subcommand};
use minuend_files::command::{
    BackingArguments, PairArguments, RenderArguments, backing_details, backing_examples, details, examples,
    pair_details, pair_examples, usage,
};

/// How `render` is called here.
const RENDER: &str = "cargo xtask render";
/// How `backing` is called here.
const BACKING: &str = "cargo xtask backing";
/// How `pair` is called here.
const PAIR: &str = "cargo xtask pair";

/// What `cargo xtask` does.
#[derive(Parser)]
#[command(name = "cargo xtask", bin_name = "cargo xtask", about = "Minuend's commands")]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Build the plug-in and bundle it for hosts, e.g. `bundle minuend --release`
    Bundle {
        /// A package and the arguments of `cargo build` for it
        #[arg(trailing_var_arg = true, allow_hyphen_values = true, required = true)]
        args: Vec<String>,
    },
    /// Write a mix minus its backing, from files to a file
    #[command(override_usage = usage(RENDER))]
    #[command(after_help = examples(RENDER), after_long_help = details(RENDER))]
    Render(RenderArguments),
    /// Make a backing from the song itself, if it repeats
    #[command(after_help = backing_examples(BACKING), after_long_help = backing_details(BACKING))]
    Backing(BackingArguments),
    /// Find which file of a folder is the backing of which mix, by sound
    #[command(after_help = pair_examples(PAIR), after_long_help = pair_details(PAIR))]
    Pair(PairArguments),
    /// Bundle the plug-in and copy it to your plug-in folders
    Install(install::InstallArguments),
    /// Pack plug-in and program for users, with what belongs to them, into one archive
    Package,
    /// Set the version, close the changelog, commit and tag, for a release
    Release(release::ReleaseArguments),
    /// Make the demo song, play it through the bundled plug-in and print the figures
    Demo(demo::DemoArguments),
    /// Open the bundled plug-in's window while the demo song plays through it, without a sound
    Window(window::WindowArguments),
    /// Score the engine on mixes whose true vocal is known
    Score(score::command::ScoreArguments),
    /// Tell what half and double of each tuned constant of the engine cost; takes hours
    Sensitivity(sensitivity::SensitivityArguments),
    /// Run every test, installing what they need
    Test(test::TestArguments),
}

/// Runs the command given on the command line.
pub fn main() -> Result<()> {
    match Arguments::parse().command {
        Command::Bundle { args } => bundle::bundle(&args),
        Command::Render(arguments) => arguments.run(RENDER),
        Command::Backing(arguments) => arguments.run(BACKING),
        Command::Pair(arguments) => arguments.run(),
        Command::Install(arguments) => arguments.run(),
        Command::Package => package::package(),
        Command::Release(arguments) => arguments.run(),
        Command::Demo(arguments) => arguments.run(),
        Command::Window(arguments) => arguments.run(),
        Command::Score(arguments) => arguments.run(),
        Command::Sensitivity(arguments) => arguments.run(),
        Command::Test(arguments) => arguments.run(),
    }
}
