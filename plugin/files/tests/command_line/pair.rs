//! Pairs by sound.

use super::*;

/// A backing, and a mix of it and a voice that enters after 8 s of 16, 100 samples later.
fn write_song(mix: &Path, backing: &Path, seed: u64) {
    let (song, voice) = (noise(seed, 16), noise(seed + 48_271, 16));
    let sung = |n: usize| if n > 8 * RATE_HZ as usize { 0.3 * voice[n] } else { 0.0 };
    let mixed = (0..song.len()).map(|n| n.checked_sub(100).map_or(0.0, |n| 0.5 * song[n]) + sung(n));
    write_all(mix, RATE_HZ, &[mixed.collect()]).unwrap();
    write_all(backing, RATE_HZ, &[song]).unwrap();
}

/// Two songs under names that tell nothing, one of them in a folder; a file of neither, and one that is no sound.
#[test]
fn pairs_are_found_and_rendered() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    fs::create_dir(at("more")).unwrap();
    write_song(&at("take 3.wav"), &at("more/x.wav"), 1);
    write_song(&at("a.wav"), &at("b.wav"), 2_000);
    write_all(&at("c.wav"), RATE_HZ, &[noise(300_000, 16)]).unwrap();
    fs::write(at("d.mp3"), "no sound").unwrap();

    let (code, lines, errors) = outcome(minuend(folder.path(), "pair", &["."]));
    assert_eq!(code, 4, "{errors}");
    assert!(errors.contains("d.mp3") && errors.contains("1 file could not be read"), "{errors}");
    let told = |mix: &str, backing: &str| {
        lines.iter().any(|l| l.contains(&format!("{mix}: backing .")) && l.contains(backing))
    };
    assert!(told("a.wav", "b.wav, +0.01") && told("take 3.wav", "x.wav"), "{lines:?}");
    assert!(lines.iter().any(|line| line.starts_with("alone: ") && line.ends_with("c.wav")), "{lines:?}");
    let list = fs::read_to_string(at("songs.txt")).unwrap();
    assert!(list.lines().any(|line| line == "a.wav\tb.wav"), "{list}");

    // What is there is not replaced; without anything that cannot be read all is well; scripts are told the same.
    fs::remove_file(at("d.mp3")).unwrap();
    let (code, _, errors) = outcome(minuend(folder.path(), "pair", &["."]));
    assert!(code == 1 && errors.contains("add --force"), "{errors}");
    let (code, lines, _) = outcome(minuend(folder.path(), "pair", &[".", "--force", "--json"]));
    let first: Value = serde_json::from_str(&lines[0]).unwrap();
    every_field_is_told(&first);
    assert_eq!((code, lines.len(), &first["schema"], &first["status"]), (0, 3, &1.into(), &"pair".into()));

    let (code, _, errors) = run(folder.path(), &["--list", "songs.txt", "--out", "out"]);
    assert_eq!((code, errors.as_str()), (0, ""));
    assert_eq!(listing(&at("out")), ["a difference.wav", "take 3 difference.wav"]);
}

#[test]
fn where_nothing_belongs_together_nothing_is_written() {
    let folder = tempfile::tempdir().unwrap();
    for (name, seed) in [("a.wav", 1), ("b.wav", 48_271)] {
        write_all(&folder.path().join(name), RATE_HZ, &[noise(seed, 10)]).unwrap();
    }
    let (code, lines, errors) = outcome(minuend(folder.path(), "pair", &[".", "--out", "new/list.txt"]));
    assert_eq!((code, lines.len()), (3, 2));
    assert!(errors.contains("no file in it is the backing"), "{errors}");
    assert_eq!(listing(folder.path()), ["a.wav", "b.wav"]);
}
