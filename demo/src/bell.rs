//! A bell buoy out in the dark.

use std::f64::consts::TAU;

use crate::{
    room::{Room, room},
    score::{sample_at, silence},
    stereo::{SAMPLE_RATE_HZ, Stereo, pan},
};

/// A few strokes, never quite on the beat, far away.
pub fn bell() -> Stereo {
    let rate = f64::from(SAMPLE_RATE_HZ);
    let mut dry = silence();
    for (beat, place) in [(0.3, -0.5), (5.1, 0.4), (27.2, -0.6), (30.7, 0.5), (49.4, 0.2), (53.2, -0.3)] {
        let start = sample_at(beat);
        let gains = pan(place);
        for i in 0..(2.5 * rate) as usize {
            let t = i as f64 / rate;
            // Frequency modulation with an inharmonic ratio rings like metal (Chowning 1973).
            let modulator = 2.2 * (-t / 0.5).exp() * (TAU * 523.0 * 1.41 * t).sin();
            let value = ((TAU * 523.0 * t + modulator).sin() * (-t / 0.7).exp()) as f32;
            for (channel, gain) in dry.iter_mut().zip(gains) {
                if let Some(sample) = channel.get_mut(start + i) {
                    *sample += gain * value;
                }
            }
        }
    }
    room(&dry, &Room { decay_s: 1.8, damping_hz: 3000.0, dry: 0.3, wet: 0.7 })
}
