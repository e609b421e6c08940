//! Instructions that each stage of the engine takes in its worst hop, and all of them in the worst part of one that a host may
//! give at a time, counted by Valgrind's Callgrind: no clock, so the same on every machine, however busy it is.
//! `cargo bench -p minuend-engine --bench count` prints them, and fails with the name of what has grown by more than a tenth.
//!
//! Valgrind shows every program the same processor, one with AVX2, whatever newer one it runs on. So the same code is chosen
//! everywhere, in the transforms and in ours, but on processors that lack AVX2: there nothing is counted.

mod callgrind;
#[path = "../cost/floor.rs"]
mod floor;
#[path = "../cost/music.rs"]
#[expect(dead_code, reason = "of its cases only one is counted")]
mod music;

use std::fs;
use std::path::Path;
use std::process::ExitCode;

use callgrind::Blocks;
use floor::Floor;
use minuend_engine::settings::Tone;
use minuend_engine::{Engine, Job, Lock, Settings, Worker};
use music::{Case, Stereo, music};

/// A stage, the functions that are called for it, and the instructions of its worst hop.
struct Stage {
    name: &'static str,
    functions: &'static [&'static str],
    worst: u64,
}

/// In the order of the sample's path. Counted with Rust 1.95.0; whoever makes a stage cheaper, or dearer on purpose, or goes
/// on to a compiler that makes another count of it, writes the new one here.
const STAGES: [Stage; 11] = [
    stage("input", &["Engine::take_in"], 3_533),
    stage("learning", &["Engine>::learn"], 593_073),
    stage("tracking", &["Engine>::track"], 362_765),
    stage("alignment", &["Aligner::read"], 26_460),
    stage("match", &["Matcher::process"], 118_913),
    stage("level", &["LevelStage::process"], 57_530),
    stage("tone", &["ToneStage::hear", "ToneStage::follow"], 471_829),
    stage("supervision", &["LockSupervisor::is_absent"], 2_613),
    stage("subtraction", &["Subtractor::process"], 16_942),
    stage("output", &["OutputStage::hear", "OutputStage::learn", "OutputStage::mix_down"], 326_280),
    stage("metering", &["Metering::hear_output"], 194_016),
];
/// All of it.
const WHOLE: &[&str] = &["Engine::begin", "Engine::work"];
/// The worst of all of it in so many blocks. A host block of 64 samples is an eighth of a hop at 192 kHz, a quarter at 96 kHz
/// and half of one at 48 kHz.
const WORST: [(&str, usize, u64); 4] = [
    ("1/8 of a hop", 1, 609_874),
    ("1/4 of a hop", 2, 657_059),
    ("1/2 of a hop", 4, 740_014),
    ("whole hop", 8, 1_222_126),
];
const FLOOR: &[&str] = &["Floor::hop"];

const fn stage(name: &'static str, functions: &'static [&'static str], worst: u64) -> Stage {
    Stage { name, functions, worst }
}

/// By how much a stage may grow. The same compiler counts the same to the last instruction; this is what a change may cost
/// without anybody being asked.
const GROWTH: f64 = 1.1;

const RATE_HZ: u32 = 48_000;
const HOP: usize = 128;
/// As much as a host gives at once, and blocks of it in a hop.
const BLOCK: usize = HOP / BLOCKS_PER_HOP;
const BLOCKS_PER_HOP: usize = 8;
/// Music before anything is counted, seconds: the backing is found, matched eight times, and followed.
const WARM_UP_S: f64 = 8.0;
/// Music counted, seconds. The spectra are read eleven times a second, which is the rarest of all work.
const COUNTED_S: f64 = 1.1;
/// When in it another freedom of the filter is set, seconds: it holds 0.3 s later, from where on two filters run, which is the
/// matcher's worst; and the match that is then learned comes back 1 s after that.
const EXCHANGED_S: f64 = -0.25;

fn main() -> ExitCode {
    if let [_, play, file] = &std::env::args().collect::<Vec<_>>()[..]
        && play == "play"
    {
        self::play(Path::new(file));
        return ExitCode::SUCCESS;
    }
    if let Err(lack) = callgrind::check() {
        println!("Nothing was counted: {lack}");
        return ExitCode::SUCCESS;
    }
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("count");
    _ = fs::remove_dir_all(&folder);
    fs::create_dir_all(&folder).expect("the target folder can be written");
    // Made here and not there, where everything takes fifty times as long.
    let file = folder.join("music");
    let samples = ((WARM_UP_S + COUNTED_S) * f64::from(RATE_HZ)) as usize / HOP * HOP;
    let (mix, backing) = music(Case::Moving, RATE_HZ, samples);
    let bytes: Vec<u8> = mix.iter().chain(&backing).flatten().flat_map(|x| x.to_le_bytes()).collect();
    fs::write(&file, bytes).expect("the target folder can be written");
    let blocks = callgrind::count(&["play".as_ref(), file.as_os_str()], "counted", "next", &folder);
    fs::remove_dir_all(&folder).expect("the target folder can be written");
    report(&blocks)
}

/// Prints what was counted, and fails where it is too much.
fn report(blocks: &Blocks) -> ExitCode {
    let floor = blocks.mean(FLOOR, BLOCKS_PER_HOP);
    println!(
        "Instructions a hop of {HOP} at {RATE_HZ} Hz, of two sides, and the mean by that of plain convolution.\n"
    );
    println!("{:12} {:>9} {:>9} {:>9} {:>9}", "", "mean", "worst", "at most", "of floor");
    let mut grown = Vec::new();
    let stages = STAGES.map(|Stage { name, functions, worst }| (name, functions, BLOCKS_PER_HOP, worst));
    let all = WORST.map(|(name, len, worst)| (name, WHOLE, len, worst));
    for (name, functions, len, counted) in stages.into_iter().chain(all) {
        let (mean, worst) = (blocks.mean(functions, len), blocks.worst(functions, len));
        let most = (GROWTH * counted as f64) as u64;
        println!("{name:12} {mean:>9.0} {worst:>9} {most:>9} {:>9.2}", mean / floor);
        if worst > most || worst == 0 {
            grown.push(name);
        }
    }
    println!("{:12} {floor:>9.0} {:>9} {:>9} {:>9.2}", "floor", blocks.worst(FLOOR, BLOCKS_PER_HOP), "", 1.0);
    if grown.is_empty() {
        return ExitCode::SUCCESS;
    }
    println!("\nOver what they may take, or not found: {}.", grown.join(", "));
    ExitCode::FAILURE
}

/// What is counted: the music, block by block, and its hops through the floor.
fn play(file: &Path) {
    let bytes = fs::read(file).expect("the music was made");
    let samples: Vec<f32> = bytes.as_chunks().0.iter().map(|&bytes| f32::from_le_bytes(bytes)).collect();
    let mut sides = samples.chunks(samples.len() / 4).map(<[f32]>::to_vec);
    let [mix, backing]: [Stereo; 2] = std::array::from_fn(|_| std::array::from_fn(|_| sides.next().unwrap()));
    let mut engine = Engine::new(f64::from(RATE_HZ), 2).expect("the rate is within range");
    let mut floor = Floor::new(RATE_HZ);
    assert_eq!(floor.hop_samples(), HOP);
    let mut settings = Settings { cleanup_percent: 50.0, ..Settings::default() };
    let mut worker = Beside::default();
    let [first, exchanged] =
        [WARM_UP_S, WARM_UP_S + EXCHANGED_S].map(|s| (s * f64::from(RATE_HZ)) as usize / HOP * HOP);
    for at in (0..mix[0].len()).step_by(BLOCK) {
        let part = at..at + BLOCK;
        let [mut left, mut right] = mix.each_ref().map(|side| side[part.clone()].to_vec());
        let [backing_left, backing_right] = backing.each_ref().map(|side| &side[part.clone()]);
        if at == exchanged {
            settings.tone = Tone::PerSide;
        }
        let mut process = || {
            let backing = [backing_left, backing_right];
            engine.process(&mut [&mut left, &mut right], &backing, &settings, &mut worker);
        };
        if at < first {
            process();
        } else {
            next();
            counted(process);
            if part.end % HOP == 0 {
                let [mut left, mut right] =
                    backing.each_ref().map(|side| side[part.end - HOP..part.end].to_vec());
                counted(|| floor.hop([&mut left, &mut right]));
            }
        }
        if let Some(job) = &mut worker.job
            && !std::mem::replace(&mut worker.is_done, true)
        {
            job.run();
        }
    }
    next();
    assert_eq!(engine.readings().lock, Lock::Locked);
}

/// Instructions are counted in here.
#[inline(never)]
fn counted(work: impl FnOnce()) {
    work();
}

/// The next block begins.
#[inline(never)]
fn next() {
    std::hint::black_box(());
}

/// Holds the job that is to be run between two blocks, so that it is not counted.
#[derive(Default)]
struct Beside {
    job: Option<Job>,
    is_done: bool,
}

impl Worker for Beside {
    fn submit(&mut self, job: Job) {
        *self = Self { job: Some(job), is_done: false };
    }

    fn collect(&mut self) -> Option<Job> {
        self.job.take()
    }
}
