//! What was found as a list that `render --list` reads.

use std::{
    collections::BTreeSet,
    path::{Path, PathBuf},
};

use anyhow::{Result, anyhow};

use super::found::{Found, Pair};
use crate::songs::{check_name, key_of, name_of_mix};

/// The text of a list: a line for each pair; what is not sure stands in it as comments, for whoever knows more.
///
/// # Errors
///
/// If the name of a file of a pair cannot stand in a list.
pub fn list(found: &Found, folder: &Path) -> Result<String> {
    let mut text = "# mix, tab, backing: for minuend render --list\n".to_owned();
    let mut taken = BTreeSet::new();
    for Pair { mix, backing, .. } in &found.pairs {
        text += &format!("{}\t{}", named(mix, folder)?, named(backing, folder)?);
        // Named otherwise where two mixes, in two folders, have one name, or one that is no file's everywhere.
        let plain = name_of_mix(mix);
        let sound: String = plain
            .chars()
            .map(|c| if check_name(&c.to_string()).is_ok() || c == '.' || c == ' ' { c } else { '-' })
            .collect();
        let sound = if check_name(&sound).is_ok() { sound } else { format!("song {sound}") };
        let names = std::iter::once(sound.clone()).chain((2..).map(|n| format!("{sound} {n}")));
        let mut free = names.filter(|name| taken.insert(key_of(name)));
        match free.next() {
            Some(name) if name != plain => text += &format!("\t{name}\n"),
            _ => text.push('\n'),
        }
    }
    for (files, why) in &found.unsure {
        let files: Vec<_> = files.iter().map(|file| relative(file, folder).display().to_string()).collect();
        text += &format!("# not sure: {} {why}\n", files.join(", ").replace(['\n', '\r'], " "));
    }
    Ok(text)
}

/// A file as a list names it.
fn named(file: &Path, folder: &Path) -> Result<String> {
    let refused = || {
        anyhow!(
            "{}: has a name that cannot stand in a list; rename it, without tabs and the like",
            file.display()
        )
    };
    let name = relative(file, folder).to_str().ok_or_else(refused)?.to_owned();
    let is_plain = name.trim() == name && !name.starts_with('#') && !name.contains(char::is_control);
    if is_plain { Ok(name) } else { Err(refused()) }
}

/// A file as it is named from the folder of the list: in full if it lies elsewhere.
fn relative(file: &Path, folder: &Path) -> PathBuf {
    let inside = file.strip_prefix(folder).map(Path::to_owned);
    inside.or_else(|_| std::path::absolute(file)).unwrap_or_else(|_| file.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::songs::in_list;

    fn pair(mix: &str, backing: &str) -> Pair {
        Pair { mix: mix.into(), backing: backing.into(), delay_s: 0.0, also: vec![] }
    }

    /// As it is read again, with a name for every song that is its own and a file's on every system.
    #[test]
    fn a_list_is_read_as_it_was_meant() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
        // Under Windows no file can be called that.
        let colon = if cfg!(windows) { "a-b.wav" } else { "a:b.wav" };
        let pairs = vec![
            pair(&at("Lamp mix.wav"), &at("x 17.wav")),
            pair(&at("deep/lamp.wav"), "elsewhere/y.wav"),
            pair(&at(colon), &at("z.wav")),
            pair(&at("NUL.wav"), &at("z.wav")),
        ];
        let unsure = vec![(vec![at("u.wav").into(), at("v.wav").into()], "are alike")];
        let found = Found { pairs, unsure, ..Found::default() };
        let text = list(&found, folder.path()).unwrap();
        assert!(text.ends_with("# not sure: u.wav, v.wav are alike\n"), "{text}");
        let file = folder.path().join("songs.txt");
        std::fs::write(&file, text).unwrap();
        let songs: Vec<_> = in_list(&file).unwrap().into_iter().map(Result::unwrap).collect();
        assert_eq!(
            songs.iter().map(|song| &song.name[..]).collect::<Vec<_>>(),
            ["Lamp", "lamp 2", "a-b", "song NUL"]
        );
        for (song, pair) in songs.iter().zip(&found.pairs) {
            let backing = std::path::absolute(&pair.backing).unwrap();
            assert_eq!((&song.mix, &song.backing[..]), (&pair.mix, &[backing][..]));
        }
        for wrong in ["tab\t.wav", " .wav", "#1.wav"] {
            let found = Found { pairs: vec![pair(&at(wrong), "b.wav")], ..Found::default() };
            let error = list(&found, folder.path()).unwrap_err().to_string();
            assert!(error.contains("cannot stand in a list"), "{error}");
        }
    }
}
