//! The voice: a glottal pulse and noise through formants, after the source-filter model (Fant 1960).

use std::f64::consts::{PI, TAU};

use crate::{
    random::Random,
    room::{Room, room},
    score::{LINE, Onset, Syllable, Vowel, note_hz, num_samples, sample_at},
    stereo::{SAMPLE_RATE_HZ, Stereo},
};

const RATE: f64 = SAMPLE_RATE_HZ as f64;

/// A singer in a small room. Parts of the song are rests.
pub fn voice() -> Stereo {
    let dry = sing();
    room(&[dry.clone(), dry], &Room { decay_s: 0.9, damping_hz: 5000.0, dry: 1.0, wet: 0.12 })
}

/// First three formants of a vowel, Hz: averages of men's voices in Peterson and Barney 1952, table II, quoted
/// from memory, raised by a tenth towards a lighter voice.
fn formants_hz(vowel: Vowel) -> [f64; 3] {
    match vowel {
        Vowel::Ae => [660.0, 1720.0, 2410.0],
        Vowel::Ah => [730.0, 1090.0, 2440.0],
        Vowel::Oh => [570.0, 840.0, 2410.0],
        Vowel::Oo => [300.0, 870.0, 2240.0],
        Vowel::Ee => [270.0, 2290.0, 3010.0],
        Vowel::Ih => [390.0, 1990.0, 2550.0],
        Vowel::Er => [490.0, 1350.0, 1690.0],
    }
    .map(|hz| hz * 1.1)
}

/// Formants while the mouth is closed and the nose open, Hz: common practice, no source.
const NASAL_HZ: [f64; 3] = [280.0, 1100.0, 2300.0];

/// Formants that vowels leave alone, and their bandwidths, Hz: spaced as in a tube of a head's length, without which
/// the voice would end at 4 kHz. Common practice, no source.
const HIGHER_HZ: [(f64, f64); 5] =
    [(3500.0, 220.0), (4300.0, 300.0), (5500.0, 400.0), (6700.0, 500.0), (7900.0, 600.0)];

/// What the singer is doing at one moment.
#[derive(Clone, Copy)]
struct Gesture {
    /// Level of the vocal folds.
    voiced: f64,
    /// Level of breath through the formants.
    breath: f64,
    /// Level of hiss at the teeth.
    hiss: f64,
    formants_hz: [f64; 3],
    note: f64,
    /// Since the syllable began, s.
    since_s: f64,
}

/// What the singer does at a sample; the line is short enough to search it each time.
fn gesture(line: &[Syllable], sample: usize) -> Gesture {
    const BREATH_S: f64 = 0.4;
    let next_idx = line.partition_point(|s| sample_at(s.beat) <= sample);
    let seconds_to = |beat: f64| (sample_at(beat) as f64 - sample as f64) / RATE;
    let now = next_idx.checked_sub(1).map(|i| &line[i]);
    let next = line.get(next_idx);
    let mut gesture = Gesture {
        voiced: 0.0,
        breath: 0.0,
        hiss: 0.0,
        formants_hz: formants_hz(now.map_or(Vowel::Ah, |s| s.vowel)),
        note: f64::from(now.or(next).map_or(60, |s| s.note)),
        since_s: now.map_or(0.0, |s| -seconds_to(s.beat)),
    };
    if let Some(now) = now
        && seconds_to(now.beat + now.beats) > 0.06
    {
        let t = gesture.since_s;
        gesture.voiced = 1.0;
        match now.onset {
            Onset::Smooth => {}
            Onset::Nasal if t < 0.09 => {
                gesture.voiced = 0.5;
                gesture.formants_hz = NASAL_HZ;
            }
            Onset::Hiss if t < 0.11 => {
                gesture.voiced = 0.0;
                gesture.hiss = 1.0;
            }
            Onset::Stop if t < 0.05 => gesture.voiced = 0.0,
            Onset::Stop if t < 0.065 => gesture.hiss = 1.5,
            _ => {}
        }
    } else if let Some(next) = next {
        // A breath before each phrase, drawn on the vowel to come.
        let to_next = seconds_to(next.beat);
        if (0.05..BREATH_S).contains(&to_next) {
            gesture.breath = 0.5 * (PI * (to_next - 0.05) / (BREATH_S - 0.05)).sin();
            gesture.formants_hz = formants_hz(next.vowel);
            gesture.note = f64::from(next.note) - 1.0;
        }
    }
    gesture
}

fn sing() -> Vec<f32> {
    let mut random = Random::new(0x50C);
    let mut out = Vec::with_capacity(num_samples());
    let mut tract: [Resonator; 8] = Default::default();
    let mut teeth = Resonator::default();
    // The muscles follow the gestures with a lag.
    let lag = |seconds: f64| 1.0 - (-1.0 / (seconds * RATE)).exp();
    let (level_lag, formant_lag, pitch_lag) = (lag(0.012), lag(0.025), lag(0.035));
    let mut state = gesture(&LINE, 0);
    let (mut phase, mut vibrato_phase, mut waver, mut tilted) = (0.0, 0.0, 0.0, 0.0);
    for sample in 0..num_samples() {
        let aim = gesture(&LINE, sample);
        state.voiced += level_lag * (aim.voiced - state.voiced);
        state.breath += level_lag * (aim.breath - state.breath);
        state.hiss += level_lag * (aim.hiss - state.hiss);
        for (formant, aim) in state.formants_hz.iter_mut().zip(aim.formants_hz) {
            *formant += formant_lag * (aim - *formant);
        }
        state.note += pitch_lag * (aim.note - state.note);

        // Vibrato sets in on held notes; the pitch is never quite still.
        vibrato_phase = (vibrato_phase + 5.6 / RATE).fract();
        let held = ((aim.since_s - 0.25) / 0.3).clamp(0.0, 1.0);
        waver += 0.0002 * (f64::from(random.bipolar()) - waver);
        let note = state.note + 0.3 * held * (TAU * vibrato_phase).sin() + 6.0 * waver;
        phase = (phase + note_hz(note) / RATE).fract();

        let noise = f64::from(random.bipolar());
        let folds = glottal_pulse(phase);
        tilted += 0.45 * (folds - tilted);
        let source = state.voiced * (tilted + 0.04 * noise) + 0.25 * state.breath * noise;
        let mut sound = source;
        for (resonator, (hz, bandwidth_hz)) in
            tract.iter_mut().zip(state.formants_hz.into_iter().zip([80.0, 100.0, 140.0]).chain(HIGHER_HZ))
        {
            sound = resonator.run(sound, hz, bandwidth_hz);
        }
        let hiss = teeth.run(0.25 * state.hiss * noise, 6500.0, 3000.0);
        out.push((0.35 * sound + 0.25 * hiss) as f32);
    }
    out
}

/// Slope of the flow through the vocal folds at a phase of 0 to 1, at most 1 in size: pulse C of Rosenberg 1971,
/// opening for 40 % of the period and closing for 16 %.
fn glottal_pulse(phase: f64) -> f64 {
    const OPENING: f64 = 0.4;
    const CLOSING: f64 = 0.16;
    if phase < OPENING {
        CLOSING / OPENING * (PI * phase / OPENING).sin()
    } else if phase < OPENING + CLOSING {
        -(PI / 2.0 * (phase - OPENING) / CLOSING).sin()
    } else {
        0.0
    }
}

/// A digital resonator with gain 1 at 0 Hz (Klatt 1980, equations 1 to 3).
#[derive(Default)]
struct Resonator {
    last: f64,
    before: f64,
}

impl Resonator {
    fn run(&mut self, input: f64, hz: f64, bandwidth_hz: f64) -> f64 {
        let c = -(-TAU * bandwidth_hz / RATE).exp();
        let b = 2.0 * (-PI * bandwidth_hz / RATE).exp() * (TAU * hz / RATE).cos();
        let a = 1.0 - b - c;
        let output = a * input + b * self.last + c * self.before;
        self.before = self.last;
        self.last = output;
        output
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A resonator rings loudest at its own frequency, gains 1 at 0 Hz, and is 3 dB down half a bandwidth away
    /// (the meaning of the terms in Klatt 1980).
    #[test]
    fn resonators_ring_where_they_should() {
        let gain = |hz: f64| {
            let mut resonator = Resonator::default();
            let mut peak = 0.0f64;
            for i in 0..RATE as usize {
                let value = resonator.run((TAU * hz * i as f64 / RATE).cos(), 1000.0, 100.0);
                if i > RATE as usize / 2 {
                    peak = peak.max(value.abs());
                }
            }
            peak
        };
        assert!((gain(0.0) - 1.0).abs() < 1e-6);
        let centre = gain(1000.0);
        for side in [950.0, 1050.0] {
            let down_db = 20.0 * (gain(side) / centre).log10();
            assert!((down_db + 3.0).abs() < 0.5, "{down_db} dB at {side} Hz");
        }
    }

    /// Folds that close must give back as much flow as they let in: the slope sums to nothing over a period.
    #[test]
    fn a_pulse_closes() {
        let n = 100_000;
        let sum: f64 = (0..n).map(|i| glottal_pulse(f64::from(i) / f64::from(n))).sum();
        assert!((sum / f64::from(n)).abs() < 1e-4, "{sum}");
    }
}
