//! What the plug-in does on a host's audio thread while its own thread learns: it calls the operating system to wake
//! that thread and for nothing else, so it can wait for nothing. Linux sees to it: a filter ends the thread that makes
//! any other call (seccomp(2), SECCOMP_RET_KILL_THREAD). Memory may be asked for: the test's own blocks need some, and
//! that the plug-in needs none is another guard's to watch. That its own thread learns, and not the audio thread, Linux
//! tells too: it counts how often a thread went to sleep (proc_pid_status(5), voluntary_ctxt_switches).
//!
//! Since even a failed assertion is a call, the audio runs in a copy of this program, which says by its exit code how it
//! went.

use std::fs;
use std::path::PathBuf;
use std::process::Command;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;
use std::time::Duration;

use seccompiler::{
    BpfProgram, SeccompAction, SeccompCmpArgLen, SeccompCmpOp, SeccompCondition, SeccompFilter, SeccompRule,
};

use crate::host::Plugin;
use crate::odd_hosts::{CONTROLS, Events, Given, Raw};
use crate::signals::{Audio, Song, difference, level_db, part, silence};

const CHILD: &str = "MINUEND_TEST_SYSTEM_CALLS";
const RATE_HZ: f64 = 8_000.0;
const BLOCK: usize = 64;
/// Exit codes of the copy.
const CALLED: i32 = 3;
const NOTHING_LEARNED: i32 = 4;
const LEARNED_ON_AUDIO_THREAD: i32 = 5;

/// What the copy plays.
const LIVE: &str = "live";
/// As live, but activated offline: the host goes over to real time between two blocks.
const FROM_OFFLINE: &str = "from offline";
/// As live, and the audio thread waits once.
const WAITS: &str = "waits";

/// The audio thread's number, once it is watched.
static THREAD: AtomicUsize = AtomicUsize::new(0);
/// What the copy is to exit with, and 1; 0 while it plays.
static RESULT: AtomicUsize = AtomicUsize::new(0);
/// Blocks that may be played by now.
static DUE: AtomicUsize = AtomicUsize::new(0);

/// Ends this thread at its next call that is neither for memory nor wakes another thread.
fn allow_nothing_but_waking() {
    let is = |mask: u64, value: libc::c_int| {
        let op = SeccompCmpOp::MaskedEq(mask);
        let condition = SeccompCondition::new(1, SeccompCmpArgLen::Dword, op, value as u64);
        SeccompRule::new(vec![condition.expect("an argument that there is")]).expect("a condition")
    };
    let flags = (libc::FUTEX_PRIVATE_FLAG | libc::FUTEX_CLOCK_REALTIME) as u64;
    let wake = is(!flags & 0xffff_ffff, libc::FUTEX_WAKE);
    let memory = [libc::SYS_brk, libc::SYS_mmap, libc::SYS_munmap, libc::SYS_mremap, libc::SYS_mprotect];
    let allowed = memory.into_iter().chain([libc::SYS_madvise]).map(|call| (call, vec![]));
    let filter: BpfProgram = SeccompFilter::new(
        allowed.chain([(libc::SYS_futex, vec![wake])]).collect(),
        SeccompAction::KillThread,
        SeccompAction::Allow,
        std::env::consts::ARCH.try_into().expect("a processor that the filter knows"),
    )
    .and_then(TryInto::try_into)
    .expect("a sound filter");
    seccompiler::apply_filter(&filter).expect("the kernel knows filters");
}

/// What a host does on its audio thread in real time.
fn play(what: &str) {
    let song = Song::new(2, 14.0, RATE_HZ, 100, -0.7);
    let plain = {
        let mut plugin = Plugin::new();
        plugin.set(&crate::sound::PLAIN);
        plugin.state()
    };
    let mut raw = if what == FROM_OFFLINE { Raw::new(&plain) } else { Raw::live(&plain) };
    raw.start(RATE_HZ);
    if what == FROM_OFFLINE {
        let [mix, backing] = [&song.mix, &song.backing].map(|port| part(port, 0, BLOCK));
        raw.block([&mix, &backing], [Given::Whole; 3], &Events::none(), None);
        raw.go_live();
    }
    let latency = raw.latency();
    // Room for the longest play: when much memory is given back, the C library asks the system whether it may shrink.
    let mut heard: Audio = silence(2, song.mix[0].len());
    // SAFETY: it has no arguments and cannot fail.
    THREAD.store(unsafe { libc::gettid() } as usize, Ordering::Release);
    allow_nothing_but_waking();

    let mut num_played = DUE.load(Ordering::Acquire);
    let mut play =
        |heard: &mut Audio, from_s: f64, to_s: f64, paced: bool, events: &dyn Fn(usize) -> Events| {
            let [from, to] = [from_s, to_s].map(|s| (s * RATE_HZ) as usize / BLOCK);
            heard.iter_mut().for_each(Vec::clear);
            for block in from..to {
                // Four times as fast as a host, so that a job has time to come back; or so fast that it has none.
                while paced && num_played >= DUE.load(Ordering::Acquire) {
                    std::hint::spin_loop();
                }
                num_played += 1;
                let [mix, backing] =
                    [&song.mix, &song.backing].map(|port| part(port, block * BLOCK, (block + 1) * BLOCK));
                let position_s = Some((block * BLOCK) as f64 / RATE_HZ);
                let out = raw.block([&mix, &backing], [Given::Whole; 3], &events(block), position_s);
                heard.iter_mut().zip(out).for_each(|(all, block)| all.extend(block));
            }
        };
    let none = |_| Events::none();
    play(&mut heard, 0.0, 10.0, true, &none);
    let [found, voice, mix] = [
        part(&heard, heard[0].len() - 8_000, heard[0].len()),
        part(&song.voice, heard[0].len() - 8_000 - latency, heard[0].len() - latency),
        part(&song.mix, heard[0].len() - 8_000 - latency, heard[0].len() - latency),
    ];
    let is_subtracted = level_db(&difference(&found, &voice)) < level_db(&difference(&mix, &voice)) - 20.0;

    // A loop, jobs that are late, every control, all signals cleared.
    play(&mut heard, 2.0, 3.0, true, &none);
    play(&mut heard, 3.0, 13.0, false, &none);
    play(&mut heard, 3.0, 5.0, true, &|block| {
        let (id, highest) = CONTROLS[block % CONTROLS.len()];
        Events::new(&[(7, id, highest * (block % 3) as f64 / 2.0)])
    });
    raw.flush(&Events::new(&CONTROLS.map(|(id, _)| (0, id, 0.0))));
    raw.reset();
    play(&mut heard, 0.0, 2.0, true, &none);
    if what == WAITS {
        thread::park_timeout(Duration::from_millis(1));
    }
    RESULT.store(if is_subtracted { 1 } else { 1 + NOTHING_LEARNED as usize }, Ordering::Release);
    loop {
        std::hint::spin_loop();
    }
}

/// How often the thread that learns went to sleep, if there is one: once at first, and again after every job.
fn learner_sleeps() -> Option<usize> {
    let threads = fs::read_dir("/proc/self/task").expect("Linux lists the threads");
    let folders = threads.map(|thread| thread.expect("a thread").path());
    let read = |folder: &PathBuf, file| fs::read_to_string(folder.join(file)).unwrap_or_default();
    let learner = folders.into_iter().find(|folder| read(folder, "comm").trim() == "minuend learn")?;
    let status = read(&learner, "status");
    status.lines().find_map(|line| line.strip_prefix("voluntary_ctxt_switches:")?.trim().parse().ok())
}

/// Keeps the time, and ends the program with the audio thread.
fn watch() -> ! {
    loop {
        thread::sleep(Duration::from_millis(2));
        DUE.fetch_add(1, Ordering::AcqRel);
        let result = RESULT.load(Ordering::Acquire);
        if result > 0 {
            // A search and what follows from it are some ten jobs.
            let is_learner_awake = learner_sleeps().is_some_and(|count| count > 5);
            std::process::exit(if is_learner_awake { result as i32 - 1 } else { LEARNED_ON_AUDIO_THREAD });
        }
        let thread = THREAD.load(Ordering::Acquire);
        if thread != 0 && !PathBuf::from(format!("/proc/self/task/{thread}")).exists() {
            std::process::exit(CALLED);
        }
    }
}

#[test]
fn the_audio_thread_wakes_the_learner_and_calls_for_nothing_else() {
    if let Ok(what) = std::env::var(CHILD) {
        thread::spawn(move || play(&what));
        watch();
    }
    let child = |what: &str| {
        let mut copy = Command::new(std::env::current_exe().expect("this program has a path"));
        copy.args(["--exact", "system_calls::the_audio_thread_wakes_the_learner_and_calls_for_nothing_else"])
            .env(CHILD, what);
        copy.output().expect("this program can be started again").status.code()
    };
    let codes = format!(
        "{CALLED} = it called, {NOTHING_LEARNED} = nothing was learned, {LEARNED_ON_AUDIO_THREAD} = or on the audio thread"
    );
    for what in [LIVE, FROM_OFFLINE] {
        assert_eq!(child(what), Some(0), "{what}: {codes}");
    }
    assert_eq!(child(WAITS), Some(CALLED), "a wait went unnoticed");
}
