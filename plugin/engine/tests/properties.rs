//! What holds for any samples, any settings and any order of calls. Cases are drawn from a fixed seed, so that a run
//! repeats itself; what fails is cut down to the shortest script that still fails, and printed.
//!
//! `PROPTEST_CASES=2000 PROPTEST_RNG_SEED=7 cargo test -p minuend-engine --test properties` looks further.

use endless::noise;
use minuend_engine::settings::{BackingKind, Follow, Listen, Polarity, Slope, Tone};
use minuend_engine::{
    BandDynamics, Bend, Curve, Engine, Job, KNOTS, Lock, Match, ResidualModel, Settings, Worker,
};
use proptest::prelude::*;
use proptest::test_runner::{Config, RngSeed, TestCaseResult, TestRunner};
use std::cell::Cell;
use std::f32::consts::TAU;
use std::sync::OnceLock;

mod endless;

/// The lowest rate there is, since everything costs in proportion to it.
const RATE_HZ: f64 = 8_000.0;
/// Music in a script at most, seconds: time to be found, learned, lost and found again.
const SCRIPT_S: f64 = 16.0;

/// What the two inputs hold for a while.
#[derive(Clone, Copy, Debug)]
enum Sound {
    /// The backing in the mix, so many samples late, at this level, under a voice of that level that rests now and then.
    Song { delay: i32, gain: f32, voice: f32, moves: Moves },
    /// Mix and backing have nothing to do with each other.
    Strangers { mix: f32, backing: f32 },
    /// Any bits: numbers that are none, infinite, huge, tiny.
    Bits,
    /// One value throughout.
    Constant { mix: f32, backing: f32 },
    /// A click in silence.
    Click(f32),
}

/// What keeps the backing in the mix from being a copy at a level.
#[derive(Clone, Copy, Debug)]
struct Moves {
    /// Depth to which its level sways, and its treble against its bass; linear.
    level: f32,
    tone: f32,
    /// By how much its clock differs.
    ppm: f64,
    /// Level of a noise that comes and goes with it, as a codec leaves it; linear, re the backing.
    hiss: f32,
    /// How hard mix and backing were driven into a tanh; linear, 0 not at all.
    drive: f32,
}

const STILL: Moves = Moves { level: 0.0, tone: 0.0, ppm: 0.0, hiss: 0.0, drive: 0.0 };
/// How hard the song was driven whose curve is known.
const DRIVE: f32 = 1.2;

/// Songs whose matches can be recalled: one that stands still, one in which level and tone move and something leaks, one
/// by another clock, one that was bent.
const KNOWN: [Sound; 4] = [
    Sound::Song { delay: 700, gain: 0.8, voice: 0.5, moves: STILL },
    Sound::Song {
        delay: -90,
        gain: -0.9,
        voice: 0.5,
        moves: Moves { level: 0.5, tone: 0.5, hiss: 0.1, ..STILL },
    },
    Sound::Song { delay: 20, gain: 0.7, voice: 0.5, moves: Moves { ppm: 120.0, ..STILL } },
    Sound::Song { delay: 300, gain: 1.0, voice: 0.5, moves: Moves { drive: DRIVE, ..STILL } },
];
/// How long each of them is learned from, seconds.
const KNOWN_S: usize = 20;

/// The matches of [`KNOWN`].
fn known() -> &'static [Match; 4] {
    static MATCHES: OnceLock<[Match; 4]> = OnceLock::new();
    MATCHES.get_or_init(|| {
        let mut matches = KNOWN.map(|sound| {
            let mut player = Player::new();
            if matches!(sound, Sound::Song { moves: Moves { drive: DRIVE, .. }, .. }) {
                let straight = Match { bend: driven(), ..Match::unknown(RATE_HZ, 0) };
                assert!(player.engine.recall(&straight));
            }
            let samples = KNOWN_S * RATE_HZ as usize;
            let settings = Settings::default();
            player.step(&Step::Play { sound, samples, seed: 0, settings, blocks: vec![512] }, false);
            player.engine.learned().clone()
        });
        // Where the lock was lost before the drift was found, only the section after it drifts.
        let drifts = |learned: &Match| {
            let sections = learned.sections.as_slice();
            sections.iter().any(|section| section.model.is_some_and(|model| model.motion.moves()))
        };
        assert!(!drifts(&matches[0]) && !matches[0].movement.moves());
        assert!(matches[1].movement.moves() && matches[1].bands.iter().any(|band| band.is_followed()));
        assert!(
            matches[1].residual.apart(&ResidualModel::UNKNOWN) > 1e-3,
            "{}",
            matches[1].residual.apart(&ResidualModel::UNKNOWN)
        );
        assert!(drifts(&matches[2]));
        assert!(matches[3].is_known() && !matches[3].bend.is_none());
        // Gains of bands that swing as far as any, which no song of so few seconds teaches.
        let numbers = matches[1].dynamics.bands.iter_mut().flat_map(BandDynamics::numbers_mut);
        numbers.enumerate().for_each(|(n, number)| *number = (n * 37 % 19) as f32 / 50.0 - 0.18);
        matches
    })
}

/// The curve of [`DRIVE`], by the derivative of the inverse of tanh: it makes samples larger.
fn driven() -> Bend {
    let largest = 0.98;
    let slope = |knot: usize| {
        let u = largest * (2.0 * knot as f32 / (KNOTS - 1) as f32 - 1.0);
        1.0 / (1.0 - u * u)
    };
    let curve = Curve::new(largest / DRIVE, std::array::from_fn(slope)).expect("a tanh rises");
    Bend { curves: [curve; 2], ..Bend::NONE }
}

/// What drive makes of a sample.
fn bent(x: f32, drive: f32) -> f32 {
    if drive == 0.0 { x } else { (drive * x).tanh() / drive }
}

/// One call to the engine, or a stretch of processing.
#[derive(Clone, Debug)]
enum Step {
    Play {
        sound: Sound,
        samples: usize,
        seed: u32,
        settings: Settings,
        blocks: Vec<usize>,
    },
    Reset,
    Relearn,
    RecallOwn,
    /// One of [`KNOWN`].
    Recall(usize),
    /// What is known of the causes is told, as if from outside.
    RecallCauses,
    SongAt(i64),
    Jump,
}

/// The samples of a stretch that begins at a position: mix of two channels, backing of two.
fn samples(sound: Sound, at: i64, len: usize, seed: u32) -> [[Vec<f32>; 2]; 2] {
    let side = |f: &dyn Fn(i64, u32) -> f32| -> [Vec<f32>; 2] {
        std::array::from_fn(|side| (at..at + len as i64).map(|n| f(n, side as u32)).collect())
    };
    match sound {
        // Songs and voices go on from one stretch to the next.
        Sound::Song { delay, gain, voice, moves } => [
            side(&|n, s| {
                let sung = if n.rem_euclid(6_000) < 4_000 { voice * noise(7 + s, n) } else { 0.0 };
                bent(gain * in_mix(s, n, delay, moves) + sung, moves.drive)
            }),
            side(&|n, s| bent(backing(s, n), moves.drive)),
        ],
        Sound::Strangers { mix, backing } => {
            [side(&|n, s| mix * noise(seed ^ s, n)), side(&|n, s| backing * noise(!seed ^ s, n))]
        }
        Sound::Bits => {
            let any = |seed: u32| move |n, s| f32::from_bits((noise(seed + s, n) * 2e10) as i32 as u32);
            [side(&any(seed)), side(&any(!seed))]
        }
        Sound::Constant { mix, backing } => [side(&|_, _| mix), side(&|_, _| backing)],
        Sound::Click(peak) => [side(&|n, _| if n == at { peak } else { 0.0 }), side(&|_, _| 0.0)],
    }
}

/// Level of the backing, linear: a beat, so that it is now loud, now soft.
fn beat(n: i64) -> f32 {
    0.3 + (1.0 - n.rem_euclid(4_000) as f32 / 2_000.0).max(0.0)
}

fn backing(side: u32, n: i64) -> f32 {
    beat(n) * noise(side, n)
}

/// The backing as it is in the mix, before its level.
fn in_mix(side: u32, n: i64, delay: i32, moves: Moves) -> f32 {
    let at = |n: i64| {
        let drifted = n as f64 * moves.ppm * 1e-6;
        let (whole, part) = (n - i64::from(delay) - drifted.floor() as i64, drifted.fract() as f32);
        let here = backing(side, whole);
        if moves.ppm == 0.0 { here } else { here + part * (backing(side, whole - 1) - here) }
    };
    let sway = |depth: f32, period: i64| depth * (TAU * n.rem_euclid(period) as f32 / period as f32).sin();
    let toned = if moves.tone == 0.0 { at(n) } else { at(n) + sway(moves.tone, 17_000) * at(n - 1) };
    let hiss = moves.hiss * beat(n - i64::from(delay)) * noise(11 + side, n);
    (1.0 + sway(moves.level, 11_000)) * toned + hiss
}

fn any_moves() -> impl Strategy<Value = Moves> {
    let some = |most: f32| prop_oneof![2 => Just(0.0), 1 => 0.0..most];
    (some(0.6), some(0.6), prop_oneof![3 => Just(0.0), 1 => -200.0..200.0], some(0.3))
        .prop_map(|(level, tone, ppm, hiss)| Moves { level, tone, ppm, hiss, drive: 0.0 })
}

fn any_sound() -> impl Strategy<Value = Sound> {
    let level = prop_oneof![Just(0.0), Just(1.0), -2.0..2.0f32];
    prop_oneof![
        6 => (prop_oneof![Just(0), -400..3_000i32], level.clone(), 0.0..2.0f32, any_moves())
            .prop_map(|(delay, gain, voice, moves)| Sound::Song { delay, gain, voice, moves }),
        3 => prop::sample::select(KNOWN.to_vec()),
        2 => (level.clone(), level).prop_map(|(mix, backing)| Sound::Strangers { mix, backing }),
        1 => Just(Sound::Bits),
        1 => (any::<f32>(), any::<f32>()).prop_map(|(mix, backing)| Sound::Constant { mix, backing }),
        1 => any::<f32>().prop_map(Sound::Click),
    ]
}

prop_compose! {
    fn any_settings()(
        listen in prop::sample::select(vec![Listen::Difference, Listen::Backing, Listen::Mix]),
        polarity in prop::sample::select(vec![Polarity::Follow, Polarity::Keep, Polarity::Invert]),
        follow in prop::sample::select(vec![Follow::Off, Follow::Level, Follow::LevelAndTone]),
        tone in prop::sample::select(vec![Tone::Off, Tone::PerSide, Tone::AcrossSides]),
        slope in prop::sample::select(vec![Slope::Off, Slope::Db12, Slope::Db24, Slope::Db48]),
        backing_kind in prop::sample::select(vec![BackingKind::Recorded, BackingKind::Estimated, BackingKind::Auto]),
        numbers in prop::array::uniform5(prop_oneof![3 => -40.0..40.0f32, 1 => any::<f32>()]),
        hold in any::<bool>(),
        bypass in any::<bool>(),
    ) -> Settings {
        let [trim_db, nudge_samples, cleanup_percent, low_cut_hz, output_db] = numbers;
        let cleanup_percent = 3.0 * cleanup_percent;
        Settings {
            listen, trim_db, nudge_samples, polarity, follow, tone, cleanup_percent, low_cut_hz: 10.0 * low_cut_hz,
            slope, output_db, hold, backing_kind, bypass,
        }
    }
}

/// As they are at first, any, or any that are heard and learned with.
fn settings() -> impl Strategy<Value = Settings> {
    let heard = |s: Settings| Settings { bypass: false, hold: false, ..s };
    prop_oneof![3 => Just(Settings::default()), 1 => any_settings(), 2 => any_settings().prop_map(heard)]
}

fn play(settings: impl Strategy<Value = Settings>) -> impl Strategy<Value = Step> {
    let samples = prop_oneof![1..200usize, 4_000..20_000usize];
    let blocks = prop::collection::vec(prop_oneof![1..70usize, 1..3_000usize], 1..6);
    (any_sound(), samples, any::<u32>(), settings, blocks).prop_map(
        |(sound, samples, seed, settings, blocks)| Step::Play { sound, samples, seed, settings, blocks },
    )
}

/// Steps, of which most play.
fn script(settings: impl Strategy<Value = Settings> + 'static) -> impl Strategy<Value = Vec<Step>> {
    let step = prop_oneof![
        8 => play(settings),
        1 => Just(Step::Reset),
        1 => Just(Step::Relearn),
        1 => Just(Step::RecallOwn),
        1 => (0..KNOWN.len()).prop_map(Step::Recall),
        1 => Just(Step::RecallCauses),
        1 => prop_oneof![any::<i64>(), -50_000..50_000i64].prop_map(Step::SongAt),
        1 => Just(Step::Jump),
    ];
    prop::collection::vec(step, 1..12)
}

/// Settings under which the difference may not be louder than the mix.
fn never_worse() -> impl Strategy<Value = Settings> {
    let found = Settings::default();
    let listen = prop_oneof![3 => Just(Listen::Difference), 1 => Just(Listen::Mix)];
    (any_settings(), listen, prop::bool::weighted(0.1)).prop_map(move |(any, listen, bypass)| Settings {
        listen,
        bypass,
        trim_db: found.trim_db,
        nudge_samples: found.nudge_samples,
        polarity: found.polarity,
        output_db: found.output_db,
        ..any
    })
}

/// As [`never_worse`], without the low-cut and the clean-up, which work on the difference as a whole.
fn plain() -> impl Strategy<Value = Settings> {
    never_worse().prop_map(|any| Settings { cleanup_percent: 0.0, slope: Slope::Off, ..any })
}

/// Runs each job when it is asked back once more than it has to be late, each in turn: a thread that takes its time.
struct Late {
    times: Vec<usize>,
    num_jobs: usize,
    left: usize,
    job: Option<Job>,
}

impl Worker for Late {
    fn submit(&mut self, job: Job) {
        self.left = self.times[self.num_jobs % self.times.len()];
        self.num_jobs += 1;
        self.job = Some(job);
    }

    fn collect(&mut self) -> Option<Job> {
        if self.left > 0 {
            self.left -= 1;
            return None;
        }
        let mut job = self.job.take()?;
        job.run();
        Some(job)
    }
}

/// What an engine is made for and given, and how late each job is in turn, in times that it is asked back in vain.
#[derive(Clone, Debug)]
struct Setting {
    rate_hz: f64,
    mix_channels: usize,
    backing_channels: usize,
    late: Vec<usize>,
}

impl Setting {
    fn stereo() -> Self {
        Self { rate_hz: RATE_HZ, mix_channels: 2, backing_channels: 2, late: vec![0] }
    }
}

prop_compose! {
    fn any_setting()(
        rate_hz in prop_oneof![3 => Just(RATE_HZ), 1 => 8_000.0..12_000.0],
        mix_channels in 1..=2usize,
        backing_channels in prop_oneof![3 => 1..=2usize, 1 => Just(0), 1 => Just(3)],
        late in prop::collection::vec(prop_oneof![2 => Just(0), 1 => 0..8usize], 1..4),
    ) -> Setting {
        Setting { rate_hz, mix_channels, backing_channels, late }
    }
}

/// An engine with what it was fed so far.
struct Player {
    engine: Engine,
    setting: Setting,
    worker: Late,
    /// Position of the signals, which go on whatever the engine is told.
    at: i64,
}

impl Player {
    fn new() -> Self {
        Self::of(Setting::stereo())
    }

    fn of(setting: Setting) -> Self {
        let engine = Engine::new(setting.rate_hz, setting.mix_channels).expect("the rate is within range");
        let worker = Late { times: setting.late.clone(), num_jobs: 0, left: 0, job: None };
        Self { engine, setting, worker, at: 0 }
    }

    /// Takes a step: the mix that was played and what came out. `whole` plays stretches as one block.
    fn step(&mut self, step: &Step, whole: bool) -> [[Vec<f32>; 2]; 2] {
        match step {
            Step::Play { sound, samples: len, seed, settings, blocks } => {
                let [mix, backing] = samples(*sound, self.at, *len, *seed);
                self.at += *len as i64;
                let mut out = mix.clone();
                out[self.setting.mix_channels..].iter_mut().for_each(|side| side.fill(0.0));
                let mut blocks = blocks.iter().cycle();
                let mut from = 0;
                while from < *len {
                    let block = if whole { *len } else { *blocks.next().expect("a cycle never ends") };
                    let to = (from + block).min(*len);
                    let [left, right] = &mut out;
                    let mut io = [&mut left[from..to], &mut right[from..to]];
                    let backing = [&backing[0][from..to], &backing[1][from..to], &mix[0][from..to]];
                    self.engine.process(
                        &mut io[..self.setting.mix_channels],
                        &backing[..self.setting.backing_channels],
                        settings,
                        &mut self.worker,
                    );
                    from = to;
                }
                return [mix, out];
            }
            Step::Reset => self.engine.reset(),
            Step::Relearn => self.engine.relearn(),
            Step::RecallOwn => {
                let own = self.engine.learned().clone();
                assert!(self.engine.recall(&own), "what was learned can be recalled");
            }
            Step::Recall(which) => {
                assert!(self.engine.recall(&known()[*which]), "what was learned can be recalled");
            }
            Step::RecallCauses => {
                let causes = self.engine.readings().causes;
                self.engine.recall_causes(&causes);
            }
            Step::SongAt(position) => self.engine.song_at(*position),
            Step::Jump => self.engine.transport_jumped(),
        }
        Default::default()
    }

    /// Takes all steps of a script, as far as it is not too long.
    fn run(&mut self, script: &[Step], whole: bool) -> [[Vec<f32>; 2]; 2] {
        let mut played: [[Vec<f32>; 2]; 2] = Default::default();
        for step in script {
            if self.at > (SCRIPT_S * RATE_HZ) as i64 {
                break;
            }
            for (all, new) in played.iter_mut().flatten().zip(self.step(step, whole).iter().flatten()) {
                all.extend_from_slice(new);
            }
        }
        played
    }

    fn is_locked(&self) -> bool {
        self.engine.readings().lock == Lock::Locked
    }
}

fn bits(signal: &[Vec<f32>; 2]) -> Vec<u32> {
    signal.iter().flatten().map(|x| x.to_bits()).collect()
}

/// Tries a property on many drawn values; `cases` unless the environment says how many.
fn holds<S: Strategy>(cases: u32, strategy: S, property: impl Fn(S::Value) -> TestCaseResult) {
    let fixed = Config { cases, rng_seed: RngSeed::Fixed(1), failure_persistence: None, ..Config::default() };
    let given = Config::default();
    let config = Config {
        cases: if std::env::var_os("PROPTEST_CASES").is_some() { given.cases } else { fixed.cases },
        rng_seed: if std::env::var_os("PROPTEST_RNG_SEED").is_some() {
            given.rng_seed
        } else {
            fixed.rng_seed
        },
        ..fixed
    };
    if let Err(error) = TestRunner::new(config).run(&strategy, property) {
        panic!("{error}");
    }
}

/// Steps after which most scripts have found the backing, or recalled where it is, so that there is something to lose.
fn after_a_song(settings: impl Strategy<Value = Settings> + 'static) -> impl Strategy<Value = Vec<Step>> {
    let settings = settings.boxed();
    let found =
        (-300..2_000i32, prop_oneof![Just(1.0f32), 0.3..1.5f32], 0.0..1.0f32, any_moves(), any::<bool>())
            .prop_map(|(delay, gain, voice, moves, any)| {
                let samples = if any { 24_000 } else { 0 };
                let sound = Sound::Song { delay, gain, voice, moves };
                let settings = Settings { cleanup_percent: 0.0, slope: Slope::Off, ..Settings::default() };
                vec![Step::Play { sound, samples, seed: 0, settings, blocks: vec![512] }]
            });
    let recalled = (0..KNOWN.len(), settings.clone()).prop_map(|(which, settings)| {
        let sound = KNOWN[which];
        vec![Step::Recall(which), Step::Play { sound, samples: 24_000, seed: 0, settings, blocks: vec![512] }]
    });
    (prop_oneof![found, recalled], script(settings)).prop_map(|(mut song, rest)| {
        song.extend(rest);
        song
    })
}

#[test]
fn the_output_is_finite_and_the_same_for_every_division_into_blocks() {
    holds(60, (after_a_song(settings()), any_setting()), |(script, setting)| {
        let (mut whole, mut divided) = (Player::of(setting.clone()), Player::of(setting));
        let [[_, expected], [_, out]] = [(&mut whole, true), (&mut divided, false)]
            .map(|(player, is_whole)| player.run(&script, is_whole));
        prop_assert!(expected.iter().flatten().all(|x| x.is_finite()));
        prop_assert!(bits(&expected) == bits(&out));
        prop_assert_eq!(whole.engine.readings(), divided.engine.readings());
        prop_assert!(whole.engine.learned() == divided.engine.learned());
        prop_assert!(whole.engine.learned().is_sound());
        prop_assert_eq!(whole.engine.spectra(), divided.engine.spectra());
        Ok(())
    });
}

/// What counts as the same sample: what is no number, or too small for a host's arithmetic, is silence, and nothing is
/// beyond 80 dB over full scale.
fn counted(x: f32) -> f32 {
    if x.is_finite() && x.abs() >= 1e-15 { x.clamp(-1e4, 1e4) } else { 0.0 }
}

/// Why the mix comes out as it is.
#[derive(Clone, Copy, Debug)]
enum Untouched {
    Bypassed,
    ListenedTo,
    /// No backing was ever heard.
    Alone,
}

#[test]
fn the_mix_comes_out_after_the_latency_wherever_nothing_may_touch_it() {
    let why = prop::sample::select(vec![Untouched::Bypassed, Untouched::ListenedTo, Untouched::Alone]);
    holds(40, (after_a_song(settings()), any_setting(), why), |(mut script, mut setting, why)| {
        script.retain(|step| match step {
            Step::Recall(_) => !matches!(why, Untouched::Alone),
            other => !matches!(other, Step::Reset),
        });
        for step in &mut script {
            let Step::Play { settings, sound, .. } = step else { continue };
            match why {
                Untouched::Bypassed => settings.bypass = true,
                Untouched::ListenedTo => (settings.listen, settings.output_db) = (Listen::Mix, 0.0),
                Untouched::Alone => {
                    (settings.listen, settings.output_db) = (Listen::Difference, 0.0);
                    *sound = match *sound {
                        Sound::Song { voice: mix, .. } | Sound::Strangers { mix, .. } => {
                            Sound::Strangers { mix, backing: 0.0 }
                        }
                        Sound::Constant { mix, .. } => Sound::Constant { mix, backing: 0.0 },
                        Sound::Bits => Sound::Strangers { mix: 1e5, backing: 0.0 },
                        Sound::Click(peak) => Sound::Click(peak),
                    };
                    setting.backing_channels = setting.backing_channels.min(2);
                }
            }
        }
        let num_heard = setting.mix_channels;
        let mut player = Player::of(setting);
        let latency = player.engine.latency_samples();
        let [mix, out] = player.run(&script, false);
        for (mix, out) in mix.iter().zip(&out).take(num_heard) {
            let delayed = std::iter::repeat_n(0.0, latency).chain(mix.iter().map(|&x| counted(x)));
            prop_assert!(
                out.iter()
                    .zip(delayed)
                    .all(|(out, mix)| out.to_bits() == mix.to_bits() || (*out == 0.0 && mix == 0.0))
            );
        }
        Ok(())
    });
}

#[test]
fn an_engine_after_reset_is_a_new_one_that_recalls_the_match() {
    let locked = Cell::new(0);
    let scripts = (after_a_song(settings()), script(settings()), any::<bool>(), any::<bool>(), any_setting());
    holds(60, scripts, |(before, mut after, hold, song_again, setting)| {
        // A job that was out at the reset comes back at its own time.
        let setting = Setting { late: vec![0], ..setting };
        if song_again {
            let sound = Sound::Song { delay: 10, gain: 0.5, voice: 0.5, moves: STILL };
            let settings = Settings { hold, ..Settings::default() };
            after.insert(0, Step::Play { sound, samples: 20_000, seed: 0, settings, blocks: vec![100] });
        }
        for step in &mut after {
            if let Step::Play { settings, .. } = step {
                settings.hold |= hold;
            }
        }
        let mut used = Player::of(setting.clone());
        used.run(&before, false);
        locked.set(locked.get() + u32::from(used.is_locked()));
        used.engine.reset();
        let mut fresh = Player::of(setting);
        prop_assert!(fresh.engine.recall(used.engine.learned()));
        used.at = 0;
        for step in &after {
            let [[_, again], [_, expected]] = [&mut used, &mut fresh].map(|player| player.step(step, false));
            prop_assert!(bits(&again) == bits(&expected), "differs in {step:?}");
        }
        let mut readings = *used.engine.readings();
        // Counts on through a reset, so that whoever watches it misses nothing.
        readings.match_revision = fresh.engine.readings().match_revision;
        prop_assert_eq!(&readings, fresh.engine.readings());
        prop_assert!(used.engine.learned() == fresh.engine.learned());
        prop_assert_eq!(used.engine.spectra(), fresh.engine.spectra());
        Ok(())
    });
    assert!(locked.get() > 10, "only {} had a backing to forget", locked.get());
}

/// The step in which the engine works, samples.
const HOP: usize = 32;
/// Energy of a hop that is not heard: -80 dB re full scale on both sides.
const INAUDIBLE: f64 = 1e-8 * (2 * HOP) as f64;
/// Hops of a half second.
const HALF: usize = (0.5 * RATE_HZ) as usize / HOP;

/// Energies of both sides hop by hop.
fn energies(signal: &[Vec<f32>; 2]) -> Vec<f64> {
    let energy = |hop: usize| {
        let range = hop * HOP..(hop + 1) * HOP;
        signal.iter().flat_map(|side| &side[range.clone()]).map(|&x| f64::from(x).powi(2)).sum()
    };
    (0..signal[0].len() / HOP).map(energy).collect()
}

/// The promise of the engine while Trim and Output are at 0 dB. Over every half second the output exceeds the mix by no
/// more than 1 dB of what a half second of the mix holds that begins in it, or up to so many hops before it; one that
/// silence cuts short begins earlier. What exceeds it over silence is counted if asked for.
fn assert_never_louder(mix: &[f64], out: &[f64], before_hops: usize, over_silence: bool) -> TestCaseResult {
    let mut sounding = vec![0];
    let mut sums = vec![0.0];
    for &energy in mix {
        if energy > INAUDIBLE {
            sums.push(sums[sums.len() - 1] + energy);
        }
        sounding.push(sums.len() - 1);
    }
    let held = |from: usize| sums[(from + HALF).min(sums.len() - 1)] - sums[from];
    for from in (0..mix.len().saturating_sub(2 * HALF)).step_by(4) {
        let to = from + HALF;
        let counts = |hop: usize| over_silence || mix[hop] > INAUDIBLE;
        let excess: f64 = (from..to).filter(|&hop| counts(hop)).map(|hop| out[hop] - mix[hop]).sum();
        let silent = 2 * HALF - (sounding[from + 2 * HALF] - sounding[from]);
        let begins = sounding[from.saturating_sub(before_hops)].saturating_sub(silent)..=sounding[to];
        let most = begins.map(held).fold(0.0, f64::max);
        let allowed = (10f64.powf(0.1) - 1.0) * most + 2.0 * INAUDIBLE * HALF as f64;
        prop_assert!(excess <= allowed, "{excess}, not {allowed}, from sample {} on", from * HOP);
    }
    Ok(())
}

/// Plays a script whose resets are left out: the mix that is heard, and the output less its latency.
fn played(script: &[Step], late: &[usize]) -> [[Vec<f32>; 2]; 2] {
    let mut player = Player::of(Setting { late: late.to_vec(), ..Setting::stereo() });
    let latency = player.engine.latency_samples();
    let script: Vec<_> = script.iter().filter(|step| !matches!(step, Step::Reset)).cloned().collect();
    let [mix, mut out] = player.run(&script, false);
    let heard = mix[0].len().saturating_sub(latency);
    out.iter_mut().for_each(|side| _ = side.drain(..side.len() - heard));
    [mix.map(|side| side[..heard].iter().map(|&x| counted(x)).collect()), out]
}

fn any_lateness() -> impl Strategy<Value = Vec<usize>> {
    any_setting().prop_map(|setting| setting.late)
}

/// Where the mix is silent, nothing is heard from the second hop on until a hop before it sounds again: 8 ms at this
/// rate, 6 at others. So close to a sound the ear hears none beside it (temporal masking; Zwicker & Fastl,
/// Psychoacoustics, from memory).
#[test]
fn no_half_second_is_louder_than_the_mix_by_more_than_1_db_and_silence_stays_silent() {
    let (subtracted, silenced) = (Cell::new(0), Cell::new(0));
    holds(60, (after_a_song(plain()), any_lateness()), |(script, late)| {
        let [mix, out] = played(&script, &late);
        subtracted.set(subtracted.get() + u32::from(bits(&mix) != bits(&out)));
        let (mix, out) = (energies(&mix), energies(&out));
        let is_silent = |hop: usize| mix[hop] <= INAUDIBLE;
        for hop in (1..mix.len().saturating_sub(1)).filter(|&hop| (hop - 1..=hop + 1).all(is_silent)) {
            prop_assert!(out[hop] <= 2.0 * INAUDIBLE, "{} over silence in hop {hop}", out[hop]);
            silenced.set(silenced.get() + 1);
        }
        assert_never_louder(&mix, &out, 0, false)
    });
    assert!(subtracted.get() > 30, "only in {} was anything subtracted", subtracted.get());
    assert!(silenced.get() > 100, "only {} hops were silent", silenced.get());
}

/// The low-cut rings after a sound has stopped, and the clean-up weighs frames of 46 ms. Neither makes anything louder,
/// but what they leave may stand beside the sound it comes from: so the sound of the half second before counts too.
#[test]
fn low_cut_and_clean_up_make_nothing_louder() {
    let cleaned = Cell::new(0);
    holds(60, (after_a_song(never_worse()), any_lateness()), |(script, late)| {
        let [mix, out] = played(&script, &late);
        let mut unclean = script.clone();
        for step in &mut unclean {
            if let Step::Play { settings, .. } = step {
                settings.cleanup_percent = 0.0;
            }
        }
        cleaned.set(cleaned.get() + u32::from(bits(&played(&unclean, &late)[1]) != bits(&out)));
        assert_never_louder(&energies(&mix), &energies(&out), HALF, true)
    });
    assert!(cleaned.get() > 10, "only in {} was anything cleaned up", cleaned.get());
}
