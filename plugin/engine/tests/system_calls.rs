//! What a host calls on its audio thread never calls the operating system, so it can wait for nothing: no lock, no file,
//! no memory, no other thread. Linux sees to it: a thread in strict secure computing mode is ended at its first call but
//! for read, write and exit (seccomp(2), SECCOMP_SET_MODE_STRICT).
//!
//! Since even the end of a thread or a failed assertion is a call, the audio runs in a copy of this program, which says
//! by its exit code how it went.
#![cfg(target_os = "linux")]

use minuend_engine::{Engine, Job, Lock, Settings, Worker};
use noise::noise;
use rustix::thread::{SecureComputingMode, gettid, set_secure_computing_mode};
use std::path::PathBuf;
use std::process::Command;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Duration;

#[path = "../src/dsp/noise.rs"]
mod noise;

const CHILD: &str = "MINUEND_TEST_SYSTEM_CALLS";
const RATE_HZ: f64 = 8_000.0;
const BLOCK: usize = 64;
/// Exit codes of the copy.
const CALLED: i32 = 3;
const NOTHING_LEARNED: i32 = 4;

/// A place for a job between two threads, at which neither waits.
#[derive(Clone, Default)]
struct Slot(Arc<Mutex<Option<Job>>>);

impl Slot {
    fn put(&self, job: Job) {
        loop {
            // Whoever holds it is about to let go.
            if let Ok(mut slot) = self.0.try_lock() {
                *slot = Some(job);
                return;
            }
            std::hint::spin_loop();
        }
    }

    fn take(&self) -> Option<Job> {
        self.0.try_lock().ok()?.take()
    }
}

/// Hands jobs to another thread and has them back before the next block.
#[derive(Default)]
struct Beside {
    todo: Slot,
    done: Slot,
    back: Option<Job>,
    is_out: bool,
}

impl Beside {
    fn finish(&mut self) {
        while self.is_out {
            self.back = self.done.take();
            self.is_out = self.back.is_none();
            std::hint::spin_loop();
        }
    }
}

impl Worker for Beside {
    fn submit(&mut self, job: Job) {
        self.todo.put(job);
        self.is_out = true;
    }

    fn collect(&mut self) -> Option<Job> {
        JOBS.fetch_add(usize::from(self.back.is_some()), Ordering::Relaxed);
        self.back.take()
    }
}

static THREAD: AtomicUsize = AtomicUsize::new(0);
static JOBS: AtomicUsize = AtomicUsize::new(0);
static LOCKED: AtomicBool = AtomicBool::new(false);
static FINISHED: AtomicBool = AtomicBool::new(false);

/// What a host does on its audio thread, in the order of a session; `calls`: and one call to the operating system.
fn play(calls: bool) {
    let [song, voice] = [1, 2].map(|seed| noise(30 * RATE_HZ as usize, seed));
    let mut engine = Engine::new(RATE_HZ, 2).expect("the rate is within range");
    let mut unknown = engine.learned().clone();
    let mut worker = Beside::default();
    let (todo, done) = (worker.todo.clone(), worker.done.clone());
    thread::spawn(move || {
        loop {
            match todo.take() {
                Some(mut job) => {
                    job.run();
                    done.put(job);
                }
                None => thread::sleep(Duration::from_millis(1)),
            }
        }
    });
    THREAD.store(gettid().as_raw_nonzero().get() as usize, Ordering::Release);
    set_secure_computing_mode(SecureComputingMode::Strict).expect("the kernel knows secure computing");

    let mut at = 4_000;
    let mut go_on = |engine: &mut Engine, seconds: f64, settings: &Settings| {
        for _ in 0..(seconds * RATE_HZ) as usize / BLOCK {
            let mut sides: [[f32; BLOCK]; 2] = [0.7, 0.6].map(|level| {
                std::array::from_fn(|n| 0.2 * (level * song[at - 100 + n] + 0.5 * voice[at + n]))
            });
            sides[0][0] = if at % 1_000 == 0 { f32::NAN } else { sides[0][0] };
            let backing = &song[at..at + BLOCK];
            let [left, right] = &mut sides;
            engine.process(&mut [left, right], &[backing, backing], settings, &mut worker);
            worker.finish();
            at += BLOCK;
        }
    };
    let settings = Settings::default();
    go_on(&mut engine, 8.0, &settings);
    LOCKED.store(engine.readings().lock == Lock::Locked, Ordering::Relaxed);
    unknown.clone_from(engine.learned());
    engine.song_at(0);
    engine.transport_jumped();
    go_on(&mut engine, 2.0, &settings);
    engine.relearn();
    go_on(&mut engine, 4.0, &settings);
    engine.recall(&unknown);
    go_on(&mut engine, 2.0, &Settings { hold: true, ..settings });
    engine.reset();
    go_on(&mut engine, 2.0, &settings);
    let _ = engine.spectra();
    if calls {
        thread::yield_now();
    }
    FINISHED.store(true, Ordering::Release);
    loop {
        std::hint::spin_loop();
    }
}

/// Watches the audio thread and ends the program with it.
fn watch() -> ! {
    loop {
        thread::sleep(Duration::from_millis(10));
        let thread = THREAD.load(Ordering::Acquire);
        if FINISHED.load(Ordering::Acquire) {
            let learned = LOCKED.load(Ordering::Relaxed) && JOBS.load(Ordering::Relaxed) > 10;
            std::process::exit(if learned { 0 } else { NOTHING_LEARNED });
        }
        if thread != 0 && !PathBuf::from(format!("/proc/self/task/{thread}")).exists() {
            std::process::exit(CALLED);
        }
    }
}

#[test]
fn the_audio_thread_never_calls_the_operating_system() {
    if let Some(calls) = std::env::var_os(CHILD) {
        thread::spawn(move || play(calls == "1"));
        watch();
    }
    let child = |calls: &str| {
        let mut copy = Command::new(std::env::current_exe().expect("this program has a path"));
        copy.args(["--exact", "the_audio_thread_never_calls_the_operating_system"]).env(CHILD, calls);
        copy.output().expect("this program can be started again").status.code()
    };
    assert_eq!(child("0"), Some(0), "{CALLED} = it called, {NOTHING_LEARNED} = nothing was learned");
    assert_eq!(child("1"), Some(CALLED), "a call went unnoticed");
}
