//! The songs of a list.

use std::{
    collections::BTreeMap,
    fs,
    path::{Path, PathBuf},
};

use anyhow::{Context, Result, anyhow, ensure};

use super::{
    Song, Songs,
    name::{check_name, key_of},
    name_of_mix,
    parts::files_of,
};

/// The songs of a list: a line each of mix, tab, backing and, if wanted, tab and name; behind the name, further parts of the backing.
/// For a backing may also stand a folder with its parts. Lines that are empty or begin with
/// `#` do not count. Files are sought from the folder of the list.
///
/// # Errors
///
/// If it cannot be read, lists nothing, or names two songs so that their files would be the same on some system.
pub fn in_list(list: &Path) -> Result<Songs> {
    let shown = list.display();
    let text = fs::read_to_string(list).with_context(|| {
        format!("{shown}: cannot be read as a text; check its name, and save it as plain text in UTF-8")
    })?;
    // Some editors begin a text with a mark.
    let text = text.strip_prefix('\u{feff}').unwrap_or(&text);
    let lines = text.lines().enumerate().map(|(idx, line)| (idx + 1, line));
    let lines = lines.filter(|(_, line)| !line.trim().is_empty() && !line.starts_with('#'));
    let mut songs = Vec::new();
    let mut taken = BTreeMap::new();
    for (number, line) in lines {
        let song = song(list, line).map_err(|what| anyhow!("{shown}: line {number}: {what}"));
        if let Ok(song) = &song
            && let Some((first, name)) = taken.insert(key_of(&song.name), (number, song.name.clone()))
        {
            let same = if name == song.name { "" } else { ", which some systems take for the same" };
            anyhow::bail!(
                "{shown}: lines {first} and {number}: two songs are called \"{name}\" and \"{}\"{same}; \
                 add a tab and another name to one line",
                song.name
            );
        }
        songs.push(song);
    }
    ensure!(!songs.is_empty(), "{shown}: lists no songs; write one a line: mix, tab, backing");
    Ok(songs)
}

/// The song of a line, or what is wrong with it.
fn song(list: &Path, line: &str) -> Result<Song, String> {
    let fields: Vec<&str> = line.split('\t').map(str::trim).filter(|field| !field.is_empty()).collect();
    let (mix, backing, name, parts) = match &fields[..] {
        [mix, backing] => (mix, backing, None, &[][..]),
        [mix, backing, name, parts @ ..] => (mix, backing, Some(name), parts),
        _ => {
            return Err("is no song: write mix, tab, backing and, if wanted, tab and name, and a tab and a file for each \
                        further part of the backing"
                .to_owned());
        }
    };
    let at = |file: &&str| list.parent().unwrap_or(Path::new("")).join(file);
    let mix = at(mix);
    let name = name.map_or_else(|| name_of_mix(&mix), |name| (*name).to_owned());
    check_name(&name).map_err(|what| format!("the name {name:?} {what}"))?;
    let named: Vec<PathBuf> = std::iter::once(backing).chain(parts).map(at).collect();
    let backing = files_of(&named, &mix, &name).map_err(|error| error.to_string())?;
    Ok(Song { name, mix, backing })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_list_names_songs_by_line() {
        let folder = tempfile::tempdir().unwrap();
        let list = folder.path().join("songs.txt");
        let far = std::path::absolute("three.wav").unwrap();
        let third = format!("{}\tfour.wav\tThe third", far.display());
        fs::write(&list, format!("\u{feff}# songs\n\none mix.wav\ttwo.wav\n{third}\nfive.wav\n")).unwrap();
        let songs = in_list(&list).unwrap();
        fs::write(folder.path().join("songs2.txt"), "a.wav\tb.wav\tLamp\tc.wav\td.wav\n").unwrap();
        let in_parts = in_list(&folder.path().join("songs2.txt")).unwrap().remove(0).unwrap();
        assert_eq!(in_parts.backing, ["b.wav", "c.wav", "d.wav"].map(|name| folder.path().join(name)));
        assert_eq!(in_parts.name, "Lamp");
        let [first, second] = [0, 1].map(|idx: usize| songs[idx].as_ref().unwrap().clone());
        assert_eq!((first.name.as_str(), first.mix), ("one", folder.path().join("one mix.wav")));
        assert_eq!((second.name.as_str(), second.mix), ("The third", far));
        assert!(songs[2].as_ref().unwrap_err().to_string().contains("line 5"));
        for (text, says) in [
            ("", "lists no songs"),
            ("a.wav\tb.wav\na.wav\tc.wav\n", "lines 1 and 2: two songs are called \"a\""),
            ("a.wav\tb.wav\tLamp\n\nc.wav\td.wav\tlamp.\n", "\"Lamp\" and \"lamp.\", which some systems"),
        ] {
            fs::write(&list, text).unwrap();
            let error = in_list(&list).unwrap_err().to_string();
            assert!(error.contains(says) && error.contains("songs.txt"), "{error}");
        }
    }

    /// The others of the list are done all the same.
    #[test]
    fn names_that_lead_elsewhere_are_refused() {
        let folder = tempfile::tempdir().unwrap();
        let list = folder.path().join("songs.txt");
        for name in ["../out", "a:b", "NUL", "com1.take", "a\\b"] {
            fs::write(&list, format!("a.wav\tb.wav\t{name}\nc.wav\td.wav\n")).unwrap();
            let songs = in_list(&list).unwrap();
            let error = songs[0].as_ref().unwrap_err().to_string();
            assert!(
                error.contains("songs.txt: line 1: the name") && error.contains(&format!("{name:?}")),
                "{error}"
            );
            assert!(songs[1].is_ok());
        }
    }
}
