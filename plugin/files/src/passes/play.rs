//! Plays two files through the engine.

use std::{
    ops::Range,
    thread::{self, Scope},
};

use anyhow::Result;
use minuend_engine::{Match, causes::Causes};

use super::{
    ahead::{Ahead, Inputs},
    block::{BLOCK_SAMPLES, Block, Each, LeadIn},
    learned::Learned,
    pair::{Format, Pair, Start},
    pass::{Pass, Record},
    player::{Output, Player},
    stretches::{Played, Stretches},
};
use crate::read::AudioReader;

/// Plays both files through the engine, starting with what was learned and with what is known to limit the null, and hands
/// out a part of the song, in samples of the mix: to the end, if that comes first. With all of it known nothing is learned
/// any more, and the part is played in stretches, two at a time.
pub fn subtract(
    pair: &Pair,
    learned: Option<&Learned>,
    causes: Option<&Causes>,
    part: Range<u64>,
    each: &mut Each,
) -> Result<Pass> {
    let advance_samples = learned.map_or(0, |learned| learned.advance_samples);
    let learned = learned.map(|learned| &learned.found);
    let start = Start { advance_samples, learned, causes, is_heard: true, seeks_bend: false };
    match (learned, causes) {
        (Some(learned), Some(_)) => play_in_stretches(pair, start, learned, part, each),
        _ => play(pair, start, part, each),
    }
}

/// Both files on their way, from where a part is to be played.
struct Opened {
    ahead: Ahead,
    format: Format,
    /// Position in the mix of the first block, and how much of it was passed over, samples; negative where silence goes before it.
    from: i64,
    num_samples: i64,
    /// Length of the mix, samples, if its file says so.
    promised_samples: Option<u64>,
}

impl Opened {
    fn new<'scope>(
        scope: &'scope Scope<'scope, '_>,
        pair: &Pair,
        start: &Start,
        part: &Range<u64>,
    ) -> Result<Self> {
        let mut mix = AudioReader::open(pair.mix)?;
        let format = Format { rate_hz: mix.sample_rate_hz(), num_channels: mix.num_channels() };
        let mut backing = AudioReader::open_at(pair.backing, format.rate_hz)?;
        let from = LeadIn::new(start, format.rate_hz).before(part.start);
        let num_samples = mix.advance(from)? as i64 + from.min(0);
        backing.advance(start.advance_samples + from)?;
        let promised_samples = mix.promised_samples();
        let ahead = Ahead::start(scope, [mix, backing], BLOCK_SAMPLES);
        Ok(Self { ahead, format, from, num_samples, promised_samples })
    }

    fn record(&self, start: &Start, part: Range<u64>) -> Record {
        Record::new(part, self.promised_samples, self.format.rate_hz, start.advance_samples)
    }
}

/// Plays a part with one engine.
pub fn play(pair: &Pair, start: Start, part: Range<u64>, each: &mut Each) -> Result<Pass> {
    thread::scope(|scope| {
        let opened = Opened::new(scope, pair, &start, &part)?;
        let mut record = opened.record(&start, part.clone());
        let Opened { ahead, format, from, num_samples, .. } = opened;
        let mut player = Player::new(pair, format, &start, from, num_samples, part)?;
        while !player.is_done() {
            let inputs = ahead.next()?;
            let Output { at_sample, channels, readings, energies, claims } = player.play(&inputs);
            let done = record.take(readings, energies, claims, at_sample, channels[0].len());
            let Inputs { mix, backing, .. } = &inputs;
            if each(Block { output: &channels, mix, backing, readings, at_sample, done })?.is_break() {
                break;
            }
        }
        // A pass that broke off is not learned from.
        let (learned, bend) = match start.is_heard || !player.is_done() {
            true => (player.learned()?.clone(), None),
            false => player.learned_of_song(start.seeks_bend)?,
        };
        Ok(Pass { bend, ..record.end(learned, player.num_samples()) })
    })
}

/// Plays a part in stretches side by side, with a match and causes that stand.
fn play_in_stretches(
    pair: &Pair,
    start: Start,
    learned: &Match,
    part: Range<u64>,
    each: &mut Each,
) -> Result<Pass> {
    thread::scope(|scope| {
        let opened = Opened::new(scope, pair, &start, &part)?;
        let mut record = opened.record(&start, part.clone());
        let mut num_samples = part.start;
        let mut stretches = Stretches::start(scope, pair, opened.format, start, part, opened.ahead);
        while let Some(Played { at_sample, output, inputs, readings, energies, claims }) = stretches.next()? {
            let output: Vec<_> = output.iter().map(Vec::as_slice).collect();
            let done = record.take(&readings, energies, claims, at_sample, output[0].len());
            num_samples = at_sample + output[0].len() as u64;
            let Inputs { mix, backing, .. } = &*inputs;
            let block = Block { output: &output, mix, backing, readings: &readings, at_sample, done };
            if each(block)?.is_break() {
                break;
            }
        }
        Ok(record.end(learned.clone(), num_samples))
    })
}

#[cfg(test)]
mod tests {
    use std::ops::ControlFlow;

    use minuend_engine::{DynamicsModel, Settings, settings::Slope};

    use super::*;
    use crate::{noise::samples, passes::learn::learn, write::write_all};

    const RATE_HZ: u32 = 8_000;

    /// What a part sounds like, and where its blocks begin.
    fn played(
        pair: &Pair,
        learned: &Learned,
        causes: Option<&Causes>,
        part: Range<u64>,
    ) -> (Vec<f32>, Vec<u64>, Pass) {
        let (mut output, mut begins) = (Vec::new(), Vec::new());
        let mut each = |block: Block| {
            if !block.output[0].is_empty() {
                assert_eq!(block.at_sample, part.start + output.len() as u64);
                assert!((0.0..=1.0).contains(&block.done));
                begins.push(block.at_sample);
                output.extend_from_slice(block.output[0]);
            }
            Ok(ControlFlow::Continue(()))
        };
        let pass = subtract(pair, Some(learned), causes, part.clone(), &mut each).unwrap();
        (output, begins, pass)
    }

    /// A song of more than two stretches: the same as played through, but for the last bits where the backing stands still.
    /// Where it drifts the tracker settles over half a minute; until then either null is as deep as the other.
    #[test]
    fn stretches_are_the_song_played_through() {
        let num_samples = 130 * RATE_HZ as usize;
        let song = samples(1, num_samples + 1);
        let noise = samples(48_271, num_samples);
        let voice = |n: usize| if (n / 20_000).is_multiple_of(3) { 0.0 } else { 0.3 * noise[n] };
        let folder = tempfile::tempdir().unwrap();
        let [mix_file, backing_file] = ["mix.wav", "backing.wav"].map(|name| folder.path().join(name));
        write_all(&backing_file, RATE_HZ, std::slice::from_ref(&song)).unwrap();
        let pair = Pair { mix: &mix_file, backing: &backing_file, settings: Settings::default() };
        // Samples by which the backing is late at the end, by straight lines between its samples; the part that is played; and how
        // much is learned from: of what stands still a little says it all.
        for (drift, part, heard_samples) in
            [(0.0, 100_123..num_samples as u64 - 77, num_samples / 4), (0.5, 0..u64::MAX, num_samples)]
        {
            let sounding =
                |n: usize| song[n] + drift * n as f32 / num_samples as f32 * (song[n + 1] - song[n]);
            let mix: Vec<f32> = (0..num_samples).map(|n| 0.5 * sounding(n) + voice(n)).collect();
            write_all(&mix_file, RATE_HZ, &[mix[..heard_samples].to_vec()]).unwrap();
            let first = learn(&pair, &mut |_| ControlFlow::Continue(())).unwrap().unwrap();
            let causes = first.known_causes().unwrap();
            write_all(&mix_file, RATE_HZ, &[mix]).unwrap();
            let pair = Pair { settings: Settings { hold: true, ..pair.settings }, ..pair };
            let (whole, ..) = played(&pair, &first.learned, None, part.clone());
            let (joined, begins, pass) = played(&pair, &first.learned, Some(causes), part.clone());

            let end = part.end.min(num_samples as u64);
            assert_eq!((joined.len() as u64, pass.num_samples), (end - part.start, end));
            let seam = 60 * RATE_HZ as usize;
            assert!(begins.contains(&(part.start + seam as u64)), "no stretch begins after a minute");
            assert!(joined[..seam] == whole[..seam], "the first stretch is the song itself");
            let voice = |n: usize| voice(n + part.start as usize);
            for from in (0..whole.len()).step_by(5 * RATE_HZ as usize) {
                let to = whole.len().min(from + 5 * RATE_HZ as usize);
                let db = |of: &dyn Fn(usize) -> f32| {
                    10.0 * ((from..to).map(|n| of(n) * of(n)).sum::<f32>() / (to - from) as f32).log10()
                };
                let left_db = [&whole, &joined].map(|heard| db(&|n| heard[n] - voice(n)));
                assert!(left_db[1] < left_db[0] + 0.5, "{left_db:?} dB left at {from}");
                let off_db = db(&|n| joined[n] - whole[n]);
                assert!(off_db < if drift == 0.0 { -100.0 } else { -45.0 }, "{off_db} dB at {from}");
            }
        }
    }

    /// Low and high part of a signal, each through a compressor of 8:1 that hears another one (Giannoulis, Massberg and Reiss 2012,
    /// "Digital dynamic range compressor design", from memory), summed again.
    fn mastered(signal: &[f32], heard: &[f32]) -> Vec<f32> {
        let stays = |time_s: f32| (-1.0 / (time_s * RATE_HZ as f32)).exp();
        let (attack, release) = (stays(0.005), stays(0.06));
        let (mut low, mut heard_low, mut powers) = (0.0, 0.0, [0.0f32; 2]);
        let compressed = |(x, h): (&f32, &f32)| {
            low += 0.27 * (x - low);
            heard_low += 0.27 * (h - heard_low);
            let bands = [(low, heard_low), (x - low, h - heard_low)];
            let gain = |(power, (x, h)): (&mut f32, (f32, f32))| {
                let stays = if h * h > *power { attack } else { release };
                *power = stays * *power + (1.0 - stays) * h * h;
                x * (*power / 0.03f32.powi(2)).max(1.0).powf(-7.0 / 16.0)
            };
            powers.iter_mut().zip(bands).map(gain).sum()
        };
        signal.iter().zip(heard).map(compressed).collect()
    }

    /// Mix and backing went through one chain, each on its own: what it did to the bands is learned, and subtracting with it leaves
    /// less than without.
    #[test]
    fn a_multiband_chain_is_learned_and_played() {
        let num_samples = 10 * RATE_HZ as usize;
        let song = samples(1, num_samples);
        let song: Vec<f32> =
            (0..num_samples).map(|n| (0.4 + 0.3 * (n as f32 / 1_500.0).sin()) * song[n]).collect();
        // A low voice, whose syllables press on all that lies below the crossover.
        let voice = |n: usize| {
            let sings = if n / 5_000 % 3 == 2 { 0.0 } else { 0.4 * (1.0 + (n as f32 / 300.0).sin()) };
            sings * (n as f32 * 0.12).sin()
        };
        let sum: Vec<f32> = (0..num_samples).map(|n| song[n] + voice(n)).collect();
        let (mix, backing) = (mastered(&sum, &sum), mastered(&song, &song));
        let within = mastered(&song, &sum);
        let folder = tempfile::tempdir().unwrap();
        let [mix_file, backing_file] = ["mix.wav", "backing.wav"].map(|name| folder.path().join(name));
        write_all(&mix_file, RATE_HZ, std::slice::from_ref(&mix)).unwrap();
        write_all(&backing_file, RATE_HZ, &[backing]).unwrap();
        let settings = Settings { slope: Slope::Off, cleanup_percent: 0.0, ..Settings::default() };
        let pair = Pair { mix: &mix_file, backing: &backing_file, settings };
        let learned = learn(&pair, &mut |_| ControlFlow::Continue(())).unwrap().expect("it is there").learned;
        let pair = Pair { settings: Settings { hold: true, ..settings }, ..pair };
        assert!(!learned.found.dynamics.is_none());
        let away_db = |learned: &Learned| {
            let (output, ..) = played(&pair, learned, None, 0..u64::MAX);
            let away = |n: usize| output[n] - (mix[n] - within[n]);
            let power: f64 = (num_samples / 4..num_samples).map(|n| f64::from(away(n)).powi(2)).sum();
            10.0 * power.log10()
        };
        let with = away_db(&learned);
        let mut without = learned;
        without.found.dynamics = DynamicsModel::NONE;
        let without = away_db(&without);
        assert!(with < without - 3.0, "{with} dB, without {without} dB");
    }
}
