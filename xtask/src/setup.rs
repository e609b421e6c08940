//! What a fresh machine lacks: installed where that is possible, named where it is not.

use std::process::{Command, Stdio};

use anyhow::{Context, Result, bail, ensure};

/// Something that must be on the machine, and the Debian package that brings it.
pub struct Need {
    /// Debian's name of it.
    pub package: &'static str,
    /// A command that succeeds where it is present.
    pub probe: &'static [&'static str],
}

/// What Python is called: its installer for Windows knows no `python3`.
pub const PYTHON: &str = if cfg!(windows) { "python" } else { "python3" };

/// Python with virtual environments.
pub const PYTHON_VENV: Need =
    Need { package: "python3-venv", probe: &[PYTHON, "-c", "import ensurepip, venv"] };

/// A display that nobody sees, hands for it, and what a window, or the VST3 host of the tests, loads to draw itself. Only
/// under Linux.
pub const DISPLAY: [Need; 7] = [
    Need { package: "xvfb", probe: &["sh", "-c", "command -v Xvfb"] },
    Need { package: "xdotool", probe: &["sh", "-c", "command -v xdotool"] },
    Need {
        package: "libegl1",
        probe: &["sh", "-c", "ls /usr/lib*/libEGL.so.1 /usr/lib/*/libEGL.so.1 | grep ."],
    },
    Need {
        package: "libgl1-mesa-dri",
        probe: &["sh", "-c", "ls /usr/lib*/dri/swrast_dri.so /usr/lib/*/dri/swrast_dri.so | grep ."],
    },
    Need {
        package: "libgl1",
        probe: &["sh", "-c", "ls /usr/lib*/libGL.so.1 /usr/lib/*/libGL.so.1 /lib/*/libGL.so.1 | grep ."],
    },
    Need {
        package: "libglib2.0-0",
        probe: &["sh", "-c", "ls /usr/lib*/libglib-2.0.so.0 /usr/lib/*/libglib-2.0.so.0 | grep ."],
    },
    Need {
        package: "libxkbcommon-x11-0",
        probe: &["sh", "-c", "ls /usr/lib*/libxkbcommon-x11.so.0 /usr/lib/*/libxkbcommon-x11.so.0 | grep ."],
    },
];

/// Makes sure that all needs are met. As root on Debian and its kin, missing packages are installed; otherwise the
/// error is the line to run.
pub fn ensure_all(needs: &[&Need]) -> Result<()> {
    let missing: Vec<_> =
        needs.iter().filter(|need| !succeeds(need.probe)).map(|need| need.package).collect();
    if missing.is_empty() {
        return Ok(());
    }
    let packages = missing.join(" ");
    ensure!(
        succeeds(&["apt-get", "--version"]),
        "this machine lacks what Debian calls {packages}: install it with the system's package manager"
    );
    let is_root = Command::new("id").arg("-u").output().is_ok_and(|id| id.stdout == b"0\n");
    ensure!(is_root, "this machine lacks {packages}; run: sudo apt-get install -y {packages}");
    eprintln!("Installing {packages}");
    run(Command::new("apt-get").args(["update", "-q"]))?;
    run(Command::new("apt-get")
        .args(["install", "-y", "-q", "--no-install-recommends"])
        .args(&missing)
        .env("DEBIAN_FRONTEND", "noninteractive"))
}

/// Runs a command, its output on standard error; an error when it fails.
pub fn run(command: &mut Command) -> Result<()> {
    let shown = format!("{command:?}");
    let status =
        command.stdout(std::io::stderr()).status().with_context(|| format!("{shown}: cannot be started"))?;
    if !status.success() {
        bail!("{shown}: failed ({status})");
    }
    Ok(())
}

fn succeeds(command: &[&str]) -> bool {
    Command::new(command[0])
        .args(&command[1..])
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|status| status.success())
}
