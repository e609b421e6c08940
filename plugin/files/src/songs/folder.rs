//! The songs in a folder.

use std::{
    collections::BTreeMap,
    fs,
    path::{Path, PathBuf},
};

use anyhow::{Context, Result, bail, ensure};

use super::{
    Song, Songs,
    name::key_of,
    parts::files_of,
    role::{Role, role_of},
};

/// Names of files that can be audio: other files in a folder of songs do not count. What is not read is among them, so that
/// it is told and not passed over.
const ENDINGS: [&str; 24] = [
    "wav", "wave", "rf64", "bwf", "aif", "aiff", "aifc", "flac", "mp3", "m4a", "mp4", "aac", "ogg", "oga",
    "opus", "w64", "caf", "wma", "ape", "wv", "tta", "mka", "mkv", "webm",
];

/// Whether a file is called as audio is.
pub fn is_audio_name(file: &Path) -> bool {
    let ending = file.extension().map(|ending| ending.to_string_lossy().to_lowercase());
    ending.is_some_and(|ending| ENDINGS.contains(&ending.as_str()))
}

/// The files that can be of one song.
#[derive(Default)]
struct Found {
    name: String,
    mixes: Vec<PathBuf>,
    backings: Vec<PathBuf>,
    parts: Vec<PathBuf>,
}

/// The songs in a folder and in the folders directly in it: two audio files each, called `NAME mix` and `NAME backing`, or by
/// other words for them, in any format, with a space, `-`, `_` or `.` between. A folder's `mix` and `backing` are called like
/// the folder. Names that differ in upper and lower case alone are one. For a backing may stand a folder with its parts, called
/// `NAME parts`.
pub fn in_folder(folder: &Path) -> Result<Songs> {
    let mut found = BTreeMap::<String, Found>::new();
    gather(folder, "", &mut found)?;
    for entry in entries(folder)? {
        if entry.is_dir() && !is_of_parts(&entry) {
            gather(&entry, &name_of(&entry), &mut found)?;
        }
    }
    let shown = folder.display();
    // Parts without mix and backing may be those of a song that lies elsewhere.
    found.retain(|_, song| !song.mixes.is_empty() || !song.backings.is_empty());
    ensure!(!found.is_empty(), "{}", no_songs(folder));
    let song = |Found { name, mixes, backings, parts }: Found| {
        let one = |kind: &str, files: &[PathBuf], other: &[PathBuf]| match files {
            [file] => Ok(file.clone()),
            [] => bail!(
                "{}: is without a {kind}; add a file \"{name} {kind}\", or take this one away",
                other[0].display()
            ),
            [first, second, ..] => bail!(
                "{shown}: \"{name}\" has two files that can be its {kind}, {} and {}; rename one",
                first.display(),
                second.display()
            ),
        };
        let mix = one("mix", &mixes, &backings)?;
        let backing = match &parts[..] {
            [parts] if backings.is_empty() => files_of(std::slice::from_ref(parts), &mix, &name)?,
            _ => vec![one("backing", &backings, &mixes)?],
        };
        Ok(Song { mix, backing, name: name.clone() })
    };
    Ok(found.into_values().map(song).collect())
}

/// Adds the mixes and backings that lie in a folder, their names begun with what the folder is called.
fn gather(folder: &Path, begun: &str, found: &mut BTreeMap<String, Found>) -> Result<()> {
    for file in entries(folder)? {
        let is_folder = file.is_dir();
        if !is_folder && !is_audio_name(&file) {
            continue;
        }
        let stem = if is_folder { name_of(&file) } else { stem_of(&file) };
        let Some((role, name)) = role_of(&stem).filter(|(role, _)| (*role == Role::Parts) == is_folder)
        else {
            continue;
        };
        // What `--also backing` and `--also parts` left here.
        if name.ends_with(" difference") {
            continue;
        }
        let parts: Vec<_> = [begun, name].into_iter().filter(|part| !part.is_empty()).collect();
        let mut name = parts.join(" ");
        if name.is_empty() {
            name = name_of(&fs::canonicalize(folder).unwrap_or_default());
        }
        let song = found.entry(key_of(&name)).or_default();
        match role {
            Role::Mix => song.mixes.push(file),
            Role::Backing => song.backings.push(file),
            Role::Parts => song.parts.push(file),
        }
        if role == Role::Mix || song.name.is_empty() {
            song.name = name;
        }
    }
    Ok(())
}

/// Whether a folder holds the parts of a song, and no songs.
fn is_of_parts(folder: &Path) -> bool {
    matches!(role_of(&name_of(folder)), Some((Role::Parts, _)))
}

fn no_songs(folder: &Path) -> String {
    format!(
        "{}: holds no songs, which are pairs of files called \"NAME mix\" and \"NAME backing\", or a file \"NAME mix\" and a \
         folder \"NAME parts\"",
        folder.display()
    )
}

/// What lies in a folder, by name.
pub fn entries(folder: &Path) -> Result<Vec<PathBuf>> {
    let shown = folder.display();
    let mut entries = Vec::new();
    for entry in fs::read_dir(folder).with_context(|| format!("{shown}: cannot be read as a folder"))? {
        entries.push(entry.with_context(|| format!("{shown}: cannot be read"))?.path());
    }
    entries.sort();
    Ok(entries)
}

fn stem_of(path: &Path) -> String {
    path.file_stem().unwrap_or_default().to_string_lossy().into_owned()
}

fn name_of(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn touch(folder: &Path, names: &[&str]) {
        for name in names {
            let file = folder.join(name);
            fs::create_dir_all(file.parent().unwrap()).unwrap();
            fs::write(file, "").unwrap();
        }
    }

    fn names(songs: Songs) -> Vec<String> {
        songs
            .into_iter()
            .map(|song| song.map_or_else(|error| format!("error: {error}"), |song| song.name))
            .collect()
    }

    #[test]
    fn pairs_are_told_by_their_names() {
        let folder = tempfile::tempdir().unwrap();
        touch(
            folder.path(),
            &[
                "Lamp mix.wav",
                "Lamp backing.flac",
                "quay_MIX.mp3",
                "quay_Backing.MP3",
                "Tide Full Mix.wav",
                "tide (instrumental).wav",
                "cover.jpg",
                "remix.wav",
                "mix notes.txt",
                "Lamp difference.wav",
                "Lamp difference backing.wav",
                "Deep/master.wav",
                "Deep/no vocals.wav",
                "Deep/live-mix.wav",
                "Deep/live-backing.wav",
            ],
        );
        let songs = in_folder(folder.path()).unwrap();
        assert_eq!(songs[0].as_ref().unwrap().backing, [folder.path().join("Deep/no vocals.wav")]);
        assert_eq!(names(songs), ["Deep", "Deep live", "Lamp", "quay", "Tide"]);
    }

    #[test]
    fn a_folder_of_parts_stands_for_a_backing() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        touch(
            folder.path(),
            &[
                "Lamp mix.wav",
                "Lamp parts/synth main.wav",
                "Lamp parts/bass.wav",
                "Lamp difference parts/bass main.wav",
                "Deep/mix.wav",
                "Deep/stems/drums.flac",
                "Tide mix.wav",
                "Tide backing.wav",
                "Tide parts/drums.wav",
                "Else parts/drums.wav",
            ],
        );
        let songs = in_folder(folder.path()).unwrap();
        let found: Vec<_> = songs.iter().map(|song| song.as_ref().unwrap()).collect();
        let expected = [
            ("Deep", vec![at("Deep/stems/drums.flac")]),
            ("Lamp", vec![at("Lamp parts/bass.wav"), at("Lamp parts/synth main.wav")]),
            ("Tide", vec![at("Tide backing.wav")]),
        ];
        assert_eq!(found.len(), 3, "{found:?}");
        for (song, (name, backing)) in found.into_iter().zip(expected) {
            assert_eq!((song.name.as_str(), &song.backing), (name, &backing));
        }
    }

    #[test]
    fn what_is_no_pair_is_said_and_does_not_stop_the_rest() {
        let folder = tempfile::tempdir().unwrap();
        touch(folder.path(), &["a mix.wav", "b backing.wav", "c mix.wav", "c mix.flac", "c backing.wav"]);
        touch(folder.path(), &["d mix.wav", "d backing.wav", "e mix.wav", "e inst.wav", "E playback.wav"]);
        let found = names(in_folder(folder.path()).unwrap());
        assert!(found[0].contains("a mix.wav: is without a backing"), "{found:?}");
        assert!(found[1].contains("b backing.wav: is without a mix"), "{found:?}");
        assert!(found[2].contains("c mix.flac") && found[2].contains("rename one"), "{found:?}");
        assert_eq!(found[3], "d");
        assert!(found[4].contains("e inst.wav") && found[4].contains("E playback.wav"), "{found:?}");
        let empty = tempfile::tempdir().unwrap();
        assert!(in_folder(empty.path()).unwrap_err().to_string().contains("holds no songs"));
    }
}
