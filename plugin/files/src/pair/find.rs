//! The order of the work.

use std::{
    io::Write,
    num::NonZeroUsize,
    ops::ControlFlow,
    path::{Path, PathBuf},
};

use anyhow::{Context, Result};
use minuend_pairs::{Comparison, Fingerprint, MOST_SAMPLES, RATE_HZ, Relation, Search};

use super::{
    audio_in,
    found::{Found, Related},
    list::list,
    store::{Store, Stored},
};
use crate::{
    ending::Ending,
    parallel::{in_parallel, jobs_at_a_time},
    progress::Progress,
    read::AudioReader,
    write::{NewFolders, Place, folder_of},
};

/// What is asked for.
pub struct FindPairs {
    /// The folder of the files.
    pub folder: PathBuf,
    /// The list to write.
    pub list: PathBuf,
    /// Replace a list that exists.
    pub overwrite: bool,
    /// Files at a time.
    pub jobs: Option<NonZeroUsize>,
}

/// What reading all files takes of the whole, and comparing each with each, of 500 files of 4 minutes.
const READING: f64 = 0.85;
const COMPARING: f64 = 0.05;

/// Finds pairs, and writes a list of them unless there are none. `progress` is told how much is done, 0 to 1, and can break off.
pub fn find_pairs(request: &FindPairs, progress: &mut Progress) -> Result<Found> {
    let files = audio_in(&request.folder)?;
    let _folders = NewFolders::for_files([&*request.list])?;
    let place = Place::new(&request.list, request.overwrite)?;
    let jobs = jobs_at_a_time(request.jobs);
    let store = Store::new()?;
    let step = |from: f64, share: f64| {
        move |progress: &mut Progress, done: &[f64]| {
            progress(from + share * done.iter().sum::<f64>() / done.len().max(1) as f64)
        }
    };

    let reading = step(0.0, READING);
    let read = in_parallel(
        &files,
        jobs,
        &|file, progress| read(file, &store, progress),
        &mut |_, _| (),
        &mut |done| reading(progress, done),
    )?;
    let mut unreadable = Vec::new();
    let (mut names, mut fingerprints, mut stored) = (Vec::new(), Vec::new(), Vec::new());
    for (file, read) in files.iter().zip(read) {
        match read {
            Ok((fingerprint, place)) => {
                names.push(file.clone());
                fingerprints.push(fingerprint);
                stored.push(place);
            }
            Err(error) => unreadable.push(format!("{error:#}")),
        }
    }

    let search = Search::new(&fingerprints);
    let all: Vec<usize> = (0..fingerprints.len()).collect();
    let comparing = step(READING, COMPARING);
    let candidates =
        in_parallel(&all, jobs, &|&first, _| Ok(search.candidates_of(first)), &mut |_, _| (), &mut |done| {
            comparing(progress, done)
        })?;
    let candidates = Search::best(candidates.into_iter().flatten().flatten().collect());

    let proving = step(READING + COMPARING, 1.0 - READING - COMPARING);
    let compare = |candidate: &minuend_pairs::Candidate, _: &mut Progress| -> Result<_> {
        let [first, second] = candidate.pair.map(|recording| store.read(stored[recording]));
        let comparison = Comparison::of([&first?, &second?], candidate.lag_samples);
        Ok(comparison.map(|comparison| Related { pair: candidate.pair, comparison }))
    };
    let compared =
        in_parallel(&candidates, jobs, &compare, &mut |_, _| (), &mut |done| proving(progress, done))?;
    let mut related = Vec::new();
    for compared in compared {
        related.extend(compared?.filter(|related| related.comparison.relation() != Relation::Different));
    }

    let found = Found { unreadable, ..Found::of(&names, &related) };
    if !found.pairs.is_empty() {
        let text = list(&found, folder_of(&request.list))?;
        let full = || format!("{}: cannot be written; is the disk full?", request.list.display());
        place.file().write_all(text.as_bytes()).with_context(full)?;
        place.take()?;
    }
    Ok(found)
}

/// What is compared of a file: the sum of its channels. The second one counts half, so that one side upside down cancels nothing.
fn read(file: &Path, store: &Store, progress: &mut Progress) -> Result<(Fingerprint, Stored)> {
    let mut reader = AudioReader::open_at(file, RATE_HZ)?;
    let mut block = vec![vec![0.0; 65_536]; reader.num_channels()];
    let mut signal = Vec::new();
    loop {
        let count = reader.read(&mut block)?;
        let sample =
            |n: usize| block.iter().zip([1.0, 0.5]).map(|(channel, share)| share * channel[n]).sum::<f32>();
        signal.extend((0..count).map(sample).map(|x| if x.is_finite() { x } else { 0.0 }));
        let promised = reader.promised_samples().unwrap_or(MOST_SAMPLES as u64).min(MOST_SAMPLES as u64);
        let done = signal.len() as f64 / promised.max(1) as f64;
        if progress(done.min(1.0)) == ControlFlow::Break(()) {
            return Err(Ending::stopped().into());
        }
        if count < block[0].len() || signal.len() >= MOST_SAMPLES {
            break;
        }
    }
    Ok((Fingerprint::of(&signal), store.add(&signal)?))
}
