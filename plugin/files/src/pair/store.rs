//! Many recordings at a low rate, on the disk: in memory they would be gigabytes.

use std::{
    fs::File,
    io::{Read, Seek, SeekFrom, Write},
    sync::{Mutex, PoisonError},
};

use anyhow::{Context, Result};

/// One file that goes when this does.
pub struct Store(Mutex<File>);

/// Where a recording is in it.
#[derive(Clone, Copy, Debug)]
pub struct Stored {
    offset: u64,
    len: usize,
}

const REMEDY: &str = "the folder for temporary files is full or cannot be written; name another one in TMPDIR (under Windows in TMP)";

impl Store {
    /// An empty one.
    pub fn new() -> Result<Self> {
        Ok(Self(Mutex::new(tempfile::tempfile().context(REMEDY)?)))
    }

    /// Adds a recording: 16 bits a sample, the highest at full scale.
    pub fn add(&self, signal: &[f32]) -> Result<Stored> {
        let peak = signal.iter().fold(f32::MIN_POSITIVE, |peak, x| peak.max(x.abs()));
        let scale = f32::from(i16::MAX) / peak;
        let bytes: Vec<u8> = signal.iter().flat_map(|x| ((x * scale).round() as i16).to_le_bytes()).collect();
        let mut file = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let offset = file.seek(SeekFrom::End(0)).context(REMEDY)?;
        file.write_all(&bytes).context(REMEDY)?;
        Ok(Stored { offset, len: bytes.len() })
    }

    /// Reads one.
    pub fn read(&self, stored: Stored) -> Result<Vec<f32>> {
        let mut bytes = vec![0; stored.len];
        let mut file = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        file.seek(SeekFrom::Start(stored.offset))
            .and_then(|_| file.read_exact(&mut bytes))
            .context(REMEDY)?;
        let samples = bytes.chunks_exact(2).map(|bytes| i16::from_le_bytes([bytes[0], bytes[1]]));
        Ok(samples.map(|x| f32::from(x) / f32::from(i16::MAX)).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_stored_comes_back() {
        let store = Store::new().unwrap();
        let signals = [vec![0.25, -0.5, 0.125], vec![], vec![1e-3; 5], vec![0.0; 2]];
        let stored = signals.each_ref().map(|signal| store.add(signal).unwrap());
        for (signal, stored) in signals.iter().zip(stored).rev() {
            let found = store.read(stored).unwrap();
            assert_eq!(found.len(), signal.len());
            let peak = signal.iter().fold(f32::MIN_POSITIVE, |peak: f32, x| peak.max(x.abs()));
            for (found, x) in found.iter().zip(signal) {
                assert!((found * peak - x).abs() < 1e-4 * peak, "{found} {x}");
            }
        }
    }
}
