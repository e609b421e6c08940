//! An archive whose bytes depend on nothing but what is in it.

use std::{collections::BTreeMap, fs, io, path::Path};

use anyhow::{Context, Result};
use flate2::{Compression, write::GzEncoder};
use tar::{Builder, Header};

/// Who may do what with a file.
#[derive(Clone, Copy)]
pub enum Mode {
    /// Everyone reads it.
    Text = 0o644,
    /// Everyone reads and runs it.
    Program = 0o755,
}

/// Files of an archive by their paths in it, parts between slashes.
#[derive(Default)]
pub struct Archive {
    files: BTreeMap<String, (Mode, Vec<u8>)>,
}

impl Archive {
    /// Adds a file.
    pub fn add(&mut self, path: &str, mode: Mode, bytes: impl Into<Vec<u8>>) {
        self.files.insert(path.to_owned(), (mode, bytes.into()));
    }

    /// Adds a plug-in or a program, which is a file or a folder.
    pub fn add_built(&mut self, path: &str, from: &Path) -> Result<()> {
        let unreadable = || format!("{}: cannot be read", from.display());
        if !from.is_dir() {
            self.add(path, Mode::Program, fs::read(from).with_context(unreadable)?);
            return Ok(());
        }
        for entry in fs::read_dir(from).with_context(unreadable)? {
            let entry = entry.with_context(unreadable)?;
            self.add_built(&format!("{path}/{}", entry.file_name().to_string_lossy()), &entry.path())?;
        }
        Ok(())
    }

    /// The files, in order of their paths.
    pub fn files(&self) -> impl Iterator<Item = (&str, &[u8])> {
        self.files.iter().map(|(path, (_, bytes))| (path.as_str(), bytes.as_slice()))
    }

    /// The archive, tar in gzip, with everything in one folder. `time_s` is told of every file, in seconds since 1970.
    ///
    /// What differs from machine to machine is left out: order on disk, owners, masks, and the time and name that gzip can
    /// tell (RFC 1952, 2.3.1).
    pub fn to_bytes(&self, folder: &str, time_s: u64) -> io::Result<Vec<u8>> {
        let mut tar = Builder::new(GzEncoder::new(Vec::new(), Compression::best()));
        for (path, (mode, bytes)) in &self.files {
            let mut header = Header::new_ustar();
            header.set_mode(*mode as u32);
            header.set_uid(0);
            header.set_gid(0);
            header.set_mtime(time_s);
            header.set_size(bytes.len() as u64);
            tar.append_data(&mut header, format!("{folder}/{path}"), bytes.as_slice())?;
        }
        tar.into_inner()?.finish()
    }
}

#[cfg(test)]
mod tests {
    use std::io::Read;

    use flate2::read::GzDecoder;

    use super::*;

    /// Whatever the order in which files were made and added; read back by the same library.
    #[test]
    fn the_same_files_are_the_same_bytes() {
        let archives = [["b.so", "a.so"], ["a.so", "b.so"]].map(|names| {
            let built = tempfile::tempdir().unwrap();
            for name in names {
                fs::create_dir_all(built.path().join("Contents")).unwrap();
                fs::write(built.path().join("Contents").join(name), name).unwrap();
            }
            let mut archive = Archive::default();
            if names[0] == "a.so" {
                archive.add("README", Mode::Text, "words");
            }
            archive.add_built("minuend.vst3", built.path()).unwrap();
            archive.add("README", Mode::Text, "words");
            archive.to_bytes("minuend-1", 1_700_000_000).unwrap()
        });
        assert!(archives[0] == archives[1]);

        let mut seen = Vec::new();
        for entry in tar::Archive::new(GzDecoder::new(archives[0].as_slice())).entries().unwrap() {
            let mut entry = entry.unwrap();
            let mut content = String::new();
            entry.read_to_string(&mut content).unwrap();
            let header = entry.header();
            assert_eq!((header.uid().unwrap(), header.gid().unwrap()), (0, 0));
            assert_eq!(header.mtime().unwrap(), 1_700_000_000);
            let path = entry.path().unwrap().to_str().unwrap().to_owned();
            seen.push((path, entry.header().mode().unwrap(), content));
        }
        let expected = [
            ("minuend-1/README", 0o644, "words"),
            ("minuend-1/minuend.vst3/Contents/a.so", 0o755, "a.so"),
            ("minuend-1/minuend.vst3/Contents/b.so", 0o755, "b.so"),
        ];
        assert_eq!(seen, expected.map(|(path, mode, content)| (path.to_owned(), mode, content.to_owned())));
    }
}
