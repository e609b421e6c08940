//! Runs the engine's jobs beside the audio path.

use std::{
    sync::mpsc::{Receiver, Sender, channel},
    thread::{Builder, JoinHandle},
};

use anyhow::{Context, Result};
use minuend_engine::{Job, Worker};

/// Runs each job on a thread of its own while the audio path goes on, and waits for it when it is asked back.
///
/// The engine hands a job out at one sample count and takes it back at another, and a job is the only one who touches
/// what it holds: so the samples are those of `Inline`, whichever thread is faster.
pub struct Threaded {
    jobs: Option<Sender<Job>>,
    done: Receiver<Job>,
    is_out: bool,
    thread: Option<JoinHandle<()>>,
}

impl Threaded {
    /// Starts the thread.
    pub fn new() -> Result<Self> {
        let (jobs, todo) = channel::<Job>();
        let (back, done) = channel();
        let work = move || {
            for mut job in todo {
                job.run();
                if back.send(job).is_err() {
                    break;
                }
            }
        };
        let thread =
            Builder::new().name("learn".into()).spawn(work).context("no thread can be had to learn on")?;
        Ok(Self { jobs: Some(jobs), done, is_out: false, thread: Some(thread) })
    }
}

impl Worker for Threaded {
    fn submit(&mut self, job: Job) {
        if let Some(jobs) = &self.jobs {
            // The thread only ends before this if a job has panicked; then none comes back.
            self.is_out = jobs.send(job).is_ok();
        }
    }

    fn collect(&mut self) -> Option<Job> {
        std::mem::take(&mut self.is_out).then(|| self.done.recv().ok())?
    }
}

impl Drop for Threaded {
    fn drop(&mut self) {
        self.jobs = None;
        if let Some(thread) = self.thread.take() {
            // An error means that the job panicked, which has been seen by its not coming back.
            let _ = thread.join();
        }
    }
}
