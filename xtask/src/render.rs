//! `cargo xtask render`: mix minus backing from files to a file, through the plug-in's own engine.

pub mod command;
mod far;

use std::{
    fs,
    ops::ControlFlow,
    path::{Path, PathBuf},
};

use anyhow::{Context, Result, bail, ensure};
use minuend_engine::{Engine, Inline, Lock, Readings, Settings, settings::Listen};

use far::far_offset_samples;

use crate::audio_files::{AudioReader, AudioWriter, Bits, check_writable};

/// Samples a step; the output does not depend on it.
const BLOCK_SAMPLES: usize = 4096;

/// How often the backing may be moved before its place is given up: once brings it inside the engine's latency, unless
/// the reading was still settling.
const MAX_MOVES: usize = 3;

/// What to render.
#[derive(Clone, Debug)]
pub struct Render {
    /// The full mix.
    pub mix: PathBuf,
    /// The same song without the part that is wanted.
    pub backing: PathBuf,
    /// The file to write.
    pub out: PathBuf,
    /// One setting of every control, for the whole song.
    pub settings: Settings,
    /// How the file is written.
    pub bits: Bits,
    /// Replace the file if it exists.
    pub overwrite: bool,
}

/// What was found on the way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rendered {
    /// Sample rate of all files, Hz.
    pub sample_rate_hz: u32,
    /// How much later than the backing the mix plays the same music, samples.
    pub delay_samples: f64,
    /// True when the backing was found with its polarity flipped.
    pub inverted: bool,
    /// How far the backing is down in the difference, dB: the median over the song of what the engine reported.
    pub null_depth_db: Option<f32>,
    /// Part of the song with a backing over which the lock held, 0 to 1.
    pub locked: f64,
    /// Samples of either file that were not finite and counted as silence.
    pub bad_samples: u64,
    /// Samples that had to be clipped to fit a 24-bit file.
    pub clipped_samples: u64,
}

/// Renders one song. `progress` is told how much is done, 0 to 1, and can break off.
///
/// Two passes: the first learns the match over the whole song, the second starts with it, so that the first bars are
/// subtracted too. The output starts and ends with the mix. It appears whole, or not at all.
pub fn render(request: &Render, progress: &mut dyn FnMut(f64) -> ControlFlow<()>) -> Result<Rendered> {
    check_writable(&request.out, request.overwrite)?;
    for input in [&request.mix, &request.backing] {
        ensure!(
            !same_file(input, &request.out),
            "{}: is one of the inputs; choose another name",
            request.out.display()
        );
    }

    // First pass: learn, moving the backing until it lies within reach of the engine's latency.
    check_fit(request)?;
    let mut advance_samples = far_offset_samples(&request.mix, &request.backing)?;
    let mut moves = 0;
    let first = loop {
        let mut late_samples = 0.0;
        let first = play(request, advance_samples, None, &mut |block| {
            if block.readings.lock == Lock::TooLate && moves < MAX_MOVES {
                late_samples = block.readings.late_samples;
                return Ok(ControlFlow::Break(()));
            }
            report(progress, block.done / 2.0)
        })?;
        if late_samples <= 0.0 {
            break first;
        }
        advance_samples += late_samples.ceil() as i64;
        moves += 1;
    };
    let listen = request.settings.listen;
    if listen != Listen::Mix {
        ensure!(
            first.locked_blocks > 0,
            "{}: was not found in {}; check that both are the same song from the same master, \
             and start within 10 seconds of each other",
            request.backing.display(),
            request.mix.display()
        );
    }

    // Second pass: subtract.
    let mut writer = AudioWriter::create(
        &request.out,
        first.num_channels,
        first.sample_rate_hz,
        request.bits,
        request.overwrite,
    )?;
    let mut depths_db = Vec::new();
    let second = play(request, advance_samples, Some(&first.engine), &mut |block| {
        writer.write(block.output)?;
        depths_db.extend(block.readings.null_depth_db);
        report(progress, 0.5 + block.done / 2.0)
    })?;
    let readings = second.engine.readings();
    Ok(Rendered {
        sample_rate_hz: second.sample_rate_hz,
        delay_samples: readings.delay_samples - advance_samples as f64,
        inverted: readings.inverted,
        null_depth_db: median(depths_db),
        locked: second.locked_blocks as f64 / second.backed_blocks.max(1) as f64,
        bad_samples: readings.bad_samples,
        clipped_samples: writer.finish("")?,
    })
}

/// One block on its way out.
struct Block<'a> {
    output: &'a [&'a [f32]],
    readings: &'a Readings,
    done: f64,
}

/// What a pass leaves behind.
struct Pass {
    engine: Engine,
    sample_rate_hz: u32,
    num_channels: usize,
    num_samples: u64,
    backed_blocks: usize,
    locked_blocks: usize,
}

/// Refuses files that cannot be compared sample by sample.
fn check_fit(request: &Render) -> Result<()> {
    let [mix_hz, backing_hz] = [AudioReader::open(&request.mix)?, AudioReader::open(&request.backing)?]
        .map(|file| file.sample_rate_hz());
    ensure!(
        mix_hz == backing_hz,
        "{} has {mix_hz} Hz but {} has {backing_hz} Hz; convert one to the rate of the other",
        request.mix.display(),
        request.backing.display()
    );
    Ok(())
}

/// Plays both files through an engine once, the backing earlier by some samples, or later if they are negative, and
/// hands out the output with the latency taken off. Starts with the match of `teacher`, if there is one.
fn play(
    request: &Render,
    advance_samples: i64,
    teacher: Option<&Engine>,
    each: &mut dyn FnMut(Block) -> Result<ControlFlow<()>>,
) -> Result<Pass> {
    let mut mix = AudioReader::open(&request.mix)?;
    let mut backing = AudioReader::open(&request.backing)?;
    let (sample_rate_hz, num_channels) = (mix.sample_rate_hz(), mix.num_channels());
    let mut engine = Engine::new(f64::from(sample_rate_hz), num_channels)
        .with_context(|| request.mix.display().to_string())?;
    if let Some(teacher) = teacher {
        ensure!(engine.recall(teacher.learned()), "the match that was learned is not usable");
    }

    let mut mix_block = vec![vec![0.0; BLOCK_SAMPLES]; num_channels];
    let mut backing_block = vec![vec![0.0; BLOCK_SAMPLES]; backing.num_channels()];
    backing.advance(advance_samples)?;

    let mut worker = Inline::default();
    let mut num_samples = 0;
    let mut mix_ended = false;
    // Output still to be dropped at the start, and output already handed out.
    let mut latency_left = engine.latency_samples();
    let mut written_samples = 0;
    let (mut backed_blocks, mut locked_blocks) = (0, 0);
    while !mix_ended || written_samples < num_samples {
        let count = mix.read(&mut mix_block)?;
        num_samples += count as u64;
        mix_ended = count < BLOCK_SAMPLES;
        backing.read(&mut backing_block)?;

        let mut in_and_out: Vec<_> = mix_block.iter_mut().map(|channel| channel.as_mut_slice()).collect();
        let backing_channels: Vec<_> = backing_block.iter().map(|channel| channel.as_slice()).collect();
        engine.process(&mut in_and_out, &backing_channels, &request.settings, &mut worker);

        let lock = engine.readings().lock;
        backed_blocks += usize::from(lock != Lock::NoBacking);
        locked_blocks += usize::from(lock == Lock::Locked);
        let start = latency_left.min(BLOCK_SAMPLES);
        latency_left -= start;
        let end = BLOCK_SAMPLES.min(start + (num_samples - written_samples) as usize);
        written_samples += (end - start) as u64;
        let output: Vec<_> = mix_block.iter().map(|channel| &channel[start..end]).collect();
        let expected = mix.promised_samples().unwrap_or(num_samples).max(num_samples);
        let done = written_samples as f64 / expected as f64;
        if each(Block { output: &output, readings: engine.readings(), done })?.is_break() {
            break;
        }
    }
    Ok(Pass { engine, sample_rate_hz, num_channels, num_samples, backed_blocks, locked_blocks })
}

fn report(progress: &mut dyn FnMut(f64) -> ControlFlow<()>, done: f64) -> Result<ControlFlow<()>> {
    if progress(done).is_break() {
        bail!("stopped; nothing was written");
    }
    Ok(ControlFlow::Continue(()))
}

fn same_file(a: &Path, b: &Path) -> bool {
    matches!((fs::canonicalize(a), fs::canonicalize(b)), (Ok(a), Ok(b)) if a == b)
}

fn median(mut values: Vec<f32>) -> Option<f32> {
    values.sort_by(f32::total_cmp);
    values.get(values.len() / 2).copied()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        audio_files::{read_all, write_all},
        noise::samples,
    };

    /// Whatever the distance between the starts, the backing goes: nearer than the engine looks, later than its
    /// latency covers, and further away than it looks on either side.
    #[test]
    fn any_distance_is_bridged() {
        const RATE_HZ: u32 = 8_000;
        let song = samples(1, 12 * RATE_HZ as usize);
        let silence = |samples: i64| vec![0.0; samples.max(0) as usize];
        let folder = tempfile::tempdir().unwrap();
        let [mix, backing, out] = ["mix.wav", "backing.wav", "out.wav"].map(|name| folder.path().join(name));
        for delay in [0, 4_000, -12_345, 100_000, -100_000] {
            let in_mix = [silence(delay), song.clone()].concat();
            write_all(&mix, RATE_HZ, std::slice::from_ref(&in_mix)).unwrap();
            write_all(&backing, RATE_HZ, &[[silence(-delay), song.clone()].concat()]).unwrap();
            let request = Render {
                mix: mix.clone(),
                backing: backing.clone(),
                out: out.clone(),
                settings: Settings::default(),
                bits: Bits::Float,
                overwrite: true,
            };
            let rendered = render(&request, &mut |_| ControlFlow::Continue(())).unwrap();
            assert!((rendered.delay_samples - delay as f64).abs() < 0.1, "{delay}: {rendered:?}");
            let (left, _) = read_all(&out).unwrap();
            assert_eq!(left[0].len(), in_mix.len());
            let energy = |signal: &[f32]| signal.iter().map(|x| x * x).sum::<f32>();
            // The first moments of a song may pass while the recalled place is confirmed; all the rest goes.
            let rest = &left[0][left[0].len() - 10 * RATE_HZ as usize..];
            let down_db = 10.0 * (energy(rest) / energy(&song)).log10();
            assert!(down_db < -60.0, "{down_db} dB left at {delay}");
        }
    }
}
