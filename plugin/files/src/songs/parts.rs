//! Which files are the parts of a song's backing, and what they are called.

use std::{
    collections::BTreeSet,
    ffi::OsString,
    path::{Path, PathBuf},
};

use anyhow::{Result, ensure};

use super::{
    folder::{entries, is_audio_name},
    name::key_of,
};
use crate::outputs::same_file;

/// More parts than this take more memory than they are worth: every one is weighed against every other.
const MOST_PARTS: usize = 32;

/// The files that a backing is named by: files as they are, and of a folder the audio files directly in it, by name. The mix itself
/// does not count there, nor does what an earlier render of it left, `NAME difference` and what begins so.
///
/// # Errors
///
/// If a folder holds none, a file is named twice, or there are too many.
pub fn files_of(named: &[PathBuf], mix: &Path, name: &str) -> Result<Vec<PathBuf>> {
    let mut files: Vec<PathBuf> = Vec::new();
    for path in named {
        if !path.is_dir() {
            files.push(path.clone());
            continue;
        }
        let is_ours = |file: &PathBuf| {
            let stem = file.file_stem().unwrap_or_default().to_string_lossy().into_owned();
            stem.strip_prefix(&format!("{name} difference"))
                .is_some_and(|rest| rest.is_empty() || rest.starts_with(' '))
        };
        let mut parts = entries(path)?;
        parts.retain(|file| !file.is_dir() && is_audio_name(file) && !same_file(file, mix) && !is_ours(file));
        ensure!(!parts.is_empty(), "{}: holds no audio files; name the folder of the parts", path.display());
        files.extend(parts);
    }
    ensure!(
        files.len() <= MOST_PARTS,
        "{}: {} parts are named, and {MOST_PARTS} is the most; mix some of them together first",
        files[MOST_PARTS].display(),
        files.len()
    );
    for (idx, file) in files.iter().enumerate() {
        ensure!(
            !files[..idx].iter().any(|other| other == file || same_file(other, file)),
            "{}: is named twice as a part; name every part once",
            file.display()
        );
    }
    Ok(files)
}

/// What the files of parts are called when they are written: as the parts are, and a number behind where two would be the same on
/// some system.
pub fn part_names(parts: &[PathBuf]) -> Vec<OsString> {
    let mut taken = BTreeSet::new();
    let name = |part: &PathBuf| {
        let stem = part.file_stem().unwrap_or_default();
        let numbered = |number: u32| {
            let mut name = stem.to_owned();
            if number > 1 {
                name.push(format!(" {number}"));
            }
            name
        };
        let free = (1..).map(numbered).find(|name| taken.insert(key_of(&name.to_string_lossy())));
        free.unwrap_or_else(|| stem.to_owned())
    };
    parts.iter().map(name).collect()
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    #[test]
    fn a_folder_is_its_audio_files() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        fs::create_dir_all(at("parts/deep")).unwrap();
        for name in [
            "parts/drums.wav",
            "parts/bass.flac",
            "parts/cover.jpg",
            "parts/Lamp mix.wav",
            "parts/Lamp difference.wav",
            "parts/Lamp difference backing.wav",
            "parts/Lamp differences.wav",
            "parts/deep/x.wav",
            "keys.wav",
        ] {
            fs::write(at(name), "").unwrap();
        }
        let mix = at("parts/Lamp mix.wav");
        let files = files_of(&[at("parts"), at("keys.wav")], &mix, "Lamp").unwrap();
        let expected =
            ["parts/Lamp differences.wav", "parts/bass.flac", "parts/drums.wav", "keys.wav"].map(at);
        assert_eq!(files, expected);
        for (named, says) in [
            (vec![at("parts/deep"), at("parts/deep/x.wav")], "named twice"),
            (vec![at("keys.wav"), folder.path().join("./parts/../keys.wav")], "named twice"),
            ((0..33).map(|n| at(&format!("{n}.wav"))).collect(), "33 parts are named, and 32"),
        ] {
            let error = files_of(&named, &mix, "Lamp").unwrap_err().to_string();
            assert!(error.contains(says), "{error}");
        }
        fs::remove_file(at("parts/deep/x.wav")).unwrap();
        assert!(
            files_of(&[at("parts/deep")], &mix, "Lamp").unwrap_err().to_string().contains("no audio files")
        );
    }

    #[test]
    fn parts_keep_their_names_apart() {
        let parts = ["a/drums.wav", "b/Drums.flac", "drums 2.wav", "bass.wav"].map(PathBuf::from);
        assert_eq!(part_names(&parts), ["drums", "Drums 2", "drums 2 2", "bass"]);
    }
}
