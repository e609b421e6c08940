//! A display that nobody sees, for tests and pictures.

use std::{
    io::{BufRead, BufReader},
    process::{Child, Command, Stdio},
};

use anyhow::{Context, Result, ensure};

/// A running Xvfb; it ends when this is dropped.
pub struct Display {
    server: Child,
    name: String,
}

impl Display {
    /// Starts one, large enough for the window at three times its size.
    pub fn start() -> Result<Self> {
        let mut server = Command::new("Xvfb")
            .args(["-displayfd", "1", "-screen", "0", "2600x2400x24", "-nolisten", "tcp"])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .context("Xvfb cannot be started: install what Debian calls xvfb")?;
        let mut number = String::new();
        if let Some(output) = server.stdout.take() {
            BufReader::new(output).read_line(&mut number)?;
        }
        let display = Self { server, name: format!(":{}", number.trim()) };
        ensure!(display.name.len() > 1, "Xvfb did not start");
        Ok(display)
    }

    /// What to set `DISPLAY` to.
    pub fn name(&self) -> &str {
        &self.name
    }
}

impl Drop for Display {
    fn drop(&mut self) {
        let _ = self.server.kill();
        let _ = self.server.wait();
    }
}
