//! A backing from the song itself.

use std::{fs, path::Path};

use minuend_files::{noise::samples, read::read_all, write::write_all};
use serde_json::Value;

use crate::{RATE_HZ, every_field_is_told, listing, minuend, outcome};

const SECOND: usize = RATE_HZ as usize;

/// A bar of two seconds, six times, and a voice over each that is another one.
fn write_song(path: &Path) -> Vec<f32> {
    let (bar, voice) = (samples(1, 2 * SECOND), samples(48_271, 12 * SECOND));
    let backing: Vec<f32> = (0..12 * SECOND).map(|n| bar[n % bar.len()]).collect();
    // It rests for the second half of every bar, but not in the same place of all.
    let sung = |n: usize| if (n + n / (2 * SECOND) * SECOND / 3) % (2 * SECOND) < SECOND { 0.5 } else { 0.0 };
    let mix: Vec<f32> = (0..backing.len()).map(|n| backing[n] + sung(n) * voice[n]).collect();
    write_all(path, RATE_HZ, &[mix.clone(), mix]).unwrap();
    backing
}

fn run(folder: &Path, arguments: &[&str]) -> (i32, Vec<String>, String) {
    outcome(minuend(folder, "backing", arguments))
}

fn error_db(found: &[f32], expected: &[f32]) -> f32 {
    let error: f32 = found.iter().zip(expected).map(|(a, b)| (a - b).powi(2)).sum();
    10.0 * (error / expected.iter().map(|x| x * x).sum::<f32>()).log10()
}

#[test]
fn a_song_that_repeats_is_its_own_backing() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let truth = write_song(&folder.join("Lamp mix.wav"));
    let (code, lines, errors) =
        run(folder, &["Lamp mix.wav", "--vocal", "v.wav", "--report", "new/page.html"]);
    assert_eq!((code, lines.len(), errors.as_str()), (0, 1, ""));
    assert!(lines[0].contains("Lamp backing.wav: repeats good (0."), "{lines:?}");
    assert_eq!(listing(folder), ["Lamp backing.wav", "Lamp mix.wav", "new", "v.wav"]);
    let [mix, backing, vocal] =
        ["Lamp mix.wav", "Lamp backing.wav", "v.wav"].map(|name| read_all(&folder.join(name)).unwrap().0);
    assert_eq!((backing.len(), backing[0].len(), vocal[0].len()), (2, mix[0].len(), mix[0].len()));
    for n in 0..mix[0].len() {
        assert!((mix[1][n] - backing[1][n] - vocal[1][n]).abs() < 1e-6, "sample {n}");
    }
    // The voice is 9 dB below the backing; noise over noise is the worst there is to part.
    let error = error_db(&backing[0], &truth);
    assert!(error < -20.0, "{error} dB");
    let page = fs::read_to_string(folder.join("new/page.html")).unwrap();
    assert!(page.starts_with("<!DOCTYPE html>") && page.ends_with("</html>\n"));
    for forbidden in ["http:", "https:", "src=\"", "url(", "@import", "<script", "NaN", "inf"] {
        assert!(!page.contains(forbidden), "{forbidden:?} in the page");
    }

    // A part is what the whole has there; what is known and what is put back is told.
    let part = ["Lamp mix.wav", "-o", "part.wav", "--from", "4", "--to", "6.5", "--json"];
    let (code, lines, errors) = run(folder, &part);
    assert_eq!((code, errors.as_str()), (0, ""));
    let line: Value = serde_json::from_str(&lines[0]).unwrap();
    every_field_is_told(&line);
    assert_eq!((&line["grade"], &line["num_samples"]), (&"good".into(), &20_000.into()), "{line}");
    let part = read_all(&folder.join("part.wav")).unwrap().0;
    assert_eq!(part[0].len(), 20_000);
    for n in 0..20_000 {
        assert!((part[0][n] - backing[0][4 * SECOND + n]).abs() < 1e-5, "sample {n}");
    }
    let (code, lines, errors) = run(
        folder,
        &["Lamp mix.wav", "-o", "c.flac", "--centre", "50%", "--free", "0:02-0:04", "--free", "8-9"],
    );
    assert_eq!((code, lines.len()), (0, 1), "{errors}");
    assert!(errors.starts_with("warning: --centre 50: voices at the sides"), "{errors}");
}

#[test]
fn codes_tell_how_it_ended() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    write_song(&folder.join("song.wav"));
    let write = |name: &str, signal: Vec<f32>| write_all(&folder.join(name), RATE_HZ, &[signal]).unwrap();
    write("noise.wav", samples(7, 10 * SECOND));
    write("five.wav", samples(8, 5 * SECOND));
    write("short.wav", samples(9, 2 * SECOND));
    write("silent.wav", vec![0.0; 10 * SECOND]);
    write("mono.wav", read_all(&folder.join("song.wav")).unwrap().0.remove(0));
    // Three hours of one channel: a header, and a hole in the file.
    let long = fs::File::create(folder.join("long.wav")).unwrap();
    let data = 3 * 3600 * RATE_HZ;
    let mut header = [&b"RIFF"[..], &(data + 36).to_le_bytes(), b"WAVEfmt ", &16u32.to_le_bytes()].concat();
    header.extend([&1u16.to_le_bytes()[..], &1u16.to_le_bytes(), &RATE_HZ.to_le_bytes()].concat());
    header.extend([&RATE_HZ.to_le_bytes()[..], &1u16.to_le_bytes(), &8u16.to_le_bytes(), b"data"].concat());
    header.extend(data.to_le_bytes());
    std::io::Write::write_all(&mut &long, &header).unwrap();
    long.set_len(u64::from(data) + 44).unwrap();

    for (arguments, code, says) in [
        (&[][..], 2, "SONG"),
        (&["song.wav", "-o", "out.mp3"], 2, "end in .wav or .flac"),
        (&["song.wav", "-o", "out.flac", "--bits", "float"], 2, "FLAC holds no float"),
        (&["song.wav", "-o", "out.wav", "--free", "0:12"], 2, "two times with a hyphen"),
        (&["song.wav", "-o", "out.wav", "--centre", "101"], 2, "from 0 to 100"),
        (&["song.wav", "-o", "out.wav", "--from", "5", "--to", "3"], 2, "Usage: minuend backing"),
        (&["missing.wav", "-o", "out.wav"], 1, "missing.wav"),
        (&["song.wav", "-o", "noise.wav"], 1, "exists already"),
        (&["song.wav", "-o", "song.wav", "--force"], 1, "one of the inputs"),
        (&["song.wav", "-o", "out.wav", "--vocal", "./out.wav"], 1, "named for two files"),
        (&["song.wav", "-o", "out.wav", "--from", "1:00"], 1, "12.000 s"),
        (&["song.wav", "-o", "out.wav", "--free", "1:00-2:00"], 1, "passage of --free"),
        (&["mono.wav", "-o", "out.wav", "--centre", "50"], 1, "is mono"),
        (&["long.wav", "-o", "out.wav"], 1, "is 180:00 long"),
        (&["noise.wav", "-o", "new/out.wav", "--vocal", "v.wav"], 3, "does not repeat (0."),
        (&["five.wav", "-o", "out.wav"], 3, "does not repeat"),
        (&["short.wav", "-o", "out.wav"], 3, "too short"),
        (&["silent.wav", "-o", "out.wav"], 3, "is silent"),
    ] {
        let before = listing(folder);
        let (found, lines, errors) = run(folder, arguments);
        assert_eq!((found, lines.len()), (code, 0), "{arguments:?}: {errors}");
        assert!(errors.contains(says), "{arguments:?}: {errors}");
        assert_eq!(listing(folder), before, "{arguments:?}");
    }
    // One channel is enough.
    let (code, _, errors) = run(folder, &["mono.wav", "-o", "out.wav", "--quiet"]);
    assert_eq!((code, errors.as_str()), (0, ""));
    assert_eq!(read_all(&folder.join("out.wav")).unwrap().0.len(), 1);
}
