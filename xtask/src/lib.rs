//! The project's commands, as a library so that tests can call them.

pub mod audio_files;
pub mod bundle;
pub mod host;
pub mod render;
pub mod si_sdr;

use anyhow::Result;
use clap::{Parser, Subcommand};

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
    Render(render::command::RenderArguments),
}

/// Runs the command given on the command line.
pub fn main() -> Result<()> {
    match Arguments::parse().command {
        Command::Bundle { args } => bundle::bundle(&args),
        Command::Render(arguments) => arguments.run(),
    }
}
