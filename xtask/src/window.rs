//! `cargo xtask window`: the bundled plug-in's window, with the demo song playing through it, for whoever has no host at
//! hand. It makes no sound: it is for the eyes.

#[cfg(target_os = "linux")]
pub mod display;
#[cfg(target_os = "linux")]
pub mod figures;
#[cfg(target_os = "linux")]
pub mod in_use;
#[cfg(any(target_os = "linux", windows))]
mod picture;
#[cfg(target_os = "linux")]
pub mod screen;
#[cfg(windows)]
#[path = "window/screen_windows.rs"]
pub mod screen;
pub mod situation;
#[cfg(any(target_os = "linux", windows))]
mod stage;

use std::path::PathBuf;

use anyhow::Result;
use clap::Args;

use situation::Situation;

#[cfg(any(target_os = "linux", windows))]
pub use stage::Stage;

/// Command line of `window`.
#[derive(Args)]
pub struct WindowArguments {
    /// What plays; several only with --screenshot
    #[arg(long, value_enum, default_values = ["demo"])]
    situation: Vec<Situation>,
    /// Close after this many seconds of music [default: when the window is closed]
    #[arg(long, value_name = "S")]
    seconds: Option<f64>,
    /// Scale of the window, 1 to 3
    #[arg(long, value_name = "FACTOR", default_value_t = 1.0)]
    scale: f64,
    /// Width and height in points, e.g. 480x360
    #[arg(long, value_name = "WxH", value_parser = size)]
    size: Option<[u32; 2]>,
    /// Play faster than the clock, write SITUATION.png (SITUATION@2x.png at another scale) into this folder, and close
    #[arg(long, value_name = "FOLDER")]
    screenshot: Option<PathBuf>,
    /// Print how soon the window is seen, its share of the processor, and what a hundred openings leave behind, and close
    #[arg(long, conflicts_with_all = ["situation", "seconds", "size", "screenshot"])]
    figures: bool,
    /// Open this bundle instead of building one
    #[arg(long, value_name = "FILE")]
    bundle: Option<PathBuf>,
}

fn size(text: &str) -> Result<[u32; 2], String> {
    let numbers = text.split_once('x').and_then(|(w, h)| Some([w.parse().ok()?, h.parse().ok()?]));
    numbers.filter(|size| size.iter().all(|n| (1..=10_000).contains(n))).ok_or("not like 480x360".into())
}

impl WindowArguments {
    /// Opens the window and plays.
    #[cfg(any(target_os = "linux", windows))]
    pub fn run(self) -> Result<()> {
        use anyhow::{Context, ensure};

        #[cfg(target_os = "linux")]
        if (self.figures || self.screenshot.is_some()) && std::env::var_os("DISPLAY").is_none() {
            return unseen();
        }
        ensure!((0.5..=4.0).contains(&self.scale), "a scale of {}: choose from 1 to 3", self.scale);
        let bundle = match self.bundle {
            Some(bundle) => bundle,
            None => crate::bundle::Bundles::build()?.clap,
        };
        if self.figures {
            return print_figures(&bundle, self.scale);
        }
        if let Some(folder) = &self.screenshot {
            std::fs::create_dir_all(folder).with_context(|| folder.display().to_string())?;
        }
        for situation in self.situation {
            let mut stage = Stage::open(&bundle, situation, self.scale)?;
            if let Some(size) = self.size {
                stage.resize(size.map(|points| (f64::from(points) * self.scale).round() as u32))?;
            }
            match &self.screenshot {
                None => stage.play_in_time(self.seconds)?,
                Some(folder) => {
                    let seconds = self.seconds.unwrap_or_else(|| situation.telling_s());
                    stage.play_fast(seconds)?;
                    let suffix = if self.scale == 1.0 { String::new() } else { format!("@{}x", self.scale) };
                    let file = folder.join(format!("{}{suffix}.png", situation.name()));
                    stage.picture(&file)?;
                    println!("{}", file.display());
                }
            }
        }
        Ok(())
    }

    /// Says where it works.
    #[cfg(not(any(target_os = "linux", windows)))]
    pub fn run(self) -> Result<()> {
        anyhow::bail!("this command opens windows under Linux and Windows: here, open the plug-in in a host")
    }
}

#[cfg(target_os = "linux")]
fn print_figures(bundle: &std::path::Path, scale: f64) -> Result<()> {
    println!("{}", figures::Figures::measure(bundle, scale, figures::Lengths::default())?);
    Ok(())
}

#[cfg(windows)]
fn print_figures(_: &std::path::Path, _: f64) -> Result<()> {
    anyhow::bail!("--figures asks X11, which is Linux's")
}

/// Runs this same command on a display that nobody sees.
#[cfg(target_os = "linux")]
fn unseen() -> Result<()> {
    let display = display::Display::start()?;
    let status = std::process::Command::new(std::env::current_exe()?)
        .args(std::env::args_os().skip(1))
        .env("DISPLAY", display.name())
        .status()?;
    anyhow::ensure!(status.success(), "that did not work on a display of its own");
    Ok(())
}
