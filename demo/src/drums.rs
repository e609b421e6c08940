//! Kick, snare, hats and a shaker.

use std::f32::consts::TAU;

use crate::{
    random::Random,
    score::{BEATS_PER_BAR, CHORDS, sample_at, silence},
    stereo::{SAMPLE_RATE_HZ, Stereo, pan},
};

const RATE: f32 = SAMPLE_RATE_HZ as f32;

/// The drum track. The first bar has hats and shaker only; the last ends on one stroke.
pub fn drums() -> Stereo {
    let mut out = silence();
    let mut random = Random::new(0xD20);
    let last = CHORDS.len() - 1;
    for bar in 0..=last {
        let beat = (bar * BEATS_PER_BAR) as f64;
        if bar == last {
            strike(&mut out, beat, 0.0, 1.0, 0.5, kick());
            strike(&mut out, beat, -0.35, 0.5, 1.5, hat(&mut random, 0.4));
            continue;
        }
        if bar > 0 {
            for (at, level) in [(0.0, 1.0), (2.0, 0.9), (2.75, 0.6)] {
                strike(&mut out, beat + at, 0.0, level, 0.5, kick());
            }
            for (at, level) in [(1.0, 0.8), (3.0, 0.9)] {
                strike(&mut out, beat + at, 0.1, level, 0.35, snare(&mut random));
            }
        }
        for eighth in 0..8 {
            let level = if eighth % 2 == 0 { 0.30 } else { 0.2 };
            strike(&mut out, beat + f64::from(eighth) * 0.5, -0.35, level, 0.12, hat(&mut random, 0.02));
        }
        for sixteenth in 0..16 {
            // A shaker rushes a little on the off-beats.
            let at = f64::from(sixteenth) * 0.25 - if sixteenth % 2 == 1 { 0.02 } else { 0.0 };
            let level = [0.12, 0.05, 0.09, 0.05][sixteenth as usize % 4];
            strike(&mut out, beat + at, 0.6, level, 0.1, hat(&mut random, 0.015));
        }
    }
    out
}

/// Adds a stroke: a function of the time since it, s.
fn strike(
    out: &mut Stereo,
    beat: f64,
    place: f32,
    level: f32,
    seconds: f32,
    mut sound: impl FnMut(f32) -> f32,
) {
    let start = sample_at(beat.max(0.0));
    let gains = pan(place);
    for i in 0..(seconds * RATE) as usize {
        let value = level * sound(i as f32 / RATE);
        for (channel, gain) in out.iter_mut().zip(gains) {
            if let Some(sample) = channel.get_mut(start + i) {
                *sample += gain * value;
            }
        }
    }
}

fn kick() -> impl FnMut(f32) -> f32 {
    let mut phase = 0.0;
    move |t| {
        phase += (46.0 + 110.0 * (-t / 0.03).exp()) / RATE;
        (TAU * phase).sin() * (-t / 0.13).exp() * (t / 0.002).min(1.0)
    }
}

fn snare(random: &mut Random) -> impl FnMut(f32) -> f32 {
    let (mut last, mut low) = (0.0, 0.0);
    move |t| {
        // Noise less its lows and its very top, over the drum's own note.
        let noise = random.bipolar();
        let soft = 0.5 * (noise + last);
        last = noise;
        low += 0.2 * (soft - low);
        let note = (TAU * 185.0 * t).sin() * (-t / 0.06).exp();
        0.5 * note + 0.5 * (soft - low) * (-t / 0.09).exp()
    }
}

fn hat(random: &mut Random, decay_s: f32) -> impl FnMut(f32) -> f32 {
    let mut past = [0.0; 4];
    move |t| {
        // (1 - z^-2)^2: a band-pass with zeros at 0 Hz and at half the sample rate, as microphones leave no more.
        let noise = random.bipolar();
        let value = noise - 2.0 * past[1] + past[3];
        past = [noise, past[0], past[1], past[2]];
        0.4 * value * (-t / decay_s).exp()
    }
}
