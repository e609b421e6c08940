//! How a WAV file is laid out.

use super::bits::Bits;

/// The layout of a WAV file.
///
/// Up to 4 GiB it is RIFF WAVE (Microsoft and IBM 1991, with the formats of "Multiple channel audio data and WAVE
/// files", Microsoft 2001), beyond that RF64 (EBU Tech 3306): room for the long sizes is kept as a JUNK chunk until they
/// are needed.
pub struct Wav {
    /// Number of channels.
    pub num_channels: u16,
    /// Sample rate, Hz.
    pub sample_rate_hz: u32,
    /// How samples are written.
    pub bits: Bits,
}

impl Wav {
    /// What so many samples a channel take, bytes.
    pub fn data_bytes(&self, num_samples: u64) -> u64 {
        num_samples * u64::from(self.num_channels * self.bits.bytes())
    }

    /// Everything up to the samples, always of the same length, for so many samples a channel, and so many bytes after
    /// them.
    pub fn header(&self, num_samples: u64, tail_bytes: u64) -> Vec<u8> {
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
            let samples = u32::try_from(num_samples).unwrap_or(u32::MAX);
            chunks.extend(chunk(b"fact", &samples.to_le_bytes()));
        }
        let data_bytes = self.data_bytes(num_samples);
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
            sizes[16..24].copy_from_slice(&num_samples.to_le_bytes());
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
pub fn info(texts: &[(&[u8; 4], &str)]) -> Vec<u8> {
    let mut list = b"INFO".to_vec();
    for (id, text) in texts {
        list.extend(chunk(id, &[text.as_bytes(), &[0]].concat()));
    }
    chunk(b"LIST", &list)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::read::rf64;

    /// EBU Tech 3306: `RF64`, sizes of all ones in the 32-bit fields, and `ds64` first with the sizes of the form, of the
    /// samples, and the number of samples.
    #[test]
    fn beyond_four_gibibytes_the_sizes_are_long() {
        let wav = Wav { num_channels: 2, sample_rate_hz: 96_000, bits: Bits::Float };
        let num_samples = 3 * 3600 * 96_000;
        let (short, long) = (wav.header(0, 0), wav.header(num_samples, 100));
        assert_eq!(long.len(), short.len());
        let data_bytes = num_samples * 8;
        let riff_bytes = long.len() as u64 - 8 + data_bytes + 100;
        assert_eq!(long[..12], *b"RF64\xff\xff\xff\xffWAVE");
        assert_eq!(long[12..20], *b"ds64\x1c\0\0\0");
        assert_eq!(long[20..28], riff_bytes.to_le_bytes());
        assert_eq!(long[28..36], data_bytes.to_le_bytes());
        assert_eq!(long[36..44], num_samples.to_le_bytes());
        assert_eq!(long[44..48], [0; 4], "no table of other long chunks");
        assert_eq!(long[long.len() - 8..], *b"data\xff\xff\xff\xff");
        let read = rf64::long_sizes(&mut std::io::Cursor::new(&long)).unwrap();
        assert_eq!(read.map(|sizes| sizes.num_samples), Some(num_samples));
        // The last size that fits into 32 bits, and the next.
        let room = u64::from(u32::MAX) - (short.len() as u64 - 8);
        assert_eq!(wav.header(room / 8, room % 8)[..4], *b"RIFF");
        assert_eq!(wav.header(room / 8, room % 8 + 1)[..4], *b"RF64");
    }
}
