//! Mixes of parts that are known, taken apart: what is left is the voice.

#[path = "../src/noise.rs"]
mod noise;

use minuend_parts::{Choice, Model, Normal, Residue, Sizes, Weights, choose};
use noise::noise;

const RATE_HZ: f64 = 8_000.0;

/// Low or high notes of noise, decaying, that begin now and then.
fn part(seed: u64, len: usize, pole: f32, beat: usize) -> Vec<f32> {
    let mut last = 0.0;
    let sound = noise(seed, len);
    (0..len)
        .map(|n| {
            last = sound[n] + pole * last;
            last * (1.0 - pole.abs()) * 3.0 * (-((n % beat) as f32) / (0.3 * beat as f32)).exp()
        })
        .collect()
}

/// A voice that sings two seconds and rests half a second.
fn voice(len: usize) -> Vec<f32> {
    let sound = part(555_444_333, len, 0.7, 1_500);
    (0..len).map(|n| if n % 20_000 < 16_000 { sound[n] } else { 0.0 }).collect()
}

/// Goes over the song as often as is done from files.
fn fit(mix: &[f32], parts: &[Vec<f32>]) -> Choice {
    let sizes = Sizes::new(RATE_HZ);
    let hop = sizes.hop_samples();
    let mut choice = Choice::nothing(sizes, 1, parts.len());
    for pass in 0..3 {
        let mut residue = Residue::new(sizes, &choice.taps[0]);
        let mut halves = [0; 2].map(|_| Normal::new(sizes, parts.len()));
        let mut weights = Weights::default();
        for (idx, at) in (0..mix.len() - hop).step_by(hop).enumerate() {
            let parts: Vec<&[f32]> = parts.iter().map(|part| &part[at..at + hop]).collect();
            let frame = residue.hear(&mix[at..at + hop], &parts);
            halves[idx / 16 % 2].add(&frame, weights.of(frame.mix, frame.residue));
        }
        choice = choose(&[halves], &choice, pass == 2, &|count, of| (0..count).map(of).collect());
    }
    choice
}

/// How far what is left is off the voice, dB re the backing.
fn left_db(mix: &[f32], parts: &[Vec<f32>], voice: &[f32], choice: &Choice) -> f64 {
    let mut left = mix.to_vec();
    for (part, taps) in parts.iter().zip(&choice.taps[0]) {
        let reach = taps.0.len() / 2;
        for (lag, &tap) in taps.0.iter().enumerate().filter(|(_, tap)| **tap != 0.0) {
            for n in 0..left.len() {
                left[n] -= tap * (n + reach).checked_sub(lag).and_then(|n| part.get(n)).unwrap_or(&0.0);
            }
        }
    }
    let energy = |x: &mut dyn Iterator<Item = f32>| x.map(|x| f64::from(x * x)).sum::<f64>();
    let inner = 4_000..mix.len() - 4_000;
    let off = energy(&mut inner.clone().map(|n| left[n] - voice[n]));
    10.0 * (off / energy(&mut inner.map(|n| mix[n] - voice[n]))).log10()
}

fn sum(len: usize, signals: &[(&Vec<f32>, f32)]) -> Vec<f32> {
    (0..len).map(|n| signals.iter().map(|(signal, gain)| gain * signal[n]).sum()).collect()
}

/// An equaliser of two poles: a resonance.
fn resonant(signal: &[f32]) -> Vec<f32> {
    let (mut a, mut b) = (0.0, 0.0);
    let filtered = |&x: &f32| {
        let y = x + 1.7 * a - 0.85 * b;
        (b, a) = (a, y);
        0.3 * y + 0.5 * x
    };
    signal.iter().map(filtered).collect()
}

#[test]
fn levels_and_tones_of_parts_are_learned_jointly() {
    let len = 12 * RATE_HZ as usize;
    let parts = [
        part(1, len, 0.9, 4_000),
        part(77_777, len, -0.5, 2_000),
        part(987_654_321, len, 0.2, 3_000),
        noise(123_456_789, len),
    ];
    let voice = voice(len);
    let mix = sum(len, &[(&parts[0], 0.4), (&resonant(&parts[1]), 0.7), (&parts[2], 1.3), (&voice, 1.0)]);
    let choice = fit(&mix, &parts);
    let left_db = left_db(&mix, &parts, &voice, &choice);
    assert_eq!(choice.models, [Model::Level, Model::Long, Model::Level, Model::Nothing]);
    assert!(left_db < -50.0, "{left_db} dB left");
}

#[test]
fn parts_as_they_came_stay_so() {
    let len = 12 * RATE_HZ as usize;
    let parts = [part(1, len, 0.9, 4_000), part(77_777, len, -0.5, 2_000), noise(123_456_789, len)];
    let mix = sum(len, &[(&parts[0], 0.5), (&parts[1], 0.5), (&voice(len), 1.0)]);
    // Half a sample late, all of them: that is no matter of a part.
    let late: Vec<f32> = (0..len).map(|n| 0.5 * (mix[n] + mix[n.saturating_sub(1)])).collect();
    for mix in [mix, late] {
        assert_eq!(fit(&mix, &parts).models, [Model::AsItCame, Model::AsItCame, Model::Nothing]);
    }
}

/// One part is the sum of others: any that add up to the mix will do, and nothing grows beyond measure.
#[test]
fn a_part_that_is_the_sum_of_others_does_no_harm() {
    let len = 12 * RATE_HZ as usize;
    let (a, b) = (part(1, len, 0.9, 4_000), part(77_777, len, -0.5, 2_000));
    let parts = [a.clone(), b.clone(), sum(len, &[(&a, 1.0), (&b, 1.0)])];
    let voice = voice(len);
    let mix = sum(len, &[(&a, 0.5), (&b, 1.0), (&voice, 1.0)]);
    let choice = fit(&mix, &parts);
    assert!(choice.taps[0].iter().flat_map(|taps| &taps.0).all(|tap| tap.abs() < 2.0));
    let left_db = left_db(&mix, &parts, &voice, &choice);
    assert!(left_db < -50.0, "{left_db} dB left");
}

/// A mix that holds none of them.
#[test]
fn parts_that_are_not_in_the_mix_are_left_out() {
    let len = 8 * RATE_HZ as usize;
    let parts = [part(1, len, 0.9, 4_000), part(77_777, len, -0.5, 2_000)];
    assert_eq!(fit(&voice(len), &parts).models, [Model::Nothing; 2]);
}

/// A part that hides 23 dB below the hiss that is left wins half a hundredth: less than sounds that another song shares may win.
#[test]
fn a_part_that_hardly_wins_is_not_in_the_mix() {
    let len = 12 * RATE_HZ as usize;
    let (parts, hiss) = ([part(1, len, 0.9, 4_000), noise(77_777, len)], noise(987_654_321, len));
    for (gain, is_in) in [(0.0007, false), (0.01, true)] {
        let mix = sum(len, &[(&parts[0], 0.5), (&parts[1], gain), (&hiss, 0.01)]);
        assert_eq!(fit(&mix, &parts).models[1] != Model::Nothing, is_in, "at {gain}");
    }
}
