//! Runs the engine's jobs: on a thread of our own in real time, when asked back offline.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use minuend_engine::{Job, Worker};
use nice_plug::util::permit_alloc;
use rtrb::{Consumer, Producer, RingBuffer};

/// The engine's worker inside a host.
///
/// In real time [`Worker::submit`] and [`Worker::collect`] are wait-free and allocate nothing. Offline a job is run
/// when it is asked back, so the host may render as fast as it likes and hears the same samples each time.
///
/// The framework's background tasks do not serve: one thread is shared by all instances, and waking it may lock.
///
/// `T` is the kind of job; anything but the engine's is for tests.
pub struct JobRunner<T = Job> {
    run: fn(&mut T),
    offline: bool,
    /// A job taken offline, or without a thread; not yet run.
    waiting: Option<T>,
    /// A job is with the thread.
    job_is_out: bool,
    thread: Option<JobThread<T>>,
}

impl Default for JobRunner {
    /// A runner of the engine's jobs, offline until told otherwise.
    fn default() -> Self {
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
    fn of(run: fn(&mut T)) -> Self {
        Self { run, offline: true, waiting: None, job_is_out: false, thread: None }
    }

    /// Starts the thread if there is none: needed before real time. Never on the audio thread.
    ///
    /// # Errors
    ///
    /// The operating system's, when it gives no thread.
    pub fn start_thread(&mut self) -> io::Result<()> {
        if self.thread.is_none() {
            self.thread = Some(JobThread::spawn(self.run)?);
        }
        Ok(())
    }

    /// Says how the host processes from now on. Real-time safe.
    pub fn set_offline(&mut self, offline: bool) {
        self.offline = offline;
        if let Some(job) = self.waiting.take() {
            self.take_in(job);
        }
    }

    fn take_in(&mut self, job: T) {
        match &mut self.thread {
            Some(thread) if !self.offline => {
                thread.hand_over(job);
                self.job_is_out = true;
            }
            _ => self.waiting = Some(job),
        }
    }

    fn give_back(&mut self) -> Option<T> {
        if let Some(mut job) = self.waiting.take() {
            // Offline a block may take its time.
            permit_alloc(|| (self.run)(&mut job));
            return Some(job);
        }
        if !self.job_is_out {
            return None;
        }
        let thread = self.thread.as_mut()?;
        let job = if self.offline { thread.wait() } else { thread.done.pop().ok() };
        self.job_is_out = job.is_none();
        job
    }
}

/// A thread that sleeps until it is handed a job. At most one job is with it, so one slot each way is enough.
struct JobThread<T> {
    todo: Producer<T>,
    done: Consumer<T>,
    stop: Arc<AtomicBool>,
    handle: Option<JoinHandle<()>>,
}

impl<T: Send + 'static> JobThread<T> {
    fn spawn(run: fn(&mut T)) -> io::Result<Self> {
        let (todo, mut inbox) = RingBuffer::new(1);
        let (mut outbox, done) = RingBuffer::new(1);
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = Arc::clone(&stop);
        let handle = thread::Builder::new().name("minuend learn".into()).spawn(move || {
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
        Ok(Self { todo, done, stop, handle: Some(handle) })
    }

    /// Wait-free: a store, and one call to the operating system if the thread sleeps.
    fn hand_over(&mut self, job: T) {
        let full = self.todo.push(job).is_err();
        debug_assert!(!full, "one job at a time");
        self.wake();
    }

    /// Blocks until the job is back; `None` if the thread has died of it.
    fn wait(&mut self) -> Option<T> {
        loop {
            let dead = self.handle.as_ref().is_none_or(JoinHandle::is_finished);
            match self.done.pop() {
                Ok(job) => return Some(job),
                Err(_) if dead => return None,
                Err(_) => thread::sleep(Duration::from_millis(1)),
            }
        }
    }
}

impl<T> JobThread<T> {
    fn wake(&self) {
        if let Some(handle) = &self.handle {
            handle.thread().unpark();
        }
    }
}

impl<T> Drop for JobThread<T> {
    /// Joins: the thread's code must not outlive the plug-in's library. Takes as long as the job at hand.
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
        self.wake();
        if let Some(handle) = self.handle.take() {
            // An error means that the job panicked; there is nothing left to clean up.
            let _ = handle.join();
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

    fn until_back(runner: &mut JobRunner<Doubling>) -> Doubling {
        loop {
            match runner.give_back() {
                Some(job) => return job,
                None => thread::yield_now(),
            }
        }
    }

    #[test]
    fn offline_runs_the_job_when_it_is_asked_back() {
        let mut runner = JobRunner::of(Doubling::run);
        assert!(runner.give_back().is_none());
        runner.take_in(Doubling::new(21));
        let job = runner.give_back().expect("offline a job is never late");
        assert_eq!((job.value, job.ran_on), (42, Some(thread::current().id())));
        assert!(runner.give_back().is_none(), "it is given back once");
    }

    #[test]
    fn in_real_time_another_thread_runs_it_and_asking_does_not_wait() {
        let mut runner = JobRunner::of(Doubling::run);
        runner.start_thread().unwrap();
        runner.set_offline(false);
        for value in 1..100 {
            let (job, open) = Doubling::gated(value);
            runner.take_in(job);
            assert!(runner.give_back().is_none(), "the gate is shut");
            open.send(()).unwrap();
            let job = until_back(&mut runner);
            assert_eq!(job.value, 2 * value);
            assert_ne!(job.ran_on, Some(thread::current().id()));
        }
    }

    #[test]
    fn offline_waits_for_a_job_that_went_out_in_real_time() {
        let mut runner = JobRunner::of(Doubling::run);
        runner.start_thread().unwrap();
        runner.set_offline(false);
        let (job, open) = Doubling::gated(21);
        runner.take_in(job);
        runner.set_offline(true);
        let opener = thread::spawn(move || open.send(()));
        assert_eq!(runner.give_back().map(|job| job.value), Some(42));
        opener.join().unwrap().unwrap();
    }

    #[test]
    fn a_job_taken_offline_moves_to_the_thread() {
        let mut runner = JobRunner::of(Doubling::run);
        runner.take_in(Doubling::new(21));
        runner.start_thread().unwrap();
        runner.set_offline(false);
        let job = until_back(&mut runner);
        assert_eq!(job.value, 42);
        assert_ne!(job.ran_on, Some(thread::current().id()));
    }

    #[test]
    fn dropping_joins_and_frees_the_job_in_every_state() {
        for asleep in [false, true] {
            let mut runner = JobRunner::of(Doubling::run);
            runner.start_thread().unwrap();
            runner.set_offline(false);
            let job = Doubling::new(1);
            let alive = Arc::downgrade(&job.alive);
            runner.take_in(job);
            if asleep {
                runner.thread.as_mut().unwrap().wait().unwrap();
            }
            drop(runner);
            assert!(alive.upgrade().is_none());
        }
    }

    #[test]
    fn a_job_that_panics_is_lost_without_hanging_anyone() {
        let mut runner = JobRunner::of(|_: &mut u32| panic!("on purpose"));
        runner.start_thread().unwrap();
        runner.set_offline(false);
        runner.take_in(1);
        runner.set_offline(true);
        assert!(runner.give_back().is_none());
    }
}
