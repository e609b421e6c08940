//! WAV files, written as they come.

use std::{
    fs::File,
    io::{BufWriter, Result, Seek, SeekFrom, Write},
};

use super::wav::{Wav, info};

/// A WAV file that is being written.
pub struct WavWriter {
    file: BufWriter<File>,
    wav: Wav,
    num_samples: u64,
}

impl WavWriter {
    /// Starts it.
    pub fn new(file: File, wav: Wav) -> Result<Self> {
        let mut file = BufWriter::with_capacity(1 << 18, file);
        file.write_all(&wav.header(0, 0))?;
        Ok(Self { file, wav, num_samples: 0 })
    }

    /// Appends float samples, one slice of equal length a channel.
    pub fn write_floats(&mut self, block: &[&[f32]]) -> Result<()> {
        let len = block.first().map_or(0, |channel| channel.len());
        let mut bytes = Vec::with_capacity(4 * len * block.len());
        for n in 0..len {
            block.iter().for_each(|channel| bytes.extend_from_slice(&channel[n].to_le_bytes()));
        }
        self.put(len, bytes)
    }

    /// Appends samples that were rounded to integers, `[channel_idx][sample_idx]`.
    pub fn write_integers(&mut self, block: &[Vec<i32>]) -> Result<()> {
        let len = block.first().map_or(0, Vec::len);
        let bytes = usize::from(self.wav.bits.bytes());
        let samples = (0..len).flat_map(|n| block.iter().map(move |channel| channel[n]));
        self.put(len, samples.flat_map(|sample| sample.to_le_bytes().into_iter().take(bytes)).collect())
    }

    fn put(&mut self, num_samples: usize, bytes: Vec<u8>) -> Result<()> {
        self.num_samples += num_samples as u64;
        self.file.write_all(&bytes)
    }

    /// Completes it with a comment.
    pub fn finish(mut self, comment: &str) -> Result<()> {
        let data_bytes = self.wav.data_bytes(self.num_samples);
        let mut tail = vec![0; (data_bytes % 2) as usize];
        tail.extend(info(&[(b"ISFT", super::PROGRAM), (b"ICMT", comment)]));
        self.file.write_all(&tail)?;
        let header = self.wav.header(self.num_samples, tail.len() as u64);
        self.file.seek(SeekFrom::Start(0))?;
        self.file.write_all(&header)?;
        self.file.flush()
    }
}
