//! The session's match as files, which the program for files reads and writes too.

use std::{
    env, fmt, fs,
    io::{self, Write},
    path::{Path, PathBuf},
};

use minuend_common::{
    match_bytes::{Reader, read_match, write_match},
    match_file::{ENDING, LARGEST, LAYOUT, LAYOUT_OF_PARTS, open, seal},
};
use minuend_engine::{Match, Section, SongMap};

/// How many files are offered.
pub const MOST: usize = 12;

/// Why a file is not taken.
#[derive(Debug)]
pub enum Refused {
    /// It cannot be read.
    Io(io::Error),
    /// It is not a match, or damaged.
    NoMatch,
    /// Its backing came in parts, which no host mixes as they were fitted.
    Parts,
    /// It is of a layout that only a later Minuend reads.
    Layout(u16),
}

impl fmt::Display for Refused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Io(error) => write!(f, "it cannot be read: {error}"),
            Self::NoMatch => write!(f, "it holds no match, or is damaged"),
            Self::Parts => write!(f, "it is of a backing in parts: use it with \"minuend render\""),
            Self::Layout(layout) => write!(f, "it is of layout {layout}: use the Minuend that wrote it"),
        }
    }
}

/// Where the files of matches lie.
pub struct MatchFolder(PathBuf);

impl MatchFolder {
    /// The user's own; `None` without a home. A folder of one name at one place needs no dialog of the host's or system's, which
    /// would stop the host's window.
    pub fn of_user() -> Option<Self> {
        Some(Self(env::home_dir()?.join("Minuend matches")))
    }

    /// One at a place.
    pub fn at(path: PathBuf) -> Self {
        Self(path)
    }

    /// Its path.
    pub fn path(&self) -> &Path {
        &self.0
    }

    /// The newest files, at most [`MOST`]; none while there is no folder.
    pub fn newest(&self) -> Vec<PathBuf> {
        let entries = fs::read_dir(&self.0).into_iter().flatten().flatten();
        let mut files: Vec<_> = entries
            .map(|entry| entry.path())
            .filter(|path| path.extension().is_some_and(|ending| ending == ENDING))
            .filter_map(|path| Some((fs::metadata(&path).and_then(|m| m.modified()).ok()?, path)))
            .collect();
        files.sort_unstable_by(|a, b| b.cmp(a));
        files.into_iter().take(MOST).map(|(_, path)| path).collect()
    }

    /// Writes a match to a file of a new name, whole or not at all, and makes the folder where there is none.
    ///
    /// # Errors
    ///
    /// What the system says.
    pub fn write(&self, found: &Match) -> io::Result<PathBuf> {
        let mut content = 0_i64.to_le_bytes().to_vec();
        write_match(Some(found), &mut content);
        fs::create_dir_all(&self.0)?;
        let mut file = tempfile::NamedTempFile::new_in(&self.0)?;
        file.write_all(&seal(LAYOUT, &content))?;
        for number in 1.. {
            let path = self.0.join(format!("Match {number}.{ENDING}"));
            match file.persist_noclobber(&path) {
                Ok(_) => return Ok(path),
                Err(error) if error.error.kind() == io::ErrorKind::AlreadyExists => file = error.file,
                Err(error) => return Err(error.error),
            }
        }
        Err(io::ErrorKind::AlreadyExists.into())
    }
}

/// Reads the match in a file; its delays are those between mix and backing as they are, which no host moves.
///
/// # Errors
///
/// If it cannot be taken.
pub fn read(path: &Path) -> Result<Match, Refused> {
    if fs::metadata(path).map_err(Refused::Io)?.len() > LARGEST {
        return Err(Refused::NoMatch);
    }
    parse(&fs::read(path).map_err(Refused::Io)?)
}

fn parse(bytes: &[u8]) -> Result<Match, Refused> {
    let (layout, content) = open(bytes).map_err(|_| Refused::NoMatch)?;
    match layout {
        LAYOUT => {}
        LAYOUT_OF_PARTS => return Err(Refused::Parts),
        layout => return Err(Refused::Layout(layout)),
    }
    let mut reader = Reader(content);
    let advance_samples = reader.array().map(i64::from_le_bytes).ok_or(Refused::NoMatch)?;
    let found = read_match(&mut reader).flatten().filter(|_| reader.0.is_empty());
    let mut found = found.ok_or(Refused::NoMatch)?;
    let mut sections = SongMap::default();
    for &Section { begin, mut model } in found.sections.as_slice() {
        if let Some(model) = &mut model {
            model.delay_samples -= advance_samples as f64;
        }
        sections.push(Section { begin, model });
    }
    found.sections = sections;
    Ok(found)
}

#[cfg(test)]
mod tests {
    use minuend_common::match_file::BEGINNING;

    use super::*;
    use crate::state::example::learned;

    #[test]
    fn a_match_comes_back_from_a_file_of_its_own() {
        let home = tempfile::tempdir().unwrap();
        let folder = MatchFolder::at(home.path().join("matches"));
        assert!(folder.newest().is_empty());
        let found = learned();
        let [first, second] = [(); 2].map(|()| folder.write(&found).unwrap());
        assert!(
            first.ends_with("Match 1.match") && second.ends_with("Match 2.match"),
            "{first:?} {second:?}"
        );
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 2, "nothing else is left there");
        fs::write(folder.path().join("notes.txt"), "").unwrap();
        assert_eq!(folder.newest().len(), 2);
        assert_eq!(read(&first).unwrap(), found);
    }

    /// A file that `render` wrote of a backing that it moved by 1000 samples.
    #[test]
    fn the_delay_is_that_of_a_backing_that_is_not_moved() {
        let found = learned();
        let mut content = 1_000_i64.to_le_bytes().to_vec();
        write_match(Some(&found), &mut content);
        let moved = parse(&seal(LAYOUT, &content)).unwrap();
        let delays = |of: &Match| -> Vec<f64> {
            of.sections.as_slice().iter().filter_map(|s| s.model.as_ref()).map(|m| m.delay_samples).collect()
        };
        assert!(!delays(&found).is_empty());
        assert_eq!(delays(&moved), delays(&found).iter().map(|delay| delay - 1_000.0).collect::<Vec<_>>());
    }

    #[test]
    fn what_is_no_match_is_refused() {
        let mut content = 0_i64.to_le_bytes().to_vec();
        write_match(Some(&learned()), &mut content);
        let good = seal(LAYOUT, &content);
        assert!(matches!(parse(&good[..good.len() - 1]), Err(Refused::NoMatch)));
        assert!(matches!(parse(b"RIFF"), Err(Refused::NoMatch)));
        assert!(matches!(parse(BEGINNING), Err(Refused::NoMatch)));
        assert!(matches!(parse(&seal(LAYOUT_OF_PARTS, &content)), Err(Refused::Parts)));
        let unknown = LAYOUT_OF_PARTS + 1;
        assert!(matches!(parse(&seal(unknown, &content)), Err(Refused::Layout(n)) if n == unknown));
        content.push(0);
        assert!(matches!(parse(&seal(LAYOUT, &content)), Err(Refused::NoMatch)));
        assert!(matches!(read(Path::new("not there.match")), Err(Refused::Io(_))));
    }
}
