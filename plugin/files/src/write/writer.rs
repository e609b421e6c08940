//! WAV files, written as they come and put in their place when they are whole.

use std::{
    fs::File,
    io::{BufWriter, Seek, SeekFrom, Write},
    path::Path,
};

use anyhow::{Context, Result};
use clap::ValueEnum;

use super::{dither::Dither, place::Place};

/// How samples are written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum Bits {
    /// 16-bit integer with dither; what passes full scale is clipped and counted.
    #[value(name = "16")]
    Int16,
    /// 24-bit integer with dither; what passes full scale is clipped and counted.
    #[value(name = "24")]
    Int24,
    /// 32-bit float: nothing is lost.
    #[default]
    Float,
}

impl Bits {
    fn bytes(self) -> u16 {
        match self {
            Self::Int16 => 2,
            Self::Int24 => 3,
            Self::Float => 4,
        }
    }
}

/// A WAV file that is being written, beside its place; it appears there when it is finished, and not at all when
/// this is dropped before.
///
/// Up to 4 GiB it is RIFF WAVE (Microsoft and IBM 1991, with the formats of "Multiple channel audio data and WAVE
/// files", Microsoft 2001), beyond that RF64 (EBU Tech 3306): room for the long sizes is kept as a JUNK chunk until they
/// are needed.
pub struct AudioWriter {
    place: Place,
    file: BufWriter<File>,
    num_channels: u16,
    sample_rate_hz: u32,
    bits: Bits,
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
            num_channels: num_channels as u16,
            sample_rate_hz,
            bits,
            num_samples: 0,
            dither,
        };
        let header = writer.header(0);
        writer.put(&header)?;
        Ok(writer)
    }

    /// Appends samples, one slice of equal length a channel.
    pub fn write(&mut self, block: &[&[f32]]) -> Result<()> {
        let len = block.first().map_or(0, |channel| channel.len());
        let mut bytes = Vec::with_capacity(len * block.len() * 4);
        for i in 0..len {
            for (channel, dither) in block.iter().zip(&mut self.dither) {
                match self.bits {
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
        let data_bytes = self.data_bytes();
        let mut tail = vec![0; (data_bytes % 2) as usize];
        tail.extend(info(&[(b"ISFT", concat!("Minuend ", env!("CARGO_PKG_VERSION"))), (b"ICMT", comment)]));
        self.put(&tail)?;
        let header = self.header(tail.len() as u64);
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

    fn data_bytes(&self) -> u64 {
        self.num_samples * u64::from(self.num_channels * self.bits.bytes())
    }

    /// Everything up to the samples, always of the same length, for what has been written so far and so many bytes after
    /// the samples.
    fn header(&self, tail_bytes: u64) -> Vec<u8> {
        const PCM: u16 = 1;
        const FLOAT: u16 = 3;
        const EXTENSIBLE: u16 = 0xfffe;
        let bytes = self.bits.bytes();
        let frame = self.num_channels * bytes;
        let kind = if self.bits == Bits::Float { FLOAT } else { PCM };
        // More than 16 bits need the extensible format by the letter of it.
        let tag = if self.bits == Bits::Int24 { EXTENSIBLE } else { kind };
        let mut format = Vec::new();
        format.extend(tag.to_le_bytes());
        format.extend(self.num_channels.to_le_bytes());
        format.extend(self.sample_rate_hz.to_le_bytes());
        format.extend(self.sample_rate_hz.wrapping_mul(u32::from(frame)).to_le_bytes());
        format.extend(frame.to_le_bytes());
        format.extend((bytes * 8).to_le_bytes());
        if tag == EXTENSIBLE {
            format.extend(22u16.to_le_bytes());
            format.extend((bytes * 8).to_le_bytes());
            // Front centre, or front left and right.
            let speakers: u32 = if self.num_channels == 1 { 0x4 } else { 0x3 };
            format.extend(speakers.to_le_bytes());
            format.extend(kind.to_le_bytes());
            format.extend(b"\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71");
        } else if tag != PCM {
            format.extend(0u16.to_le_bytes());
        }

        let mut chunks = chunk(b"fmt ", &format);
        if kind != PCM {
            let samples = u32::try_from(self.num_samples).unwrap_or(u32::MAX);
            chunks.extend(chunk(b"fact", &samples.to_le_bytes()));
        }
        let data_bytes = self.data_bytes();
        const LONG_SIZES: usize = 28;
        // After the form's name: the room for long sizes, the chunks, the samples, what follows.
        let riff_bytes = 4 + (8 + LONG_SIZES + chunks.len() + 8) as u64 + data_bytes + tail_bytes;
        let is_long = u32::try_from(riff_bytes).is_err();
        let short = |bytes: u64| if is_long { u32::MAX } else { bytes as u32 }.to_le_bytes();

        let mut header = Vec::new();
        header.extend(if is_long { b"RF64" } else { b"RIFF" });
        header.extend(short(riff_bytes));
        header.extend(b"WAVE");
        let mut sizes = vec![0; LONG_SIZES];
        if is_long {
            sizes[..8].copy_from_slice(&riff_bytes.to_le_bytes());
            sizes[8..16].copy_from_slice(&data_bytes.to_le_bytes());
            sizes[16..24].copy_from_slice(&self.num_samples.to_le_bytes());
        }
        header.extend(chunk(if is_long { b"ds64" } else { b"JUNK" }, &sizes));
        header.extend(chunks);
        header.extend(b"data");
        header.extend(short(data_bytes));
        header
    }
}

/// A chunk of a few bytes.
fn chunk(id: &[u8; 4], content: &[u8]) -> Vec<u8> {
    let mut chunk = id.to_vec();
    chunk.extend((content.len() as u32).to_le_bytes());
    chunk.extend(content);
    chunk.resize(chunk.len().next_multiple_of(2), 0);
    chunk
}

/// A list of texts about the file, each ending in a zero.
fn info(texts: &[(&[u8; 4], &str)]) -> Vec<u8> {
    let mut list = b"INFO".to_vec();
    for (id, text) in texts {
        list.extend(chunk(id, &[text.as_bytes(), &[0]].concat()));
    }
    chunk(b"LIST", &list)
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
    use crate::read::{read_all, rf64};

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

    /// EBU Tech 3306: `RF64`, sizes of all ones in the 32-bit fields, and `ds64` first with the sizes of the form, of the
    /// samples, and the number of samples.
    #[test]
    fn beyond_four_gibibytes_the_sizes_are_long() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("out.wav");
        let mut writer = AudioWriter::create(&path, 2, 96_000, Bits::Float, true).unwrap();
        let short = writer.header(0);
        writer.num_samples = 3 * 3600 * 96_000;
        let long = writer.header(100);
        assert_eq!(long.len(), short.len());
        let data_bytes = 3 * 3600 * 96_000 * 8u64;
        let riff_bytes = long.len() as u64 - 8 + data_bytes + 100;
        assert_eq!(long[..12], *b"RF64\xff\xff\xff\xffWAVE");
        assert_eq!(long[12..20], *b"ds64\x1c\0\0\0");
        assert_eq!(long[20..28], riff_bytes.to_le_bytes());
        assert_eq!(long[28..36], data_bytes.to_le_bytes());
        assert_eq!(long[36..44], writer.num_samples.to_le_bytes());
        assert_eq!(long[44..48], [0; 4], "no table of other long chunks");
        assert_eq!(long[long.len() - 8..], *b"data\xff\xff\xff\xff");
        let read = rf64::long_sizes(&mut std::io::Cursor::new(&long)).unwrap();
        assert_eq!(read.map(|sizes| sizes.num_samples), Some(writer.num_samples));
        // The last size that fits into 32 bits, and the next.
        let room = u64::from(u32::MAX) - (short.len() as u64 - 8);
        writer.num_samples = room / 8;
        assert_eq!(writer.header(room % 8)[..4], *b"RIFF");
        assert_eq!(writer.header(room % 8 + 1)[..4], *b"RF64");
        drop(writer);
        assert_eq!(
            fs::read_dir(folder.path()).unwrap().count(),
            0,
            "a file that was not finished is left behind"
        );
    }
}
