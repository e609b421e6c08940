//! Audio files, read block by block, so that length costs no memory.

use std::path::Path;

use anyhow::{Context, Result, ensure};

use super::{decoded::Decoded, resample::Resampler};

/// Rates that are brought to another one, Hz.
const RESAMPLED_HZ: (u32, u32) = (4_000, 768_000);

/// A mono or stereo audio file that is being read, at its own sample rate or another one.
pub struct AudioReader {
    file: Decoded,
    resampler: Option<Resampler>,
    rate_hz: u32,
    /// Decoded and resampled, not yet handed out, `[channel_idx][sample_idx]`.
    pending: Vec<Vec<f32>>,
    pending_start: usize,
    ended: bool,
    /// Silence still to be handed out before the first sample.
    silence_left: u64,
}

impl AudioReader {
    /// Opens a file; the error names the file, what is wrong with it and what to do.
    pub fn open(path: &Path) -> Result<Self> {
        let file = Decoded::open(path)?;
        Ok(Self {
            resampler: None,
            rate_hz: file.sample_rate_hz,
            pending: vec![Vec::new(); file.num_channels],
            pending_start: 0,
            ended: false,
            silence_left: 0,
            file,
        })
    }

    /// Opens a file that is to be handed out at this rate, Hz, whatever its own.
    pub fn open_at(path: &Path, rate_hz: u32) -> Result<Self> {
        let mut reader = Self::open(path)?;
        let own_hz = reader.rate_hz;
        if own_hz != rate_hz {
            let (low, high) = RESAMPLED_HZ;
            ensure!(
                (low..=high).contains(&own_hz),
                "{}: has a sample rate of {own_hz} Hz; export it at {rate_hz} Hz, or anything from {low} to {high} Hz",
                path.display()
            );
            let resampler = Resampler::new(own_hz, rate_hz, reader.num_channels()).with_context(|| {
                format!("{}: cannot be resampled from {own_hz} Hz to {rate_hz} Hz", path.display())
            })?;
            reader.resampler = Some(resampler);
            reader.rate_hz = rate_hz;
        }
        Ok(reader)
    }

    /// Sample rate at which samples are handed out, Hz.
    pub fn sample_rate_hz(&self) -> u32 {
        self.rate_hz
    }

    /// Number of channels, 1 or 2.
    pub fn num_channels(&self) -> usize {
        self.file.num_channels
    }

    /// Length as the header promises it, or guesses it, in samples as they are handed out.
    pub fn promised_samples(&self) -> Option<u64> {
        let own = self.file.promised.map(|promised| promised.num_samples());
        own.map(|samples| self.resampler.as_ref().map_or(samples, |resampler| resampler.length(samples)))
    }

    /// Reads the next samples into `block`, one slice of equal length a channel, and returns how many there were:
    /// fewer than asked for only at the end, and then the rest of the block is silence.
    pub fn read(&mut self, block: &mut [Vec<f32>]) -> Result<usize> {
        let wanted = block.first().map_or(0, |channel| channel.len());
        let mut filled = self.silence_left.min(wanted as u64) as usize;
        self.silence_left -= filled as u64;
        for channel in block.iter_mut() {
            channel[..filled].fill(0.0);
        }
        while filled < wanted && self.prepare()? {
            let count = (self.pending[0].len() - self.pending_start).min(wanted - filled);
            for (block, pending) in block.iter_mut().zip(&self.pending) {
                block[filled..filled + count]
                    .copy_from_slice(&pending[self.pending_start..self.pending_start + count]);
            }
            self.pending_start += count;
            filled += count;
        }
        for channel in block {
            channel[filled..].fill(0.0);
        }
        Ok(filled)
    }

    /// Moves the signal, before any of it is read: earlier by leaving out its first samples, or later, if negative, by
    /// silence before them. Returns how many were left out: fewer than wanted if the file is shorter.
    pub fn advance(&mut self, samples: i64) -> Result<u64> {
        self.silence_left = samples.min(0).unsigned_abs();
        let mut left = samples.max(0) as usize;
        while left > 0 && self.prepare()? {
            let count = left.min(self.pending[0].len() - self.pending_start);
            self.pending_start += count;
            left -= count;
        }
        Ok(samples.max(0) as u64 - left as u64)
    }

    /// Sees to it that something is pending; false at the end of the file.
    fn prepare(&mut self) -> Result<bool> {
        while self.pending_start == self.pending[0].len() {
            if self.ended {
                return Ok(false);
            }
            self.pending_start = 0;
            self.pending.iter_mut().for_each(Vec::clear);
            match &mut self.resampler {
                None => self.ended = !self.file.decode_packet(&mut self.pending)?,
                Some(resampler) => {
                    let mut packet = vec![Vec::new(); self.pending.len()];
                    self.ended = !self.file.decode_packet(&mut packet)?;
                    resampler.push(&packet, &mut self.pending);
                    if self.ended {
                        resampler.finish(&mut self.pending);
                    }
                }
            }
        }
        Ok(true)
    }
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

/// What is nowhere louder than this counts as silence: its mean square is below the 1e-7 that the engine has to find in a
/// mix or a backing to hear it at all.
const SILENT_PEAK: f32 = 3e-4;

/// Whether a file is silent from its beginning to its end. Reads only as far as it is.
pub fn is_silent(path: &Path) -> Result<bool> {
    let mut reader = AudioReader::open(path)?;
    let mut block = vec![vec![0.0; 4096]; reader.num_channels()];
    while reader.read(&mut block)? > 0 {
        if block.iter().flatten().any(|x| x.is_finite() && x.abs() > SILENT_PEAK) {
            return Ok(false);
        }
    }
    Ok(true)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::write::write_all;

    /// Moving a signal is leaving out its start, or silence before it.
    #[test]
    fn a_signal_is_moved_by_whole_samples() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("ramp.wav");
        let ramp: Vec<f32> = (1..=10_000).map(|n| n as f32).collect();
        write_all(&path, 8_000, std::slice::from_ref(&ramp)).unwrap();
        for advance in [0, 1, 4_321, -1, -5_000, 10_000, 20_000] {
            let mut reader = AudioReader::open(&path).unwrap();
            reader.advance(advance).unwrap();
            let mut block = [vec![f32::NAN; 12_000]];
            reader.read(&mut block).unwrap();
            for (n, &found) in block[0].iter().enumerate() {
                let source = usize::try_from(n as i64 + advance).ok().and_then(|n| ramp.get(n));
                assert_eq!(found, source.copied().unwrap_or(0.0), "sample {n}, moved by {advance}");
            }
        }
    }
}
