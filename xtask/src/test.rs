//! `cargo xtask test`: every test, with everything they need.

use std::{env, fs, path::PathBuf, process::Command};

use anyhow::{Context, Result};
use clap::Args;

use crate::{
    bundle::{Bundles, target_folder, workspace_root},
    setup::{self, DISPLAY, PYTHON_VENV},
};

/// Command line of `test`.
#[derive(Args)]
pub struct TestArguments {
    /// Passed on to `cargo test --workspace`
    #[arg(trailing_var_arg = true, allow_hyphen_values = true)]
    args: Vec<String>,
}

impl TestArguments {
    /// Sets up, bundles, and leaves the rest, and the last lines, to the test runner.
    pub fn run(self) -> Result<()> {
        let display = if cfg!(target_os = "linux") { &DISPLAY[..] } else { &[] };
        setup::ensure_all(&display.iter().chain([&PYTHON_VENV]).collect::<Vec<_>>())?;
        let python = python()?;
        let bundles = Bundles::ship()?;
        let cargo = env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
        let status = Command::new(cargo)
            .args(["test", "--workspace"])
            .args(self.args)
            .current_dir(workspace_root())
            .env("MINUEND_BUNDLE", bundles.clap)
            .env("MINUEND_PYTHON", python)
            // The window's tests are not to be skipped.
            .env("MINUEND_DISPLAY", "there")
            .status()
            .context("cargo cannot be started")?;
        std::process::exit(status.code().unwrap_or(1));
    }
}

/// A Python with the packages of the reference tests, in an environment of its own; made anew when they change.
fn python() -> Result<PathBuf> {
    let requirements = workspace_root().join("tests/reference/requirements.txt");
    let wanted = fs::read_to_string(&requirements).with_context(|| requirements.display().to_string())?;
    let environment = target_folder()?.join("python");
    let python = environment.join(if cfg!(windows) { "Scripts/python.exe" } else { "bin/python" });
    let installed = environment.join("installed.txt");
    if fs::read_to_string(&installed).is_ok_and(|installed| installed == wanted) {
        return Ok(python);
    }
    eprintln!("Installing the Python packages of the reference tests");
    setup::run(Command::new(setup::PYTHON).args(["-m", "venv", "--clear"]).arg(&environment))?;
    setup::run(
        Command::new(&python)
            .args(["-m", "pip", "install", "--quiet", "--disable-pip-version-check", "-r"])
            .arg(&requirements),
    )?;
    fs::write(&installed, wanted).with_context(|| installed.display().to_string())?;
    Ok(python)
}
