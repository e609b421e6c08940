//! Work in lumps, handed out at a fixed sample count and taken back at a later fixed sample count, so that a
//! worker thread, or none, gives the same samples.

use crate::dsp::at_once::{Both, in_turn};
use crate::learn::learner::Work;

/// A lump of learning. Whoever holds it calls [`Job::run`] once, on any thread, and gives it back.
pub struct Job(pub(crate) Box<Work>);

impl Job {
    /// Does the work. May allocate and take long: never on an audio thread.
    pub fn run(&mut self) {
        self.run_by(in_turn);
    }

    /// The same, with what may be done at once done by `both`: with the same outcome, sooner.
    pub fn run_by(&mut self, both: Both) {
        self.0.run(both);
    }
}

/// Who runs the engine's jobs. At most one job is out at a time.
pub trait Worker {
    /// Takes a job to be run. Called from `process`: must neither block nor allocate on an audio thread.
    fn submit(&mut self, job: Job);
    /// Gives the job back if it has been run. Called from `process` when the job's time has come, and again
    /// later if it was late.
    fn collect(&mut self) -> Option<Job>;
}

/// Runs each job when it is asked back, on the thread that asks: for tests and scores.
#[derive(Default)]
pub struct Inline(Option<Job>);

impl Worker for Inline {
    fn submit(&mut self, job: Job) {
        self.0 = Some(job);
    }

    fn collect(&mut self) -> Option<Job> {
        let mut job = self.0.take()?;
        job.run();
        Some(job)
    }
}
