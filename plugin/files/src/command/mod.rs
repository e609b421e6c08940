//! The command line of the program `minuend`.

mod json;
mod render;
mod values;

use std::process::ExitCode;

use clap::{Parser, Subcommand};

pub use render::RenderArguments;

use crate::ending::end;

/// What `minuend` does.
#[derive(Parser)]
#[command(name = "minuend", version, about = "Mix minus backing, from files to files")]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Write a mix minus its backing, from files to a file
    Render(RenderArguments),
}

/// Does what the command line says.
pub fn main() -> ExitCode {
    end(match Arguments::parse().command {
        Command::Render(arguments) => arguments.run(),
    })
}
