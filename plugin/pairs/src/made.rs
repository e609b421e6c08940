//! Songs made for tests: alike in all that songs of one maker share, and yet different ones.

use crate::RATE_HZ;

/// Uniform noise between -0.5 and 0.5, the same for each seed, by SplitMix64 (Steele, Lea and Flood, "Fast Splittable Pseudorandom
/// Number Generators", OOPSLA 2014), whose seeds have nothing to do with each other; constants from memory.
pub fn noise(seed: u64, len: usize) -> Vec<f32> {
    let mix = |n: u64| {
        let z = n.wrapping_mul(0x9e37_79b9_7f4a_7c15);
        let z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    };
    let start = mix(seed);
    (1..=len as u64).map(|n| mix(start.wrapping_add(n)) as f32 / u64::MAX as f32 - 0.5).collect()
}

/// A song in its two parts.
pub struct Song {
    /// All but the voice.
    pub backing: Vec<f32>,
    /// The voice.
    pub voice: Vec<f32>,
}

/// Notes of the one scale that all songs are in, Hz: A minor, pentatonic, equal temperament.
fn note_hz(step: usize) -> f32 {
    const SEMITONES: [f32; 5] = [0.0, 3.0, 5.0, 7.0, 10.0];
    110.0 * ((SEMITONES[step % 5] + 12.0 * (step / 5) as f32) / 12.0).exp2()
}

/// A song of so many seconds: 120 beats a minute and the same drums, sample for sample, in every one; bass, chords and tune by the
/// seed, of one scale. The voice sings four beats of eight.
pub fn song(seed: u64, seconds: usize) -> Song {
    let len = seconds * RATE_HZ as usize;
    let beat = RATE_HZ as usize / 2;
    let chance = noise(seed, 8 * seconds);
    let draw = |at: usize, below: usize| ((chance[at % chance.len()] + 0.5) * below as f32) as usize;
    let [mut backing, mut voice] = [vec![0.0; len], vec![0.0; len]];
    for number in 0..len / beat {
        let at = number * beat;
        drum(&mut backing[at..], number);
        add(&mut backing[at..], note_hz(draw(4 * (number / 2), 5)), beat, 0.25, 6, 0.0);
        if number % 4 == 0 {
            for tone in 0..3 {
                let step = 5 + draw(number + tone + 1, 8);
                add(&mut backing[at..], note_hz(step), 4 * beat, 0.06, 5, 0.0);
            }
        }
        for half in 0..2 {
            let step = 8 + draw(3 * number + half, 10);
            add(&mut backing[at + half * beat / 2..], note_hz(step), beat / 2, 0.08, 4, 0.0);
        }
        if number % 8 < 4 && draw(5 * number, 6) > 0 {
            let step = 5 + draw(7 * number, 10);
            add(&mut voice[at..], note_hz(step), beat, 0.2, 10, 0.012);
        }
    }
    Song { backing, voice }
}

/// A kick on odd beats, a snare on even ones, and a hi-hat twice a beat.
fn drum(out: &mut [f32], number: usize) {
    let rate = RATE_HZ as f32;
    let hiss = noise(12_345, 2_000);
    for (n, out) in out.iter_mut().take(2_000).enumerate() {
        let t = n as f32 / rate;
        *out += if number.is_multiple_of(2) {
            0.7 * (-t / 0.08).exp()
                * (std::f32::consts::TAU * (50.0 * t + 4.0 * (1.0 - (-t / 0.03).exp()))).sin()
        } else {
            0.5 * (-t / 0.06).exp() * hiss[n]
        };
        *out += 0.3 * (-(t % 0.25) / 0.02).exp() * (hiss[n] - hiss[(n + 1) % 2_000]);
    }
}

/// Adds a tone with so many partials, fading; with vibrato of so much of its frequency.
fn add(out: &mut [f32], hz: f32, len: usize, level: f32, partials: usize, vibrato: f32) {
    let rate = RATE_HZ as f32;
    let mut phase = 0.0;
    for (n, out) in out.iter_mut().take(len).enumerate() {
        let t = n as f32 / rate;
        phase += hz * (1.0 + vibrato * (std::f32::consts::TAU * 5.5 * t).sin()) / rate;
        let fade = (t / 0.01).min(1.0) * (1.0 - n as f32 / len as f32);
        let tone = |k: usize| (std::f32::consts::TAU * k as f32 * phase).sin() / k as f32;
        let heard = (1..=partials).filter(|&k| k as f32 * hz < 0.45 * rate);
        *out += level * fade * heard.map(tone).sum::<f32>();
    }
}

/// The mix of a song, some samples later, the voice at a gain, over full scale bent as a limiter would.
pub fn mix(song: &Song, voice: f32, later: usize) -> Vec<f32> {
    let sum = song.backing.iter().zip(&song.voice).map(|(x, y)| (x + voice * y).tanh());
    std::iter::repeat_n(0.0, later).chain(sum).collect()
}
