//! Audio files, written as they come and put in their place when they are whole.

use std::{io, path::Path};

use anyhow::{Context, Result};

use super::{
    bits::Bits, container::Container, dither::Dither, flac::FlacWriter, place::Place, wav::Wav,
    wav_writer::WavWriter,
};

/// An audio file that is being written, beside its place; it appears there when it is finished, and not at all when
/// this is dropped before. Its name tells whether it is WAV or FLAC.
pub struct AudioWriter {
    place: Place,
    bits: Bits,
    samples: Samples,
    dither: Vec<Dither>,
}

enum Samples {
    Wav(WavWriter),
    Flac(Box<FlacWriter>),
}

impl AudioWriter {
    /// Starts a file. Refuses a name that exists unless `overwrite` is set, one that ends in another format's way, and
    /// samples that the format does not hold.
    pub fn create(
        path: &Path,
        num_channels: usize,
        sample_rate_hz: u32,
        bits: Bits,
        overwrite: bool,
    ) -> Result<Self> {
        let container = Container::of(path)?;
        container.check(path, bits)?;
        let place = Place::new(path, overwrite)?;
        let begin = || -> io::Result<Samples> {
            let file = place.file().try_clone()?;
            let num_channels = num_channels as u16;
            Ok(match container {
                Container::Wav => {
                    Samples::Wav(WavWriter::new(file, Wav { num_channels, sample_rate_hz, bits })?)
                }
                Container::Flac => {
                    Samples::Flac(Box::new(FlacWriter::new(file, num_channels, sample_rate_hz, bits)?))
                }
            })
        };
        let samples = begin().with_context(|| failed(&place))?;
        // A dither of its own for each side: the same on both would sit in the middle.
        let dither = (0..num_channels).map(|side| Dither::new(side, u32::from(bits.bytes()) * 8)).collect();
        Ok(Self { place, bits, samples, dither })
    }

    /// Appends samples, one slice of equal length a channel.
    pub fn write(&mut self, block: &[&[f32]]) -> Result<()> {
        let rounded = |(channel, dither): (&&[f32], &mut Dither)| {
            channel.iter().map(|&sample| dither.quantise(sample)).collect()
        };
        match &mut self.samples {
            Samples::Wav(wav) if self.bits == Bits::Float => wav.write_floats(block),
            samples => {
                let integers: Vec<Vec<i32>> = block.iter().zip(&mut self.dither).map(rounded).collect();
                match samples {
                    Samples::Wav(wav) => wav.write_integers(&integers),
                    Samples::Flac(flac) => flac.write(&integers),
                }
            }
        }
        .with_context(|| failed(&self.place))
    }

    /// Completes the file with a comment of where it comes from, and puts it in its place. Returns how many samples
    /// were clipped.
    pub fn finish(self, comment: &str) -> Result<u64> {
        match self.samples {
            Samples::Wav(wav) => wav.finish(comment),
            Samples::Flac(flac) => flac.finish(comment),
        }
        .with_context(|| failed(&self.place))?;
        self.place.take()?;
        Ok(self.dither.iter().map(|dither| dither.clipped_samples).sum())
    }
}

/// What is said when a file cannot be written.
fn failed(place: &Place) -> String {
    format!("{}: cannot be written; is the disk full?", place.path().display())
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

    /// The same samples to the bit as in a WAV, by a decoder that is not the encoder's and compares them with the checksum of
    /// what was encoded: noise as loud as it can be, which nothing predicts, and a ramp, which everything does; in blocks as
    /// they come, ending anywhere.
    #[test]
    fn a_flac_is_the_wav_bit_for_bit() {
        let folder = tempfile::tempdir().unwrap();
        let [wav, flac] = ["out.wav", "out.flac"].map(|name| folder.path().join(name));
        let noise: Vec<f32> = crate::noise::samples(1, 12_345).iter().map(|x| 2.0 * x).collect();
        let ramp: Vec<f32> = (0..12_345).map(|n| n as f32 / 12_345.0).collect();
        for (signal, length) in [
            (vec![noise.clone()], 1),
            (vec![noise.clone(), ramp.clone()], 4096),
            (vec![ramp.clone(), ramp], 12_345),
            (vec![noise], 12_345),
        ] {
            for bits in [Bits::Int16, Bits::Int24] {
                for path in [&wav, &flac] {
                    let mut writer = AudioWriter::create(path, signal.len(), 44_100, bits, true).unwrap();
                    for start in (0..length).step_by(1000) {
                        let part = start..length.min(start + 1000);
                        let block: Vec<_> = signal.iter().map(|channel| &channel[part.clone()]).collect();
                        writer.write(&block).unwrap();
                    }
                    assert_eq!(writer.finish("where it comes from").unwrap(), 0);
                }
                let found = read_all(&flac).unwrap();
                assert_eq!((found.0[0].len(), found.1), (length, 44_100));
                assert!(found == read_all(&wav).unwrap(), "{} samples, {bits:?}", length);
            }
        }
    }

    /// Their tags stand in front, under the names of the Vorbis comment (RFC 9639, 8.6), however long they are.
    #[test]
    fn a_flac_says_where_it_comes_from() {
        use flac_codec::metadata::{VorbisComment, block};
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("out.flac");
        for comment in ["", "where it comes from", &"long names ".repeat(1000)] {
            let mut writer = AudioWriter::create(&path, 1, 48_000, Bits::Int16, true).unwrap();
            writer.write(&[&[0.5; 10_000]]).unwrap();
            writer.finish(comment).unwrap();
            let found: VorbisComment = block(&path).unwrap().unwrap();
            assert_eq!(found.get("COMMENT"), Some(comment));
            assert_eq!(found.get("ENCODER"), Some(super::super::PROGRAM));
            assert_eq!(read_all(&path).unwrap().0[0].len(), 10_000);
        }
    }

    #[test]
    fn a_file_that_is_not_finished_is_not_left_behind() {
        let folder = tempfile::tempdir().unwrap();
        for (name, bits) in [("out.wav", Bits::Float), ("out.flac", Bits::Int24)] {
            let mut writer = AudioWriter::create(&folder.path().join(name), 1, 48_000, bits, true).unwrap();
            writer.write(&[&[0.5; 100_000]]).unwrap();
            assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
            drop(writer);
            assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
        }
    }
}
