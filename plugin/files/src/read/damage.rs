//! Damaged files of every format: whatever is wrong with them, reading ends with a signal or with an error that helps.

use std::{fs, path::Path};

use super::{
    formats::{FILES, folder},
    read_all,
};

/// Seeded numbers, as in the dither.
struct Random(u64);

impl Random {
    fn below(&mut self, limit: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        ((z ^ (z >> 27)) % limit as u64) as usize
    }
}

/// Reads a file of this content. The error must name the file and say what to do.
fn check(path: &Path, content: &[u8], what: &str) {
    fs::write(path, content).unwrap();
    match read_all(path) {
        Ok((signal, rate_hz)) => {
            assert!((1..=2).contains(&signal.len()) && !signal[0].is_empty() && rate_hz > 0, "{what}");
            assert!(signal.iter().all(|channel| channel.len() == signal[0].len()), "{what}");
            // No format packs more than a few hundred samples into a byte, silence aside.
            assert!(signal[0].len() <= 4_000 * content.len(), "{what}: {} samples", signal[0].len());
        }
        Err(error) => {
            let error = format!("{error:#}");
            let names_it = error.contains(&path.display().to_string());
            let helps = ["export", "copy", "convert", "name"].iter().any(|word| error.contains(word));
            assert!(names_it && helps, "{what}: {error:?}");
        }
    }
}

fn each_file(mut test: impl FnMut(&Path, &str, &[u8])) {
    let place = tempfile::tempdir().unwrap();
    for (name, ..) in FILES {
        let good = fs::read(folder().join(name)).unwrap();
        test(&place.path().join(name), name, &good);
    }
}

/// At every byte of the header, and here and there in the rest.
#[test]
fn files_that_end_too_early() {
    each_file(|path, name, good| {
        let header = (0..200.min(good.len())).step_by(3);
        let rest = (200..good.len()).step_by((good.len() / 40).max(1));
        for length in header.chain(rest) {
            check(path, &good[..length], &format!("{name} cut at {length}"));
        }
    });
}

/// Single bits, anywhere, and most of those of the header.
#[test]
fn files_with_flipped_bits() {
    let mut random = Random(1);
    each_file(|path, name, good| {
        for turn in 0..150 {
            let range = if turn % 2 == 0 { good.len() } else { 200.min(good.len()) };
            let bit = random.below(8 * range);
            let mut damaged = good.to_vec();
            damaged[bit / 8] ^= 1 << (bit % 8);
            check(path, &damaged, &format!("{name} with bit {bit} flipped"));
        }
    });
}

/// Numbers that are too large, too small or negative wherever a header may have one.
#[test]
fn files_with_lying_headers() {
    const LIES: [[u8; 4]; 5] =
        [[0; 4], [0xff; 4], [0x7f, 0xff, 0xff, 0xff], [0xff, 0xff, 0xff, 0x7f], [0, 0, 0, 1]];
    let mut random = Random(2);
    each_file(|path, name, good| {
        // MPEG-4 has its header at either end.
        let mut places: Vec<usize> = (0..120).step_by(2).collect();
        places.extend((0..30).map(|_| good.len() - 4 - random.below(900.min(good.len() - 4))));
        for at in places.into_iter().filter(|at| at + 4 <= good.len()) {
            for lie in &LIES[..] {
                let mut damaged = good.to_vec();
                damaged[at..at + 4].copy_from_slice(lie);
                check(path, &damaged, &format!("{name} with {lie:02x?} at {at}"));
            }
        }
    });
}

/// What is not audio at all, and what is another format than its name says.
#[test]
fn files_that_are_something_else() {
    let place = tempfile::tempdir().unwrap();
    let mut random = Random(3);
    let noise: Vec<u8> = (0..20_000).map(|_| random.below(256) as u8).collect();
    for ending in ["wav", "aiff", "flac", "mp3", "m4a", "aac", "ogg", "opus", "rf64", "txt"] {
        let path = place.path().join("file").with_extension(ending);
        for content in [
            &b""[..],
            b"x",
            b"RIFF",
            b"RF64",
            b"These are the lyrics of a song of our own.",
            &noise,
            &[0; 5_000],
        ] {
            check(&path, content, &format!("{ending} of {} bytes", content.len()));
        }
        // The name does not count.
        fs::write(&path, fs::read(folder().join("s16.wav")).unwrap()).unwrap();
        assert_eq!(read_all(&path).unwrap().0[0].len(), 2205, "{ending}");
    }
}
