//! What a file that was written here says of where it comes from.

use std::{
    fs::File,
    io::{BufReader, Read, Seek, SeekFrom},
    path::Path,
};

use flac_codec::metadata::{VorbisComment, block};

use crate::write::Container;

/// A longer list of texts is not one that was written here, bytes.
const LONGEST_BYTES: u64 = 1 << 16;

/// The comment in a file; `None` if it has none, or is no whole file of its kind.
pub fn comment(path: &Path) -> Option<String> {
    match Container::of(path).ok()? {
        Container::Wav => wav_comment(&mut BufReader::new(File::open(path).ok()?)),
        Container::Flac => {
            let comments: VorbisComment = block(path).ok()??;
            comments.get("COMMENT").map(str::to_owned)
        }
    }
}

/// The text `ICMT` of the list `INFO`, which stands behind the samples: chunks of RIFF, or of RF64 with the length of its samples in
/// `ds64` (as in `write/wav.rs`).
fn wav_comment(file: &mut (impl Read + Seek)) -> Option<String> {
    let mut form = [0; 12];
    file.read_exact(&mut form).ok()?;
    let mut long_bytes = None;
    loop {
        let (id, mut bytes) = head(file)?;
        let start = file.stream_position().ok()?;
        match &id {
            b"ds64" => {
                let mut sizes = [0; 16];
                file.read_exact(&mut sizes).ok()?;
                long_bytes = Some(u64::from_le_bytes(sizes[8..].try_into().ok()?));
            }
            b"data" if &form[..4] == b"RF64" => bytes = long_bytes?,
            b"LIST" if bytes <= LONGEST_BYTES => {
                let mut list = vec![0; bytes as usize];
                file.read_exact(&mut list).ok()?;
                return text(list.strip_prefix(b"INFO")?);
            }
            _ => {}
        }
        file.seek(SeekFrom::Start(start.checked_add(bytes.checked_next_multiple_of(2)?)?)).ok()?;
    }
}

fn text(mut list: &[u8]) -> Option<String> {
    loop {
        let (id, bytes) = head(&mut list)?;
        let text = list.get(..bytes as usize)?;
        if &id == b"ICMT" {
            return Some(String::from_utf8_lossy(text).trim_end_matches('\0').to_owned());
        }
        list = list.get(text.len().next_multiple_of(2)..)?;
    }
}

/// What a chunk is called, and how long its content is.
fn head(file: &mut impl Read) -> Option<([u8; 4], u64)> {
    let mut head = [0; 8];
    file.read_exact(&mut head).ok()?;
    let [id, bytes] = [0, 4].map(|at| [head[at], head[at + 1], head[at + 2], head[at + 3]]);
    Some((id, u32::from_le_bytes(bytes).into()))
}

#[cfg(test)]
mod tests {
    use std::{fs, io::Cursor};

    use super::*;
    use crate::write::{AudioWriter, Bits};

    #[test]
    fn what_was_written_is_read() {
        let folder = tempfile::tempdir().unwrap();
        for (name, bits) in [("a.wav", Bits::Float), ("b.wav", Bits::Int24), ("c.flac", Bits::Int16)] {
            let path = folder.path().join(name);
            for text in ["from here: \u{fc}", "odd"] {
                let mut writer = AudioWriter::create(&path, 1, 8_000, bits, true).unwrap();
                writer.write(&[&[0.5; 333]]).unwrap();
                writer.finish(text).unwrap();
                assert_eq!(comment(&path).as_deref(), Some(text), "{name}");
            }
            fs::write(&path, "something else").unwrap();
            assert_eq!(comment(&path), None, "{name}");
        }
    }

    /// Behind samples whose length stands in `ds64` alone.
    #[test]
    fn long_files_are_read_too() {
        let mut file = b"RF64\xff\xff\xff\xffWAVEds64\x1c\0\0\0\0\0\0\0\0\0\0\0".to_vec();
        file.extend(5u64.to_le_bytes());
        file.extend([0; 12]);
        file.extend(b"data\xff\xff\xff\xffabcde\0LIST\x10\0\0\0INFOICMT\x03\0\0\0hi\0\0");
        assert_eq!(wav_comment(&mut Cursor::new(file)).as_deref(), Some("hi"));
    }
}
