//! What must hold on a stage: any block size, any reset, any garbage, no allocation.

use std::time::Duration;

use clack_extensions::render::RenderMode;
use clack_host::events::io::InputEventBuffer;
use clack_host::prelude::UnknownEvent;

use crate::host::{Bare, Change, Plugin, random_blocks};
use crate::odd_hosts::{CONTROLS, Events, Given, Raw};
use crate::signals::{
    Audio, Noise, RATE_HZ, Song, assert_same, first_difference, join, level_db, part, peak, silence,
};
use crate::sound::{HELD, LEARN_S, PLAIN, assert_never_worse, learned, residue_db};

/// Automation that lands inside blocks, on their edges and twice on one sample.
const AUTOMATION: [Change; 13] = [
    (1, "trim", "1.5 dB"),
    (64, "output", "-3 dB"),
    (30_000, "trim", "-2 dB"),
    (30_000, "trim", "0.5 dB"),
    (40_961, "listen", "Backing"),
    (65_535, "listen", "Difference"),
    (70_001, "lowcut", "200 Hz"),
    (80_000, "nudge", "2.37 samples"),
    (90_000, "follow", "Off"),
    (100_000, "tone", "Per side"),
    (110_000, "cleanup", "80 %"),
    (120_000, "follow", "Level and tone"),
    (130_001, "backing_kind", "Estimated"),
];

#[test]
fn every_division_into_blocks_gives_the_same_samples() {
    // Long enough to find the backing, learn under the voice and subtract, so that every stage is in the way.
    let song = Song::swaying(5.0);
    let run = |blocks: &[usize]| Plugin::playing(&[]).play_in(&song.mix, &song.backing, blocks, &AUTOMATION);
    let expected = run(&[512]);
    let latency = Plugin::playing(&[]).host.latency_samples();
    let [out, mix] =
        [part(&expected, latency + 200_000, latency + 210_000), part(&song.mix, 200_000, 210_000)];
    assert!(level_db(&out) < level_db(&mix) - 3.0, "nothing was subtracted, so nothing is tested");
    let mut divisions: Vec<Vec<usize>> = [1, 2, 17, 64, 4096].map(|n| vec![n]).to_vec();
    // The sizes of clap-validator 0.4.1 (process-varying-block-sizes) that are within ours, in turn.
    divisions.push(vec![1, 256, 1024, 4096, 1536, 10, 17, 2027]);
    divisions.extend([1, 2, 3].map(random_blocks));
    for blocks in divisions {
        assert_same(&run(&blocks), &expected, &format!("blocks of {:?}…", &blocks[..blocks.len().min(8)]));
    }
}

/// With Hold there is nothing to learn, so a worker thread has nothing to be late with.
#[test]
fn playing_live_gives_what_the_bounce_gives() {
    let song = Song::copy(2, 2.0);
    let [live, offline] = [RenderMode::Realtime, RenderMode::Offline].map(|mode| {
        let mut plugin = Plugin::new();
        plugin.host.load_state(learned()).expect("a state that the plug-in saved is accepted");
        plugin.host.set_render_mode(mode).expect("the render mode is accepted");
        plugin.set(&[("hold", "On")]);
        plugin.activate(RATE_HZ);
        plugin.bounce(&song.mix, &song.backing)
    });
    assert_same(&live, &offline, "live");
}

/// Jobs on their thread come back when they come back; the path itself must not care. What is asserted here beside
/// the rule is that the guard against allocations stays silent while the backing is found and learned.
#[test]
fn learning_live_is_never_worse_and_allocates_nothing() {
    let song = Song::new(2, 6.0, RATE_HZ, 1_234, -0.8);
    let mut plugin = Plugin::new();
    plugin.host.set_render_mode(RenderMode::Realtime).expect("the render mode is accepted");
    plugin.set(&PLAIN);
    plugin.activate(RATE_HZ);
    for what in ["learning", "learning again"] {
        // A play faster than real time may be over before its jobs are back: then it is played again, slower.
        let is_found = (0..20).any(|rest_ms| {
            let out = bounce_slowly(&mut plugin, &song, Duration::from_millis(rest_ms));
            assert_never_worse(&out, &song.mix, what);
            residue_db(&out, &song, 4.0) < -30.0
        });
        assert!(is_found, "{what}: the backing was never found, so nothing is tested");
        plugin.set(&[("relearn", "On")]);
    }
}

/// What [`Plugin::bounce`] gives, with a rest after every block, which leaves the processor to the jobs.
fn bounce_slowly(plugin: &mut Plugin, song: &Song, rest: Duration) -> Audio {
    const BLOCK: usize = 512;
    let latency = plugin.host.latency_samples();
    let tail = silence(2, latency);
    let [mix, backing] = [&song.mix, &song.backing].map(|audio| join(&[audio, &tail]));
    let mut out: Audio = vec![Vec::new(); mix.len()];
    for start in (0..mix[0].len()).step_by(BLOCK) {
        let block = |audio: &Audio| part(audio, start, mix[0].len().min(start + BLOCK));
        for (channel, block) in out.iter_mut().zip(plugin.play(&block(&mix), &block(&backing))) {
            channel.extend(block);
        }
        std::thread::sleep(rest);
    }
    out.iter_mut().for_each(|channel| drop(channel.drain(..latency)));
    out
}

/// Instances share nothing: what one hears and learns on its thread is not heard on the other's.
#[test]
fn two_instances_at_once_give_what_each_gives_alone() {
    const LOW_HZ: f64 = 8_000.0;
    let bounce = |(delay, gain, settings): (i64, f32, [(&str, &str); 2])| {
        let song = Song::new(2, 8.0, LOW_HZ, delay, gain);
        let mut plugin = Plugin::new();
        plugin.set(&settings);
        plugin.activate(LOW_HZ);
        (plugin.bounce(&song.mix, &song.backing), plugin.state())
    };
    let plays = [(17, -0.8, PLAIN), (-100, 0.5, [("tone", "Per side"), ("cleanup", "80 %")])];
    let alone = plays.map(bounce);
    assert!(first_difference(&alone[0].0, &alone[1].0).is_some());
    let both = std::thread::scope(|scope| {
        plays.map(|play| scope.spawn(move || bounce(play))).map(|thread| thread.join().expect("it plays"))
    });
    for (n, (found, expected)) in both.iter().zip(&alone).enumerate() {
        assert_same(&found.0, &expected.0, &format!("instance {n}"));
        assert!(found.1 == expected.1, "instance {n} has learned something else");
    }
}

#[test]
fn reset_leaves_nothing_behind() {
    let song = Song::swaying(4.0);
    let other = Song::new(2, 1.3, RATE_HZ, 100, 0.5);
    // Nothing learned yet: as fresh.
    for settings in [&[][..], &[("tone", "Per side"), ("follow", "Level"), ("cleanup", "80 %")]] {
        let fresh = Plugin::playing(settings).play(&song.mix, &song.backing);
        let mut plugin = Plugin::playing(settings);
        let short = |audio: &Audio| part(audio, 0, 9_999);
        plugin.play(&short(&other.mix), &short(&other.backing));
        plugin.host.reset();
        assert_same(&plugin.play(&song.mix, &song.backing), &fresh, "before learning");
    }

    // Learned and held: the match stays, the signals go.
    let whole = Song::swaying(LEARN_S);
    let mut learner = Plugin::playing(&[]);
    learner.play(&whole.mix, &whole.backing);
    learner.set(&[("hold", "On")]);
    let session = learner.state();
    let song = Song::swaying(2.0);
    let fresh = Plugin::recalled(&session, &[]).play(&song.mix, &song.backing);
    let mut plugin = Plugin::recalled(&session, &[]);
    plugin.play(&other.mix, &other.backing);
    plugin.host.reset();
    assert_same(&plugin.play(&song.mix, &song.backing), &fresh, "with Hold");

    // Stopped and activated again counts as a reset too.
    plugin.play(&other.mix, &other.backing);
    plugin.host.deactivate();
    plugin.activate(RATE_HZ);
    assert_same(&plugin.play(&song.mix, &song.backing), &fresh, "activated again");
}

#[test]
fn activation_at_another_rate_starts_clean() {
    for rate in [44_100.0, 96_000.0, 8_000.0] {
        let song = Song::new(2, 1.5, rate, 0, 1.0);
        let run = |plugin: &mut Plugin| {
            plugin.activate(rate);
            plugin.play(&song.mix, &song.backing)
        };
        let mut fresh = Plugin::new();
        fresh.host.load_state(learned()).expect("a state that the plug-in saved is accepted");
        fresh.set(&HELD);
        let expected = run(&mut fresh);
        let mut used = Plugin::recalled(learned(), &HELD);
        let before = Song::copy(2, 1.0);
        used.play(&before.mix, &before.backing);
        used.host.deactivate();
        assert_same(&run(&mut used), &expected, &format!("from {RATE_HZ} to {rate} Hz"));
    }
}

/// Runs with flush-to-zero and denormals-are-zero on (bits 15 and 6 of MXCSR; Intel 64 and IA-32 Architectures Software
/// Developer's Manual, volume 1, 10.2.3), as many hosts have them on their audio threads.
#[cfg(target_arch = "x86_64")]
fn flushing<T>(run: impl FnOnce() -> T) -> T {
    let mut before = 0_u32;
    let set = |mode: &u32| {
        // SAFETY: it reads a number and changes how this thread rounds to nothing, which is what is tried; the number
        // has no bit that the processor does not know.
        unsafe { std::arch::asm!("ldmxcsr [{}]", in(reg) mode, options(nostack)) };
    };
    // SAFETY: it writes the number.
    unsafe { std::arch::asm!("stmxcsr [{}]", in(reg) &mut before, options(nostack)) };
    set(&(before | 1 << 15 | 1 << 6));
    let small = std::hint::black_box(f32::MIN_POSITIVE);
    let is_flushed = std::hint::black_box(small * 0.5).to_bits() == 0;
    let result = run();
    set(&before);
    assert!(is_flushed, "the mode is not on");
    result
}

/// The processor may work out what is below a float's full precision, or take it for nothing: the host decides.
#[test]
#[cfg(target_arch = "x86_64")]
fn denormals_sound_the_same_in_every_mode_of_the_processor() {
    let song = Song::swaying(6.0);
    let len = song.mix[0].len();
    // Halved every 10 ms from the third second on, past all that a float can hold; silence; a song 200 dB down; numbers
    // that are all too small; and the song as it is.
    let (fade, quiet) = (144_000, 240_000);
    let level = |n: usize| match n {
        n if n < fade => 1.0,
        n if n < quiet => 0.5_f64.powf((n - fade) as f64 / 480.0),
        n if n < quiet + 12_000 => 0.0,
        n if n < quiet + 36_000 => 1e-10,
        _ => 1e-40,
    };
    let dying = |audio: &Audio| -> Audio {
        let faded = |x: f32, n: usize| (f64::from(x) * level(n)) as f32;
        audio.iter().map(|c| (0..len).map(|n| faded(c[n], n)).collect()).collect()
    };
    let [mix, backing] = [&song.mix, &song.backing].map(|port| join(&[&dying(port), port]));
    assert!(mix[0].iter().filter(|x| x.is_subnormal()).count() > 10_000);
    let settings = [
        &[][..],
        &[("cleanup", "100 %"), ("slope", "48 dB/oct"), ("lowcut", "20 Hz"), ("follow", "Level")],
        &[("backing_kind", "Estimated"), ("trim", "-3 dB"), ("nudge", "2.37 samples")],
    ];
    for settings in settings {
        let run = || {
            let mut plugin = Plugin::playing(settings);
            (plugin.play(&mix, &backing), plugin.state())
        };
        let (expected, learned) = run();
        let (found, also_learned) = flushing(run);
        assert_same(&found, &expected, &format!("{settings:?}"));
        assert!(learned == also_learned, "{settings:?}: something else was learned");
        assert!(first_difference(&part(&expected, 0, len), &part(&mix, 0, len)).is_some());
    }
}

/// In real time, with a thread that learns, everything that can befall a session on the audio thread: the mix is cut and
/// found again, the transport jumps, stops and loops, every control goes everywhere by events and without playing, sessions are
/// opened, one of them from another rate, all signals are cleared. That nothing is allocated for it is the guard's to say.
#[test]
fn edits_jumps_controls_and_sessions_allocate_nothing_live() {
    let song = Song::new(2, 14.0, RATE_HZ, 1_234, -0.8);
    // From the eighth second on the mix plays what the backing played two seconds before.
    let (cut, back) = (8 * 48_000, 2 * 48_000);
    let mix: Audio = song
        .mix
        .iter()
        .map(|c| c[..cut].iter().chain(&c[cut - back..c.len() - back]).copied().collect())
        .collect();
    let other_rate = {
        let song = Song::new(2, 6.0, 96_000.0, 10, 0.5);
        let mut plugin = Plugin::new();
        plugin.activate(96_000.0);
        plugin.play(&song.mix, &song.backing);
        plugin.state()
    };
    let raw = Raw::live(&Plugin::new().state());
    raw.start(RATE_HZ);
    let mut sounds = 0;
    let mut play = |from_s: f64, to_s: f64, events: &dyn Fn(usize) -> Events, transport: bool| {
        let [from, to] = [from_s, to_s].map(|s| (s * RATE_HZ) as usize / 480);
        for block in from..to {
            let [mix, backing] = [&mix, &song.backing].map(|port| part(port, block * 480, (block + 1) * 480));
            let position_s = transport.then_some(block as f64 / 100.0);
            let out = raw.block([&mix, &backing], [Given::Whole; 3], &events(block), position_s);
            sounds += usize::from(peak(&out) > 0.01);
            // A host's block takes its time, and jobs theirs.
            std::thread::sleep(std::time::Duration::from_millis(1));
        }
    };
    let none = |_| Events::none();
    play(0.0, 14.0, &none, true);
    for from_s in [1.0, 9.0, 3.0] {
        play(from_s, from_s + 0.7, &none, true);
    }
    play(4.0, 4.5, &none, false);
    let sweep = |block: usize| {
        let (id, highest) = CONTROLS[block % CONTROLS.len()];
        let value = highest * ((block / CONTROLS.len()) % 5) as f64 / 4.0;
        Events::new(&[(0, id, value), (100, id, highest - value), (479, id, value)])
    };
    play(0.0, 4.0, &sweep, true);
    for value in [0.0, 0.5, 1.0, 0.0] {
        raw.flush(&Events::new(&CONTROLS.map(|(id, highest)| (0, id, (highest * value).floor()))));
        play(5.0, 5.2, &none, true);
    }
    for session in [learned(), &other_rate, &Plugin::new().state(), learned()] {
        raw.load(session);
        play(5.0, 6.0, &none, true);
        raw.reset();
        play(6.0, 6.3, &none, true);
    }
    assert!(sounds > 1_000, "only {sounds} blocks had a sound");
    raw.stop();
}

/// Indices that garbage falls on, in every kind of neighbourhood.
fn spots(length: usize) -> Vec<usize> {
    let mut noise = Noise::new(5);
    (0..40).map(|_| noise.between(0, length - 1)).chain([0, 1, length - 1]).chain(24_000..24_300).collect()
}

#[test]
fn what_is_not_a_number_counts_as_silence() {
    let song = Song::copy(2, 4.0);
    let spots = spots(song.mix[0].len());
    let with = |audio: &Audio, value: f32| {
        let mut audio = audio.clone();
        // Left and right do not fall at once.
        spots.iter().enumerate().for_each(|(i, n)| audio[i % 2][*n] = value);
        audio
    };
    let run = |value| Plugin::playing(&[]).play(&with(&song.mix, value), &with(&song.backing, value));
    let expected = run(0.0);
    for value in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY] {
        assert_same(&run(value), &expected, &value.to_string());
    }
}

#[test]
fn denormals_and_giants_stay_harmless() {
    let mut noise = Noise::new(6);
    let mut tiny = silence(2, 60_000);
    tiny.iter_mut().flatten().for_each(|x| *x = f32::from_bits((noise.bits() as u32) & 0x807F_FFFF));
    let song = Song::copy(2, 1.0);
    // Music that dies into denormals is what leaves filters ringing in them.
    let mix = join(&[&song.mix, &tiny]);
    let backing = join(&[&song.backing, &tiny]);
    for settings in [vec![], HELD.to_vec(), vec![("bypass", "On")], vec![("listen", "Backing")]] {
        let mut plugin = Plugin::recalled(learned(), &settings);
        let out = plugin.play(&mix, &backing);
        assert!(out.iter().flatten().all(|x| !x.is_subnormal() && x.is_finite()), "{settings:?}");

        // Far over full scale, up to the edge of the number range.
        let giant: Audio = song.mix.iter().map(|c| c.iter().map(|x| x * f32::MAX).collect()).collect();
        let out = plugin.play(&giant, &song.backing);
        assert!(out.iter().flatten().all(|x| x.is_finite()), "{settings:?}");
        // And it recovers: two latencies later the mix is as it was.
        plugin.host.reset();
        plugin.set(&[("bypass", "On")]);
        assert_same(&plugin.bounce(&song.mix, &song.backing), &song.mix, &format!("{settings:?}"));
    }
}

#[test]
fn absurd_parameter_values_are_clamped() {
    let song = Song::copy(2, 0.7);
    let mut plugin = Plugin::recalled(learned(), &HELD);
    for param in plugin.host.params() {
        for value in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, -1e9, 1e9, f64::MIN_POSITIVE] {
            let event = xtask::host::Event { at_sample: 0, param: param.id, value };
            plugin.host.flush(&[event]).expect("parameters can be flushed");
            let now = plugin.host.value(param.id).expect("the parameter exists");
            assert!(param.range.contains(&now), "{} is {now} after {value}", param.name);
        }
    }
    let out = plugin.play(&song.mix, &song.backing);
    assert!(out.iter().flatten().all(|x| x.is_finite() && x.abs() < 100.0));
}

/// In no time nothing happens: the output goes on where it was.
#[test]
fn blocks_of_no_samples_and_of_one_give_the_same_samples() {
    const LOW_HZ: f64 = 8_000.0;
    let song = Song::new(2, 4.0, LOW_HZ, 17, -1.0);
    let length = song.mix[0].len();
    let mut host = Bare::new();
    host.activate(LOW_HZ);
    let expected = host.play(&song.mix, Some(&song.backing), false);
    let latency = host.latency();
    let end = |audio: &Audio, late: usize| {
        level_db(&part(audio, length - 4_000 + late - latency, length + late - latency))
    };
    assert!(
        end(&expected, latency) < end(&song.mix, 0) - 3.0,
        "nothing was subtracted, so nothing is tested"
    );

    let mut host = Bare::new();
    host.activate(LOW_HZ);
    let mut found = silence(2, 0);
    for n in 0..length {
        if n % 100 == 0 {
            let none = host.block(&silence(2, 0), Some(&silence(2, 0)), false, &());
            assert_same(&none, &silence(2, 0), "a block of none");
        }
        let [mix, backing] = [&song.mix, &song.backing].map(|port| part(port, n, n + 1));
        found = join(&[&found, &host.block(&mix, Some(&backing), false, &())]);
    }
    assert_same(&found, &expected, "blocks of none and of one");
}

/// Events that allocate when read: the host's code runs inside the plug-in's `process`.
struct Allocating;

impl InputEventBuffer for Allocating {
    fn len(&self) -> u32 {
        std::hint::black_box(vec![0u8; 64]).len() as u32 - 64
    }

    fn get(&self, _: u32) -> Option<&UnknownEvent> {
        None
    }
}

const CHILD: &str = "MINUEND_TEST_ALLOCATES";

/// All tests of this suite run with the framework's guard on, which ends the program when `process` allocates.
/// This one proves that the guard is awake: a copy of the suite that allocates inside `process` must die.
#[test]
#[cfg(debug_assertions)] // The guard is a debug build's.
fn an_allocation_in_process_would_end_this_suite() {
    let song = Song::copy(2, 0.01);
    if std::env::var_os(CHILD).is_some() {
        let mut host = Bare::new();
        host.activate(RATE_HZ);
        host.block(&song.mix, Some(&song.backing), false, &Allocating);
        return;
    }
    let child = |set: bool| {
        let mut command =
            std::process::Command::new(std::env::current_exe().expect("this program has a path"));
        command.args(["--exact", "realtime::an_allocation_in_process_would_end_this_suite"]);
        if set {
            command.env(CHILD, "1");
        }
        command.output().expect("this program can be started again")
    };
    let output = child(true);
    let says = String::from_utf8_lossy(&output.stderr);
    assert!(!output.status.success(), "an allocation in process goes unnoticed");
    assert!(says.contains("allocation"), "it died of something else: {says}");
}
