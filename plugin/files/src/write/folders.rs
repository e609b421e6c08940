//! Folders for what is written.

use std::{
    fs, io,
    path::{Path, PathBuf},
};

use anyhow::{Result, anyhow};

use super::place::folder_of;

/// Folders that were made because files are to be written into them. When this is dropped, those that are still empty go
/// again, so that what fails leaves nothing behind.
#[derive(Debug, Default)]
pub struct NewFolders(Vec<PathBuf>);

impl NewFolders {
    /// Makes what is missing on the way to these files.
    pub fn for_files<'a>(files: impl IntoIterator<Item = &'a Path>) -> Result<Self> {
        let mut made = Self::default();
        for file in files {
            let folder = folder_of(file);
            made.make(folder).map_err(|e| {
                let why = io::Error::from(e.kind());
                anyhow!(
                    "{}: its folder {} cannot be made ({why}); choose another one",
                    file.display(),
                    folder.display()
                )
            })?;
        }
        Ok(made)
    }

    /// Makes a folder and all those it lies in, outermost first.
    fn make(&mut self, folder: &Path) -> io::Result<()> {
        let missing: Vec<_> = folder.ancestors().take_while(|folder| is_missing(folder)).collect();
        for folder in missing.into_iter().rev() {
            match fs::create_dir(folder) {
                Ok(()) => self.0.push(folder.to_owned()),
                // Somebody else made it meanwhile, and it stays.
                Err(e) if e.kind() == io::ErrorKind::AlreadyExists && folder.is_dir() => {}
                Err(e) => return Err(e),
            }
        }
        if folder.is_dir() { Ok(()) } else { Err(io::ErrorKind::NotADirectory.into()) }
    }
}

impl Drop for NewFolders {
    fn drop(&mut self) {
        for folder in self.0.iter().rev() {
            // Fails where something lies in it, as it should.
            _ = fs::remove_dir(folder);
        }
    }
}

/// Whether nothing of this name is there; what a relative path begins in has an empty one.
fn is_missing(folder: &Path) -> bool {
    !folder.as_os_str().is_empty() && !folder.exists()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_whole_path_is_made_and_goes_unless_it_is_used() {
        let root = tempfile::tempdir().unwrap();
        let at = |name: &str| root.path().join(name);
        fs::create_dir(at("old")).unwrap();
        let files = [at("old/a.wav"), at("new/deep/a.wav"), at("new/b.wav"), at("used/deep/a.wav")];
        let folders = NewFolders::for_files(files.iter().map(PathBuf::as_path)).unwrap();
        assert!(at("new/deep").is_dir() && at("used/deep").is_dir());
        fs::write(&files[3], "").unwrap();
        drop(folders);
        assert!(!at("new").exists(), "what was made and not used goes");
        assert!(at("old").is_dir() && files[3].is_file(), "what was there, or is used, stays");
    }

    #[test]
    fn what_is_no_folder_is_named() {
        let root = tempfile::tempdir().unwrap();
        fs::write(root.path().join("file"), "").unwrap();
        for out in ["file/out.wav", "file/deep/out.wav"] {
            let files = [root.path().join("new/out.wav"), root.path().join(out)];
            let error = NewFolders::for_files(files.iter().map(PathBuf::as_path)).unwrap_err().to_string();
            assert!(error.contains("out.wav: its folder") && error.contains("cannot be made"), "{error}");
            assert_eq!(fs::read_dir(root.path()).unwrap().count(), 1, "nothing is left of the other one");
        }
    }
}
