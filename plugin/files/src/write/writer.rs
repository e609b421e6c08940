//! WAV files, written as they come and put in their place when they are whole.

use std::{
    fs::File,
    io::{BufWriter, Seek, SeekFrom, Write},
    path::Path,
};

use anyhow::{Context, Result};

use super::{
    dither::Dither,
    place::Place,
    wav::{Bits, Wav, info},
};

/// A WAV file that is being written, beside its place; it appears there when it is finished, and not at all when
/// this is dropped before.
pub struct AudioWriter {
    place: Place,
    file: BufWriter<File>,
    wav: Wav,
    num_samples: u64,
    dither: Vec<Dither>,
}

impl AudioWriter {
    /// Starts a file. Refuses a name that exists unless `overwrite` is set.
    pub fn create(
        path: &Path,
        num_channels: usize,
        sample_rate_hz: u32,
        bits: Bits,
        overwrite: bool,
    ) -> Result<Self> {
        let place = Place::new(path, overwrite)?;
        let file =
            place.file().try_clone().with_context(|| format!("{}: cannot be written", path.display()))?;
        // A dither of its own for each side: the same on both would sit in the middle.
        let dither = (0..num_channels).map(|side| Dither::new(side, u32::from(bits.bytes()) * 8)).collect();
        let mut writer = Self {
            file: BufWriter::with_capacity(1 << 18, file),
            place,
            wav: Wav { num_channels: num_channels as u16, sample_rate_hz, bits },
            num_samples: 0,
            dither,
        };
        let header = writer.wav.header(0, 0);
        writer.put(&header)?;
        Ok(writer)
    }

    /// Appends samples, one slice of equal length a channel.
    pub fn write(&mut self, block: &[&[f32]]) -> Result<()> {
        let len = block.first().map_or(0, |channel| channel.len());
        let mut bytes = Vec::with_capacity(len * block.len() * 4);
        for i in 0..len {
            for (channel, dither) in block.iter().zip(&mut self.dither) {
                match self.wav.bits {
                    Bits::Float => bytes.extend(channel[i].to_le_bytes()),
                    bits => {
                        let sample = dither.quantise(channel[i]).to_le_bytes();
                        bytes.extend(&sample[..usize::from(bits.bytes())]);
                    }
                }
            }
        }
        self.num_samples += len as u64;
        self.put(&bytes)
    }

    /// Completes the file with a comment of where it comes from, and puts it in its place. Returns how many samples
    /// were clipped.
    pub fn finish(mut self, comment: &str) -> Result<u64> {
        let data_bytes = self.wav.data_bytes(self.num_samples);
        let mut tail = vec![0; (data_bytes % 2) as usize];
        tail.extend(info(&[(b"ISFT", concat!("Minuend ", env!("CARGO_PKG_VERSION"))), (b"ICMT", comment)]));
        self.put(&tail)?;
        let header = self.wav.header(self.num_samples, tail.len() as u64);
        let full = |shown: &Path| format!("{}: cannot be written; is the disk full?", shown.display());
        self.file.seek(SeekFrom::Start(0)).with_context(|| full(self.place.path()))?;
        self.put(&header)?;
        self.file.flush().with_context(|| full(self.place.path()))?;
        let clipped = self.dither.iter().map(|dither| dither.clipped_samples).sum();
        self.place.take()?;
        Ok(clipped)
    }

    fn put(&mut self, bytes: &[u8]) -> Result<()> {
        self.file
            .write_all(bytes)
            .with_context(|| format!("{}: cannot be written; is the disk full?", self.place.path().display()))
    }
}

/// Writes a whole signal, `[channel_idx][sample_idx]`, as a float WAV file, replacing what was there.
pub fn write_all(path: &Path, sample_rate_hz: u32, signal: &[Vec<f32>]) -> Result<()> {
    let mut writer = AudioWriter::create(path, signal.len(), sample_rate_hz, Bits::Float, true)?;
    writer.write(&signal.iter().map(|channel| channel.as_slice()).collect::<Vec<_>>())?;
    writer.finish("").map(drop)
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;
    use crate::read::read_all;

    fn write(path: &Path, signal: &[Vec<f32>], bits: Bits) -> u64 {
        let mut writer = AudioWriter::create(path, signal.len(), 48_000, bits, true).unwrap();
        writer.write(&signal.iter().map(Vec::as_slice).collect::<Vec<_>>()).unwrap();
        writer.finish("where it comes from").unwrap()
    }

    /// Another library reads what was written, and finds what was promised.
    #[test]
    fn others_read_what_is_written() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("out.wav");
        let ramp: Vec<f32> = (-500..501).map(|n| n as f32 / 500.0).collect();
        for num_channels in [1, 2] {
            let signal = vec![ramp.clone(); num_channels];
            for (bits, format) in [
                (Bits::Int16, hound::SampleFormat::Int),
                (Bits::Int24, hound::SampleFormat::Int),
                (Bits::Float, hound::SampleFormat::Float),
            ] {
                assert_eq!(write(&path, &signal, bits), 0);
                let file = hound::WavReader::open(&path).unwrap();
                let bits_per_sample = bits.bytes() * 8;
                assert_eq!(
                    file.spec(),
                    hound::WavSpec {
                        channels: num_channels as u16,
                        sample_rate: 48_000,
                        bits_per_sample,
                        sample_format: format,
                    }
                );
                assert_eq!(file.duration(), 1001);
                let (found, _) = read_all(&path).unwrap();
                // Rounding by half a step, dither by one, and the top step that is not there.
                let step = if bits == Bits::Float { 0.0 } else { 2f32.powi(1 - i32::from(bits_per_sample)) };
                for (found, expected) in found.iter().flatten().zip(signal.iter().flatten()) {
                    assert!((found - expected).abs() <= 1.5 * step, "{found}, not {expected}");
                }
            }
        }
    }

    /// The chunks of a file of three samples, one channel of 24 bits: sizes, padding and texts by the RIFF rules.
    #[test]
    fn chunks_fill_the_file_exactly() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("out.wav");
        write(&path, &[vec![0.0, 0.5, -0.5]], Bits::Int24);
        let bytes = fs::read(&path).unwrap();
        let size = |at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap()) as usize;
        assert_eq!((&bytes[..4], &bytes[8..12], size(4)), (&b"RIFF"[..], &b"WAVE"[..], bytes.len() - 8));
        let mut at = 12;
        let mut chunks = Vec::new();
        while at < bytes.len() {
            chunks.push((bytes[at..at + 4].to_vec(), size(at + 4)));
            at += 8 + size(at + 4).next_multiple_of(2);
        }
        assert_eq!(at, bytes.len());
        let expected = [(b"JUNK", 28), (b"fmt ", 40), (b"data", 9), (b"LIST", chunks[3].1)];
        assert_eq!(chunks, expected.map(|(id, size)| (id.to_vec(), size)));
        let text = String::from_utf8_lossy(&bytes);
        assert!(text.contains(concat!("Minuend ", env!("CARGO_PKG_VERSION"), "\0")), "{text}");
        assert!(text.contains("where it comes from\0"), "{text}");
    }

    #[test]
    fn a_file_that_is_not_finished_is_not_left_behind() {
        let folder = tempfile::tempdir().unwrap();
        let mut writer =
            AudioWriter::create(&folder.path().join("out.wav"), 1, 48_000, Bits::Float, true).unwrap();
        writer.write(&[&[0.5; 100_000]]).unwrap();
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
        drop(writer);
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
    }
}
