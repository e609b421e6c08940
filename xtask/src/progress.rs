//! How much is done, shown to whoever watches, and whether the user wants to stop.

use std::{
    ops::ControlFlow,
    sync::{
        Once,
        atomic::{AtomicBool, Ordering::Relaxed},
    },
};

use indicatif::{ProgressBar, ProgressStyle};

/// Is told how much is done, 0 to 1, and can break off.
pub type Progress<'a> = dyn FnMut(f64) -> ControlFlow<()> + 'a;

/// Set when the user interrupts.
static STOP: AtomicBool = AtomicBool::new(false);

/// Parts of the bar.
const STEPS: f64 = 1000.0;

/// A progress bar, on a terminal only, that breaks off when the user interrupts the program.
pub struct Bar(ProgressBar);

impl Bar {
    /// A bar at its start.
    pub fn new() -> Self {
        static HANDLER: Once = Once::new();
        // Without a handler the program still works; it would leave its temporary file behind when interrupted.
        HANDLER.call_once(|| _ = ctrlc::set_handler(|| STOP.store(true, Relaxed)));
        let style = ProgressStyle::with_template("{wide_bar} {percent:>3} % {eta:>4}");
        Self(ProgressBar::new(STEPS as u64).with_style(style.expect("the template is sound")))
    }

    /// Shows how much is done, 0 to 1.
    pub fn show(&self, done: f64) -> ControlFlow<()> {
        self.0.set_position((done * STEPS) as u64);
        if STOP.load(Relaxed) { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    }

    /// Prints a line on standard output without disturbing the bar.
    pub fn say(&self, line: &str) {
        self.0.suspend(|| println!("{line}"));
    }

    /// The same on standard error.
    pub fn complain(&self, line: &str) {
        self.0.suspend(|| eprintln!("{line}"));
    }
}

impl Default for Bar {
    fn default() -> Self {
        Self::new()
    }
}

impl Drop for Bar {
    fn drop(&mut self) {
        self.0.finish_and_clear();
    }
}
