//! How a command ends, for scripts.

use std::{fmt, process::ExitCode};

use anyhow::{Error, Result};

/// An error that ends the program with a code of its own; every other one ends it with [`FAILED`].
#[derive(Debug)]
pub struct Ending {
    /// The program's exit code.
    pub code: u8,
    message: String,
}

/// Something went wrong; the message says what.
pub const FAILED: u8 = 1;
/// The command line is wrong, as the clap library has it.
pub const WRONG: u8 = 2;
/// The backing was not found in the mix, a song does not repeat, or a file is silent: nothing was written.
pub const NOT_FOUND: u8 = 3;
/// Of many songs some failed, or all; the others are done.
pub const SOME_FAILED: u8 = 4;
/// Stopped, by Ctrl-C or by whoever ends programs: 128 + SIGINT, as shells have it of Ctrl-C (common practice, no source).
pub const STOPPED: u8 = 130;

impl Ending {
    /// With a code of this module and a message for the user.
    pub fn new(code: u8, message: impl Into<String>) -> Self {
        Self { code, message: message.into() }
    }

    /// A wrong command line, told as the clap library does.
    pub fn wrong(usage: &str, what: &str) -> Self {
        Self::new(WRONG, format!("{what}\n\nUsage: {usage}\n\nFor more information, try '--help'."))
    }

    /// Stopped by the user.
    pub fn stopped() -> Self {
        Self::new(STOPPED, "stopped; nothing was written of what was not finished")
    }

    /// The exit code of an error.
    pub fn code_of(error: &Error) -> u8 {
        error.downcast_ref::<Self>().map_or(FAILED, |ending| ending.code)
    }
}

impl fmt::Display for Ending {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)
    }
}

impl std::error::Error for Ending {}

/// Tells the user why a command failed, if it did: the causes in one line, and no backtrace, as errors are written for the
/// user. Returns the program's exit code.
pub fn end(result: Result<()>) -> ExitCode {
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("error: {error:#}");
            ExitCode::from(Ending::code_of(&error))
        }
    }
}
