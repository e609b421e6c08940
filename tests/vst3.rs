//! The shipped VST3 in a headless host that is not ours: the Python package dawdreamer, which has a second bus for the
//! sidechain. Under `cargo xtask test`, which installs it; without `MINUEND_PYTHON` nothing is tested and that is said.

use std::ffi::OsString;
use std::fs;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::process::Command;

use minuend_engine::Engine;
use minuend_files::read::read_all;
use minuend_files::write::write_all;
use minuend_files::{Passes, Render, render};

use crate::bundle::bundle;
use crate::host::Plugin;
use crate::signals::{Audio, RATE_HZ, Song, assert_same, difference, level_db, part, peak};
use crate::sound::LEARN_S;

/// The other host, with a folder for what goes in and out.
struct Vst3Host {
    python: OsString,
    plugin: PathBuf,
    folder: tempfile::TempDir,
}

impl Vst3Host {
    fn new() -> Option<Self> {
        let Some(python) = std::env::var_os("MINUEND_PYTHON") else {
            eprintln!(
                "skipped: MINUEND_PYTHON names no Python with dawdreamer; `cargo xtask test` installs one"
            );
            return None;
        };
        let plugin = bundle().with_extension("vst3");
        Some(Self { python, plugin, folder: tempfile::tempdir().expect("a temporary folder") })
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// What is heard, latency taken off. `more` are further members of the script's job, as JSON.
    fn bounce(&self, rate_hz: f64, block: usize, mix: &Audio, backing: &Audio, more: &str) -> Audio {
        let latency = latency(rate_hz);
        let length = mix[0].len();
        let write = |name: &str, audio: &Audio| {
            let bytes = |channel: &Vec<f32>| {
                let padded = channel.iter().copied().chain(std::iter::repeat_n(0.0, latency));
                padded.flat_map(f32::to_le_bytes).collect::<Vec<_>>()
            };
            fs::write(self.path(name), audio.iter().flat_map(bytes).collect::<Vec<_>>()).expect("room");
        };
        write("mix", mix);
        write("backing", backing);
        let job = format!(
            r#"{{"plugin": {:?}, "rate": {rate_hz}, "block": {block}, "channels": {},
                "mix": {:?}, "backing": {:?}, "out": {:?} {more}}}"#,
            self.plugin,
            mix.len(),
            self.path("mix"),
            self.path("backing"),
            self.path("out"),
        );
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("reference/vst3_host.py");
        // Without a display of its own the host takes the first there is, which may be another test's and end with it.
        let host = Command::new(&self.python).arg(script).arg(job).env("DISPLAY", ":none").output();
        let output = host.expect("Python can be started");
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "the other host failed ({}): {said}", output.status);
        let printed = String::from_utf8_lossy(&output.stdout);
        let told = printed.lines().last().and_then(|line| line.parse().ok());
        assert_eq!(told, Some(latency), "latency told to the other host: {printed}");
        let samples: Vec<f32> = fs::read(self.path("out"))
            .expect("the host has written it")
            .chunks_exact(4)
            .map(|bytes| f32::from_le_bytes(bytes.try_into().expect("four bytes")))
            .collect();
        samples.chunks_exact(latency + length).map(|channel| channel[latency..].to_vec()).collect()
    }
}

fn latency(rate_hz: f64) -> usize {
    Engine::new(rate_hz, 2).expect("a usual rate").latency_samples()
}

/// The host renders as fast as it can, and says so.
#[test]
fn a_bounce_of_the_vst3_is_the_render_in_one_pass() {
    let Some(host) = Vst3Host::new() else { return };
    for (rate_hz, block) in [(44_100.0, 32), (48_000.0, 480), (96_000.0, 4_096)] {
        let song = Song::new(2, 5.0, rate_hz, 1_234, -0.8);
        let [mix, backing, out] = ["mix.wav", "backing.wav", "difference.wav"].map(|name| host.path(name));
        write_all(&mix, rate_hz as u32, &song.mix).expect("room");
        write_all(&backing, rate_hz as u32, &song.backing).expect("room");
        let request = Render { passes: Passes::One, overwrite: true, ..Render::new(&mix, &backing, &out) };
        render(&request, &mut |_| ControlFlow::Continue(())).expect("it can be rendered");
        let rendered = read_all(&out).expect("it was written").0;
        let end = |audio: &Audio| part(audio, (4.0 * rate_hz) as usize, audio[0].len());
        let change_db = level_db(&end(&difference(&rendered, &song.mix))) - level_db(&end(&song.mix));
        assert!(change_db > -20.0, "nothing is subtracted, so nothing is tested: {change_db:.1} dB");

        let heard = host.bounce(rate_hz, block, &song.mix, &song.backing, "");
        assert_same(&heard, &rendered, &format!("{rate_hz} Hz, blocks of {block}"));
    }
}

#[test]
fn a_session_of_the_vst3_reopened_with_hold_sounds_the_same_in_blocks_of_any_length() {
    let Some(host) = Vst3Host::new() else { return };
    let song = Song::swaying(LEARN_S);
    let [learned, held] = ["learned", "held"].map(|name| host.path(name));
    host.bounce(RATE_HZ, 512, &song.mix, &song.backing, &format!(r#", "save": {learned:?}"#));
    let hold = format!(r#", "open": {learned:?}, "set": {{"Hold": 1.0}}, "save": {held:?}"#);
    let heard = host.bounce(RATE_HZ, 256, &song.mix, &song.backing, &hold);
    let change_db = level_db(&difference(&heard, &song.mix)) - level_db(&song.mix);
    assert!(change_db > -20.0, "nothing is subtracted, so nothing is tested: {change_db:.1} dB");
    for block in [32, 100, 4_096] {
        let again = host.bounce(RATE_HZ, block, &song.mix, &song.backing, &format!(r#", "open": {held:?}"#));
        assert_same(&again, &heard, &format!("reopened, blocks of {block}"));
    }
}

/// Trim as a curve with a value for every sample, in blocks of one: what a host of our own hears from the same curve.
#[test]
fn trim_is_automated_at_audio_rate() {
    let Some(host) = Vst3Host::new() else { return };
    // Beyond the first second, when the backing is found, half a second of a curve of 8 Hz.
    let song = Song::copy(2, 4.0);
    let length = song.mix[0].len() + latency(RATE_HZ);
    let curve: Vec<f32> = (0..length)
        .map(|n| 0.5 + 0.25 * (std::f64::consts::TAU * 8.0 * n as f64 / RATE_HZ).sin() as f32)
        .collect();
    let file = host.path("trim");
    fs::write(&file, curve.iter().flat_map(|x| x.to_le_bytes()).collect::<Vec<_>>()).expect("room");
    let heard = host.bounce(RATE_HZ, 1, &song.mix, &song.backing, &format!(r#", "trim": {file:?}"#));
    let still = host.bounce(RATE_HZ, 512, &song.mix, &song.backing, "");
    let moved = difference(&heard, &still);
    let end = |audio: &Audio| part(audio, 3 * RATE_HZ as usize, audio[0].len());
    assert!(peak(&end(&moved)) > 0.01, "Trim does nothing, so nothing is tested");

    let mut plugin = Plugin::playing(&[]);
    let param = plugin.host.param("Trim").expect("there");
    let events: Vec<_> = curve
        .iter()
        .enumerate()
        .map(|(at_sample, value)| xtask::host::Event { at_sample, param: param.id, value: f64::from(*value) })
        .collect();
    let pad = |audio: &Audio| {
        audio
            .iter()
            .map(|c| c.iter().copied().chain(vec![0.0; length - c.len()]).collect())
            .collect::<Audio>()
    };
    let (mix, backing) = (pad(&song.mix), pad(&song.backing));
    let [mix, backing] = [&mix, &backing].map(|port| port.iter().map(Vec::as_slice).collect::<Vec<_>>());
    let own = plugin.host.process(&[&mix, &backing], &events, &[512]).expect("process succeeds");
    let own = part(&own, latency(RATE_HZ), length);
    assert_same(&heard, &own, "Trim at audio rate");
}
