//! What the user has in hand: a mix, and a backing that does not quite fit it.

use crate::{
    compressor::{Compressor, gain},
    shift::earlier,
    song::Song,
    stereo::Stereo,
};

/// The files of the demo and what is true of them.
pub struct Situation {
    /// Sample rate, Hz.
    pub sample_rate_hz: u32,
    /// The full mix, through the bus compressor.
    pub mix: Stereo,
    /// The backing as it was handed over.
    pub backing: Stereo,
    /// The voice as it is in the mix: what a perfect subtraction leaves.
    pub vocal_in_mix: Stereo,
    /// The backing as it is in the mix: what a perfect subtraction takes away.
    pub backing_in_mix: Stereo,
    /// What was done to the backing.
    pub truth: Truth,
}

/// How the backing differs from what is in the mix, besides the compressor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Truth {
    /// How much later than the backing the mix plays the same music, samples.
    pub delay_samples: f64,
    /// True: the backing's polarity is flipped.
    pub inverted: bool,
    /// Level of the backing file against the backing that went into the mix's bus, dB.
    pub level_db: f64,
}

/// The truth of the demo: an export that starts 0.4 s and a fraction of a sample later in the song, 2.7 dB softer, on
/// the other polarity.
const TRUTH: Truth = Truth { delay_samples: 17_640.37, inverted: true, level_db: -2.7 };

/// A gentle bus compressor, as in many mixes: common practice, no source.
const BUS: Compressor = Compressor { threshold_db: -14.0, ratio: 2.0, attack_s: 0.015, release_s: 0.2 };

/// Highest sample of the mix, dB re full scale.
const PEAK_DB: f32 = -1.0;

/// Makes the demo's situation of the song.
///
/// Backing and voice go through one bus compressor; since it is a gain, voice and backing in the mix are known apart.
/// The backing went through the same compressor alone, so that its level moves otherwise than in the mix, where the
/// voice works the compressor too.
pub fn situation(song: &Song) -> Situation {
    let sum = [0, 1].map(|side| add(&song.backing[side], &song.vocal[side]));
    let bus = gain(&sum, &BUS);
    let [mut vocal_in_mix, mut backing_in_mix] =
        [&song.vocal, &song.backing].map(|part| part.clone().map(|channel| multiply(&channel, &bus)));
    let peak = sum
        .iter()
        .flat_map(|channel| channel.iter().zip(&bus))
        .map(|(x, g)| (x * g).abs())
        .fold(0.0, f32::max);
    let scale = 10f32.powf(PEAK_DB / 20.0) / peak;
    for channel in vocal_in_mix.iter_mut().chain(&mut backing_in_mix) {
        channel.iter_mut().for_each(|x| *x *= scale);
    }
    let mix = [0, 1].map(|side| add(&vocal_in_mix[side], &backing_in_mix[side]));

    let alone = gain(&song.backing, &BUS);
    let sign = if TRUTH.inverted { -1.0 } else { 1.0 };
    let level = sign * scale * 10f64.powf(TRUTH.level_db / 20.0) as f32;
    let backing = song.backing.clone().map(|channel| {
        let bounced: Vec<f32> = channel.iter().zip(&alone).map(|(x, gain)| x * gain * level).collect();
        earlier(&bounced, TRUTH.delay_samples)
    });
    Situation {
        sample_rate_hz: song.sample_rate_hz,
        mix,
        backing,
        vocal_in_mix,
        backing_in_mix,
        truth: TRUTH,
    }
}

fn add(a: &[f32], b: &[f32]) -> Vec<f32> {
    a.iter().zip(b).map(|(a, b)| a + b).collect()
}

fn multiply(a: &[f32], b: &[f32]) -> Vec<f32> {
    a.iter().zip(b).map(|(a, b)| a * b).collect()
}

#[cfg(test)]
mod tests {
    use std::sync::LazyLock;

    use super::*;
    use crate::song;

    static SONG: LazyLock<Song> = LazyLock::new(song);
    static SITUATION: LazyLock<Situation> = LazyLock::new(|| situation(&SONG));

    fn rms(signal: &Stereo) -> f32 {
        let energy: f32 = signal.iter().flatten().map(|x| x * x).sum();
        (energy / (2 * signal[0].len()) as f32).sqrt()
    }

    /// A file above full scale would clip in any player: the mix must stay under it, and so must what it is made of.
    #[test]
    fn nothing_passes_full_scale() {
        let peak = |signal: &Stereo| signal.iter().flatten().fold(0.0f32, |peak, x| peak.max(x.abs()));
        let mix_peak_db = 20.0 * peak(&SITUATION.mix).log10();
        assert!((mix_peak_db - PEAK_DB).abs() < 0.01, "{mix_peak_db}");
        assert!(peak(&SITUATION.backing) < 1.0);
        assert!(peak(&SITUATION.vocal_in_mix) < 1.0);
    }

    /// The score of the demo rests on this: the true vocal is what is left when the true backing is taken away.
    #[test]
    fn mix_is_vocal_and_backing() {
        for side in 0..2 {
            let sum = add(&SITUATION.vocal_in_mix[side], &SITUATION.backing_in_mix[side]);
            assert_eq!(sum, SITUATION.mix[side]);
        }
    }

    /// Without rests nothing could be heard, or measured, of the backing that is left: at least 6 of the 37 seconds
    /// have a voice 60 dB under its own level, and at least half of them have a voice.
    #[test]
    fn voice_rests_and_sings() {
        let vocal = &SITUATION.vocal_in_mix;
        let floor = rms(vocal) / 1000.0;
        let window = SITUATION.sample_rate_hz as usize / 10;
        let windows: Vec<bool> = vocal[0]
            .chunks(window)
            .zip(vocal[1].chunks(window))
            .map(|(left, right)| rms(&[left.to_vec(), right.to_vec()]) < floor)
            .collect();
        let rests = windows.iter().filter(|&&rest| rest).count();
        assert!(rests >= 60, "{rests} of {} tenths of a second rest", windows.len());
        assert!(windows.len() - rests >= windows.len() / 2, "{rests} of {} rest", windows.len());
    }

    /// A voice 0 to 10 dB under its backing is what mixes have (the mixtures of the SiSEC 2018 campaign, Stoter et al.
    /// 2018, median about 5 dB).
    #[test]
    fn voice_sits_in_the_mix() {
        let under_db = 20.0 * (rms(&SITUATION.backing_in_mix) / rms(&SITUATION.vocal_in_mix)).log10();
        assert!((0.0..10.0).contains(&under_db), "{under_db}");
    }

    /// The bus must work, or the level would not move: 1 to 8 dB at its most.
    #[test]
    fn bus_compressor_works() {
        let sum = [0, 1].map(|side| add(&SONG.backing[side], &SONG.vocal[side]));
        let least = gain(&sum, &BUS).into_iter().fold(1.0, f32::min);
        let most_db = -20.0 * least.log10();
        assert!((1.0..8.0).contains(&most_db), "{most_db}");
    }

    /// What is stated as true is true: put back by delay, polarity and level, the backing file differs from the backing
    /// in the mix only as far as the compressor moved otherwise.
    #[test]
    fn backing_is_as_stated() {
        let truth = SITUATION.truth;
        let sign = if truth.inverted { -1.0 } else { 1.0 };
        let level = sign * 10f32.powf(-truth.level_db as f32 / 20.0);
        let mut left = SITUATION.backing_in_mix.clone();
        for (left, backing) in left.iter_mut().zip(&SITUATION.backing) {
            for (left, backing) in left.iter_mut().zip(earlier(backing, -truth.delay_samples)) {
                *left -= level * backing;
            }
        }
        let null_db = 20.0 * (rms(&left) / rms(&SITUATION.backing_in_mix)).log10();
        assert!((-40.0..-10.0).contains(&null_db), "{null_db}");
    }

    /// The same files on every run, or the figures printed would mean nothing.
    #[test]
    fn is_the_same_every_time() {
        assert!(situation(&song()).mix == SITUATION.mix);
    }
}
