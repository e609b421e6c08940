//! Readings shared with the window: one way and wait-free.

use minuend_engine::{Lock, MAX_SAMPLE_RATE_HZ, MIN_SAMPLE_RATE_HZ, Readings, Spectra};
use triple_buffer::{Input, Output, triple_buffer};

/// What the window shows: raw numbers that belong together.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Meters {
    /// The engine's readings after the last block.
    pub readings: Readings,
    /// Spectra of the last whole frame.
    pub spectra: Spectra,
    /// Sample rate, Hz; 0 before the host has activated the plug-in. Not every rate is one at which the engine works.
    pub sample_rate_hz: f64,
    /// How much later than the mix the output is, samples.
    pub latency_samples: u32,
    /// Whether the host's transport stands.
    pub stands: bool,
    /// Whether the backing is turned away by hand from where it was matched.
    pub by_hand: bool,
}

impl Meters {
    /// Whether the engine works at this rate. Where it does not the mix passes, and there are no readings.
    pub fn engine_works(&self) -> bool {
        (MIN_SAMPLE_RATE_HZ..=MAX_SAMPLE_RATE_HZ).contains(&self.sample_rate_hz)
    }

    /// Whether a window would show the same: without a backing, time and empty spectra go on unseen.
    pub fn looks_like(&self, other: &Self) -> bool {
        let seen = |meters: &Self| {
            let mut seen = *meters;
            if seen.readings.lock == Lock::NoBacking {
                (seen.readings.heard_samples, seen.spectra) = (0, Spectra::default());
            }
            seen
        };
        seen(self) == seen(other)
    }
}

/// The end held by the audio thread and the end held by the window.
pub fn meters() -> (Input<Meters>, Output<Meters>) {
    triple_buffer(&Meters::default())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_silent_host_changes_nothing_and_music_does() {
        let silent = Meters {
            readings: Readings { mix_db: -200.0, ..Readings::default() },
            sample_rate_hz: 48_000.0,
            ..Meters::default()
        };
        let mut later = silent;
        later.readings.heard_samples = 512;
        later.spectra.num_frames = 3;
        assert!(later.looks_like(&silent));
        let mut louder = later;
        louder.readings.mix_db = -20.0;
        assert!(!louder.looks_like(&later));
        let mut locked = later;
        locked.readings.lock = Lock::Locked;
        let mut goes_on = locked;
        goes_on.readings.heard_samples += 1;
        assert!(!goes_on.looks_like(&locked));
    }
}
