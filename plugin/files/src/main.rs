//! `minuend`: mix minus backing, from files to files.

use std::process::ExitCode;

fn main() -> ExitCode {
    minuend_files::command::main()
}
