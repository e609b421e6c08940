//! Which files are written, and as what.

use std::{fs, path::Path};

use minuend_files::{read::read_all, write::write_all};

use super::{RATE_HZ, listing, run, song_folder, write_song};

/// The name of a file that was not given is made of the mix's, beside it, and is as safe as any.
#[test]
fn a_file_without_a_name_lies_beside_the_mix() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let songs = folder.join("songs");
    fs::create_dir(&songs).unwrap();
    let files = ["songs/Nine Lamps mix.wav", "songs/Nine Lamps backing.wav"];
    write_song(&folder.join(files[0]), &folder.join(files[1]), 1, 10);
    for (more, code, says) in [
        (&[][..], 0, "Nine Lamps difference.wav: delay"),
        (&[], 1, "Nine Lamps difference.wav: exists already"),
        (&["--format", "FLAC"], 0, "Nine Lamps difference.flac: delay"),
    ] {
        let (found, lines, errors) = run(folder, &[&files[..], more].concat());
        assert_eq!(found, code, "{errors}");
        let says = Path::new("songs").join(says).display().to_string();
        assert!(lines.concat().contains(&says) || errors.contains(&says), "{lines:?} {errors}");
    }
    let [wav, flac] = ["wav", "flac"].map(|ending| format!("Nine Lamps difference.{ending}"));
    assert_eq!(listing(&songs), ["Nine Lamps backing.wav", &flac, &wav, "Nine Lamps mix.wav"]);
}

/// FLAC holds what a WAV of as many bits does, and says where it comes from; nobody needs to say how many, and 32 are float.
#[test]
fn files_are_what_their_names_say() {
    let folder = song_folder(10);
    let folder = folder.path();
    for (out, bits) in [
        ("a.wav", &["--bits", "24"][..]),
        ("a.flac", &[]),
        ("b.wav", &["--bits", "16"]),
        ("b.FLAC", &["--bits", "16"]),
        ("c.wav", &[]),
        ("d.wav", &["--bits", "32"]),
    ] {
        let line = ["mix.wav", "backing.wav", "-o", out, "--also", "backing"];
        let (code, _, errors) = run(folder, &[&line[..], bits].concat());
        assert_eq!((code, errors.as_str()), (0, ""), "{out}");
        let bytes = String::from_utf8_lossy(&fs::read(folder.join(out)).unwrap()).into_owned();
        assert!(bytes.contains("mix.wav with backing.wav") && bytes.contains(": delay 12.500 ms"), "{out}");
    }
    let read = |name: &str| read_all(&folder.join(name)).unwrap();
    for (a, b) in [("a.wav", "a.flac"), ("a backing.wav", "a backing.flac"), ("b.wav", "b.FLAC")] {
        assert!(read(a) == read(b), "{a} is not {b}");
    }
    let bytes = |name: &str| fs::read(folder.join(name)).unwrap();
    assert!(bytes("c.wav") == bytes("d.wav") && read("c.wav") != read("a.wav"));
}

/// A wrong name is a wrong command line: nothing was looked at yet.
#[test]
fn names_that_promise_something_else_are_refused() {
    let folder = song_folder(10);
    let folder = folder.path();
    let before = listing(folder);
    for (line, says) in [
        (&["-o", "a.mp3"][..], "a.mp3: .mp3 is not written; let the name end in .wav or .flac"),
        (&["-o", "new/a"], "a: does not say what to write; let the name end in .wav or .flac"),
        (&["-o", "a.flac", "--bits", "float"], "a.flac: FLAC holds no float; write 24 bits (--bits 24)"),
        (&["-o", "a.flac", "--bits=32"], "a.flac: FLAC holds no float"),
        (&["--format", "flac", "--bits=32"], "FLAC holds no float"),
        (&["-o", "a.flac", "--format", "wav"], "a.flac: is not what --format says"),
    ] {
        let (code, _, errors) = run(folder, &[&["mix.wav", "backing.wav"], line].concat());
        assert!(code == 2 && errors.contains(says) && errors.contains("Usage: minuend render"), "{errors}");
        assert_eq!(listing(folder), before);
    }
}

/// Folders that are missing are made, and are gone again if nothing comes of it.
#[test]
fn folders_are_made_for_files() {
    let folder = song_folder(10);
    let folder = folder.path();
    write_song(&folder.join("other mix.wav"), &folder.join("other.wav"), 12_345, 10);
    let before = listing(folder);
    let (code, _, _) =
        run(folder, &["mix.wav", "other.wav", "-o", "new/deep/out.wav", "--report", "pages/a.html"]);
    assert_eq!((code, listing(folder)), (3, before));
    let (code, _, errors) =
        run(folder, &["mix.wav", "backing.wav", "-o", "new/deep/out.wav", "--report", "pages/a.html"]);
    assert_eq!((code, errors.as_str()), (0, ""));
    assert_eq!(
        (listing(&folder.join("new/deep")), listing(&folder.join("pages"))),
        (vec!["out.wav".to_owned()], vec!["a.html".to_owned()])
    );
}

/// What cannot be heard is called silent, and not lost: nothing, or less than a converter's own noise.
#[test]
fn silence_is_called_silence() {
    let folder = song_folder(10);
    let folder = folder.path();
    let hum = |peak: f32| vec![(0..10 * RATE_HZ).map(|n| if n % 2 == 0 { peak } else { -peak }).collect()];
    write_all(&folder.join("nothing.wav"), RATE_HZ, &[vec![0.0; 10 * RATE_HZ as usize]]).unwrap();
    write_all(&folder.join("hiss.wav"), RATE_HZ, &hum(6e-5)).unwrap();
    let before = listing(folder);
    for (files, silent) in [
        (["mix.wav", "nothing.wav"], "nothing.wav: is silent; name a backing that can be heard"),
        (["nothing.wav", "backing.wav"], "nothing.wav: is silent; name a mix that can be heard"),
        (["mix.wav", "hiss.wav"], "hiss.wav: is silent"),
    ] {
        for more in [&["-o", "new/out.wav"][..], &["-o", "out.wav", "--one-pass"]] {
            let (code, lines, errors) = run(folder, &[&files[..], more].concat());
            assert!(code == 3 && lines.is_empty() && errors.contains(silent), "{code} {errors}");
            assert_eq!(listing(folder), before);
        }
    }
}

#[test]
fn whoever_wants_quiet_gets_it() {
    let folder = song_folder(10);
    let folder = folder.path();
    let line = ["mix.wav", "backing.wav", "-o", "out.wav", "-q"];
    assert_eq!(run(folder, &line), (0, vec![], String::new()));
    let (code, lines, errors) = run(folder, &line);
    assert!(
        code == 1 && lines.is_empty() && errors.starts_with("error: out.wav: exists already"),
        "{errors}"
    );
    let (code, lines, errors) = run(folder, &[&line[..], &["--force", "--json"]].concat());
    assert_eq!((code, lines.len(), errors.as_str()), (0, 1, ""), "scripts get their lines");
    assert!(Path::new(&folder.join("out.wav")).is_file());
}
