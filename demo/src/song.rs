//! The song, played.

use crate::{Stereo, bass, bell, drums, harmony, score, voice};

/// Sample rate of the demo, Hz.
pub const SAMPLE_RATE_HZ: u32 = 44_100;

/// The song in its two parts, before the bus.
pub struct Song {
    /// Sample rate, Hz.
    pub sample_rate_hz: u32,
    /// Drums, bass, harmony and the bell buoy.
    pub backing: Stereo,
    /// The voice, with its room.
    pub vocal: Stereo,
}

/// Plays the song: about 37 seconds, the same on every call.
pub fn song() -> Song {
    let mut backing = silence();
    // Levels set by ear against each other.
    for (part, gain) in [
        (drums::drums(), 0.9),
        (bass::bass(), 0.5),
        (harmony::pads(), 0.16),
        (harmony::plucks(), 0.32),
        (bell::bell(), 0.12),
    ] {
        add(&mut backing, &part, gain);
    }
    let mut vocal = silence();
    add(&mut vocal, &voice::voice(), VOCAL_GAIN);
    Song { sample_rate_hz: SAMPLE_RATE_HZ, backing, vocal }
}

/// Puts the voice where a mix has it: a little under the backing.
const VOCAL_GAIN: f32 = 0.5;

/// The whole song long.
pub fn silence() -> Stereo {
    [vec![0.0; score::num_samples()], vec![0.0; score::num_samples()]]
}

fn add(sum: &mut Stereo, part: &Stereo, gain: f32) {
    for (sum, part) in sum.iter_mut().zip(part) {
        for (sum, part) in sum.iter_mut().zip(part) {
            *sum += gain * part;
        }
    }
}

/// Left and right gain of a place between -1 (left) and 1 (right), equal power.
pub fn pan(place: f32) -> [f32; 2] {
    let angle = (place + 1.0) * std::f32::consts::FRAC_PI_4;
    [angle.cos(), angle.sin()]
}
