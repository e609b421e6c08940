//! Audio files: read block by block, so that length costs no memory, and written whole or not at all.

#[cfg(test)]
mod damage;
mod dither;
#[cfg(test)]
mod formats;
pub mod mp4_edit;
mod ogg_end;
mod opus;
mod place;
mod read;
mod resample;
pub mod rf64;
mod sbr;
mod write;

use std::path::Path;

use anyhow::Result;

pub use place::{Place, check_writable, folder_of, write_file};
pub use read::{AudioReader, FORMATS};
pub use write::{AudioWriter, Bits};

/// Writes a whole signal, `[channel_idx][sample_idx]`, as a float WAV file, replacing what was there.
pub fn write_all(path: &Path, sample_rate_hz: u32, signal: &[Vec<f32>]) -> Result<()> {
    let mut writer = AudioWriter::create(path, signal.len(), sample_rate_hz, Bits::Float, true)?;
    writer.write(&signal.iter().map(|channel| channel.as_slice()).collect::<Vec<_>>())?;
    writer.finish("").map(drop)
}

/// Reads a whole file, `[channel_idx][sample_idx]`, and its sample rate, Hz.
pub fn read_all(path: &Path) -> Result<(Vec<Vec<f32>>, u32)> {
    let mut reader = AudioReader::open(path)?;
    let mut signal = vec![Vec::new(); reader.num_channels()];
    let mut block = vec![vec![0.0; 65_536]; reader.num_channels()];
    loop {
        let count = reader.read(&mut block)?;
        if count == 0 {
            return Ok((signal, reader.sample_rate_hz()));
        }
        for (signal, block) in signal.iter_mut().zip(&block) {
            signal.extend_from_slice(&block[..count]);
        }
    }
}
