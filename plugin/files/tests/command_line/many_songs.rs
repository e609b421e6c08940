//! Many songs in a run.

use std::{fs, path::Path};

use serde_json::Value;

use super::{listing, run, write_song};

/// A folder `songs` with these songs, so many seconds each.
fn songs(songs: &[(&str, usize)]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::create_dir(folder.path().join("songs")).unwrap();
    for (idx, (name, seconds)) in songs.iter().enumerate() {
        let [mix, backing] =
            ["mix", "instrumental"].map(|kind| folder.path().join(format!("songs/{name} {kind}.wav")));
        write_song(&mix, &backing, 1 + 222_221 * idx as u64, *seconds);
    }
    folder
}

fn changed(folder: &Path, name: &str) -> std::time::SystemTime {
    fs::metadata(folder.join(name)).unwrap().modified().unwrap()
}

/// In the order of their names, though the first takes longest; and counted.
#[test]
fn results_come_in_order() {
    let folder = songs(&[("a", 60), ("b", 10), ("c", 10)]);
    let (code, lines, errors) = run(folder.path(), &["songs", "-o", "new/out", "--jobs", "3"]);
    assert_eq!((code, errors.as_str()), (0, ""));
    let begins: Vec<_> = lines.iter().map(|line| line.split(": ").next().unwrap()).collect();
    let out = |name: &str| Path::new("new/out").join(format!("{name} difference.wav")).display().to_string();
    assert_eq!(begins, [&out("a"), &out("b"), &out("c"), "3 of 3 done"]);
}

/// All of them: the count is true, and folders for files that never came are not left.
#[test]
fn all_can_fail() {
    let folder = songs(&[]);
    let folder = folder.path();
    for name in ["a", "b", "c"] {
        for kind in ["mix", "minus one"] {
            fs::write(folder.join(format!("songs/{name} {kind}.wav")), "no sound").unwrap();
        }
    }
    for jobs in ["1", "3"] {
        let (code, lines, errors) = run(folder, &["songs", "-o", "out", "--jobs", jobs]);
        assert_eq!((code, lines.len()), (4, 0), "{errors}");
        assert!(errors.ends_with("error: 0 of 3 done, 3 failed\n"), "{errors}");
        assert_eq!(listing(folder), ["songs"]);
    }
}

/// Files without a name of their own lie beside the mixes, in either format, and do not count as songs the next time.
#[test]
fn files_of_songs_lie_beside_their_mixes() {
    let folder = songs(&[("a", 10)]);
    let line = ["songs", "--also", "backing", "--format", "flac"];
    let (code, _, errors) = run(folder.path(), &line);
    assert_eq!((code, errors.as_str()), (0, ""));
    let expected = ["a difference backing.flac", "a difference.flac", "a instrumental.wav", "a mix.wav"];
    assert_eq!(listing(&folder.path().join("songs")), expected);
    let (code, lines, errors) = run(folder.path(), &[&line[..], &["--resume"]].concat());
    assert_eq!((code, errors.as_str()), (0, ""));
    assert_eq!(lines, [format!("{}: done before", Path::new("songs").join("a difference.flac").display())]);
}

/// What is done is left alone; what is missing is done; what is there and is something else is not replaced unasked.
#[test]
fn what_is_done_is_left_out() {
    let folder = songs(&[("a", 10), ("b", 10), ("c", 10)]);
    let folder = folder.path();
    let line = ["songs", "-o", "out", "--bits", "16", "--resume"];
    let out = folder.join("out");
    let (code, lines, errors) = run(folder, &line);
    assert_eq!((code, lines.last().map(String::as_str), errors.as_str()), (0, Some("3 of 3 done"), ""));
    let first = changed(&out, "a difference.wav");
    fs::remove_file(out.join("b difference.wav")).unwrap();
    let whole = fs::read(out.join("c difference.wav")).unwrap();
    fs::write(out.join("c difference.wav"), &whole[..whole.len() / 2]).unwrap();

    let (code, lines, errors) = run(folder, &line);
    assert_eq!(code, 4, "{errors}");
    assert!(
        lines[0].ends_with("a difference.wav: done before") && lines[1].contains("b difference.wav: delay"),
        "{lines:?}"
    );
    assert!(errors.contains("c difference.wav: exists already, but"), "{errors}");
    assert!(errors.ends_with("error: 1 of 3 done, 1 done before, 1 failed\n"), "{errors}");
    assert_eq!(first, changed(&out, "a difference.wav"));

    let (code, lines, errors) = run(folder, &[&line[..], &["--force", "--json"]].concat());
    assert_eq!((code, errors.as_str()), (0, ""));
    let status = |line: &String| serde_json::from_str::<Value>(line).unwrap()["status"].clone();
    assert_eq!(lines.iter().map(status).collect::<Vec<_>>(), ["done before", "done before", "done"]);
    assert!(fs::read(out.join("c difference.wav")).unwrap() == whole);

    // With other options it would be another sound.
    let (code, _, errors) = run(folder, &[&line[..], &["--trim", "1"]].concat());
    assert_eq!(code, 4, "{errors}");
    assert!(errors.ends_with("error: 0 of 3 done, 3 failed\n"), "{errors}");
}

/// As jobs of a scheduler do it: every song in one part and in no other, and in none where there are more parts than songs.
#[test]
fn parts_are_all_songs_together() {
    let folder = songs(&[("a", 10), ("b", 10), ("c", 10)]);
    let folder = folder.path();
    let lines = ["1/2", "2/2", "4/4"].map(|part| {
        let (code, lines, errors) = run(folder, &["songs", "-o", "out", "--part", part, "--json"]);
        assert_eq!((code, errors.as_str()), (0, ""));
        lines.len()
    });
    assert_eq!(lines, [2, 1, 0]);
    assert_eq!(listing(&folder.join("out")), ["a difference.wav", "b difference.wav", "c difference.wav"]);
    let (code, _, errors) = run(folder, &["songs/a mix.wav", "songs/a instrumental.wav", "--part", "1/2"]);
    assert!(code == 2 && errors.contains("--part is for many songs"), "{errors}");
}

/// A list may come from anywhere; what it calls its songs stays in the folder, and is a file, on every system.
#[test]
fn names_of_a_list_stay_in_the_folder() {
    let folder = songs(&[("a", 10)]);
    let folder = folder.path();
    for name in ["../a", "C:a", "NUL", "con.a", "a\\b"] {
        let files = "songs/a mix.wav\tsongs/a instrumental.wav";
        fs::write(folder.join("list.txt"), format!("{files}\t{name}\n")).unwrap();
        let (code, _, errors) = run(folder, &["--list", "list.txt", "-o", "out/deep"]);
        assert!(code == 1 && errors.contains("list.txt: line 1: the name"), "{name}: {errors}");
        assert_eq!(listing(folder), ["list.txt", "songs"], "{name}");
    }
}

#[test]
fn many_songs_take_folders() {
    let folder = songs(&[("a", 10)]);
    fs::write(folder.path().join("file"), "").unwrap();
    for (more, code, says) in [
        (&["-o", "out.wav"][..], 2, "out.wav: is the name of a file"),
        (&["-o", "out", "--report", "page.html"], 2, "page.html: is the name of a file"),
        (&["-o", "out", "--match", "a.match"], 2, "--match is for one song"),
        (&["-o", "file"], 1, "file: is no folder"),
    ] {
        let (found, _, errors) = run(folder.path(), &[&["songs"], more].concat());
        assert!(found == code && errors.contains(says), "{found} {errors}");
        assert_eq!(listing(folder.path()), ["file", "songs"]);
    }
}
