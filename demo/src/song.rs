//! The song, played.

use crate::{
    bass, bell, drums, harmony,
    score::silence,
    stereo::{SAMPLE_RATE_HZ, Stereo},
    voice,
};

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

fn add(sum: &mut Stereo, part: &Stereo, gain: f32) {
    for (sum, part) in sum.iter_mut().zip(part) {
        for (sum, part) in sum.iter_mut().zip(part) {
            *sum += gain * part;
        }
    }
}
