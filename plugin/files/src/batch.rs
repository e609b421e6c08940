//! Many songs: which mix belongs to which backing.

use std::{
    collections::BTreeMap,
    fs,
    path::{Path, PathBuf},
};

use anyhow::{Context, Result, anyhow, bail, ensure};

/// A mix and its backing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Song {
    /// What its files are called: `NAME difference.wav`, and so on.
    pub name: String,
    /// The full mix.
    pub mix: PathBuf,
    /// Its backing.
    pub backing: PathBuf,
}

/// Songs, and what is wrong with those that are none, in the order of their names or of the list.
pub type Songs = Vec<Result<Song>>;

/// What stands between a song's name and the word that tells its files apart.
const BETWEEN: [char; 4] = [' ', '-', '_', '.'];

/// Names of files that can be audio: other files in a folder of songs do not count.
const ENDINGS: [&str; 16] = [
    "wav", "wave", "rf64", "bwf", "aif", "aiff", "aifc", "flac", "mp3", "m4a", "mp4", "aac", "ogg", "oga",
    "opus", "w64",
];
/// The songs in a folder and in the folders directly in it: two audio files each, called `NAME mix` and `NAME backing`, in any
/// format, with a space, `-`, `_` or `.` between. A folder's `mix` and `backing` are called like the folder.
pub fn in_folder(folder: &Path) -> Result<Songs> {
    let mut found = BTreeMap::<String, [Vec<PathBuf>; 2]>::new();
    gather(folder, "", &mut found)?;
    for entry in entries(folder)? {
        if entry.is_dir() {
            gather(&entry, &name_of(&entry), &mut found)?;
        }
    }
    let shown = folder.display();
    ensure!(
        !found.is_empty(),
        "{shown}: holds no songs, which are pairs of files called \"NAME mix\" and \"NAME backing\""
    );
    let song = |(name, [mixes, backings]): (String, [Vec<PathBuf>; 2])| {
        let one = |kind: &str, files: &[PathBuf]| match files {
            [file] => Ok(file.clone()),
            [] => bail!(
                "{shown}: \"{name}\" has no {kind}; add a file \"{name} {kind}\", or take the other one away"
            ),
            [first, second, ..] => bail!(
                "{shown}: \"{name}\" has two files that can be its {kind}, {} and {}; rename one",
                first.display(),
                second.display()
            ),
        };
        Ok(Song { mix: one("mix", &mixes)?, backing: one("backing", &backings)?, name: name.clone() })
    };
    Ok(found.into_iter().map(song).collect())
}

/// Adds the mixes and backings that lie in a folder, their names begun with what the folder is called.
fn gather(folder: &Path, begun: &str, found: &mut BTreeMap<String, [Vec<PathBuf>; 2]>) -> Result<()> {
    for file in entries(folder)? {
        let ending = file.extension().map(|ending| ending.to_string_lossy().to_lowercase());
        if file.is_dir() || !ending.is_some_and(|ending| ENDINGS.contains(&ending.as_str())) {
            continue;
        }
        for (idx, word) in ["mix", "backing"].into_iter().enumerate() {
            let stem = file.file_stem().unwrap_or_default().to_string_lossy().into_owned();
            let Some(name) = without(&stem, word) else { continue };
            let parts: Vec<_> = [begun, name].into_iter().filter(|part| !part.is_empty()).collect();
            let mut name = parts.join(" ");
            if name.is_empty() {
                name = name_of(&fs::canonicalize(folder).unwrap_or_default());
            }
            found.entry(name).or_default()[idx].push(file.clone());
        }
    }
    Ok(())
}

/// A name without the word at its end and what stands before that; `None` if it does not end so.
fn without<'a>(name: &'a str, word: &str) -> Option<&'a str> {
    let at = name.len().checked_sub(word.len())?;
    let (name, end) = name.split_at_checked(at)?;
    if !end.eq_ignore_ascii_case(word) {
        return None;
    }
    if name.is_empty() { Some(name) } else { Some(name.strip_suffix(BETWEEN)?) }
}

/// The songs of a list: a line each of mix, tab, backing and, if wanted, tab and name. Lines that are empty or begin with
/// `#` do not count. Files are sought from the folder of the list.
pub fn in_list(list: &Path) -> Result<Songs> {
    let shown = list.display();
    let text = fs::read_to_string(list).with_context(|| {
        format!("{shown}: cannot be read as a text; check its name, and save it as plain text in UTF-8")
    })?;
    // Some editors begin a text with a mark.
    let text = text.strip_prefix('\u{feff}').unwrap_or(&text);
    let folder = list.parent().unwrap_or(Path::new(""));
    let song = |(number, line): (usize, &str)| {
        let fields: Vec<&str> = line.split('\t').map(str::trim).filter(|field| !field.is_empty()).collect();
        let (mix, backing, name) = match fields[..] {
            [mix, backing] => (mix, backing, None),
            [mix, backing, name] => (mix, backing, Some(name)),
            _ => {
                return Err(anyhow!(
                    "{shown}: line {number} is no song: write mix, tab, backing and, if wanted, tab and name"
                ));
            }
        };
        let [mix, backing] = [mix, backing].map(|file| folder.join(file));
        let stem = mix.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        let own = without(&stem, "mix").filter(|name| !name.is_empty()).unwrap_or(&stem);
        let name = name.unwrap_or(own);
        ensure!(
            !name.contains(['/', '\\']),
            "{shown}: line {number}: the name {name:?} cannot be that of a file; leave / and \\ out"
        );
        Ok(Song { name: name.to_owned(), mix, backing })
    };
    let lines = text.lines().enumerate().map(|(idx, line)| (idx + 1, line));
    let songs: Songs =
        lines.filter(|(_, line)| !line.trim().is_empty() && !line.starts_with('#')).map(song).collect();
    ensure!(!songs.is_empty(), "{shown}: lists no songs; write one a line: mix, tab, backing");
    for (idx, one) in songs.iter().enumerate() {
        for other in songs[..idx].iter().flatten() {
            if let Ok(one) = one
                && one.name == other.name
            {
                bail!(
                    "{shown}: two songs are called \"{}\"; add a tab and another name to one line",
                    one.name
                );
            }
        }
    }
    Ok(songs)
}

/// What lies in a folder, by name.
fn entries(folder: &Path) -> Result<Vec<PathBuf>> {
    let shown = folder.display();
    let mut entries = Vec::new();
    for entry in fs::read_dir(folder).with_context(|| format!("{shown}: cannot be read as a folder"))? {
        entries.push(entry.with_context(|| format!("{shown}: cannot be read"))?.path());
    }
    entries.sort();
    Ok(entries)
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
                "cover.jpg",
                "remix.wav",
                "mix notes.txt",
                "Deep/mix.wav",
                "Deep/backing.wav",
                "Deep/live-mix.wav",
                "Deep/live-backing.wav",
            ],
        );
        let songs = in_folder(folder.path()).unwrap();
        assert_eq!(songs[0].as_ref().unwrap().backing, folder.path().join("Deep/backing.wav"));
        assert_eq!(names(songs), ["Deep", "Deep live", "Lamp", "quay"]);
    }

    #[test]
    fn what_is_no_pair_is_said_and_does_not_stop_the_rest() {
        let folder = tempfile::tempdir().unwrap();
        touch(
            folder.path(),
            &["a mix.wav", "b backing.wav", "c mix.wav", "c mix.flac", "c backing.wav", "d mix.wav"],
        );
        touch(folder.path(), &["d backing.wav"]);
        let found = names(in_folder(folder.path()).unwrap());
        assert!(found[0].contains("\"a\" has no backing"), "{found:?}");
        assert!(found[1].contains("\"b\" has no mix"), "{found:?}");
        assert!(found[2].contains("c mix.flac") && found[2].contains("rename one"), "{found:?}");
        assert_eq!(found[3], "d");
        let empty = tempfile::tempdir().unwrap();
        assert!(in_folder(empty.path()).unwrap_err().to_string().contains("holds no songs"));
    }

    #[test]
    fn a_list_names_songs_by_line() {
        let folder = tempfile::tempdir().unwrap();
        let list = folder.path().join("songs.txt");
        fs::write(
            &list,
            "\u{feff}# songs\n\none mix.wav\ttwo.wav\n/far/three.wav\tfour.wav\tThe third\nfive.wav\n",
        )
        .unwrap();
        let songs = in_list(&list).unwrap();
        let [first, second] = [0, 1].map(|idx: usize| songs[idx].as_ref().unwrap().clone());
        assert_eq!((first.name.as_str(), first.mix), ("one", folder.path().join("one mix.wav")));
        assert_eq!((second.name.as_str(), second.mix), ("The third", PathBuf::from("/far/three.wav")));
        assert!(songs[2].as_ref().unwrap_err().to_string().contains("line 5"));
        for (text, says) in [("", "lists no songs"), ("a.wav\tb.wav\na.wav\tc.wav\n", "two songs are called")]
        {
            fs::write(&list, text).unwrap();
            let error = in_list(&list).unwrap_err().to_string();
            assert!(error.contains(says) && error.contains("songs.txt"), "{error}");
        }
    }
}
