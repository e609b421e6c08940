//! From a song to its backing: START HERE for the order of the work.

use std::{ops::Range, path::Path};

use anyhow::{Result, ensure};
use minuend_repeats::{Builder, Finder, Grade, Searchable, Segment, Sizes, Song, Stretch, similarity};

use super::{made::Made, request::MakeBacking, whole_song::read_song};
use crate::{
    ending::{Ending, NOT_FOUND},
    outputs::check_outputs,
    parallel::{in_parallel, jobs_at_a_time},
    progress::{Progress, tell},
    report::repeats_page,
    write::{AudioWriter, Container, NewFolders, write_file},
};

/// Segments that are looked for in one go.
const SEGMENTS: usize = 8;
/// Blocks that are built in one go: 10 s. What is added up does not depend on how many they are, but for the last bit.
const BLOCKS: usize = 20;
/// Shares of the work, as measured: reading and preparing, finding, building.
const SHARES: [f64; 3] = [0.1, 0.3, 0.6];

/// Makes a backing of a song from what repeats in it. `progress` is told how much is done, 0 to 1, and can break off.
///
/// # Errors
///
/// If the song does not repeat; then, as after every error, nothing is written.
pub fn make_backing(request: &MakeBacking, progress: &mut Progress) -> Result<Made> {
    for out in request.audio() {
        Container::of(out)?.check(out, request.bits_of(out))?;
    }
    let _folders = NewFolders::for_files(request.outputs())?;
    check_outputs(&request.outputs().collect::<Vec<_>>(), &[&request.song], request.overwrite)?;

    let song = read_song(&request.song)?;
    let sizes = Sizes::new(song.sample_rate_hz());
    let part = part_of(request, &song)?;
    let free = free_of(request, &song)?;
    ensure!(
        request.centre_percent == 0.0 || song.channels().len() == 2,
        "{}: is mono, so nothing in it is at the sides; leave out --centre",
        request.song.display()
    );

    let channels: Vec<usize> = (0..song.channels().len()).collect();
    let searchable = on_all(&channels, progress, 0, &|&channel: &usize, _: &mut Progress| {
        Ok(Searchable::new(&song, channel))
    })?;
    let blocks = Builder::blocks_of(&sizes, song.num_samples(), &part);
    let built = blocks.start * sizes.block_samples..blocks.end * sizes.block_samples;
    let starts = Finder::starts(&sizes, song.num_samples(), &built);
    let segments: Vec<Segment> = {
        let finder = Finder::new(song.sample_rate_hz(), searchable, &free);
        let starts: Vec<&[usize]> = starts.chunks(SEGMENTS).collect();
        let find = |starts: &&[usize], progress: &mut Progress| -> Result<Vec<Segment>> {
            let mut segments = Vec::new();
            for (idx, &start) in starts.iter().enumerate() {
                _ = tell(progress, idx as f64 / starts.len() as f64)?;
                segments.push(finder.find(&song, start));
            }
            Ok(segments)
        };
        on_all(&starts, progress, 1, &find)?.into_iter().flatten().collect()
    };
    let similarity = similarity(&segments);
    if Grade::of(similarity) == Grade::DoesNotRepeat {
        return Err(does_not_repeat(&request.song, similarity));
    }

    let builder =
        Builder { song: &song, segments: &segments, free: &free, centre: request.centre_percent / 100.0 };
    let parts: Vec<Range<usize>> =
        blocks.clone().step_by(BLOCKS).map(|first| first..(first + BLOCKS).min(blocks.end)).collect();
    let build = |blocks: &Range<usize>, progress: &mut Progress| -> Result<Stretch> {
        _ = tell(progress, 0.0)?;
        Ok(builder.build(blocks.clone()))
    };
    let mut stretches = on_all(&parts, progress, 2, &build)?;

    let mut made = Made {
        sample_rate_hz: song.sample_rate_hz() as u32,
        num_samples: part.len() as u64,
        similarity,
        blocks: stretches.iter_mut().flat_map(|stretch| std::mem::take(&mut stretch.blocks)).collect(),
        clipped_samples: 0,
    };
    let touches = |start: usize| start < part.end && start + sizes.block_samples > part.start;
    made.blocks.retain(|block| touches(block.start));
    write(request, &song, &part, stretches, &mut made)?;
    Ok(made)
}

/// One thing done to every item on all processors; the first error if there is any.
fn on_all<I: Sync, T: Send>(
    items: &[I],
    progress: &mut Progress,
    step: usize,
    one: &(dyn Fn(&I, &mut Progress) -> Result<T> + Sync),
) -> Result<Vec<T>> {
    let before: f64 = SHARES[..step].iter().sum();
    let mut all =
        |done: &[f64]| progress(before + SHARES[step] * done.iter().sum::<f64>() / done.len().max(1) as f64);
    in_parallel(items, jobs_at_a_time(None), one, &mut |_, _| (), &mut all)?.into_iter().collect()
}

/// The part that is wanted, samples.
fn part_of(request: &MakeBacking, song: &Song) -> Result<Range<usize>> {
    let rate_hz = song.sample_rate_hz();
    let part = (request.part_s.start * rate_hz).round() as usize
        ..((request.part_s.end * rate_hz).round() as usize).min(song.num_samples());
    ensure!(
        part.start < song.num_samples(),
        "{}: ends at {:.3} s, before the part from {:.3} s on; choose an earlier part",
        request.song.display(),
        song.num_samples() as f64 / rate_hz,
        request.part_s.start
    );
    ensure!(
        part.start < part.end,
        "the part from {:.3} s on is empty; let --to lie behind --from",
        request.part_s.start
    );
    Ok(part)
}

/// Passages without a voice, samples.
fn free_of(request: &MakeBacking, song: &Song) -> Result<Vec<Range<usize>>> {
    let samples = |s: f64| (s * song.sample_rate_hz()).round() as usize;
    let end_s = song.num_samples() as f64 / song.sample_rate_hz();
    for free in &request.free_s {
        ensure!(
            free.start < end_s,
            "{}: ends at {end_s:.3} s, before the passage of --free from {:.3} s on; check its times",
            request.song.display(),
            free.start
        );
    }
    Ok(request.free_s.iter().map(|free| samples(free.start)..samples(free.end)).collect())
}

fn does_not_repeat(song: &Path, similarity: f32) -> anyhow::Error {
    let message = format!(
        "{}: does not repeat ({similarity:.2} of 1, where 0.30 is the least), so most of the music would stay with the voice; \
         nothing was written. It is played, or its synthesizers never start alike. Look for the instrumental of the same release, \
         or have a machine take the backing out of the song, and give that to render (with --backing-is estimated)",
        song.display()
    );
    Ending::new(NOT_FOUND, message).into()
}

/// Writes what is asked for.
fn write(
    request: &MakeBacking,
    song: &Song,
    part: &Range<usize>,
    stretches: Vec<Stretch>,
    made: &mut Made,
) -> Result<()> {
    let create = |out: &Path| {
        AudioWriter::create(
            out,
            song.channels().len(),
            made.sample_rate_hz,
            request.bits_of(out),
            request.overwrite,
        )
    };
    let mut backing_file = create(&request.out)?;
    let mut vocal_file = request.vocal.as_deref().map(create).transpose()?;
    let overlap = Sizes::new(song.sample_rate_hz()).overlap_samples();
    let mut tail: Vec<Vec<f32>> = vec![vec![0.0; overlap]; song.channels().len()];
    for Stretch { start, mut channels, .. } in stretches {
        let done = channels[0].len() - overlap;
        for (channel, tail) in channels.iter_mut().zip(&mut tail) {
            channel.iter_mut().zip(&*tail).for_each(|(x, before)| *x += before);
            *tail = channel.split_off(done);
        }
        let wanted = |at: usize| (at as i64 - start).clamp(0, done as i64) as usize;
        let inside = wanted(part.start)..wanted(part.end);
        if inside.is_empty() {
            continue;
        }
        let from = (start + inside.start as i64) as usize;
        let mut backing: Vec<Vec<f32>> =
            channels.iter().map(|channel| channel[inside.clone()].to_vec()).collect();
        let rest = |(song, backing): (&Vec<f32>, &Vec<f32>)| -> Vec<f32> {
            song[from..].iter().zip(backing).map(|(song, backing)| song - backing).collect()
        };
        let mut vocal: Vec<Vec<f32>> = song.channels().iter().zip(&backing).map(rest).collect();
        for (file, channels) in [(Some(&mut backing_file), &mut backing), (vocal_file.as_mut(), &mut vocal)] {
            Song::to_sides(channels);
            if let Some(file) = file {
                file.write(&channels.iter().map(Vec::as_slice).collect::<Vec<_>>())?;
            }
        }
    }
    let origin = request.origin();
    made.clipped_samples = backing_file.finish(&format!("{origin}: {}", made.describe()))?;
    if let Some(file) = vocal_file {
        made.clipped_samples += file.finish(&format!("song minus {origin}: {}", made.describe()))?;
    }
    if let Some(report) = &request.report {
        write_file(report, repeats_page(request, made).as_bytes(), request.overwrite)?;
    }
    Ok(())
}
