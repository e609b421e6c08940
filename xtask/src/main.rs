//! `cargo xtask`: the project's commands.

use std::process::ExitCode;

fn main() -> ExitCode {
    minuend_files::ending::end(xtask::main())
}
