//! WAV files beyond 4 GiB: RF64 (EBU Tech 3306) and its successor BW64 (ITU-R BS.2088).

use std::io::{self, Read, Seek, SeekFrom};

use anyhow::{Result, bail, ensure};
use symphonia::core::io::MediaSource;

/// What the header of such a file says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LongSizes {
    /// Samples a channel.
    pub num_samples: u64,
}

/// Reads the header; `None` if it is no such file. Leaves the position anywhere.
///
/// Layout by EBU Tech 3306: the form `RF64`, its 32-bit size unused, `WAVE`; then the chunk `ds64` with the sizes of the
/// form, of the samples and the number of samples, 64 bits each, little-endian; then chunks as in any WAV file.
///
/// # Errors
///
/// If `ds64` or the format is missing, or the sizes cannot be; in words that follow the file's name.
pub fn long_sizes(file: &mut (impl Read + Seek)) -> Result<Option<LongSizes>> {
    let mut form = [0; 12];
    if file.read_exact(&mut form).is_err()
        || !matches!(&form[..4], b"RF64" | b"BW64")
        || form[8..] != *b"WAVE"
    {
        return Ok(None);
    }
    const HEADLESS: &str = "is an RF64 file that ends within its header; copy or export it again";
    let mut data_bytes = None;
    let mut frame_bytes = None;
    loop {
        let mut head = [0; 8];
        let Ok(()) = file.read_exact(&mut head) else { bail!(HEADLESS) };
        let size = u32::from_le_bytes([head[4], head[5], head[6], head[7]]);
        let mut left = i64::from(size) + i64::from(size % 2);
        match &head[..4] {
            b"data" => break,
            b"ds64" => {
                ensure!(
                    size >= 28,
                    "is an RF64 file whose chunk ds64 has {size} bytes instead of 28 or more; export it again"
                );
                let mut sizes = [0; 16];
                let Ok(()) = file.read_exact(&mut sizes) else { bail!(HEADLESS) };
                let [_, data] =
                    [0, 8].map(|at| u64::from_le_bytes(sizes[at..at + 8].try_into().expect("8 bytes")));
                data_bytes = Some(data);
                left -= 16;
            }
            b"fmt " => {
                ensure!(
                    size >= 16,
                    "is an RF64 file whose chunk fmt has {size} bytes instead of 16 or more; export it again"
                );
                let mut format = [0; 14];
                let Ok(()) = file.read_exact(&mut format) else { bail!(HEADLESS) };
                frame_bytes = Some(u64::from(u16::from_le_bytes([format[12], format[13]])));
                left -= 14;
            }
            _ => {}
        }
        file.seek(SeekFrom::Current(left))?;
    }
    match (data_bytes, frame_bytes) {
        (Some(data), Some(frame)) if frame > 0 => Ok(Some(LongSizes { num_samples: data / frame })),
        (None, _) => bail!("is an RF64 file without its sizes (chunk ds64); export it again"),
        _ => bail!(
            "is an RF64 file that does not say how its samples are laid out (chunk fmt); export it again"
        ),
    }
}

/// Such a file as a WAV file of unknown length, which readers take as lasting to the end of the file.
pub struct AsRiff<F> {
    file: F,
    position: u64,
    file_bytes: u64,
}

impl<F: Read + Seek> AsRiff<F> {
    /// Starts at the beginning of the file.
    pub fn new(mut file: F) -> io::Result<Self> {
        let file_bytes = file.seek(SeekFrom::End(0))?;
        file.rewind()?;
        Ok(Self { file, position: 0, file_bytes })
    }
}

impl<F: Read> Read for AsRiff<F> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        const HEAD: &[u8; 8] = b"RIFF\xff\xff\xff\xff";
        let count = self.file.read(buffer)?;
        let from = self.position.min(HEAD.len() as u64) as usize;
        for (read, head) in buffer[..count].iter_mut().zip(&HEAD[from..]) {
            *read = *head;
        }
        self.position += count as u64;
        Ok(count)
    }
}

impl<F: Seek> Seek for AsRiff<F> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.position = self.file.seek(to)?;
        Ok(self.position)
    }
}

impl<F: Read + Seek + Send + Sync> MediaSource for AsRiff<F> {
    fn is_seekable(&self) -> bool {
        true
    }

    fn byte_len(&self) -> Option<u64> {
        Some(self.file_bytes)
    }
}

#[cfg(test)]
mod tests {
    use std::io::{Cursor, Read};

    use super::*;

    /// A file as EBU Tech 3306 lays it out, with stereo samples of 16 bits and a chunk of odd length on the way.
    fn file(data_bytes: u64) -> Vec<u8> {
        [
            b"RF64\xff\xff\xff\xffWAVEds64\x1c\0\0\0",
            &(data_bytes + 100).to_le_bytes()[..],
            &data_bytes.to_le_bytes(),
            &(data_bytes / 4).to_le_bytes(),
            &[0; 4],
            b"odd \x03\0\0\0abc\0fmt \x10\0\0\0\x01\0\x02\0\x80\xbb\0\0\0\xee\x02\0\x04\0\x10\0data\xff\xff\xff\xff",
        ]
        .concat()
    }

    #[test]
    fn sizes_beyond_32_bits_are_read() {
        let sizes = |bytes: &[u8]| long_sizes(&mut Cursor::new(bytes));
        let found = sizes(&file(5_000_000_000)).unwrap();
        assert_eq!(found, Some(LongSizes { num_samples: 1_250_000_000 }));
        let successor = [b"BW64", &file(400)[4..]].concat();
        assert_eq!(sizes(&successor).unwrap(), Some(LongSizes { num_samples: 100 }));
        assert_eq!(sizes(b"RIFF\0\0\0\0WAVE").unwrap(), None);
        assert_eq!(sizes(b"RF64").unwrap(), None);
    }

    #[test]
    fn damage_is_an_error_and_never_a_panic() {
        let good = file(400);
        for length in 12..good.len() - 4 {
            assert!(long_sizes(&mut Cursor::new(&good[..length])).is_err(), "cut at {length}");
        }
        for bit in 0..8 * good.len() {
            let mut damaged = good.clone();
            damaged[bit / 8] ^= 1 << (bit % 8);
            let _ = long_sizes(&mut Cursor::new(damaged));
        }
    }

    /// Whatever the size of the pieces in which it is read, only the first eight bytes differ.
    #[test]
    fn looks_like_a_wav_file() {
        let good = file(400);
        for piece in [1, 3, 8, 100] {
            let mut view = AsRiff::new(Cursor::new(&good)).unwrap();
            let mut found: Vec<u8> = Vec::new();
            loop {
                let mut buffer = vec![0; piece];
                let count = view.read(&mut buffer).unwrap();
                if count == 0 {
                    break;
                }
                found.extend(&buffer[..count]);
            }
            assert_eq!(found[..8], *b"RIFF\xff\xff\xff\xff");
            assert_eq!(found[8..], good[8..]);
            view.seek(SeekFrom::Start(8)).unwrap();
            let mut form = [0; 4];
            view.read_exact(&mut form).unwrap();
            assert_eq!(&form, b"WAVE");
        }
    }
}
