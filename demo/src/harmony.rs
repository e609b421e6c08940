//! Pads and plucked strings.

use crate::{
    random::Random,
    score::{BEATS_PER_BAR, CHORDS, note_hz, sample_at, silence},
    stereo::{SAMPLE_RATE_HZ, Stereo, pan},
};

const RATE: f64 = SAMPLE_RATE_HZ as f64;

/// Detuned saws, dark, apart left and right.
pub fn pads() -> Stereo {
    let mut out = silence();
    for (bar, chord) in CHORDS.iter().enumerate() {
        let beat = (bar * BEATS_PER_BAR) as f64;
        let (start, end) = (sample_at(beat), sample_at(beat + BEATS_PER_BAR as f64));
        for (voice, &note) in chord[1..].iter().enumerate() {
            for (channel, out) in out.iter_mut().enumerate() {
                // Each side and voice has a detune of its own, cents.
                let cents = [-7.0, 5.0, -3.0][voice] * if channel == 0 { 1.0 } else { -1.2 };
                pad(
                    out,
                    start,
                    end,
                    note_hz(f64::from(note) + cents / 100.0),
                    0.13 * (voice + 2 * channel) as f64,
                );
            }
        }
    }
    out
}

fn pad(out: &mut [f32], start: usize, end: usize, hz: f64, start_phase: f64) {
    const FADE_S: f64 = 0.25;
    let step = 1.0 - (-std::f64::consts::TAU * 900.0 / RATE).exp();
    let (mut phase, mut low, mut lower) = (start_phase, 0.0, 0.0);
    // Chords overlap by the length of a fade.
    let length = end - start + (FADE_S * RATE) as usize;
    for i in 0..length {
        phase = (phase + hz / RATE).fract();
        low += step * (2.0 * phase - 1.0 - low);
        lower += step * (low - lower);
        let fade_in = (i as f64 / RATE / FADE_S).min(1.0);
        let fade_out = ((length - i) as f64 / RATE / FADE_S).min(1.0);
        if let Some(sample) = out.get_mut(start + i) {
            *sample += (lower * (fade_in * fade_out)) as f32;
        }
    }
}

/// Broken chords on plucked strings, from side to side.
pub fn plucks() -> Stereo {
    let mut out = silence();
    let mut random = Random::new(0x91C);
    for (bar, chord) in CHORDS.iter().enumerate() {
        let beat = (bar * BEATS_PER_BAR) as f64;
        let last = bar == CHORDS.len() - 1;
        for (eighth, voice) in [1, 2, 3, 2, 1, 3, 2, 3].into_iter().enumerate().take(if last { 3 } else { 8 })
        {
            let place = if eighth % 2 == 0 { -0.7 } else { 0.5 };
            let start = sample_at(beat + eighth as f64 * 0.5);
            string(&mut out, start, note_hz(f64::from(chord[voice]) + 12.0), pan(place), &mut random);
        }
    }
    out
}

/// A plucked string after Karplus and Strong, 1983: noise going round a delay of one period through the mean of two
/// neighbours.
fn string(out: &mut Stereo, start: usize, hz: f64, gains: [f32; 2], random: &mut Random) {
    const SECONDS: f64 = 1.6;
    let period = (RATE / hz - 0.5).round() as usize;
    let mut ring: Vec<f32> = (0..period).map(|_| random.bipolar()).collect();
    for i in 0..(SECONDS * RATE) as usize {
        let (here, next) = (i % period, (i + 1) % period);
        let value = ring[here];
        ring[here] = 0.498 * (ring[here] + ring[next]);
        for (channel, gain) in out.iter_mut().zip(gains) {
            if let Some(sample) = channel.get_mut(start + i) {
                *sample += gain * value;
            }
        }
    }
}
