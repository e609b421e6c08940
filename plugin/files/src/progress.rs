//! How much is done, shown to whoever watches, and whether the user wants to stop.

use std::{
    ops::ControlFlow,
    sync::{
        Once,
        atomic::{AtomicBool, Ordering::Relaxed},
    },
};

use anyhow::{Result, ensure};
use indicatif::{ProgressBar, ProgressStyle};

use crate::ending::Ending;

/// Is told how much is done, 0 to 1, and can break off.
pub type Progress<'a> = dyn FnMut(f64) -> ControlFlow<()> + 'a;

/// Tells how much is done; an error if the user wants to stop.
pub fn tell(progress: &mut Progress, done: f64) -> Result<ControlFlow<()>> {
    ensure!(progress(done).is_continue(), Ending::stopped());
    Ok(ControlFlow::Continue(()))
}

/// Set when the user stops the program: by Ctrl-C, by having it ended, or by closing its terminal.
static STOP: AtomicBool = AtomicBool::new(false);

/// Parts of the bar.
const STEPS: f64 = 1000.0;

/// A line with a progress bar, on a terminal only, that breaks off when the user interrupts the program.
pub struct Bar(ProgressBar);

impl Bar {
    /// A bar at its start.
    pub fn new() -> Self {
        Self::on(ProgressBar::new(STEPS as u64))
    }

    /// One that nobody sees; it breaks off all the same.
    pub fn hidden() -> Self {
        Self::on(ProgressBar::hidden())
    }

    fn on(bar: ProgressBar) -> Self {
        static HANDLER: Once = Once::new();
        HANDLER.call_once(heed_the_user);
        let style = ProgressStyle::with_template("{msg}{wide_bar} {percent:>3} %, {eta} left");
        Self(bar.with_style(style.expect("the template is sound")))
    }

    /// Says what is being done, before the bar.
    pub fn name(&self, what: &str) {
        if self.0.message() != what {
            self.0.set_message(what.to_owned());
        }
    }

    /// Shows how much is done, 0 to 1.
    pub fn show(&self, done: f64) -> ControlFlow<()> {
        self.0.set_position((done * STEPS) as u64);
        if STOP.load(Relaxed) { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    }

    /// Shows how much is done of several things of one weight, 0 to 1 each.
    pub fn show_all(&self, done: &[f64]) -> ControlFlow<()> {
        self.show(done.iter().sum::<f64>() / done.len().max(1) as f64)
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

/// Has those who want to stop the program heard. Without that it still works; it would leave temporary files behind.
fn heed_the_user() {
    // SAFETY: no code of ours runs on a signal that is ignored.
    #[cfg(unix)]
    let before = unsafe { libc::signal(libc::SIGHUP, libc::SIG_IGN) };
    _ = ctrlc::set_handler(|| STOP.store(true, Relaxed));
    #[cfg(windows)]
    heed_the_console();
    // What `nohup` started outlives its terminal.
    #[cfg(unix)]
    if before == libc::SIG_IGN {
        // SAFETY: as above.
        unsafe { libc::signal(libc::SIGHUP, libc::SIG_IGN) };
    }
}

/// Windows ends a program once it has heard that its console is closed, or the user logs off, and waits 5 s at most: time to take
/// away what is not finished ("HandlerRoutine callback function" of its documentation; from memory).
#[cfg(windows)]
fn heed_the_console() {
    use windows_sys::Win32::System::Console::{CTRL_BREAK_EVENT, CTRL_C_EVENT, SetConsoleCtrlHandler};
    unsafe extern "system" fn told(event: u32) -> i32 {
        if matches!(event, CTRL_C_EVENT | CTRL_BREAK_EVENT) {
            return 0;
        }
        STOP.store(true, Relaxed);
        // The program ends meanwhile, by itself.
        std::thread::sleep(std::time::Duration::from_secs(5));
        1
    }
    // SAFETY: the function stays, and touches nothing but a value made for several threads.
    unsafe { SetConsoleCtrlHandler(Some(told), 1) };
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
