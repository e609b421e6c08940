//! The engine over files: learn over the whole song, then subtract with what was learned.

use std::{
    ops::{ControlFlow, Range},
    path::Path,
    sync::atomic::{AtomicBool, AtomicI64, Ordering::Relaxed},
    thread::{self, Scope},
};

use anyhow::{Context, Result, bail, ensure};
use minuend_engine::{
    Engine, Lock, Match, Readings, Settings,
    causes::{Cause, Causes, Kind},
};

use super::{ahead::Ahead, far::far_offset_samples, series::Series, worker::Threaded};
use crate::{audio_files::AudioReader, ending::Ending, progress::Progress};

/// Samples a step; the output does not depend on it.
const BLOCK_SAMPLES: usize = 4096;

/// How often the backing may be moved before its place is given up: once brings it inside the engine's latency, unless
/// the reading was still settling.
const MAX_MOVES: usize = 3;

/// What is played before a part of a song, so that the engine's stages have settled, s.
const LEAD_IN_S: f64 = 5.0;

/// Two files and how they are played.
pub struct Pair<'a> {
    /// The full mix; its rate is that of everything.
    pub mix: &'a Path,
    /// The backing, at any rate.
    pub backing: &'a Path,
    /// One setting of every control.
    pub settings: Settings,
}

/// What was learned of a pair.
#[derive(Clone, Debug, PartialEq)]
pub struct Learned {
    /// The match, for a backing that is moved.
    pub found: Match,
    /// By how much the backing is moved earlier (later, if negative), samples, before the engine gets it.
    pub advance_samples: i64,
}

/// One block of output, the latency taken off.
pub struct Block<'a> {
    /// What is heard, one slice a channel.
    pub output: &'a [&'a [f32]],
    /// What went into the engine as this came out of it.
    pub mix: &'a [Vec<f32>],
    /// Likewise, the backing, moved.
    pub backing: &'a [Vec<f32>],
    /// The engine's readings at the block's end.
    pub readings: &'a Readings,
    /// Position in the mix of the block's first sample.
    pub at_sample: u64,
    /// Part of the pass that is done, 0 to 1.
    pub done: f64,
}

/// Is handed each block, and can break off.
pub type Each<'a> = dyn FnMut(Block) -> Result<ControlFlow<()>> + 'a;

/// What a pass leaves behind.
pub struct Pass {
    /// The engine's last readings, its delay as it is between the files.
    pub readings: Readings,
    /// What the engine knows at the end.
    pub learned: Learned,
    /// By how much the delay grows, parts in a million; 0 while it stands still.
    pub drift_ppm: f64,
    /// What limits the null, and what was put right, by the end.
    pub causes: Vec<Cause>,
    /// Length of the mix, samples, as far as it was read.
    pub num_samples: u64,
    /// Part of the song with a backing over which the lock held, 0 to 1.
    pub locked: f64,
    /// The readings over the song.
    pub series: Series,
}

impl Pass {
    /// What limits the null, if enough was heard to know.
    pub fn known_causes(&self) -> Option<&Causes> {
        self.readings.knows_causes.then_some(&self.readings.causes)
    }
}

/// Learns over the whole song, moving the backing until it lies within reach of the engine's latency. `None` if the
/// backing was never found.
///
/// Whether it lies too far away for the engine's own search is found out meanwhile, since it hardly ever does; if it
/// does, learning starts over with the backing moved. So it does not count which of the two is done first.
pub fn learn(pair: &Pair, progress: &mut Progress) -> Result<Option<Pass>> {
    let far_samples = AtomicI64::new(0);
    let wanted = AtomicBool::new(true);
    thread::scope(|scope| {
        let search = scope.spawn(|| {
            let found = far_offset_samples(pair.mix, pair.backing, &wanted);
            far_samples.store(*found.as_ref().unwrap_or(&0), Relaxed);
            found
        });
        let near = learn_from(pair, 0, &far_samples, progress);
        wanted.store(near.is_ok(), Relaxed);
        let far = search.join().unwrap_or_else(|_| bail!("internal fault in the search for the backing"));
        match (near?, far?) {
            (pass, 0) => Ok(pass),
            (_, far_samples) => learn_from(pair, far_samples, &AtomicI64::new(0), progress),
        }
    })
}

/// Learns with the backing moved earlier by so many samples, or more if that is not enough. Breaks off with `None` as
/// soon as `elsewhere` is not 0.
fn learn_from(
    pair: &Pair,
    mut advance_samples: i64,
    elsewhere: &AtomicI64,
    progress: &mut Progress,
) -> Result<Option<Pass>> {
    let mut moves = 0;
    loop {
        let mut late_samples = 0.0;
        let start = Start { advance_samples, is_heard: false, ..Start::default() };
        let pass = play(pair, start, 0..u64::MAX, &mut |block| {
            if elsewhere.load(Relaxed) != 0 {
                return Ok(ControlFlow::Break(()));
            }
            if block.readings.lock == Lock::TooLate && moves < MAX_MOVES {
                late_samples = block.readings.late_samples;
                return Ok(ControlFlow::Break(()));
            }
            report(progress, block.done)
        })?;
        if late_samples <= 0.0 {
            return Ok((pass.locked > 0.0).then_some(pass));
        }
        advance_samples += late_samples.ceil() as i64;
        moves += 1;
    }
}

/// Plays both files through an engine, starting with what was learned and with what is known to limit the null, and hands
/// out a part of the song, in samples of the mix: to the end, if that comes first.
pub fn subtract(
    pair: &Pair,
    learned: Option<&Learned>,
    causes: Option<&Causes>,
    part: Range<u64>,
    each: &mut Each,
) -> Result<Pass> {
    let advance_samples = learned.map_or(0, |learned| learned.advance_samples);
    let learned = learned.map(|learned| &learned.found);
    play(pair, Start { advance_samples, learned, causes, is_heard: true }, part, each)
}

/// Tells how much is done; an error if the user wants to stop.
pub fn report(progress: &mut Progress, done: f64) -> Result<ControlFlow<()>> {
    ensure!(progress(done).is_continue(), Ending::stopped());
    Ok(ControlFlow::Continue(()))
}

/// What a pass starts from.
#[derive(Default)]
struct Start<'a> {
    /// By how much the backing is moved earlier.
    advance_samples: i64,
    learned: Option<&'a Match>,
    causes: Option<&'a Causes>,
    /// Whether its output is of use.
    is_heard: bool,
}

fn play(pair: &Pair, start: Start, part: Range<u64>, each: &mut Each) -> Result<Pass> {
    thread::scope(|scope| play_within(scope, pair, start, part, each))
}

fn play_within<'scope>(
    scope: &'scope Scope<'scope, '_>,
    pair: &Pair,
    start: Start,
    part: Range<u64>,
    each: &mut Each,
) -> Result<Pass> {
    let Start { advance_samples, learned, causes, is_heard } = start;
    let mut mix = AudioReader::open(pair.mix)?;
    let (rate_hz, num_channels) = (mix.sample_rate_hz(), mix.num_channels());
    let mut engine =
        Engine::new(f64::from(rate_hz), num_channels).with_context(|| pair.mix.display().to_string())?;
    let mut backing = AudioReader::open_at(pair.backing, rate_hz)?;
    if let Some(learned) = learned {
        ensure!(engine.recall(learned), "the match that was learned is not usable");
    }
    if let Some(causes) = causes {
        engine.recall_causes(causes);
    }
    if !is_heard {
        engine.play_unheard();
    }
    let start = part.start.saturating_sub((LEAD_IN_S * f64::from(rate_hz)) as u64);
    let mut num_samples = mix.advance(start as i64)?;
    backing.advance(advance_samples + start as i64)?;
    engine.song_at(start as i64);

    let promised_samples = mix.promised_samples();
    let ahead = Ahead::start(scope, [mix, backing], BLOCK_SAMPLES);
    let mut output_block = vec![vec![0.0; BLOCK_SAMPLES]; num_channels];
    let mut worker = Threaded::new()?;
    // Output still to be dropped at the start, and output already handed out.
    let mut left_out = engine.latency_samples() as u64 + (part.start - start);
    let mut written_samples = 0;
    let mut mix_ended = false;
    let (mut backed_blocks, mut locked_blocks) = (0, 0);
    let (mut course, mut series) = (Course::default(), Series::default());
    loop {
        let wanted = num_samples.min(part.end).saturating_sub(part.start);
        let is_whole = mix_ended || num_samples >= part.end;
        if is_whole && written_samples >= wanted {
            break;
        }
        let inputs = ahead.next()?;
        num_samples += inputs.num_samples as u64;
        mix_ended = inputs.num_samples < BLOCK_SAMPLES;

        output_block.clone_from(&inputs.mix);
        let mut in_and_out: Vec<_> = output_block.iter_mut().map(|channel| channel.as_mut_slice()).collect();
        let backing_channels: Vec<_> = inputs.backing.iter().map(|channel| channel.as_slice()).collect();
        engine.process(&mut in_and_out, &backing_channels, &pair.settings, &mut worker);

        let lock = engine.readings().lock;
        backed_blocks += usize::from(lock != Lock::NoBacking);
        locked_blocks += usize::from(lock == Lock::Locked);
        course.follow((lock == Lock::Locked).then_some(engine.readings().delay_samples));
        let wanted = num_samples.min(part.end).saturating_sub(part.start);
        let from = left_out.min(BLOCK_SAMPLES as u64) as usize;
        left_out -= from as u64;
        let to = BLOCK_SAMPLES.min(from + wanted.saturating_sub(written_samples) as usize);
        let output: Vec<_> = output_block.iter().map(|channel| &channel[from..to]).collect();
        let at_sample = part.start + written_samples;
        // Before that the engine's latency passes.
        if from < to {
            series.add(at_sample as f64 / f64::from(rate_hz), engine.readings(), advance_samples);
        }
        written_samples += (to - from) as u64;
        let expected = promised_samples.unwrap_or(num_samples).max(num_samples).min(part.end);
        let done = written_samples as f64 / expected.saturating_sub(part.start).max(1) as f64;
        let block = Block {
            output: &output,
            mix: &inputs.mix,
            backing: &inputs.backing,
            readings: engine.readings(),
            at_sample,
            done: done.min(1.0),
        };
        if each(block)?.is_break() {
            break;
        }
    }
    let mut readings = *engine.readings();
    ensure!(
        readings.late_jobs == 0,
        "learning broke off by a fault of this program; please report it with both files"
    );
    readings.delay_samples -= advance_samples as f64;
    Ok(Pass {
        readings,
        causes: readings.causes.iter().map(|&cause| between_files(cause, advance_samples)).collect(),
        drift_ppm: course.drift_ppm(),
        learned: Learned { found: engine.learned().clone(), advance_samples },
        num_samples,
        locked: locked_blocks as f64 / backed_blocks.max(1) as f64,
        series,
    })
}

/// How the delay moves from block to block, apart from jumps.
#[derive(Default)]
struct Course {
    last_samples: Option<f64>,
    moved_samples: f64,
    over_samples: f64,
}

impl Course {
    /// The delay at the end of the next block, if it is known.
    fn follow(&mut self, delay_samples: Option<f64>) {
        // Wow moves it by less than a hundredth of the time that passes.
        let jump = 0.01 * BLOCK_SAMPLES as f64;
        if let (Some(last), Some(now)) = (self.last_samples, delay_samples)
            && (now - last).abs() < jump
        {
            self.moved_samples += now - last;
            self.over_samples += BLOCK_SAMPLES as f64;
        }
        self.last_samples = delay_samples;
    }

    /// The mean drift, parts in a million. Up to a sample over the whole song is the settling of a delay that stands.
    fn drift_ppm(&self) -> f64 {
        if self.moved_samples.abs() <= 1.0 { 0.0 } else { 1e6 * self.moved_samples / self.over_samples }
    }
}

/// A cause as it is between the files, where the engine has seen one of them moved.
fn between_files(mut cause: Cause, advance_samples: i64) -> Cause {
    if let Kind::Delay { samples } = &mut cause.kind {
        *samples -= advance_samples as f64;
    }
    cause
}

#[cfg(test)]
mod tests {
    use minuend_engine::{Inline, Settings};

    use super::*;
    use crate::noise::samples;

    #[test]
    fn drift_is_told_from_settling_and_from_jumps() {
        let drift_ppm = |delay: &dyn Fn(usize) -> Option<f64>| {
            let mut course = Course::default();
            (0..1_000).for_each(|block| course.follow(delay(block)));
            course.drift_ppm()
        };
        let drifting = |block: usize| 20e-6 * (block * BLOCK_SAMPLES) as f64;
        assert!((drift_ppm(&|block| Some(drifting(block))) - 20.0).abs() < 1e-6);
        let edited =
            |block: usize| (block / 100 != 5).then(|| 7_000.0 * (block / 600) as f64 - drifting(block));
        assert!((drift_ppm(&edited) + 20.0).abs() < 1e-6);
        assert_eq!(drift_ppm(&|block| Some(if block < 3 { 4523.0 } else { 4523.47 })), 0.0);
        assert_eq!(drift_ppm(&|_| None), 0.0);
    }

    /// With the jobs on a thread of their own, the samples are those of running them when they are due.
    #[test]
    fn a_thread_does_not_change_the_samples() {
        const RATE_HZ: usize = 8_000;
        let song = samples(1, 12 * RATE_HZ);
        let mix: Vec<f32> =
            song.iter().zip(samples(48_271, 12 * RATE_HZ)).map(|(b, v)| 0.3 * b + 0.2 * v).collect();
        let mut outputs: Vec<Vec<f32>> = Vec::new();
        for threaded in [false, true, true] {
            let mut engine = Engine::new(RATE_HZ as f64, 1).unwrap();
            let mut output = mix.clone();
            let (mut inline, mut thread) = (Inline::default(), Threaded::new().unwrap());
            for at in (0..mix.len()).step_by(500) {
                let (block, backing) = (&mut output[at..at + 500], &song[at..at + 500]);
                let settings = Settings::default();
                if threaded {
                    engine.process(&mut [block], &[backing], &settings, &mut thread);
                } else {
                    engine.process(&mut [block], &[backing], &settings, &mut inline);
                }
            }
            assert_eq!(engine.readings().lock, Lock::Locked);
            assert!(engine.readings().level[0] != 0.0 && engine.readings().late_jobs == 0);
            outputs.push(output);
        }
        assert!(outputs[0] == outputs[1] && outputs[1] == outputs[2]);
    }
}
