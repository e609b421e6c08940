//! Long plays: clocks that run apart, edits, pauses, jumps of the transport, broken samples and wrong songs follow each
//! other for hours. Simulated at the lowest rate, where the same code runs on fewer samples.
//!
//! `cargo test --release -p minuend-engine --test endurance -- --ignored --nocapture` plays for twelve hours.

use endless::noise;
use minuend_engine::settings::Slope;
use minuend_engine::{Engine, Inline, Lock, Settings};
use peak_alloc::PeakAlloc;
use std::collections::VecDeque;

mod endless;

#[global_allocator]
static MEMORY: PeakAlloc = PeakAlloc;

const RATE_HZ: f64 = 8_000.0;
const BLOCK: usize = 400;
const BLOCKS_PER_S: usize = 20;
/// A level that is heard, mean square: -60 dB re full scale.
const AUDIBLE: f64 = 1e-6;
/// Within this time of a cause for losing it, the backing need not be known, seconds. Searches are half a second apart,
/// and two must agree; behind a pause or a wrong song the window of the longest, 4 s, must first fill with the right one.
const GRACE_S: usize = 12;

/// What happens in a minute; each begins where the one before ended.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Minute {
    /// Nothing.
    Plain,
    /// The clocks run apart by 50 ppm, the next time together again.
    Drift,
    /// The mix jumps by half a second of the song at its 20th second, and back at the 40th.
    Edit,
    /// Nothing plays from the 20th to the 30th second.
    Pause,
    /// One sample in 500 is none.
    Broken,
    /// The host jumps back to the start of the minute at its 30th second, and the level has changed by 3 dB.
    Loop,
    /// Another song is on the sidechain from the 20th to the 30th second.
    Stranger,
}

const MINUTES: [Minute; 7] = [
    Minute::Plain,
    Minute::Drift,
    Minute::Edit,
    Minute::Pause,
    Minute::Broken,
    Minute::Loop,
    Minute::Stranger,
];

impl Minute {
    /// Whether something happens at a second of it by which the backing may be lost.
    fn disturbs(self, second: usize) -> bool {
        match self {
            Self::Pause | Self::Stranger => (20..30).contains(&second),
            Self::Edit => second == 20 || second == 40,
            Self::Loop => second == 0 || second == 30,
            Self::Plain | Self::Drift | Self::Broken => false,
        }
    }
}

/// Reads between samples: sinc under a Hann window, 32 taps, at 1024 places between two samples.
struct Reader(Vec<[f32; Self::TAPS]>);

impl Reader {
    const TAPS: usize = 32;
    const PHASES: usize = 1024;

    fn new() -> Self {
        let kernel = |phase: usize| {
            std::array::from_fn(|tap| {
                let t = tap as f64 - 15.0 - phase as f64 / Self::PHASES as f64;
                let x = std::f64::consts::PI * t;
                let sinc = if t == 0.0 { 1.0 } else { x.sin() / x };
                (sinc * (x / 16.0).cos().mul_add(0.5, 0.5)) as f32
            })
        };
        Self((0..Self::PHASES).map(kernel).collect())
    }

    fn read(&self, signal: impl Fn(i64) -> f32, position: f64) -> f32 {
        let steps = (position * Self::PHASES as f64).round() as i64;
        let (whole, phase) = (steps.div_euclid(Self::PHASES as i64), steps.rem_euclid(Self::PHASES as i64));
        if phase == 0 {
            return signal(whole);
        }
        let kernel = &self.0[phase as usize];
        kernel.iter().zip(whole - 15..).map(|(h, n)| h * signal(n)).sum()
    }
}

/// What was fed in at a sample.
#[derive(Clone, Copy, Default)]
struct Fed {
    mix: f32,
    /// The backing in the mix.
    backing: f32,
    voice: f32,
}

/// Energies of what was fed in, what came out, and what is left of the backing in it.
#[derive(Default)]
struct Energies {
    mix: f64,
    backing: f64,
    out: f64,
    left: f64,
    samples: usize,
}

impl Energies {
    fn add(&mut self, fed: Fed, out: f32) {
        for (sum, x) in [
            (&mut self.mix, fed.mix),
            (&mut self.backing, fed.backing),
            (&mut self.out, out),
            (&mut self.left, out - fed.voice),
        ] {
            *sum += f64::from(x).powi(2);
        }
        self.samples += 1;
    }
}

/// Mix and backing as they come in.
struct Signals {
    reader: Reader,
    /// By how much the backing in the mix is late, samples, and how fast that grows.
    late: f64,
    rate: f64,
    num_bad: u64,
}

impl Signals {
    fn new() -> Self {
        Self { reader: Reader::new(), late: 40.0, rate: -5e-5, num_bad: 0 }
    }

    /// The samples of mix and backing at a position, and what is in them.
    fn at(&mut self, n: i64, minute: Minute, second: usize) -> ([f32; 2], Fed) {
        let middle = (20..30).contains(&second);
        let is_silent = minute == Minute::Pause && middle;
        let song = |n| if is_silent { 0.0 } else { noise(1, n) };
        if minute == Minute::Drift {
            self.late += self.rate;
        }
        let edit = if minute == Minute::Edit && (20..40).contains(&second) { 0.5 * RATE_HZ } else { 0.0 };
        let level = if minute == Minute::Loop && second >= 30 { 0.5 } else { 0.7 };
        let in_mix = level * self.reader.read(song, n as f64 - self.late - edit);
        let voice = if is_silent { 0.0 } else { 0.5 * noise(2, n) };
        let mut fed = Fed { mix: in_mix + voice, backing: in_mix, voice };
        let stranger = minute == Minute::Stranger && middle;
        let mut given = [fed.mix, if stranger { noise(3, n) } else { song(n) }];
        if minute == Minute::Broken && n % 500 == 0 {
            self.num_bad += 1;
            let channel = (n / 500 % 2) as usize;
            given[channel] = [f32::NAN, f32::INFINITY][(n / 1000 % 2) as usize];
            if channel == 0 {
                // Counts as silence.
                fed = Fed::default();
            }
        }
        (given, fed)
    }
}

/// Plays so many minutes; how far the backing is down in each of the plain ones, dB, once it is known again.
fn endure(minutes: usize) -> Vec<f64> {
    let mut engine = Engine::new(RATE_HZ, 1).expect("the rate is within range");
    let (mut worker, mut signals) = (Inline::default(), Signals::new());
    let settings = Settings { slope: Slope::Off, ..Settings::default() };
    let (mut calm_blocks, mut depths_db) = (0, Vec::with_capacity(minutes));
    let (mut used_at_first, mut used_since) = (0, 0);
    // What was fed in, for as long as it takes to come out.
    let mut fed = VecDeque::from(vec![Fed::default(); engine.latency_samples()]);
    fed.reserve(BLOCK);
    let mut half = Energies::default();
    for minute in 0..minutes {
        let kind = MINUTES[minute % MINUTES.len()];
        if kind == Minute::Drift {
            signals.rate = -signals.rate;
        }
        let mut calm = Energies::default();
        for block in 0..60 * BLOCKS_PER_S {
            let second = block / BLOCKS_PER_S;
            let start = (BLOCK * (60 * BLOCKS_PER_S * minute + block)) as i64;
            if kind == Minute::Loop && block == 30 * BLOCKS_PER_S {
                engine.transport_jumped();
                engine.song_at(start - (BLOCK * block) as i64);
            }
            let is_start = minute == 0 && second == 0;
            calm_blocks = if is_start || kind.disturbs(second) { 0 } else { calm_blocks + 1 };
            let is_calm = calm_blocks > GRACE_S * BLOCKS_PER_S;
            let (mut mix, mut backing) = ([0.0; BLOCK], [0.0; BLOCK]);
            for (n, (mix, backing)) in (start..).zip(mix.iter_mut().zip(&mut backing)) {
                let (given, parts) = signals.at(n, kind, second);
                [*mix, *backing] = given;
                fed.push_back(parts);
            }
            engine.process(&mut [&mut mix], &[&backing], &settings, &mut worker);
            let when = format!("second {second} of minute {minute}, {kind:?}");
            let lock = engine.readings().lock;
            assert!(!is_calm || lock == Lock::Locked, "{lock:?} in {when}");
            for out in mix {
                assert!(out.is_finite(), "{when}");
                let fed = fed.pop_front().expect("as much as was pushed");
                half.add(fed, out);
                if is_calm {
                    calm.add(fed, out);
                }
                if half.samples == (0.5 * RATE_HZ) as usize {
                    let louder_db = 10.0 * (half.out / half.mix).log10();
                    let is_heard = half.out > AUDIBLE * half.samples as f64;
                    assert!(!is_heard || louder_db <= 1.0, "{louder_db} dB louder than the mix in {when}");
                    half = Energies::default();
                }
            }
        }
        if kind == Minute::Plain {
            depths_db.push(10.0 * (calm.backing / calm.left).log10());
        }
        let readings = engine.readings();
        assert_eq!((readings.bad_samples, readings.late_jobs), (signals.num_bad, 0));
        let heard = ((minute + 1) * 60 * BLOCKS_PER_S * BLOCK) as u64;
        assert!((0..64).contains(&(heard - readings.heard_samples)), "{} of {heard}", readings.heard_samples);
        // Once everything has happened that will, nothing more is ever kept.
        let used = MEMORY.current_usage();
        let most = if minute < MINUTES.len() { &mut used_at_first } else { &mut used_since };
        *most = used.max(*most);
    }
    println!("{minutes} minutes: {used_at_first} bytes in use at first, {used_since} at most since");
    println!("plain minutes, dB: {depths_db:.1?}");
    assert!(used_since <= used_at_first, "{used_since} bytes in use, {used_at_first} at first");
    depths_db
}

/// Every plain minute is nulled as the first is, but for 6 dB: what is learned by then has been disturbed otherwise.
fn assert_even(depths_db: &[f64]) {
    assert!(depths_db[0] > 20.0, "{depths_db:?}");
    let worst = depths_db.iter().copied().fold(f64::INFINITY, f64::min);
    assert!(worst > depths_db[0] - 6.0, "{depths_db:?}");
}

#[test]
fn minutes_leave_nothing_behind() {
    assert_even(&endure(8));
}

#[test]
#[ignore = "takes many minutes"]
fn twelve_hours_leave_nothing_behind() {
    assert_even(&endure(12 * 60));
}
