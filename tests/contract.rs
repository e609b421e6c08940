//! What hosts and sessions rely on: ids, names, ports, parameters, latency, state, sample rates.

use minuend_engine::Engine;

use crate::host::{Bare, Face, MAX_BLOCK, Plugin, clap_id};
use crate::signals::{Noise, RATE_HZ, Song, assert_same, silence};
use crate::sound::learned;
use crate::vst3_host::Vst3Plugin;

#[test]
fn the_descriptor_names_the_plugin() {
    let face = Bare::new().face();
    let expected = Face {
        id: "audio.minuend.minuend".into(),
        name: "Minuend".into(),
        // The first must be the category: features are from the CLAP header plugin-features.h.
        features: ["audio-effect", "utility", "mixing", "restoration", "stereo", "mono"]
            .map(String::from)
            .into(),
        layouts: LAYOUTS.iter().map(|(name, ..)| String::from(*name)).collect(),
    };
    assert_eq!(face, expected);
}

/// Name, channels of mix and difference, channels of the backing.
const LAYOUTS: [(&str, u32, u32); 4] = [
    ("Stereo, stereo backing", 2, 2),
    ("Stereo, mono backing", 2, 1),
    ("Mono, mono backing", 1, 1),
    ("Mono, stereo backing", 1, 2),
];

#[test]
fn every_layout_has_its_ports() {
    for (index, (_, main, aux)) in LAYOUTS.into_iter().enumerate() {
        let ports = Bare::new().select(index);
        let expected = [("Mix", main, true), ("Backing", aux, false), ("Difference", main, true)];
        assert_eq!(ports, expected.map(|(name, channels, main)| (name.to_owned(), channels, main)));
    }
}

/// A parameter as hosts see it.
struct Row {
    id: &'static str,
    /// Number in sessions and automation lanes; never changes.
    number: u32,
    name: &'static str,
    lowest: &'static str,
    highest: &'static str,
    default: &'static str,
    /// 0 = continuous.
    steps: u32,
    /// Text that a user might type, and how it is then shown.
    typed: &'static [(&'static str, &'static str)],
}

#[rustfmt::skip]
const PARAMETERS: [Row; 14] = [
    Row { id: "listen", number: 1_044_975_047, name: "Listen", lowest: "Difference", highest: "Mix", default: "Difference", steps: 2, typed: &[("Backing", "Backing")] },
    Row { id: "trim", number: 3_568_674, name: "Trim", lowest: "-12.000 dB", highest: "+12.000 dB", default: "0.000 dB", steps: 0, typed: &[("3", "+3.000 dB"), ("-0.25 dB", "-0.250 dB"), ("+6dB", "+6.000 dB"), ("\u{2212}3,5 db", "-3.500 dB"), ("99", "+12.000 dB")] },
    Row { id: "nudge", number: 105_172_251, name: "Fine delay", lowest: "-32.00 samples", highest: "+32.00 samples", default: "0.00 samples", steps: 0, typed: &[("1.5", "+1.50 samples"), ("-0.01 samples", "-0.01 samples")] },
    Row { id: "polarity", number: 539_953_328, name: "Polarity", lowest: "Follow", highest: "Invert", default: "Follow", steps: 2, typed: &[("Keep", "Keep")] },
    Row { id: "follow", number: 878_525_361, name: "Level follow", lowest: "Off", highest: "Level and tone", default: "Level and tone", steps: 2, typed: &[("Level", "Level"), ("Level and tone", "Level and tone")] },
    Row { id: "tone", number: 3_565_938, name: "Tone match", lowest: "Off", highest: "Across sides", default: "Across sides", steps: 2, typed: &[("Per side", "Per side")] },
    Row { id: "cleanup", number: 856_774_308, name: "Clean-up", lowest: "0 %", highest: "100 %", default: "50 %", steps: 0, typed: &[("35", "35 %"), ("80%", "80 %"), ("-1 %", "0 %")] },
    Row { id: "lowcut", number: 1_050_619_502, name: "Low-cut", lowest: "20.0 Hz", highest: "400.0 Hz", default: "80.0 Hz", steps: 0, typed: &[("120", "120.0 Hz"), ("0.2 kHz", "200.0 Hz")] },
    Row { id: "slope", number: 109_532_587, name: "Low-cut slope", lowest: "Off", highest: "48 dB/oct", default: "24 dB/oct", steps: 3, typed: &[("12 dB/oct", "12 dB/oct")] },
    Row { id: "output", number: 1_141_971_201, name: "Output", lowest: "-24.00 dB", highest: "+12.00 dB", default: "0.00 dB", steps: 0, typed: &[("-6", "-6.00 dB")] },
    Row { id: "hold", number: 3_208_383, name: "Hold", lowest: "Off", highest: "On", default: "Off", steps: 1, typed: &[("On", "On")] },
    Row { id: "relearn", number: 1_090_594_801, name: "Learn again", lowest: "Off", highest: "On", default: "Off", steps: 1, typed: &[("On", "On")] },
    Row { id: "backing_kind", number: 1_495_476_152, name: "Backing is", lowest: "Recorded", highest: "Auto", default: "Auto", steps: 2, typed: &[("Estimated", "Estimated"), ("Recorded", "Recorded")] },
    Row { id: "bypass", number: 773_352_680, name: "Bypass", lowest: "Off", highest: "On", default: "Off", steps: 1, typed: &[("On", "On")] },
];

#[test]
fn every_parameter_is_as_published() {
    use clack_extensions::params::ParamInfoFlags as Flags;
    let mut host = Plugin::new().host;
    let found = host.params();
    let numbers: Vec<_> = found.iter().map(|p| p.id.get()).collect();
    assert_eq!(numbers, PARAMETERS.map(|row| row.number), "a parameter came, went or changed its number");
    for (row, param) in PARAMETERS.iter().zip(found) {
        let id = row.id;
        assert_eq!(clap_id(id), param.id, "{id}");
        assert_eq!(row.name, param.name, "{id}");
        for (text, value) in [
            (row.lowest, *param.range.start()),
            (row.highest, *param.range.end()),
            (row.default, param.default),
        ] {
            assert_eq!(host.value_to_text(param.id, value).as_deref(), Some(text), "{id}");
        }
        assert_eq!(host.value(param.id), Some(param.default), "{id} starts elsewhere");
        let steps = if param.flags.contains(Flags::IS_STEPPED) {
            param.range.end() - param.range.start()
        } else {
            0.0
        };
        assert_eq!(f64::from(row.steps), steps, "{id}");
        assert_eq!(id == "bypass", param.flags.contains(Flags::IS_BYPASS), "{id}");
        assert!(
            param.flags.contains(Flags::IS_AUTOMATABLE) && !param.flags.contains(Flags::IS_READONLY),
            "{id}"
        );
    }
}

#[test]
fn texts_are_read_and_shown_both_ways() {
    let mut plugin = Plugin::new();
    for row in &PARAMETERS {
        for (typed, shown) in row.typed {
            plugin.set(&[(row.id, typed)]);
            // A trigger may be back at rest already; everything else stays where it was put.
            if row.id != "relearn" {
                assert_eq!(&plugin.shown(row.id), shown, "{} set to {typed:?}", row.id);
            }
        }
        let param = plugin.host.params().into_iter().find(|p| p.id == clap_id(row.id)).expect("there");
        let points = if row.steps == 0 { 20 } else { row.steps };
        for point in 0..=points {
            let value = param.range.start()
                + (param.range.end() - param.range.start()) * f64::from(point) / f64::from(points);
            let text = plugin.host.value_to_text(param.id, value).expect("every value has a text");
            let back = plugin.host.text_to_value(param.id, &text).expect("what is shown can be typed");
            let again = plugin.host.value_to_text(param.id, back).expect("every value has a text");
            assert_eq!(text, again, "{}", row.id);
        }
        // The framework takes any word that is not "on" or the like for off.
        let switch = matches!(row.id, "hold" | "relearn" | "bypass");
        for nonsense in if switch { &[][..] } else { &["", "loud", "--", "1e999x", "∞"][..] } {
            let value = plugin.host.text_to_value(param.id, nonsense);
            assert!(value.is_none(), "{} takes {nonsense:?} as {value:?}", row.id);
        }
    }
}

/// Every control at some other place than its default.
pub const ELSEWHERE: [(&str, &str); 12] = [
    ("listen", "Backing"),
    ("trim", "-3.250 dB"),
    ("nudge", "+4.50 samples"),
    ("polarity", "Invert"),
    ("follow", "Off"),
    ("tone", "Per side"),
    ("cleanup", "80 %"),
    ("lowcut", "120.0 Hz"),
    ("slope", "48 dB/oct"),
    ("output", "-6.00 dB"),
    ("hold", "On"),
    ("backing_kind", "Estimated"),
];

#[test]
fn latency_is_one_constant() {
    for rate in [44_100.0, RATE_HZ, 96_000.0] {
        let expected = Engine::new(rate, 2).expect("a usual rate").latency_samples();
        assert!(expected as f64 <= 0.6 * rate, "{expected} samples at {rate} Hz is longer than 0.6 s");
        let mut plugin = Plugin::new();
        plugin.activate(rate);
        // The framework asks once when it first learns of a latency.
        plugin.host.take_restart();
        assert_eq!(plugin.host.latency_samples(), expected, "told at activation, {rate} Hz");
        for (id, text) in ELSEWHERE.into_iter().chain([("bypass", "On"), ("relearn", "On")]) {
            plugin.set(&[(id, text)]);
            let noise = Song::new(2, 0.05, rate, 0, 1.0);
            plugin.play(&noise.mix, &noise.backing);
            assert_eq!(plugin.host.latency_samples(), expected, "{id} = {text}");
        }
        assert!(!plugin.host.take_restart(), "no setting asks for a restart");
        let mut moved = Plugin::new();
        moved.set(&ELSEWHERE);
        moved.activate(rate);
        assert_eq!(moved.host.latency_samples(), expected, "activated with other settings");
    }
}

#[test]
fn state_brings_every_control_back() {
    let mut plugin = Plugin::new();
    let defaults = plugin.state();
    plugin.set(&ELSEWHERE);
    plugin.set(&[("bypass", "On")]);
    let moved = plugin.state();
    let mut other = Plugin::new();
    other.host.load_state(&moved).expect("a state that the plug-in saved is accepted");
    for (id, text) in ELSEWHERE.into_iter().chain([("bypass", "On")]) {
        assert_eq!(other.shown(id), text, "{id}");
    }
    assert_eq!(other.state(), moved, "saved, loaded and saved again");
    // And back: nothing that was set survives the older state.
    other.host.load_state(&defaults).expect("a state that the plug-in saved is accepted");
    assert_eq!(other.state(), defaults);
}

#[test]
fn damaged_states_are_refused_and_leave_the_defaults() {
    let mut plugin = Plugin::new();
    plugin.set(&ELSEWHERE);
    let good = plugin.state();
    let defaults = Plugin::new().state();
    let cut = good[..good.len() / 2].to_vec();
    let wrap = |json: &str| [&(json.len() as u64).to_le_bytes()[..], json.as_bytes()].concat();
    let junk: &[(&str, Vec<u8>)] = &[
        ("empty", vec![]),
        ("a text", b"not a state".to_vec()),
        ("zeros", vec![0; 4096]),
        ("noise", {
            let mut noise = Noise::new(7);
            (0..100_000).map(|_| noise.bits() as u8).collect()
        }),
        ("a length beyond all memory", vec![0xFF; 64]),
        ("cut in half", cut),
        ("another program's", wrap(r#"{"version":"9.9.9","params":{"trim":{"f32":6.0}},"fields":{}}"#)),
        (
            "numbers out of range",
            wrap(
                r#"{"version":"0.1.0","params":{"trim":{"f32":1e30},"output":{"f32":400.0},"slope":{"i32":77}},"fields":{}}"#,
            ),
        ),
        (
            "wrong kinds",
            wrap(r#"{"version":"0.1.0","params":{"trim":{"bool":true}},"fields":{"match":"AAAA"}}"#),
        ),
    ];
    for (what, bytes) in junk {
        let mut fresh = Plugin::new();
        // Refused outright where the framework lets a plug-in refuse; in any case nothing of it is taken over.
        let _ = fresh.host.load_state(bytes);
        assert!(fresh.state() == defaults, "{what}: something of it was taken over");
        // And the plug-in still works.
        fresh.activate(RATE_HZ);
        let song = Song::copy(2, 0.1);
        let out = fresh.bounce(&song.mix, &song.backing);
        assert!(out.iter().flatten().all(|x| x.is_finite()), "{what}");
    }
}

/// Bit rot anywhere: the whole state or nothing of it, never a part.
#[test]
fn a_flipped_bit_is_never_half_believed() {
    let mut plugin = Plugin::new();
    plugin.set(&ELSEWHERE);
    let good = plugin.state();
    let defaults = Plugin::new().state();
    let mut refused = 0;
    for byte in 0..good.len() {
        let mut damaged = good.clone();
        damaged[byte] ^= 1 << (byte % 7);
        let mut fresh = Plugin::new();
        let _ = fresh.host.load_state(&damaged);
        let found = fresh.state();
        refused += usize::from(found == defaults);
        assert!(found == defaults || found == good, "byte {byte} of {}", String::from_utf8_lossy(&good[8..]));
    }
    // The framework writes the controls once more, for its own use, which nobody reads back.
    assert!(refused > good.len() / 2, "only {refused} of {} are refused", good.len());
}

/// Rates at which the engine works: its limits, and of those that clap-validator 0.4.1 tries
/// (process-varying-sample-rates) the ones in between.
const RATES_HZ: [f64; 13] = [
    8_000.0, 22_050.0, 44_100.0, 48_000.0, 88_200.0, 96_000.0, 192_000.0, 12_345.678, 45_678.901, 123_456.78,
    11_025.0, 176_400.0, 32_000.0,
];

/// Rates at which it does not: the others of that validator, and beside the limits.
const PASSING_HZ: [f64; 6] = [1_000.0, 1_234.567_8, 7_999.0, 192_001.0, 384_000.0, 768_000.0];

#[test]
fn without_a_backing_the_mix_passes_at_every_rate() {
    for (rate, works) in
        RATES_HZ.map(|rate| (rate, true)).into_iter().chain(PASSING_HZ.map(|rate| (rate, false)))
    {
        let mut plugin = Plugin::new();
        plugin.activate(rate);
        assert_eq!(plugin.host.latency_samples() > 0, works, "latency at {rate} Hz");
        let song = Song::new(2, 0.2, rate, 0, 1.0);
        let silent = silence(2, song.mix[0].len());
        plugin.set(&[("slope", "Off")]);
        assert_same(&plugin.bounce(&song.mix, &silent), &song.mix, &format!("{rate} Hz"));
    }
}

/// Whatever is set and learned, in mono and in stereo; and it is kept for a rate at which the engine works.
#[test]
fn where_the_engine_does_not_work_the_mix_passes_and_the_session_is_kept() {
    let held = Plugin::recalled(learned(), &[("hold", "On")]).state();
    let song = Song::copy(2, 1.0);
    let expected = Plugin::recalled(&held, &[]).bounce(&song.mix, &song.backing);
    for rate in PASSING_HZ {
        let mut plugin = Plugin::recalled_at(rate, &held, &[]);
        assert_same(&plugin.play(&song.mix, &song.backing), &song.mix, &format!("{rate} Hz"));
        plugin.set(&[("bypass", "On"), ("output", "-6 dB"), ("listen", "Backing")]);
        assert_same(&plugin.play(&song.mix, &song.backing), &song.mix, &format!("{rate} Hz, bypassed"));
        plugin.set(&[("bypass", "Off"), ("output", "0 dB"), ("listen", "Difference")]);
        assert!(plugin.state() == held, "{rate} Hz: the session is another one");
        assert!(!plugin.host.take_dirty(), "{rate} Hz: nothing was learned");

        plugin.host.deactivate();
        plugin.activate(RATE_HZ);
        assert_same(&plugin.bounce(&song.mix, &song.backing), &expected, &format!("after {rate} Hz"));
        // A session that is opened meanwhile is kept, too.
        let mut plugin = Plugin::new();
        plugin.activate(rate);
        plugin.host.load_state(&held).expect("a state that the plug-in saved is accepted");
        plugin.play(&song.mix, &song.backing);
        assert!(plugin.state() == held, "{rate} Hz: another session than was opened");
    }
    // What the engine counts as silence.
    let broken = vec![vec![0.5, f32::NAN, 1e-40, f32::INFINITY, f32::NEG_INFINITY, -0.25]; 2];
    let mut plugin = Plugin::new();
    plugin.activate(384_000.0);
    let passed = vec![vec![0.5, 0.0, 0.0, 0.0, 0.0, -0.25]; 2];
    assert_same(&plugin.play(&broken, &silence(2, 6)), &passed, "no numbers");

    let mono = &song.mix[..1];
    let mut host = Bare::new();
    host.select(3);
    host.activate(384_000.0);
    assert_same(&host.play(mono, Some(&song.backing), false), mono, "mono");
    assert_same(&host.play(mono, Some(&song.backing), true), mono, "mono, in place");
    for (rate, channels) in [(1_234.567_8, 1), (384_000.0, 2)] {
        let mix = song.mix[..channels].to_vec();
        let out = Vst3Plugin::playing(rate, channels, 2).bounce(&mix, &song.backing);
        assert_same(&out, &mix, &format!("VST3 at {rate} Hz"));
    }
}

#[test]
fn absurd_rates_are_refused() {
    for rate in [0.0, 1.0, 999.0, 1_000_001.0, -48_000.0, f64::NAN, f64::INFINITY, 1e300] {
        let mut plugin = Plugin::new();
        assert!(plugin.host.activate(rate, MAX_BLOCK).is_err(), "{rate} Hz is accepted");
        // A refusal is no verdict on the next try.
        plugin.activate(RATE_HZ);
    }
}
