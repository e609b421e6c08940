//! Every format read, against files that other people's encoders wrote: `reference/formats/make.sh` says how.

use std::{
    f64::consts::TAU,
    path::{Path, PathBuf},
};

use super::read_all;

pub(super) fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("reference/formats")
}

/// What was encoded; the same formula stands in `make.sh`.
fn tones(rate_hz: u32, num_samples: usize) -> Vec<Vec<f64>> {
    let tone = |hz: f64, n: usize| (TAU * hz * n as f64 / f64::from(rate_hz)).sin();
    [(440.0, 2345.0), (660.0, 1234.0)]
        .map(|(a, b)| (0..num_samples).map(|n| 0.3 * tone(a, n) + 0.15 * tone(b, n)).collect())
        .to_vec()
}

/// How far the error of what was read lies below the tones, dB, leaving out so many samples at either end.
fn down_db(found: &[Vec<f32>], rate_hz: u32, margin: usize) -> f64 {
    let expected = tones(rate_hz, found[0].len());
    let (mut error, mut energy) = (0.0, 0.0);
    for (found, expected) in found.iter().zip(&expected) {
        let part = margin..found.len() - margin;
        for (&found, expected) in found[part.clone()].iter().zip(&expected[part]) {
            error += (f64::from(found) - expected).powi(2);
            energy += expected * expected;
        }
    }
    10.0 * (energy / error).log10()
}

/// File, rate, length of what was encoded, and how well the tones come back at least, dB. Rounding to n bits leaves
/// 1/12 LSB squared, 6.02 n - 7.7 dB below these tones, and some encoders dither. Of lossy files, ffmpeg decodes the MP3
/// at 26.0 dB and the AAC at 26.7; a single sample of shift would leave 14 dB. The files without a tag of their encoder
/// do not say where the sound begins, which shows.
pub(super) const FILES: [(&str, u32, usize, f64); 23] = [
    ("u8.wav", 44_100, 2205, 40.0),
    ("s16.wav", 44_100, 2205, 85.0),
    ("s24.wav", 44_100, 2205, 130.0),
    ("s32.wav", 44_100, 2205, 140.0),
    ("f32.wav", 44_100, 2205, 140.0),
    ("f64.wav", 44_100, 2205, 140.0),
    ("s16.rf64", 44_100, 2205, 85.0),
    ("s16.aiff", 44_100, 2205, 85.0),
    ("s24.aiff", 44_100, 2205, 130.0),
    ("f32.aifc", 44_100, 2205, 140.0),
    ("sowt.aifc", 44_100, 2205, 85.0),
    ("16.flac", 44_100, 2205, 85.0),
    ("24.flac", 44_100, 2205, 130.0),
    ("alac.m4a", 44_100, 2205, 85.0),
    ("alac24.m4a", 44_100, 2205, 130.0),
    ("lame.mp3", 44_100, 22_050, 25.0),
    ("aac.m4a", 44_100, 22_050, 25.0),
    ("comment.m4a", 44_100, 22_050, 25.0),
    ("vorbis.ogg", 44_100, 22_050, 25.0),
    ("opus.opus", 48_000, 24_000, 25.0),
    ("opus.mp4", 48_000, 24_000, 25.0),
    ("untagged.mp3", 44_100, 24_192, -10.0),
    ("bare.aac", 44_100, 23_552, -10.0),
];

#[test]
fn what_others_encoded_comes_back_whole_and_in_time() {
    for (name, rate_hz, length, least_db) in FILES {
        let (found, found_hz) = read_all(&folder().join(name)).unwrap();
        assert_eq!((found.len(), found[0].len(), found_hz), (2, length, rate_hz), "{name}");
        let down_db = down_db(&found, found_hz, 1024.min(length / 4));
        assert!(down_db > least_db, "{name}: {down_db:.1} dB");
    }
}

/// The text of the error with which a file of this content is refused; it names the file.
pub(super) fn refusal(content: &[u8]) -> String {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("file");
    std::fs::write(&path, content).unwrap();
    let error = format!("{:#}", read_all(&path).unwrap_err());
    assert!(error.starts_with(&format!("{}: ", path.display())), "{error}");
    error
}

pub(super) fn content(name: &str) -> Vec<u8> {
    std::fs::read(folder().join(name)).unwrap()
}

/// Spectral band replication is not read, so whatever says that it is there, or does not: frames alone, or the
/// configuration of the decoder (ISO/IEC 14496-3, 1.6.2.1: five bits of object type, four of rate, four of channels, then three
/// of which the last says that more follows; type 5 is that of replication, before or behind type 2; type 42, written as 31
/// and 10, is unified speech and audio coding).
#[test]
fn aac_that_needs_more_than_lc_is_refused() {
    for name in ["he.aac", "he.m4a"] {
        let error = refusal(&content(name));
        assert!(
            error.contains("HE-AAC") && error.contains("11025 Hz") && error.contains("convert it"),
            "{error}"
        );
    }
    let lc = [0x12, 0x10, 0x56, 0xe5, 0x00];
    let file = content("aac.m4a");
    let at = file.windows(lc.len()).position(|window| window == lc).unwrap();
    for (configuration, what) in [
        ([0x2a, 0x12, 0x08, 0, 0], "type 5, rate 4, 2 channels, rate 4, type 2"),
        ([0xf9, 0x48, 0x40, 0, 0], "type 42, rate 4, 2 channels"),
    ] {
        let mut file = file.clone();
        file[at..at + lc.len()].copy_from_slice(&configuration);
        let error = refusal(&file);
        assert!(error.contains("only AAC-LC is read") && error.contains("convert it"), "{what}: {error}");
    }
}

/// A page of Ogg with its checksum made anew (RFC 3533, 6: CRC-32 by 0x04c11db7, from 0, over the page with a checksum of 0).
fn with_checksum(mut page: Vec<u8>) -> Vec<u8> {
    page[22..26].fill(0);
    let crc = page.iter().fold(0u32, |crc, &byte| {
        (0..8).fold(crc ^ u32::from(byte) << 24, |crc, _| {
            crc << 1 ^ if crc >> 31 == 1 { 0x04c1_1db7 } else { 0 }
        })
    });
    page[22..26].copy_from_slice(&crc.to_le_bytes());
    page
}

/// RFC 7845, 5.1: what is played is 10^(gain / (20 x 256)) times what was decoded. The header of 19 bytes is a page alone.
#[test]
fn the_gain_of_an_opus_file_is_applied() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("gain.opus");
    let file = content("opus.opus");
    assert_eq!((&file[28..36], with_checksum(file[..47].to_vec())), (&b"OpusHead"[..], file[..47].to_vec()));
    let (plain, _) = read_all(&self::folder().join("opus.opus")).unwrap();
    for gain in [-1541i16, 500] {
        let mut page = file[..47].to_vec();
        page[44..46].copy_from_slice(&gain.to_le_bytes());
        std::fs::write(&path, [&with_checksum(page)[..], &file[47..]].concat()).unwrap();
        let factor = 10f32.powf(f32::from(gain) / (20.0 * 256.0));
        let (found, _) = read_all(&path).unwrap();
        for (found, plain) in found.iter().flatten().zip(plain.iter().flatten()) {
            assert!((found - factor * plain).abs() < 1e-4, "{found}, not {factor} x {plain}");
        }
    }
    // The other container has the high byte first.
    let mut file = content("opus.mp4");
    let at = file.windows(4).position(|window| window == b"dOps").unwrap() + 4;
    file[at + 8..at + 10].copy_from_slice(&(-1541i16).to_be_bytes());
    std::fs::write(&path, file).unwrap();
    let (found, _) = read_all(&path).unwrap();
    assert!((found[0][12_000] - 0.5 * plain[0][12_000]).abs() < 1e-4);
}

/// Ogg allows one stream after another (RFC 3533, 4: chaining), of any layout.
#[test]
fn several_sounds_in_one_file_are_refused() {
    for (first, second, samples) in [
        ("vorbis.ogg", "vorbis.ogg", "22050"),
        ("opus.opus", "opus.opus", "24000"),
        ("vorbis.ogg", "opus.opus", "22050"),
    ] {
        let error = refusal(&[content(first), content(second)].concat());
        assert!(
            error.contains("several sounds") && error.contains(samples) && error.contains("convert it"),
            "{error}"
        );
    }
}

/// What an encoder says of its delay is in a tag behind the one of the length; without it the length still is in the header.
#[test]
fn an_mp3_with_a_length_and_no_delay_is_read_whole() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("length.mp3");
    let mut file = content("lame.mp3");
    let at = file.windows(4).position(|window| window == b"LAME").unwrap();
    file[at..at + 36].fill(0);
    std::fs::write(&path, file).unwrap();
    let (whole, rate_hz) = read_all(&path).unwrap();
    let (sound, _) = read_all(&self::folder().join("lame.mp3")).unwrap();
    assert_eq!((whole.len(), rate_hz, whole[0].len() % 1152), (2, 44_100, 0));
    // LAME's own delay of 576 samples and the decoder's of 529 (LAME's technical FAQ) stand before what was encoded.
    for (whole, sound) in whole.iter().zip(&sound) {
        assert!(whole[1105..].iter().zip(sound).all(|(a, b)| (a - b).abs() < 1e-6));
    }
}

/// Programs that cannot go back to the header leave a length of nothing, or of all ones (common practice, no source). The file's
/// length is at byte 4, that of the samples behind `data`.
#[test]
fn wav_files_without_their_length() {
    let good = content("s16.wav");
    let data = good.windows(4).position(|window| window == b"data").unwrap() + 4;
    let with = |places: &[usize], length: u32| {
        let mut file = good.clone();
        places.iter().for_each(|&at| file[at..at + 4].copy_from_slice(&length.to_le_bytes()));
        file
    };
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("file.wav");
    std::fs::write(&path, with(&[4, data], u32::MAX)).unwrap();
    assert_eq!(read_all(&path).unwrap(), read_all(&self::folder().join("s16.wav")).unwrap());
    for (file, says) in [(with(&[data], 0), "0 samples"), (with(&[4, data], 0), "riff length")] {
        let error = refusal(&file);
        assert!(error.contains(says) && error.contains("export it again"), "{error}");
    }
}

/// AIFF has its sample rate as an 80-bit float (IEEE 754 extended: sign and exponent, biased by 16,383, in 16 bits, then
/// 64 bits of mantissa with the 1 before the point): 44,100 is 0xAC44 x 2^0, so the mantissa is 0xAC44 << 48 and the exponent 15.
#[test]
fn rates_of_aiff_files_are_read() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("file.aiff");
    for (rate_hz, exponent, mantissa) in [
        (8_000, 0x400bu16, 0xfa00u16),
        (22_050, 0x400d, 0xac44),
        (44_100, 0x400e, 0xac44),
        (48_000, 0x400e, 0xbb80),
        (96_000, 0x400f, 0xbb80),
        (192_000, 0x4010, 0xbb80),
    ] {
        let file = [
            b"FORM\0\0\0\x32AIFFCOMM\0\0\0\x12\0\x01\0\0\0\x02\0\x10",
            &exponent.to_be_bytes()[..],
            &mantissa.to_be_bytes(),
            &[0; 6],
            b"SSND\0\0\0\x0c\0\0\0\0\0\0\0\0\x40\0\xc0\0",
        ]
        .concat();
        std::fs::write(&path, file).unwrap();
        assert_eq!(read_all(&path).unwrap(), (vec![vec![0.5, -0.5]], rate_hz));
    }
}
