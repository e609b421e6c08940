//! The bass line.

use crate::{
    score::{BEATS_PER_BAR, CHORDS, note_hz, sample_at, silence},
    stereo::{SAMPLE_RATE_HZ, Stereo},
};

/// Saw through a low-pass that closes as the note fades, in the middle.
pub fn bass() -> Stereo {
    let mut out = silence();
    for (bar, chord) in CHORDS.iter().enumerate().skip(1) {
        let beat = (bar * BEATS_PER_BAR) as f64;
        let root = f64::from(chord[0]);
        let notes: &[(f64, f64, f64)] = if bar == CHORDS.len() - 1 {
            &[(0.0, 3.5, 0.0)]
        } else {
            &[(0.0, 1.4, 0.0), (1.5, 0.4, 0.0), (2.0, 0.9, 7.0), (3.0, 0.4, 12.0), (3.5, 0.4, 7.0)]
        };
        for &(at, beats, up) in notes {
            play(&mut out, sample_at(beat + at), sample_at(beat + at + beats), note_hz(root + up));
        }
    }
    out
}

fn play(out: &mut Stereo, start: usize, end: usize, hz: f64) {
    let rate = f64::from(SAMPLE_RATE_HZ);
    let (mut phase, mut low, mut lower) = (0.0, 0.0, 0.0);
    let length = end - start;
    for i in 0..length {
        let t = i as f64 / rate;
        phase = (phase + hz / rate).fract();
        let corner_hz = 180.0 + 900.0 * (-t / 0.18).exp();
        let step = 1.0 - (-std::f64::consts::TAU * corner_hz / rate).exp();
        low += step * (2.0 * phase - 1.0 - low);
        lower += step * (low - lower);
        let attack = (t / 0.004).min(1.0);
        let release = ((length - i) as f64 / rate / 0.02).min(1.0);
        let value = (lower * attack * release * (-t / 1.2).exp()) as f32;
        for channel in out.iter_mut() {
            channel[start + i] += value;
        }
    }
}
