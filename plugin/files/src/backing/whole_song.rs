//! A song read into memory, since any bar may come again anywhere.

use std::path::Path;

use anyhow::{Result, ensure};
use minuend_repeats::Song;

use crate::{
    ending::{Ending, NOT_FOUND},
    read::{AudioReader, is_silent},
    report::clock,
};

/// Longest song, samples: 20 minutes at 48 kHz. Such a one takes about 1.3 GiB of memory, and the time grows with the square.
const MAX_SAMPLES: u64 = 20 * 60 * 48_000;
/// Shortest song, s: twice what is looked for.
const LEAST_S: f64 = 4.0;

/// Reads a song.
pub fn read_song(path: &Path) -> Result<Song> {
    let shown = path.display();
    let mut reader = AudioReader::open(path)?;
    let rate_hz = reader.sample_rate_hz();
    let too_long = |samples: u64| {
        let s = |samples: u64| clock(samples as f64 / f64::from(rate_hz), 0);
        format!(
            "{shown}: is {} long, and this looks at all of a song at once: up to {} at {rate_hz} Hz, in 1.3 GiB of memory; cut it \
             into songs",
            s(samples),
            s(MAX_SAMPLES)
        )
    };
    if let Some(promised) = reader.promised_samples().filter(|&promised| promised > MAX_SAMPLES) {
        return Err(anyhow::anyhow!(too_long(promised)));
    }
    if is_silent(path)? {
        return Err(
            Ending::new(NOT_FOUND, format!("{shown}: is silent; name a song that can be heard")).into()
        );
    }
    let mut channels = vec![Vec::new(); reader.num_channels()];
    let mut block = vec![vec![0.0; 65_536]; reader.num_channels()];
    loop {
        let count = reader.read(&mut block)?;
        if count == 0 {
            break;
        }
        for (channel, block) in channels.iter_mut().zip(&block) {
            channel.extend_from_slice(&block[..count]);
        }
        ensure!(channels[0].len() as u64 <= MAX_SAMPLES, too_long(channels[0].len() as u64));
    }
    channels.iter_mut().for_each(Vec::shrink_to_fit);
    let seconds = channels[0].len() as f64 / f64::from(rate_hz);
    if seconds < LEAST_S {
        let message = format!(
            "{shown}: is {seconds:.1} s long, too short for anything to come again; name a song of {LEAST_S} s or more"
        );
        return Err(Ending::new(NOT_FOUND, message).into());
    }
    Ok(Song::new(channels, rate_hz.into()))
}
