//! The song on paper: tempo, chords and the sung line.

use crate::stereo::{SAMPLE_RATE_HZ, Stereo};

/// Silence before the first bar, s: what an export often starts with.
pub const LEAD_IN_S: f64 = 0.5;
/// Time for the last chord to die away, s.
pub const TAIL_S: f64 = 2.0;
/// Length of a beat, s: 96 beats a minute, four to the bar.
pub const BEAT_S: f64 = 60.0 / 96.0;
/// Beats a bar.
pub const BEATS_PER_BAR: usize = 4;

/// One chord a bar, as MIDI notes, root first: two bars to begin, a verse, two bars without words, a verse, an end.
pub const CHORDS: [[u8; 4]; 14] = [
    [38, 62, 65, 69], // Dm
    [36, 60, 64, 67], // C
    [38, 62, 65, 69], // Dm
    [34, 58, 62, 65], // Bb
    [41, 60, 65, 69], // F
    [36, 60, 64, 67], // C
    [43, 58, 62, 67], // Gm
    [45, 61, 64, 69], // A
    [38, 62, 65, 69], // Dm
    [34, 58, 62, 65], // Bb
    [41, 60, 65, 69], // F
    [36, 60, 64, 67], // C
    [34, 58, 62, 65], // Bb
    [38, 62, 65, 69], // Dm
];

/// How a syllable begins.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Onset {
    /// Straight on the vowel, or gliding in as l, r and w do.
    Smooth,
    /// Through the nose: m, n.
    Nasal,
    /// A hiss: s, sh, h.
    Hiss,
    /// A stop and its burst: t, d, b, k.
    Stop,
}

/// Vowels of the text.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Vowel {
    /// As in "lamp".
    Ae,
    /// As in "father".
    Ah,
    /// As in "low".
    Oh,
    /// As in "moon".
    Oo,
    /// As in "sea".
    Ee,
    /// As in "in".
    Ih,
    /// As in "over", last syllable.
    Er,
}

/// A sung syllable.
pub struct Syllable {
    /// Where it begins, beats from the first bar.
    pub beat: f64,
    /// How long it is held, beats.
    pub beats: f64,
    /// Pitch, MIDI.
    pub note: u8,
    /// How it begins.
    pub onset: Onset,
    /// What it is sung on.
    pub vowel: Vowel,
}

const fn sing(beat: f64, beats: f64, note: u8, onset: Onset, vowel: Vowel) -> Syllable {
    Syllable { beat, beats, note, onset, vowel }
}

/// The sung line. Phrases are parted by rests, and the first two bars, bar 8 and the last bar have none.
pub const LINE: [Syllable; 35] = {
    use Onset::{Hiss, Nasal, Smooth, Stop};
    use Vowel::{Ae, Ah, Ee, Er, Ih, Oh, Oo};
    [
        // Nine lamps over the low tide,
        sing(8.0, 1.0, 57, Nasal, Ah),
        sing(9.0, 1.5, 62, Smooth, Ae),
        sing(10.5, 0.5, 60, Smooth, Oh),
        sing(11.0, 0.5, 57, Nasal, Er),
        sing(11.5, 0.5, 55, Stop, Er),
        sing(12.0, 1.0, 58, Smooth, Oh),
        sing(13.0, 2.0, 62, Stop, Ah),
        // slow boats turning in,
        sing(16.0, 1.0, 65, Hiss, Oh),
        sing(17.0, 1.0, 64, Stop, Oh),
        sing(18.0, 0.75, 62, Stop, Er),
        sing(18.75, 0.75, 60, Nasal, Ih),
        sing(19.5, 2.25, 60, Smooth, Ih),
        // ropes that remember the sea,
        sing(22.5, 0.75, 64, Smooth, Oh),
        sing(23.25, 0.75, 62, Stop, Ae),
        sing(24.0, 0.5, 62, Smooth, Ee),
        sing(24.5, 1.0, 67, Nasal, Ae),
        sing(25.5, 0.5, 65, Stop, Er),
        sing(26.0, 0.5, 62, Stop, Ah),
        sing(26.5, 1.5, 58, Hiss, Ee),
        // nine lamps into the grey,
        sing(32.0, 1.0, 69, Nasal, Ah),
        sing(33.0, 1.5, 65, Smooth, Ae),
        sing(34.5, 0.5, 64, Smooth, Ih),
        sing(35.0, 0.5, 62, Stop, Oo),
        sing(35.5, 0.5, 60, Stop, Ah),
        sing(36.0, 2.75, 62, Stop, Ae),
        // home on the morning, home to me.
        sing(40.0, 1.5, 60, Hiss, Oh),
        sing(41.5, 0.5, 62, Smooth, Ah),
        sing(42.0, 0.5, 65, Stop, Ah),
        sing(42.5, 0.75, 69, Nasal, Oh),
        sing(43.25, 0.75, 67, Nasal, Ih),
        sing(44.0, 1.5, 64, Hiss, Oh),
        sing(45.5, 0.5, 62, Stop, Oo),
        sing(46.0, 1.0, 60, Nasal, Ee),
        sing(47.0, 1.0, 58, Smooth, Ee),
        sing(48.0, 3.0, 62, Smooth, Ee),
    ]
};

/// Length of the song, samples.
pub fn num_samples() -> usize {
    sample_at((CHORDS.len() * BEATS_PER_BAR) as f64) + (TAIL_S * f64::from(SAMPLE_RATE_HZ)) as usize
}

/// Nothing yet, the whole song long.
pub fn silence() -> Stereo {
    [vec![0.0; num_samples()], vec![0.0; num_samples()]]
}

/// The sample on which a beat falls, counted from the first bar.
pub fn sample_at(beat: f64) -> usize {
    ((LEAD_IN_S + beat * BEAT_S) * f64::from(SAMPLE_RATE_HZ)) as usize
}

/// Frequency of a MIDI note, Hz: equal temperament, A4 = note 69 = 440 Hz (ISO 16).
pub fn note_hz(note: f64) -> f64 {
    440.0 * ((note - 69.0) / 12.0).exp2()
}
