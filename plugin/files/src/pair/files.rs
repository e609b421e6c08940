//! The files that are compared.

use std::{
    fs,
    path::{Path, PathBuf},
};

use anyhow::{Context, Result, ensure};

use crate::songs::is_audio_name;

/// The audio files in a folder and in all folders in it, by name. What begins with a dot, and links to folders, are passed over.
pub fn audio_in(folder: &Path) -> Result<Vec<PathBuf>> {
    let mut files = Vec::new();
    gather(folder, &mut files)?;
    files.sort();
    ensure!(
        files.len() > 1,
        "{}: holds fewer than two audio files; name a folder of songs",
        folder.display()
    );
    Ok(files)
}

fn gather(folder: &Path, files: &mut Vec<PathBuf>) -> Result<()> {
    let unreadable = || format!("{}: cannot be read as a folder", folder.display());
    for entry in fs::read_dir(folder).with_context(unreadable)? {
        let entry = entry.with_context(unreadable)?;
        let (path, is_folder) = (entry.path(), entry.file_type().with_context(unreadable)?.is_dir());
        if entry.file_name().as_encoded_bytes().starts_with(b".") {
            continue;
        }
        if is_folder {
            gather(&path, files)?;
        } else if is_audio_name(&path) && path.is_file() {
            files.push(path);
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn audio_is_found_wherever_it_lies() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        fs::create_dir_all(at("deep/er")).unwrap();
        fs::create_dir_all(at(".hidden")).unwrap();
        for name in ["b.wav", "deep/er/a.MP3", "cover.jpg", ".hidden/c.wav", "._b.wav"] {
            fs::write(at(name), "").unwrap();
        }
        assert_eq!(audio_in(folder.path()).unwrap(), [at("b.wav"), at("deep/er/a.MP3")]);
        let error = audio_in(&at(".hidden")).unwrap_err().to_string();
        assert!(error.contains(".hidden: holds fewer than two"), "{error}");
    }
}
