//! The thread of a window under X11, and how to wait for its end.
//!
//! A window that is closed has to be gone when the call returns, since the host may unload the plug-in, or destroy the
//! window around it, at once. The window library (baseview 0.4.2) gives its thread up instead of joining it when the thread
//! has stopped before it can answer one last request, and then the rest of that thread runs in code that is no longer
//! there. On other systems a window has no thread of its own.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;
use std::time::Duration;

/// Longest wait for a thread that is about to end, in steps of [`STEP`]: three seconds.
const STEPS: usize = 3_000;
const STEP: Duration = Duration::from_millis(1);

/// A window's thread, as far as there is one.
#[derive(Clone, Default)]
pub struct GuiThread {
    /// The thread as a file, which is there as long as the thread is.
    file: Arc<Mutex<Option<PathBuf>>>,
}

impl GuiThread {
    /// Notes that this is the thread.
    pub fn note(&self) {
        let file = std::fs::read_link("/proc/thread-self").map(|link| PathBuf::from("/proc").join(link));
        *self.file.lock().unwrap_or_else(PoisonError::into_inner) = file.ok();
    }

    /// Waits until the thread has ended.
    pub fn wait(&self) {
        let file = self.file.lock().unwrap_or_else(PoisonError::into_inner).take();
        let Some(file) = file.filter(|_| cfg!(target_os = "linux")) else { return };
        for _ in 0..STEPS {
            if !file.exists() {
                return;
            }
            thread::sleep(STEP);
        }
    }
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use std::sync::atomic::{AtomicBool, Ordering};

    use super::*;

    #[test]
    fn waits_for_a_thread_that_nobody_joins() {
        let (gui, ended) = (GuiThread::default(), Arc::new(AtomicBool::new(false)));
        let (started, has_started) = std::sync::mpsc::channel();
        let (own, end) = (gui.clone(), ended.clone());
        drop(thread::spawn(move || {
            own.note();
            started.send(()).unwrap();
            thread::sleep(Duration::from_millis(20));
            end.store(true, Ordering::Release);
        }));
        has_started.recv().unwrap();
        gui.wait();
        assert!(ended.load(Ordering::Acquire));
        // Without a thread there is nothing to wait for.
        gui.wait();
    }
}
