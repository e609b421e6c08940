//! A song with a voice on top: chords, a noise beat, a voice that rests now and then.

use std::f64::consts::TAU;

/// Left and right.
pub type Stereo = [Vec<f32>; 2];

/// How mix and backing differ.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Case {
    /// Start, level, tone and a constant clock.
    Still,
    /// Besides, the clocks run apart and a limiter works on the mix: delay and level are followed.
    Moving,
    /// As still, but fallen by then to where float arithmetic can become slow: to -200 dB, whose powers' powers are no
    /// normal numbers, and every other half second to samples that are none.
    Faint,
}

impl Case {
    /// Name of the row.
    pub fn name(self) -> &'static str {
        match self {
            Case::Still => "still",
            Case::Moving => "moving",
            Case::Faint => "faint",
        }
    }
}

/// Start of the mix against the backing, seconds.
const DELAY_S: f64 = 0.02;
/// When the faint case falls, seconds.
const FALLS_S: f64 = 32.0;
/// How much faster the mix's clock runs.
const CLOCKS: f64 = 30e-6;
/// Partials of a note.
const PARTIALS: usize = 10;

/// Mix and backing of `num_samples`.
pub fn music(case: Case, rate_hz: u32, num_samples: usize) -> (Stereo, Stereo) {
    let rate = f64::from(rate_hz);
    let clocks = if case == Case::Moving { 1.0 + CLOCKS } else { 1.0 };
    // A whole number of samples, so that a clock that does not run apart leaves nothing to read between them.
    let delay_s = (DELAY_S * rate).round() / rate;
    let mut limiter = Limiter { gain: 1.0, release: (-1.0 / (0.1 * rate)).exp() };
    let (mut mix, mut backing) = ([vec![], vec![]], [vec![], vec![]]);
    let mut tone = [0.0; 2];
    for n in 0..num_samples {
        let t = n as f64 / rate;
        let heard = song(t);
        let played = song((t - delay_s) * clocks);
        let voice = voice(t);
        let faint = match case {
            Case::Faint if t > FALLS_S => [1e-10, 1e-40][(2.0 * t) as usize % 2],
            _ => 1.0,
        };
        let mut sum = [0.0; 2];
        for side in 0..2 {
            backing[side].push((faint * heard[side]) as f32);
            // A shelf: a little more treble on the mix.
            tone[side] += (played[side] - tone[side]) * (1.0 - (-TAU * 3_000.0 / rate).exp());
            sum[side] = 1.2 * played[side] - 0.3 * tone[side] + voice;
        }
        let gain = if case == Case::Moving { limiter.gain(sum[0].abs().max(sum[1].abs())) } else { 1.0 };
        mix.iter_mut().zip(sum).for_each(|(mix, x)| mix.push((faint * gain * x) as f32));
    }
    (mix, backing)
}

/// A brick wall that lets go slowly.
struct Limiter {
    gain: f64,
    release: f64,
}

impl Limiter {
    fn gain(&mut self, level: f64) -> f64 {
        const CEILING: f64 = 0.35;
        self.gain = (1.0 - (1.0 - self.gain) * self.release).min(CEILING / level.max(1e-9)).min(1.0);
        self.gain
    }
}

/// The backing at a moment; silence before it starts.
fn song(t: f64) -> [f64; 2] {
    if t < 0.0 {
        return [0.0; 2];
    }
    const CHORDS: [[f64; 3]; 4] =
        [[110.0, 164.8, 261.6], [87.3, 174.6, 220.0], [98.0, 196.0, 246.9], [82.4, 207.7, 329.6]];
    let mut sum = [0.0; 2];
    let (chord, since) = (CHORDS[(t / 1.5) as usize % 4], t % 0.5);
    for (voice, pitch_hz) in chord.into_iter().enumerate() {
        let step = 2.0 * (TAU * pitch_hz * t).cos();
        // Partials by recurrence: sin((k + 1) x) = 2 cos(x) sin(k x) - sin((k - 1) x), textbook.
        let (mut before, mut now) = (0.0, (TAU * pitch_hz * t).sin());
        let mut tone = 0.0;
        for partial in 1..=PARTIALS {
            tone += now * (-since * (2.0 + partial as f64)).exp() / partial as f64;
            (before, now) = (now, step * now - before);
        }
        let right = 0.2 + 0.3 * voice as f64;
        sum[0] += 0.15 * (1.0 - right) * tone;
        sum[1] += 0.15 * right * tone;
    }
    let beat = (-(t % 0.25) * 30.0).exp();
    [sum[0] + 0.12 * beat * noise(t, 1), sum[1] + 0.12 * beat * noise(t, 2)]
}

/// The voice at a moment, the same on both sides.
pub fn voice(t: f64) -> f64 {
    if t % 4.0 > 2.8 {
        return 0.0;
    }
    let pitch_hz = [220.0, 246.9, 293.7, 261.6, 196.0][(t / 0.4) as usize % 5];
    let phase = TAU * (pitch_hz * t + 0.4 * (TAU * 5.5 * t).sin());
    let tone: f64 = (1..=12).map(|k| (f64::from(k) * phase).sin() / f64::from(k).powf(1.3)).sum();
    0.2 * tone * (TAU * (t % 0.4) / 0.8).sin().abs().sqrt()
}

/// Noise that can be read at any moment: random values, 30,000 a second, joined by cubics.
fn noise(t: f64, seed: u64) -> f64 {
    let position = t * 30_000.0;
    let (at, x) = (position.floor(), position.fract());
    let [a, b, c, d] = [-1, 0, 1, 2].map(|k| random((at as i64 + k) as u64, seed));
    b + 0.5 * x * (c - a + x * (2.0 * a - 5.0 * b + 4.0 * c - d + x * (3.0 * (b - c) + d - a)))
}

/// SplitMix64 (Steele, Lea & Flood 2014), from -1 to 1.
fn random(at: u64, seed: u64) -> f64 {
    let mut z = at.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ seed.wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    (z ^ (z >> 31)) as f64 / u64::MAX as f64 * 2.0 - 1.0
}
