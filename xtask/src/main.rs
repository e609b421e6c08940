//! `cargo xtask`: the project's commands.

use std::process::ExitCode;

fn main() -> ExitCode {
    match xtask::main() {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            // The causes in one line, and no backtrace: errors are written for the user.
            eprintln!("error: {error:#}");
            ExitCode::from(xtask::ending::Ending::code_of(&error))
        }
    }
}
