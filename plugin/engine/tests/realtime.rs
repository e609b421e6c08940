//! What a host calls on its audio thread allocates nothing and gives nothing back, whatever happens to be learned,
//! forgotten or recalled meanwhile. Jobs, which may allocate, run between the calls.
//!
//! One test only, so that nobody else allocates.

use minuend_engine::settings::{BackingKind, Tone};
use minuend_engine::{BandDynamics, Engine, Job, Lock, Settings, Worker};
use noise::noise;
use peak_alloc::PeakAlloc;

#[path = "../src/dsp/noise.rs"]
mod noise;

#[global_allocator]
static MEMORY: PeakAlloc = PeakAlloc;

const RATE_HZ: f64 = 8_000.0;
const BLOCK: usize = 64;

/// Keeps a job until it is run between two calls.
#[derive(Default)]
struct Between {
    waiting: Option<Job>,
    done: Option<Job>,
    num_run: usize,
}

impl Between {
    fn run(&mut self) {
        if let Some(mut job) = self.waiting.take() {
            job.run();
            self.done = Some(job);
            self.num_run += 1;
        }
    }
}

impl Worker for Between {
    fn submit(&mut self, job: Job) {
        self.waiting = Some(job);
    }

    fn collect(&mut self) -> Option<Job> {
        self.done.take()
    }
}

/// Makes a call during which nothing may be allocated or freed.
fn quietly<T>(what: &str, call: impl FnOnce() -> T) -> T {
    MEMORY.reset_peak_usage();
    let before = MEMORY.current_usage();
    let result = call();
    let (peak, after) = (MEMORY.peak_usage(), MEMORY.current_usage());
    assert!(
        peak == before && after == before,
        "{what}: {before} bytes before, {peak} at most, {after} after"
    );
    result
}

struct Host {
    engine: Engine,
    worker: Between,
    song: Vec<f32>,
    voice: Vec<f32>,
    at: usize,
}

impl Host {
    /// Plays on for a while, the backing in the mix so many samples late.
    fn play(&mut self, what: &str, seconds: f64, delay_samples: usize, settings: &Settings) {
        let blocks = (seconds * RATE_HZ) as usize / BLOCK;
        for _ in 0..blocks {
            let at = self.at;
            let mut sides: [[f32; BLOCK]; 2] = std::array::from_fn(|side| {
                let level = [0.7, 0.6][side];
                std::array::from_fn(|n| {
                    level * self.song[at + n + 4_000 - delay_samples] + 0.5 * self.voice[at + n]
                })
            });
            let [left, right] = &mut sides;
            let backing = &self.song[at + 4_000..][..BLOCK];
            quietly(what, || {
                self.engine.process(&mut [left, right], &[backing, backing], settings, &mut self.worker);
            });
            self.worker.run();
            self.at += BLOCK;
        }
    }
}

#[test]
fn no_call_of_the_audio_thread_allocates() {
    let len = (60.0 * RATE_HZ) as usize;
    let engine = Engine::new(RATE_HZ, 2).expect("the rate is within range");
    let [song, voice] = [1, 2].map(|seed| noise(len, seed).iter().map(|x| 0.2 * x).collect());
    let mut host = Host { engine, worker: Between::default(), song, voice, at: 0 };
    let settings = Settings::default();
    host.play("learning", 6.0, 100, &settings);
    assert_eq!(host.engine.readings().lock, Lock::Locked);
    host.play("an edit", 6.0, 1_700, &settings);
    assert!(host.engine.learned().sections.as_slice().len() > 1, "the edit was not found");
    let mut learned = host.engine.learned().clone();
    let song_at = |host: &mut Host, at: i64| quietly("a position", || host.engine.song_at(at));
    song_at(&mut host, 0);
    quietly("a jump", || host.engine.transport_jumped());
    host.play("another section", 2.0, 100, &settings);
    quietly("learning again", || host.engine.relearn());
    host.play("learning again", 4.0, 100, &settings);
    assert_eq!(host.engine.readings().lock, Lock::Locked);
    host.play("holding", 2.0, 100, &Settings { hold: true, ..settings });
    let numbers = learned.dynamics.bands.iter_mut().flat_map(BandDynamics::numbers_mut);
    numbers.for_each(|number| *number = 0.01);
    assert!(quietly("recalling", || host.engine.recall(&learned)));
    host.play("what was recalled", 4.0, 100, &settings);
    for tone in [Tone::Off, Tone::PerSide] {
        host.play("another freedom", 1.0, 100, &Settings { tone, ..settings });
    }
    let estimated = Settings { backing_kind: BackingKind::Estimated, ..settings };
    host.play("an estimate", 1.0, 100, &estimated);
    // Also while a job is out.
    for pause_s in [0.3, 0.55] {
        quietly("a reset", || host.engine.reset());
        host.play("after a reset", pause_s, 100, &settings);
    }
    quietly("reading", || (*host.engine.readings(), host.engine.spectra().num_frames));
    assert!(host.worker.num_run > 20, "only {} jobs", host.worker.num_run);
}
