//! A mix and its parts, each at its delay, hop by hop.

use std::path::{Path, PathBuf};

use anyhow::Result;

use crate::read::AudioReader;

/// One side of files that are read together.
pub struct Streams {
    readers: Vec<AudioReader>,
    /// Of each file, `[channel_idx][sample_idx]`.
    blocks: Vec<Vec<Vec<f32>>>,
    side: Side,
    /// One a file.
    hops: Vec<Vec<f32>>,
    /// Samples that were not finite and count as silence.
    pub bad_samples: u64,
}

/// What of a file belongs to a side of the mix: a mono file stands under both sides, and a mono mix hears the mean of both sides of a
/// stereo file.
#[derive(Clone, Copy)]
pub struct Side {
    /// Which one.
    pub idx: usize,
    /// Of so many.
    pub of: usize,
}

/// Opens a file at a rate, Hz, from a position of its own on, samples, which may lie before its beginning.
pub fn open_from(path: &Path, rate_hz: u32, position: i64) -> Result<AudioReader> {
    let mut reader = AudioReader::open_at(path, rate_hz)?;
    reader.advance(position)?;
    Ok(reader)
}

/// Opens parts where they are at a position of the mix, each later than there by its delay, samples.
pub fn open_parts(
    parts: &[PathBuf],
    rate_hz: u32,
    position: i64,
    delays: impl IntoIterator<Item = i64>,
) -> Result<Vec<AudioReader>> {
    parts.iter().zip(delays).map(|(path, delay)| open_from(path, rate_hz, position - delay)).collect()
}

impl Streams {
    /// Of files that were opened.
    pub fn new(readers: Vec<AudioReader>, side: Side, hop_samples: usize) -> Self {
        let block = |reader: &AudioReader| vec![vec![0.0; hop_samples]; reader.num_channels()];
        Self {
            blocks: readers.iter().map(block).collect(),
            hops: vec![vec![0.0; hop_samples]; readers.len()],
            readers,
            side,
            bad_samples: 0,
        }
    }

    /// Reads the next hop of every file; how many samples the longest still had.
    pub fn read(&mut self) -> Result<usize> {
        let mut most = 0;
        for (idx, reader) in self.readers.iter_mut().enumerate() {
            most = reader.read(&mut self.blocks[idx])?.max(most);
            let block = &self.blocks[idx];
            let hop = &mut self.hops[idx];
            match &block[..] {
                [left, right] if self.side.of == 1 => {
                    hop.iter_mut().zip(left.iter().zip(right)).for_each(|(x, (l, r))| *x = 0.5 * (l + r));
                }
                channels => hop.copy_from_slice(&channels[self.side.idx.min(channels.len() - 1)]),
            }
            for x in hop.iter_mut().filter(|x| !x.is_finite()) {
                *x = 0.0;
                self.bad_samples += 1;
            }
        }
        Ok(most)
    }

    /// The hop of every file.
    pub fn hops(&self) -> impl Iterator<Item = &[f32]> {
        self.hops.iter().map(Vec::as_slice)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::write::write_all;

    #[test]
    fn sides_and_delays_are_as_in_the_mix() {
        let folder = tempfile::tempdir().unwrap();
        let [mono, stereo] = ["mono.wav", "stereo.wav"].map(|name| folder.path().join(name));
        let ramp: Vec<f32> = (1..=100).map(|n| n as f32).collect();
        write_all(&mono, 8_000, std::slice::from_ref(&ramp)).unwrap();
        let bad: Vec<f32> = ramp.iter().map(|&x| if x == 2.0 { f32::NAN } else { 3.0 * x }).collect();
        write_all(&stereo, 8_000, &[ramp.clone(), bad]).unwrap();
        for (idx, of, expected) in [(0, 2, [1.0, 2.0]), (1, 2, [3.0, 0.0]), (0, 1, [2.0, 0.0])] {
            let parts = open_parts(&[mono.clone(), stereo.clone()], 8_000, 10, [3, 10]).unwrap();
            let mut streams = Streams::new(parts, Side { idx, of }, 2);
            assert_eq!(streams.read().unwrap(), 2);
            let hops: Vec<&[f32]> = streams.hops().collect();
            assert_eq!(hops, [&[8.0, 9.0], &expected]);
            assert_eq!(streams.bad_samples, u64::from(expected[1] == 0.0));
        }
    }
}
