//! What a file is by its own first bytes, whatever it is called.

use std::io::{Read, Result, Seek, SeekFrom};

use super::decoded::FORMATS;

/// So many bytes are looked at.
const HEAD_BYTES: u64 = 4096;

/// What is not read is known by bytes at a place, and told in words: first what holds sound. From the formats' own
/// documentation, or common practice (no source) where there is none.
const FOREIGN: [(usize, &[u8], &str); 49] = [
    (0, b"\x1a\x45\xdf\xa3", "is Matroska or WebM"),
    (0, b"\x30\x26\xb2\x75\x8e\x66\xcf\x11", "is ASF (WMA, WMV)"),
    (0, b"caff", "is CAF"),
    (8, b"AVI ", "is AVI"),
    (0, b"RIFX", "is RIFX, WAV with its bytes the other way round"),
    (0, b"riff\x2e\x91\xcf\x11", "is Wave64"),
    (0, b"MAC ", "is APE"),
    (0, b"APETAGEX", "begins with an APE tag"),
    (0, b"wvpk", "is WavPack"),
    (0, b"TTA1", "is TTA"),
    (0, b"TTA2", "is TTA"),
    (0, b"tBaK", "is TAK"),
    (0, b"OFR ", "is OptimFROG"),
    (0, b"ajkg", "is Shorten"),
    (0, b"MPCK", "is Musepack"),
    (0, b"MP+", "is Musepack"),
    (0, b"DSD ", "is DSF (DSD)"),
    (0, b"FRM8", "is DSDIFF (DSD)"),
    (0, b".snd", "is AU"),
    (0, b".RMF", "is RealMedia"),
    (0, b".ra\xfd", "is RealAudio"),
    (0, b"FLV", "is FLV"),
    (0, b"#!AMR", "is AMR"),
    (0, b"Creative Voice File", "is VOC"),
    (0, b"\x0b\x77", "is AC-3"),
    (0, b"\x7f\xfe\x80\x01", "is DTS"),
    (0, b"\0\0\x01\xba", "is an MPEG program stream"),
    (0, b"\0\0\x01\xb3", "is MPEG video"),
    (4, b"moov", "is QuickTime of the oldest kind"),
    (4, b"mdat", "is QuickTime of the oldest kind"),
    (4, b"wide", "is QuickTime of the oldest kind"),
    (0, b"MThd", "holds notes (MIDI) and no sound"),
    (0, b"%PDF", "is a PDF document"),
    (0, b"PK\x03\x04", "is a ZIP archive"),
    (0, b"PK\x05\x06", "is a ZIP archive"),
    (0, b"Rar!", "is a RAR archive"),
    (0, b"7z\xbc\xaf\x27\x1c", "is a 7z archive"),
    (0, b"\x1f\x8b", "is compressed (gzip)"),
    (0, b"BZh", "is compressed (bzip2)"),
    (0, b"\xfd7zXZ", "is compressed (xz)"),
    (0, b"\x28\xb5\x2f\xfd", "is compressed (zstd)"),
    (257, b"ustar", "is a tar archive"),
    (0, b"\x89PNG", "is a picture (PNG)"),
    (0, b"\xff\xd8\xff", "is a picture (JPEG)"),
    (0, b"GIF8", "is a picture (GIF)"),
    (0, b"\x7fELF", "is a program"),
    (0, b"MZ", "is a program"),
    (0, b"\xd0\xcf\x11\xe0", "is an office document"),
    (0, b"SQLite format 3", "is a database"),
];
/// So many of them, the first, can be converted.
const WITH_SOUND: usize = 31;

/// Where the format begins: behind tags of ID3v2, which stand before MP3 and sometimes before others, and zeros that some
/// of those who write such tags leave behind them. If it is none that is read, what the file is and what to do, in words that
/// follow its name.
pub fn begin_of(file: &mut (impl Read + Seek)) -> Result<std::result::Result<u64, String>> {
    let mut begin = 0;
    loop {
        let head = head(file, begin)?;
        match tag_bytes(&head) {
            Some(bytes) => begin += bytes,
            None if is_read(&head) => return Ok(Ok(begin)),
            None => {
                let zeros = head.iter().take_while(|&&byte| byte == 0).count() as u64;
                return Ok(if is_mpeg(&self::head(file, begin + zeros)?) {
                    Ok(begin + zeros)
                } else {
                    Err(other(&head))
                });
            }
        }
    }
}

fn head(file: &mut (impl Read + Seek), begin: u64) -> Result<Vec<u8>> {
    let mut head = Vec::new();
    file.seek(SeekFrom::Start(begin))?;
    file.by_ref().take(HEAD_BYTES).read_to_end(&mut head)?;
    Ok(head)
}

/// The length of a tag of ID3v2 (its documentation, 3.1 and 3.4): four numbers of seven bits, and ten bytes each of header and,
/// by a flag, footer.
fn tag_bytes(head: &[u8]) -> Option<u64> {
    let header = head.get(..10).filter(|header| header.starts_with(b"ID3"))?;
    let size =
        header[6..10].iter().try_fold(0, |size, &byte| (byte < 128).then(|| size << 7 | u64::from(byte)))?;
    Some(10 + size + if header[5] & 0x10 != 0 { 10 } else { 0 })
}

/// Whether a format begins here that is read.
fn is_read(head: &[u8]) -> bool {
    let at = |at: usize, words: &[&[u8]]| {
        head.get(at..).is_some_and(|head| words.iter().any(|word| head.starts_with(word)))
    };
    // What is cut off within its name its reader tells best.
    let named = |words: &[&[u8]]| head.len() < 12 || at(8, words);
    at(0, &[b"RIFF", b"RF64", b"BW64"]) && named(&[b"WAVE"])
        || at(0, &[b"FORM"]) && named(&[b"AIFF", b"AIFC"])
        || at(0, &[b"fLaC", b"OggS"])
        || at(4, &[b"ftyp"])
        || is_mpeg(head)
}

/// Whether a frame of MP3 or of AAC (ADTS) may begin here. Whether it does, its reader tells by the frame behind it.
fn is_mpeg(head: &[u8]) -> bool {
    matches!(layer(head), Some(0 | 1))
}

/// The layer of a frame of MPEG audio: eleven bits of ones, two of the version, and two of 3 for the first layer, 2 for the
/// second, 1 for the third, that is MP3, and 0 for AAC (ISO/IEC 11172-3, 2.4.2.3, and 13818-7, 6.2).
fn layer(head: &[u8]) -> Option<u8> {
    matches!(head, [0xff, 0xe0..=0xff, ..]).then(|| head[1] >> 1 & 3)
}

/// Whether it is text of two bytes a letter: a mark, and letters of which most have one byte only.
fn is_utf16(head: &[u8]) -> bool {
    let (mark, letters) = head.split_at(2.min(head.len()));
    let zero = if mark == b"\xff\xfe" { 1 } else { 0 };
    let num_zeros = letters.chunks_exact(2).filter(|pair| pair[zero] == 0).count();
    [b"\xff\xfe", b"\xfe\xff"].contains(&mark.try_into().unwrap_or(b"  ")) && 4 * num_zeros > letters.len()
}

/// What a file is that is not read, and what to do.
fn other(head: &[u8]) -> String {
    let convert = "which is not read; convert it to WAV or FLAC";
    let known =
        FOREIGN.iter().position(|&(at, bytes, _)| head.get(at..).is_some_and(|head| head.starts_with(bytes)));
    if let Some(idx) = known {
        let what = FOREIGN[idx].2;
        return if idx < WITH_SOUND {
            format!("{what}, {convert}")
        } else {
            format!("{what}; name an audio file")
        };
    }
    // Packets of a transport stream are 188 bytes long and begin with a byte of their own (ISO/IEC 13818-1, 2.4.3.2), on discs behind
    // four others.
    let is_stream = |first: usize, step: usize| (0..3).all(|n| head.get(first + n * step) == Some(&0x47));
    if is_stream(0, 188) || is_stream(4, 192) {
        return format!("is an MPEG transport stream, {convert}");
    }
    if let Some(text) = text(head) {
        let lower = text.trim_start_matches('\u{feff}').trim_start().to_lowercase();
        return if lower.starts_with("<!doctype html") || lower.starts_with("<html") {
            "is a web page (HTML) and no audio; download the file itself".to_owned()
        } else if lower.starts_with("#extm3u") || lower.starts_with("[playlist]") {
            "is a playlist; name the files that it lists".to_owned()
        } else {
            "is plain text; name an audio file".to_owned()
        };
    }
    match layer(head) {
        Some(3) => format!("is MPEG audio of layer I, {convert}"),
        Some(2) => format!("is MPEG audio of layer II, {convert}"),
        _ => format!("begins like none of {FORMATS}; export it again, or convert it to WAV or FLAC"),
    }
}

/// The text that it is, if it is one: UTF-8 without control characters, or UTF-16.
fn text(head: &[u8]) -> Option<String> {
    if is_utf16(head) {
        return Some(String::new());
    }
    // The last letter may be cut off.
    let whole = match std::str::from_utf8(head) {
        Ok(text) => text,
        Err(e) if e.error_len().is_none() => std::str::from_utf8(&head[..e.valid_up_to()]).ok()?,
        Err(_) => return None,
    };
    let is_control = |c: char| c.is_control() && !c.is_whitespace();
    (whole.len() > 3 && !whole.contains(is_control)).then(|| whole.to_owned())
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use super::*;
    use crate::read::{
        formats::{FILES, content, refusal},
        read_all,
    };

    fn begin(content: &[u8]) -> std::result::Result<u64, String> {
        begin_of(&mut Cursor::new(content)).unwrap()
    }

    #[test]
    fn every_format_that_is_read_is_known() {
        for (name, ..) in FILES {
            let content = content(name);
            // Where there is a tag, it is one of ID3v2.
            let begin = begin(&content).unwrap() as usize;
            assert!(begin == 0 || content.starts_with(b"ID3"), "{name}: {begin}");
        }
    }

    /// A stream of MP3 within something else is not read from somewhere in its middle, as if it were all there is.
    #[test]
    fn what_holds_mp3_is_not_taken_for_it() {
        let mp3 = content("untagged.mp3");
        let matroska = b"\x1a\x45\xdf\xa3\xa3\x42\x82\x88matroska";
        let stream = [&[0x47; 1][..], &[0; 187]].concat();
        for (before, says) in [
            (&matroska[..], "Matroska"),
            (b"\x30\x26\xb2\x75\x8e\x66\xcf\x11\xa6\xd9", "ASF"),
            (b"RIFF\0\0\0\0AVI LIST", "AVI"),
            (&stream.repeat(3), "transport stream"),
            (b"something else of our own\0", "begins like none of WAV"),
            (&mp3[7..1_000], "begins like none of WAV"),
        ] {
            let error = refusal(&[before, &mp3].concat());
            assert!(error.contains(says) && error.contains("convert it to WAV or FLAC"), "{error}");
        }
        // What begins like it, and is not followed by another frame.
        let error = refusal(&[b"\xff\xfb\x90\x64 something else of our own", &mp3[..]].concat());
        assert!(
            error.contains("cannot be read as WAV") && error.contains("convert it to one of these"),
            "{error}"
        );
    }

    /// Tags before the sound, several of them, with a footer, with zeros behind, or longer than the file.
    #[test]
    fn tags_before_the_sound_are_passed_over() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("file");
        let tag = |flags: u8, size: usize, bytes: usize| {
            [b"ID3\x04\0", &[flags, 0, 0, (size >> 7) as u8, (size & 127) as u8][..], &vec![b'x'; bytes]]
                .concat()
        };
        let [plain, footed] = [tag(0, 300, 300), tag(0x10, 5, 15)];
        for (before, name) in [
            (plain.clone(), "untagged.mp3"),
            ([&plain[..], &footed].concat(), "untagged.mp3"),
            ([&plain[..], &[0; 700]].concat(), "untagged.mp3"),
            (vec![0; 100], "untagged.mp3"),
            (footed, "bare.aac"),
            (plain.clone(), "16.flac"),
        ] {
            let file = content(name);
            // Without the tag that its encoder wrote.
            let file = &file[begin(&file).unwrap() as usize..];
            std::fs::write(&path, [&before[..], file].concat()).unwrap();
            assert_eq!(begin(&std::fs::read(&path).unwrap()), Ok(before.len() as u64));
            std::fs::write(folder.path().join("plain"), file).unwrap();
            assert!(read_all(&path).unwrap() == read_all(&folder.path().join("plain")).unwrap(), "{name}");
        }
        for nothing in [tag(0, 16_000, 300), tag(0, 300, 300), b"ID3".to_vec()] {
            assert!(begin(&nothing).unwrap_err().contains("export it again"));
        }
    }

    #[test]
    fn what_is_no_sound_is_named() {
        let utf16: Vec<u8> = "\u{feff}Words of our own".encode_utf16().flat_map(u16::to_le_bytes).collect();
        for (content, says) in [
            (&b"%PDF-1.7\n%\xe2\xe3"[..], "is a PDF document; name an audio file"),
            (b"PK\x03\x04\x14\0", "is a ZIP archive; name an audio file"),
            (b"\xff\xd8\xff\xe0\0\x10JFIF", "is a picture"),
            (b"\n <!DOCTYPE html>\n<title>Not found</title>", "is a web page (HTML)"),
            (b"#EXTM3U\nsong.wav\n", "is a playlist"),
            ("W\u{f6}rter eines Lieds".as_bytes(), "is plain text; name an audio file"),
            (&utf16, "is plain text"),
            (b"\xff\xfd\x84\x04\x33\x22", "is MPEG audio of layer II, which is not read; convert it"),
            (b"caff\0\x01\0\0desc", "is CAF, which is not read; convert it to WAV or FLAC"),
            (b"RIFF\0\0\0\0WEBPVP8 ", "begins like none of"),
            (b"\0\0\0\0\0\0", "begins like none of"),
        ] {
            let error = refusal(content);
            assert!(error.contains(says), "{error}");
        }
        assert_eq!(FOREIGN[WITH_SOUND - 1].2, FOREIGN[WITH_SOUND - 2].2, "the last with sound");
        assert!(FOREIGN[WITH_SOUND].2.contains("no sound"));
    }
}
