//! Runs the engine's jobs on a thread of our own.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{self, JoinHandle};

use minuend_engine::{Job, Worker};
use rtrb::{Consumer, Producer, RingBuffer};

/// The engine's worker inside a host: a thread that sleeps until it is handed a job.
///
/// No job ever runs on the thread that calls. In real time [`Worker::submit`] and [`Worker::collect`] are wait-free and
/// allocate nothing. Offline a job that is asked back is waited for, so the host may render as fast as it likes and hears
/// the same samples each time. The thread is there from the start, because a host may go from the one to the other
/// between two blocks, where none can be made.
///
/// The framework's background tasks do not serve: one thread is shared by all instances, and waking it may lock.
///
/// `T` is the kind of job; anything but the engine's is for tests.
pub struct JobRunner<T = Job> {
    // At most one job is out, so one slot each way is enough.
    todo: Producer<T>,
    done: Consumer<T>,
    job_is_out: bool,
    offline: bool,
    stop: Arc<AtomicBool>,
    /// Until it is dropped.
    thread: Option<JoinHandle<()>>,
}

impl JobRunner {
    /// A runner of the engine's jobs, in real time until told otherwise. Never on the audio thread.
    ///
    /// # Errors
    ///
    /// The operating system's, when it gives no thread.
    pub fn new() -> io::Result<Self> {
        Self::of(Job::run)
    }
}

impl Worker for JobRunner {
    fn submit(&mut self, job: Job) {
        self.take_in(job);
    }

    fn collect(&mut self) -> Option<Job> {
        self.give_back()
    }
}

impl<T: Send + 'static> JobRunner<T> {
    fn of(run: fn(&mut T)) -> io::Result<Self> {
        let (todo, mut inbox) = RingBuffer::new(1);
        let (mut outbox, done) = RingBuffer::new(1);
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = Arc::clone(&stop);
        let thread = thread::Builder::new().name("minuend learn".into()).spawn(move || {
            while !stopped.load(Ordering::Acquire) {
                match inbox.pop() {
                    Ok(mut job) => {
                        run(&mut job);
                        // Never full: its slot was emptied before the next job was handed over.
                        let _ = outbox.push(job);
                    }
                    Err(_) => thread::park(),
                }
            }
        })?;
        Ok(Self { todo, done, job_is_out: false, offline: false, stop, thread: Some(thread) })
    }

    /// Wait-free: a store, and one call to the operating system if the thread sleeps.
    fn take_in(&mut self, job: T) {
        let full = self.todo.push(job).is_err();
        debug_assert!(!full, "one job at a time");
        self.job_is_out = true;
        self.wake();
    }

    fn give_back(&mut self) -> Option<T> {
        if !self.job_is_out {
            return None;
        }
        let job = if self.offline { self.wait() } else { self.done.pop().ok() };
        self.job_is_out = job.is_none();
        job
    }

    /// Blocks until the job is back; `None` if the thread has died of it.
    fn wait(&mut self) -> Option<T> {
        loop {
            let dead = self.thread.as_ref().is_none_or(JoinHandle::is_finished);
            match self.done.pop() {
                Ok(job) => return Some(job),
                Err(_) if dead => return None,
                // Most jobs take less time than the shortest sleep.
                Err(_) => thread::yield_now(),
            }
        }
    }
}

impl<T> JobRunner<T> {
    /// Says how the host processes from now on. Real-time safe.
    pub fn set_offline(&mut self, offline: bool) {
        self.offline = offline;
    }

    fn wake(&self) {
        if let Some(thread) = &self.thread {
            thread.thread().unpark();
        }
    }
}

impl<T> Drop for JobRunner<T> {
    /// Joins: the thread's code must not outlive the plug-in's library. Takes as long as the job at hand.
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
        self.wake();
        if let Some(thread) = self.thread.take() {
            // An error means that the job panicked; there is nothing left to clean up.
            let _ = thread.join();
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc::{Receiver, Sender, channel};

    use super::*;

    /// Doubles a number on whatever thread runs it, and can be made to wait.
    struct Doubling {
        value: u32,
        ran_on: Option<thread::ThreadId>,
        gate: Option<Receiver<()>>,
        alive: Arc<()>,
    }

    impl Doubling {
        fn new(value: u32) -> Self {
            Self { value, ran_on: None, gate: None, alive: Arc::new(()) }
        }

        fn gated(value: u32) -> (Self, Sender<()>) {
            let (open, gate) = channel();
            (Self { gate: Some(gate), ..Self::new(value) }, open)
        }

        fn run(&mut self) {
            if let Some(gate) = &self.gate {
                let _ = gate.recv();
            }
            self.value *= 2;
            self.ran_on = Some(thread::current().id());
        }
    }

    fn runner() -> JobRunner<Doubling> {
        JobRunner::of(Doubling::run).unwrap()
    }

    fn until_back(runner: &mut JobRunner<Doubling>) -> Doubling {
        loop {
            match runner.give_back() {
                Some(job) => return job,
                None => thread::yield_now(),
            }
        }
    }

    /// However the host goes from offline to real time and back, also while a job is out.
    #[test]
    fn no_job_runs_on_the_thread_that_calls() {
        let mut runner = runner();
        for (value, (given_offline, asked_offline)) in
            [(true, true), (true, false), (false, false), (false, true)].into_iter().enumerate()
        {
            runner.set_offline(given_offline);
            runner.take_in(Doubling::new(value as u32));
            runner.set_offline(asked_offline);
            let job = until_back(&mut runner);
            assert_eq!(job.value, 2 * value as u32);
            assert_ne!(job.ran_on, Some(thread::current().id()), "{given_offline}, {asked_offline}");
            assert!(runner.give_back().is_none(), "it is given back once");
        }
    }

    #[test]
    fn in_real_time_asking_does_not_wait() {
        let mut runner = runner();
        assert!(runner.give_back().is_none(), "nothing is out");
        for value in 1..100 {
            let (job, open) = Doubling::gated(value);
            runner.take_in(job);
            assert!(runner.give_back().is_none(), "the gate is shut");
            open.send(()).unwrap();
            assert_eq!(until_back(&mut runner).value, 2 * value);
        }
    }

    #[test]
    fn offline_no_job_is_late() {
        let mut runner = runner();
        for given_offline in [true, false] {
            runner.set_offline(given_offline);
            let (job, open) = Doubling::gated(21);
            runner.take_in(job);
            runner.set_offline(true);
            let opener = thread::spawn(move || open.send(()));
            assert_eq!(runner.give_back().map(|job| job.value), Some(42));
            opener.join().unwrap().unwrap();
        }
    }

    #[test]
    fn dropping_joins_and_frees_the_job_in_every_state() {
        for is_back in [false, true] {
            let mut runner = runner();
            let job = Doubling::new(1);
            let alive = Arc::downgrade(&job.alive);
            runner.take_in(job);
            if is_back {
                runner.wait().unwrap();
            }
            drop(runner);
            assert!(alive.upgrade().is_none());
        }
    }

    #[test]
    fn a_job_that_panics_is_lost_without_hanging_anyone() {
        let mut runner = JobRunner::of(|_: &mut u32| panic!("on purpose")).unwrap();
        runner.set_offline(true);
        runner.take_in(1);
        assert!(runner.give_back().is_none());
    }
}
