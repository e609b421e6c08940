//! The engine over files: learn over the whole song, then subtract with what was learned.

use std::{
    ops::{ControlFlow, Range},
    path::Path,
    sync::atomic::{AtomicBool, AtomicI64, Ordering::Relaxed},
    thread::{self, Scope},
};

use anyhow::{Result, bail, ensure};
use minuend_engine::{
    Lock, Match, Readings, Settings,
    causes::{Cause, Causes, Kind},
};

use super::{
    ahead::{Ahead, Inputs},
    far::far_offset_samples,
    player::{BLOCK_SAMPLES, Format, Output, Player, Start, lead_in},
    series::Series,
    stretches::{Played, Stretches},
};
use crate::{ending::Ending, progress::Progress, read::AudioReader};

/// How often the backing may be moved before its place is given up: once brings it inside the engine's latency, unless
/// the reading was still settling.
const MAX_MOVES: usize = 3;

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
    let start = Start { advance_samples, learned, causes, is_heard: true };
    match (learned, causes) {
        (Some(learned), Some(_)) => play_in_stretches(pair, start, learned, part, each),
        _ => play(pair, start, part, each),
    }
}

/// Tells how much is done; an error if the user wants to stop.
pub fn report(progress: &mut Progress, done: f64) -> Result<ControlFlow<()>> {
    ensure!(progress(done).is_continue(), Ending::stopped());
    Ok(ControlFlow::Continue(()))
}

/// Both files on their way, from where a part is to be played.
struct Opened {
    ahead: Ahead,
    format: Format,
    /// Position in the mix of the first block, and how much of it was passed over, samples.
    from: u64,
    num_samples: u64,
    /// Length of the mix, samples, if its file says so.
    promised_samples: Option<u64>,
}

impl Opened {
    fn new<'scope>(
        scope: &'scope Scope<'scope, '_>,
        pair: &Pair,
        advance_samples: i64,
        part: &Range<u64>,
    ) -> Result<Self> {
        let mut mix = AudioReader::open(pair.mix)?;
        let format = Format { rate_hz: mix.sample_rate_hz(), num_channels: mix.num_channels() };
        let mut backing = AudioReader::open_at(pair.backing, format.rate_hz)?;
        let from = lead_in(part.start, format.rate_hz);
        let num_samples = mix.advance(from as i64)?;
        backing.advance(advance_samples + from as i64)?;
        let promised_samples = mix.promised_samples();
        let ahead = Ahead::start(scope, [mix, backing], BLOCK_SAMPLES);
        Ok(Self { ahead, format, from, num_samples, promised_samples })
    }
}

/// What is kept of the blocks that were played.
struct Record {
    advance_samples: i64,
    rate_hz: f64,
    part: Range<u64>,
    promised_samples: Option<u64>,
    readings: Readings,
    course: Course,
    series: Series,
    backed_blocks: usize,
    locked_blocks: usize,
}

impl Record {
    fn new(start: &Start, part: Range<u64>, opened: &Opened) -> Self {
        Self {
            advance_samples: start.advance_samples,
            rate_hz: f64::from(opened.format.rate_hz),
            part,
            promised_samples: opened.promised_samples,
            readings: Readings::default(),
            course: Course::default(),
            series: Series::default(),
            backed_blocks: 0,
            locked_blocks: 0,
        }
    }

    /// Takes the readings at the end of a block of which so much belongs to the part; how much of the part is done then, 0
    /// to 1.
    fn take(&mut self, readings: &Readings, at_sample: u64, samples: usize) -> f64 {
        self.readings = with_causes_of(&self.readings, *readings);
        let locked = readings.lock == Lock::Locked;
        self.backed_blocks += usize::from(readings.lock != Lock::NoBacking);
        self.locked_blocks += usize::from(locked);
        // Where a stretch begins, or a part ends, readings come with less than a block of output, and hold for a moment beside it.
        let is_whole = samples == BLOCK_SAMPLES;
        if is_whole {
            self.course.follow(at_sample as f64, locked.then_some(readings.delay_samples));
        }
        // Before there is output the engine's latency passes.
        if is_whole || samples > 0 && self.series.points().next().is_none() {
            self.series.add(at_sample as f64 / self.rate_hz, readings, self.advance_samples);
        }
        let end = at_sample + samples as u64;
        let expected = self.promised_samples.unwrap_or(end).max(end).min(self.part.end);
        let [done, all] = [end, expected].map(|end| end.saturating_sub(self.part.start));
        (done as f64 / all.max(1) as f64).min(1.0)
    }

    fn end(self, found: Match, num_samples: u64) -> Pass {
        let mut readings = self.readings;
        readings.delay_samples -= self.advance_samples as f64;
        Pass {
            readings,
            causes: readings.causes.iter().map(|&cause| between_files(cause, self.advance_samples)).collect(),
            drift_ppm: self.course.drift_ppm(),
            learned: Learned { found, advance_samples: self.advance_samples },
            num_samples,
            locked: self.locked_blocks as f64 / self.backed_blocks.max(1) as f64,
            series: self.series,
        }
    }
}

/// Plays a part with one engine.
fn play(pair: &Pair, start: Start, part: Range<u64>, each: &mut Each) -> Result<Pass> {
    thread::scope(|scope| {
        let opened = Opened::new(scope, pair, start.advance_samples, &part)?;
        let mut record = Record::new(&start, part.clone(), &opened);
        let Opened { ahead, format, from, num_samples, .. } = opened;
        let mut player = Player::new(pair, format, &start, from, num_samples, part)?;
        while !player.is_done() {
            let inputs = ahead.next()?;
            let Output { at_sample, channels, readings } = player.play(&inputs);
            let done = record.take(readings, at_sample, channels[0].len());
            let Inputs { mix, backing, .. } = &inputs;
            if each(Block { output: &channels, mix, backing, readings, at_sample, done })?.is_break() {
                break;
            }
        }
        Ok(record.end(player.learned()?.clone(), player.num_samples()))
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
        let opened = Opened::new(scope, pair, start.advance_samples, &part)?;
        let mut record = Record::new(&start, part.clone(), &opened);
        let mut num_samples = part.start;
        let mut stretches = Stretches::start(scope, pair, opened.format, start, part, opened.ahead);
        while let Some(Played { at_sample, output, inputs, readings }) = stretches.next()? {
            let output: Vec<_> = output.iter().map(Vec::as_slice).collect();
            let done = record.take(&readings, at_sample, output[0].len());
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

/// The straight lines along which the delay moves from block to block: of one slope, a new one after each jump and each gap, by
/// least squares, so that neither wow nor the settling at an end counts as drift.
#[derive(Default)]
struct Course {
    /// Time and delay before, samples.
    last: Option<(f64, f64)>,
    over_samples: f64,
    /// Of the present line: how many blocks, and their means.
    num_blocks: f64,
    mean_at: f64,
    mean_delay: f64,
    /// Of all lines, about the means of each (Welford 1962): squares of the time, products of time and delay.
    squares: f64,
    products: f64,
}

impl Course {
    /// The delay of the next block, if it is known, and its place in the song, samples.
    fn follow(&mut self, at: f64, delay: Option<f64>) {
        let last = std::mem::replace(&mut self.last, delay.map(|delay| (at, delay)));
        let Some(delay) = delay else { return };
        // Wow moves it by less than a hundredth of the time that passes.
        match last {
            Some((last_at, last)) if (delay - last).abs() < 0.01 * (at - last_at) => {
                self.over_samples += at - last_at;
            }
            _ => self.num_blocks = 0.0,
        }
        self.num_blocks += 1.0;
        let off = at - self.mean_at;
        self.mean_at += off / self.num_blocks;
        self.mean_delay += (delay - self.mean_delay) / self.num_blocks;
        if self.num_blocks > 1.0 {
            self.squares += off * (at - self.mean_at);
            self.products += off * (delay - self.mean_delay);
        }
    }

    /// The mean drift, parts in a million. Up to a sample over the whole song is the settling of a delay that stands.
    fn drift_ppm(&self) -> f64 {
        let drift = self.products / self.squares.max(1.0);
        if (drift * self.over_samples).abs() <= 1.0 { 0.0 } else { 1e6 * drift }
    }
}

/// Readings that tell what limits the null as those before did, if they no longer know it: where a better match has just been
/// found or the backing is over, what held until then tells most of the song.
fn with_causes_of(before: &Readings, now: Readings) -> Readings {
    let last = if now.knows_causes { &now } else { before };
    Readings { causes: last.causes, knows_causes: last.knows_causes, ..now }
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
    use minuend_engine::{Engine, Inline, Settings};

    use super::*;
    use crate::{noise::samples, passes::worker::Threaded};

    #[test]
    fn drift_is_told_from_settling_and_from_jumps() {
        let drift_ppm = |delay: &dyn Fn(usize) -> Option<f64>| {
            let mut course = Course::default();
            (0..1_000).for_each(|block| course.follow((block * BLOCK_SAMPLES) as f64, delay(block)));
            course.drift_ppm()
        };
        let drifting = |block: usize| 20e-6 * (block * BLOCK_SAMPLES) as f64;
        assert!((drift_ppm(&|block| Some(drifting(block))) - 20.0).abs() < 1e-6);
        let edited =
            |block: usize| (block / 100 != 5).then(|| 7_000.0 * (block / 600) as f64 - drifting(block));
        assert!((drift_ppm(&edited) + 20.0).abs() < 1e-6);
        assert_eq!(drift_ppm(&|block| Some(if block < 3 { 4523.0 } else { 4523.47 })), 0.0);
        // Where the tracker still settles, and wow that ends away from where it began: 8.25 turns about nothing.
        let settling = |block: usize| 3.0 * (-(block as f64) / 10.0).exp() + drifting(block);
        assert!((drift_ppm(&|block| Some(settling(block))) - 20.0).abs() < 0.1);
        let wow = |block: usize| 20.0 * (8.25 * std::f64::consts::TAU * block as f64 / 1_000.0).sin();
        assert!((drift_ppm(&|block| Some(wow(block) + drifting(block))) - 20.0).abs() < 0.6);
        assert_eq!(drift_ppm(&|_| None), 0.0);
    }

    #[test]
    fn what_limits_the_null_stays_known() {
        let [known, unknown] =
            [true, false].map(|knows_causes| Readings { knows_causes, ..Readings::default() });
        let knows = |before, now| with_causes_of(before, now).knows_causes;
        assert!(knows(&known, unknown) && knows(&unknown, known) && !knows(&unknown, unknown));
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
