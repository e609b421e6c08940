//! What the engine costs: shares of one core in real time, the worst host block against its budget, memory; printed,
//! never asserted. `cargo bench -p minuend-engine --bench cost`; words after `--` choose the rows that contain one of them.
//!
//! Times are the thread's own processor time, so that other load on the machine does not count. Machines differ, and so do
//! hours on one machine: what holds on any of them is the ratio to the floor, which is timed in the same run.

mod floor;
mod music;

use std::time::Duration;

use floor::Floor;
use minuend_engine::{Engine, Job, Lock, Settings, Worker};
use music::{Case, Stereo, music};
use peak_alloc::PeakAlloc;

#[global_allocator]
static MEMORY: PeakAlloc = PeakAlloc;

/// Music before anything is measured, seconds: by then the learner's 27 s are full.
const WARM_UP_S: f64 = 36.0;
/// Music measured, seconds.
const MEASURED_S: f64 = 30.0;
/// Runs of one row. They do the same work; the quickest of each block leaves the machine's interrupts out.
const RUNS: usize = 3;
/// Host block of the worst-block figure, samples.
const WORST_BLOCK: usize = 64;

fn main() {
    let wanted: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    println!(
        "Shares of one core in real time; the worst block as a share of its own duration. The floor is plain"
    );
    println!(
        "convolution of both sides with filters of the same length; audio and both are also told as multiples of it.\n"
    );
    println!(
        "{:28} {:>7} {:>7} {:>7} {:>7} {:>7} {:>7} {:>12} {:>8}",
        "", "audio", "jobs", "both", "floor", "audio", "both", "worst block", "memory"
    );
    let rows = [Case::Still, Case::Moving]
        .into_iter()
        .flat_map(|case| [64, 256, 1024].map(|block| (case, 48_000, block)))
        .chain([44_100, 96_000, 192_000].map(|rate_hz| (Case::Moving, rate_hz, WORST_BLOCK)))
        .chain([(Case::Faint, 48_000, WORST_BLOCK)]);
    for (case, rate_hz, block) in rows {
        let name = format!("{} {:.1} kHz, {block}", case.name(), f64::from(rate_hz) / 1000.0);
        if !wanted.is_empty() && !wanted.iter().any(|word| name.contains(word)) {
            continue;
        }
        let cost = Cost::measure(case, rate_hz, block);
        let percent = |share: f64| format!("{:.2} %", 100.0 * share);
        println!(
            "{name:28} {:>7} {:>7} {:>7} {:>7} {:>7} {:>7} {:>12} {:>8}{}",
            percent(cost.audio),
            percent(cost.jobs),
            percent(cost.audio + cost.jobs),
            percent(cost.floor),
            format!("{:.1} x", cost.audio / cost.floor),
            format!("{:.1} x", (cost.audio + cost.jobs) / cost.floor),
            if block == WORST_BLOCK { percent(cost.worst_block) } else { String::new() },
            format!("{:.1} MiB", cost.memory_bytes as f64 / f64::from(1 << 20)),
            if cost.locked || case == Case::Faint { "" } else { "  NOT LOCKED" },
        );
    }
}

/// Figures of one row.
struct Cost {
    audio: f64,
    jobs: f64,
    floor: f64,
    worst_block: f64,
    /// Most at any time, while jobs run.
    memory_bytes: usize,
    locked: bool,
}

impl Cost {
    fn measure(case: Case, rate_hz: u32, block: usize) -> Self {
        let num_samples = ((WARM_UP_S + MEASURED_S) * f64::from(rate_hz)) as usize / block * block;
        let (mix, backing) = music(case, rate_hz, num_samples);
        let first = (WARM_UP_S * f64::from(rate_hz)) as usize / block;
        let mut quickest = vec![Duration::MAX; num_samples / block];
        let (mut jobs, mut floor) = (Duration::MAX, Duration::MAX);
        let (mut memory_bytes, mut locked) = (0, true);
        for _ in 0..RUNS {
            let run = Run::new(&mix, &backing, rate_hz, block, first);
            quickest.iter_mut().zip(&run.blocks).for_each(|(best, took)| *best = (*best).min(*took));
            jobs = jobs.min(run.jobs);
            floor = floor.min(time_floor(&backing, rate_hz, first * block));
            memory_bytes = run.memory_bytes;
            locked &= run.locked;
        }
        let quickest = &quickest[first..];
        let measured_s = (quickest.len() * block) as f64 / f64::from(rate_hz);
        let worst = quickest.iter().max().copied().unwrap_or_default();
        Self {
            audio: quickest.iter().sum::<Duration>().as_secs_f64() / measured_s,
            jobs: jobs.as_secs_f64() / measured_s,
            floor: floor.as_secs_f64() / measured_s,
            worst_block: worst.as_secs_f64() * f64::from(rate_hz) / block as f64,
            memory_bytes,
            locked,
        }
    }
}

/// Time that the floor takes for the music from a sample on.
fn time_floor(backing: &Stereo, rate_hz: u32, first_sample: usize) -> Duration {
    let mut floor = Floor::new(rate_hz);
    let hop = floor.hop_samples();
    let mut out = backing.each_ref().map(|side| side[first_sample..].to_vec());
    let [left, right] = &mut out;
    let start = thread_time();
    for (left, right) in left.chunks_exact_mut(hop).zip(right.chunks_exact_mut(hop)) {
        floor.hop([left, right]);
    }
    thread_time() - start
}

/// One pass over the music.
struct Run {
    /// Time of each block without the jobs.
    blocks: Vec<Duration>,
    /// Time of the jobs from the first measured block on.
    jobs: Duration,
    memory_bytes: usize,
    locked: bool,
}

impl Run {
    fn new(mix: &Stereo, backing: &Stereo, rate_hz: u32, block: usize, first: usize) -> Self {
        let mut blocks = Vec::with_capacity(mix[0].len() / block);
        let mut out = [vec![0.0; block], vec![0.0; block]];
        let settings = Settings::default();
        let before = MEMORY.current_usage();
        MEMORY.reset_peak_usage();
        let mut engine = Engine::new(f64::from(rate_hz), 2).expect("the rate is within range");
        let mut worker = Timed::default();
        let (mut jobs, mut locked) = (Duration::ZERO, true);
        for idx in 0..mix[0].len() / block {
            let part = idx * block..(idx + 1) * block;
            out.iter_mut().zip(mix).for_each(|(out, mix)| out.copy_from_slice(&mix[part.clone()]));
            let [left, right] = &mut out;
            let backing = [&backing[0][part.clone()], &backing[1][part]];
            let start = thread_time();
            engine.process(&mut [left, right], &backing, &settings, &mut worker);
            let job = std::mem::take(&mut worker.spent);
            blocks.push((thread_time() - start).saturating_sub(job));
            if idx >= first {
                jobs += job;
                locked &= engine.readings().lock == Lock::Locked;
            }
        }
        Self { blocks, jobs, memory_bytes: MEMORY.peak_usage() - before, locked }
    }
}

/// Runs each job when it is asked back, and counts the time.
#[derive(Default)]
struct Timed {
    job: Option<Job>,
    spent: Duration,
}

impl Worker for Timed {
    fn submit(&mut self, job: Job) {
        self.job = Some(job);
    }

    fn collect(&mut self) -> Option<Job> {
        let mut job = self.job.take()?;
        let start = thread_time();
        job.run();
        self.spent += thread_time() - start;
        Some(job)
    }
}

/// Processor time that this thread has used.
#[cfg(unix)]
fn thread_time() -> Duration {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
    Duration::new(time.tv_sec as u64, time.tv_nsec as u32)
}

/// Elsewhere the time that has passed: run it on an idle machine.
#[cfg(not(unix))]
fn thread_time() -> Duration {
    static START: std::sync::LazyLock<std::time::Instant> = std::sync::LazyLock::new(std::time::Instant::now);
    START.elapsed()
}
