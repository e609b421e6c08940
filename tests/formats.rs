//! One song, one sound: as CLAP, as VST3 and from files, on channels of any width.

use std::ops::ControlFlow;

use minuend_files::read::read_all;
use minuend_files::write::write_all;
use minuend_files::{Passes, Render, render};

use crate::host::Bare;
use crate::signals::{
    Audio, Song, assert_same, difference, join, level_db, music, part, scale, silence, sum, voice,
};
use crate::sound::PLAIN;
use crate::vst3_host::Vst3Plugin;

const RATE_HZ: f64 = 8_000.0;
const LENGTH: usize = 64_000;

/// Layouts in the plug-in's order: channels of the mix, and of the backing.
const LAYOUTS: [(usize, usize); 4] = [(2, 2), (2, 1), (1, 1), (1, 2)];

/// A song whose sides differ wherever there are two; the mix plays the backing 17 samples late and upside down.
fn song((mix_channels, backing_channels): (usize, usize)) -> Song {
    let both = |audio: &Audio| part(audio, 17, 17 + LENGTH);
    let length_s = LENGTH as f64 / RATE_HZ + 0.01;
    // The right side plays another song, at half the level.
    let sides =
        [(1, 1.0), (2, 0.5)].map(|(seed, gain)| scale(&music(seed, 1, length_s, RATE_HZ), gain).remove(0));
    let sides: Audio = sides.into();
    let mean = scale(&sum(&sides[..1], &sides[1..]), 0.5);
    let played = match (mix_channels, backing_channels) {
        (2, 2) => sides.clone(),
        (2, _) => vec![mean[0].clone(), scale(&mean, 0.5).remove(0)],
        _ => mean.clone(),
    };
    let backing = both(if backing_channels == 2 { &sides } else { &mean });
    let backing_in_mix = scale(&part(&played, 0, LENGTH), -1.0);
    let voice = voice(2, mix_channels, LENGTH as f64 / RATE_HZ, RATE_HZ);
    Song { mix: sum(&backing_in_mix, &voice), backing, backing_in_mix, voice }
}

/// What a bounce of the CLAP gives.
fn clap_bounce(layout: usize, settings: &[(&str, &str)], song: &Song) -> Audio {
    let mut host = Bare::new();
    host.select(layout);
    for (id, typed) in settings {
        host.set(id, typed);
    }
    host.activate(RATE_HZ);
    let latency = host.latency();
    let [mix, backing] = [&song.mix, &song.backing].map(|port| join(&[port, &silence(port.len(), latency)]));
    part(&host.play(&mix, Some(&backing), false), latency, latency + LENGTH)
}

/// Learned under the voice from eight seconds at a low rate, so that no more than 30 dB are asked for: a side that is left
/// out, or stands where it does not belong, leaves ten or less.
#[test]
fn layouts_of_unequal_sides_null() {
    for (layout, channels) in LAYOUTS.into_iter().enumerate() {
        let song = song(channels);
        for tone in ["Across sides", "Per side"] {
            let settings = [&PLAIN[..], &[("tone", tone)]].concat();
            let left = difference(&clap_bounce(layout, &settings, &song), &song.voice);
            let end = |audio: &Audio| level_db(&part(audio, LENGTH - 16_000, LENGTH));
            let left_db = end(&left) - end(&song.backing_in_mix);
            assert!(left_db <= -30.0, "{channels:?}, {tone}: {left_db:.1} dB left");
        }
    }
}

#[test]
fn every_format_gives_the_same_samples_in_every_layout() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let [mix, backing, out] = ["mix.wav", "backing.wav", "out.wav"].map(|name| folder.path().join(name));
    for (layout, channels) in LAYOUTS.into_iter().enumerate() {
        let song = song(channels);
        let clap = clap_bounce(layout, &[], &song);
        let end = |audio: &Audio| part(audio, LENGTH - 16_000, LENGTH);
        let change_db = level_db(&end(&difference(&clap, &song.mix))) - level_db(&end(&song.mix));
        assert!(change_db > -20.0, "nothing is subtracted, so nothing is tested: {change_db:.1} dB");

        let vst3 = Vst3Plugin::playing(RATE_HZ, channels.0, channels.1).bounce(&song.mix, &song.backing);
        assert_same(&vst3, &clap, &format!("{channels:?}, VST3"));

        write_all(&mix, RATE_HZ as u32, &song.mix).expect("room");
        write_all(&backing, RATE_HZ as u32, &song.backing).expect("room");
        let request = Render { passes: Passes::One, overwrite: true, ..Render::new(&mix, &backing, &out) };
        render(&request, &mut |_| ControlFlow::Continue(())).expect("it can be rendered");
        assert_same(&read_all(&out).expect("it was written").0, &clap, &format!("{channels:?}, files"));
    }
}
