//! Runs the engine's jobs beside the audio path.

use std::{
    panic::resume_unwind,
    sync::mpsc::{Receiver, Sender, channel},
    thread::{self, Builder, JoinHandle},
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
                job.run_by(at_once);
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

/// Does two things on two threads: a job of the first seconds is waited for while little else is to be done. A panic in either is one
/// here.
pub fn at_once(one: &mut (dyn FnMut() + Send), other: &mut (dyn FnMut() + Send)) {
    thread::scope(|scope| {
        let one = scope.spawn(one);
        other();
        one.join().unwrap_or_else(|panic| resume_unwind(panic));
    });
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

#[cfg(test)]
mod tests {
    use minuend_engine::{Engine, Inline, Lock, Settings};

    use super::*;
    use crate::noise::samples;

    /// With the jobs on a thread of their own, the samples are those of running them when they are due.
    #[test]
    fn a_thread_does_not_change_the_samples() {
        const RATE_HZ: usize = 8_000;
        let song = samples(1, 12 * RATE_HZ);
        let mix: Vec<f32> =
            song.iter().zip(samples(48_271, 12 * RATE_HZ)).map(|(b, v)| 0.3 * b + 0.2 * v).collect();
        let mut outputs: Vec<Vec<f32>> = Vec::new();
        for threaded in [false, true, true] {
            let mut engine = Engine::new(RATE_HZ as f64, 1).unwrap();
            let mut output = mix.clone();
            let (mut inline, mut thread) = (Inline::default(), Threaded::new().unwrap());
            for at in (0..mix.len()).step_by(500) {
                let (block, backing) = (&mut output[at..at + 500], &song[at..at + 500]);
                let settings = Settings::default();
                if threaded {
                    engine.process(&mut [block], &[backing], &settings, &mut thread);
                } else {
                    engine.process(&mut [block], &[backing], &settings, &mut inline);
                }
            }
            assert_eq!(engine.readings().lock, Lock::Locked);
            assert!(engine.readings().level[0] != 0.0 && engine.readings().late_jobs == 0);
            outputs.push(output);
        }
        assert!(outputs[0] == outputs[1] && outputs[1] == outputs[2]);
    }
}
