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
pub(super) const FILES: [(&str, u32, usize, f64); 19] = [
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
    ("alac.m4a", 44_100, 2205, 85.0),
    ("lame.mp3", 44_100, 22_050, 25.0),
    ("aac.m4a", 44_100, 22_050, 25.0),
    ("vorbis.ogg", 44_100, 22_050, 25.0),
    ("opus.opus", 48_000, 24_000, 25.0),
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
