//! The place of a file that is being written: it appears there whole, or not at all.

use std::{
    fs::{self, File},
    io,
    path::{Path, PathBuf},
};

use anyhow::{Context, Result, anyhow, ensure};
use tempfile::NamedTempFile;

/// A file beside its place, moved there by [`Place::take`] and gone when this is dropped before.
pub struct Place {
    path: PathBuf,
    /// The same, as the system takes it.
    place: PathBuf,
    overwrite: bool,
    temporary: NamedTempFile,
}

impl Place {
    /// Makes the file. Refuses a name that exists unless `overwrite` is set.
    pub fn new(path: &Path, overwrite: bool) -> Result<Self> {
        check_writable(path, overwrite)?;
        let folder = reachable(folder_of(path)).with_context(|| path.display().to_string())?;
        // Said without the name of the temporary file, which tells the user nothing.
        let temporary = new_temporary(&folder).map_err(|e| {
            let (shown, why) = (path.display(), io::Error::from(e.kind()));
            anyhow!("{shown}: cannot be written; check that its folder is writable: {why}")
        })?;
        let place = folder.join(path.file_name().unwrap_or_default());
        Ok(Self { path: path.to_owned(), place, overwrite, temporary })
    }

    /// Where the file will be.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The file, to write to.
    pub fn file(&self) -> &File {
        self.temporary.as_file()
    }

    /// Puts the file into its place, once it is safely on the disk.
    pub fn take(self) -> Result<()> {
        let shown = self.path.display();
        self.temporary
            .as_file()
            .sync_all()
            .with_context(|| format!("{shown}: cannot be written; is the disk full?"))?;
        if self.overwrite {
            self.temporary.persist(&self.place)
        } else {
            self.temporary.persist_noclobber(&self.place)
        }
        .map_err(|e| anyhow!("{shown}: cannot be put in place: {}", e.error))?;
        Ok(())
    }
}

/// Writes a whole file at once, in the same way.
pub fn write_file(path: &Path, content: &[u8], overwrite: bool) -> Result<()> {
    use std::io::Write;
    let place = Place::new(path, overwrite)?;
    place
        .file()
        .write_all(content)
        .with_context(|| format!("{}: cannot be written; is the disk full?", path.display()))?;
    place.take()
}

/// Refuses a name that cannot become a file, whose folder is not there, that is of something other than a file, as a device, or
/// that exists while `overwrite` is off.
pub fn check_writable(path: &Path, overwrite: bool) -> Result<()> {
    let shown = path.display();
    ensure!(!path.is_dir(), "{shown}: is a folder; name a file to write");
    ensure!(path.file_name().is_some(), "{shown}: is no file name");
    ensure!(folder_of(path).is_dir(), "{shown}: its folder does not exist; make it, or choose another one");
    ensure!(
        overwrite || fs::symlink_metadata(path).is_err(),
        "{shown}: exists already; choose another name, or add --force to replace it"
    );
    // What is replaced is the name itself, and the system's devices are more than that.
    ensure!(!path.exists() || path.is_file(), "{shown}: is a device or a pipe; name a file to write");
    #[cfg(windows)]
    check_free(path)?;
    Ok(())
}

/// Refuses what Windows would not let be replaced once the work is done: a file that a program has open, or one that may only be
/// read.
#[cfg(windows)]
fn check_free(path: &Path) -> Result<()> {
    use std::os::windows::fs::OpenOptionsExt;
    // The rights to write and to take away ("Standard Access Rights" and "Generic Access Rights" of Windows' documentation; from
    // memory).
    const GENERIC_WRITE: u32 = 0x4000_0000;
    const DELETE: u32 = 0x0001_0000;
    match fs::OpenOptions::new().access_mode(GENERIC_WRITE | DELETE).open(path) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => Err(e).with_context(|| {
            let what = if fs::symlink_metadata(path).is_ok() {
                "cannot be replaced; close it in other programs, or choose another name"
            } else {
                "is no name for a file; choose another one"
            };
            format!("{}: {what}", path.display())
        }),
        _ => Ok(()),
    }
}

/// A folder as every call of the system takes it: some of Windows' take only what is shorter than 260 characters, unless the name
/// begins as the full one does.
fn reachable(folder: &Path) -> io::Result<PathBuf> {
    if cfg!(windows) { fs::canonicalize(folder) } else { Ok(folder.to_owned()) }
}

/// The folder that a name lies in.
pub fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

fn new_temporary(folder: &Path) -> std::io::Result<NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".minuend-").suffix(".part");
    // As for any new file: what the user's umask allows, where the library's default is the owner alone.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    builder.tempfile_in(folder)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Until it is taken the place is empty, or holds what was there.
    #[test]
    fn a_file_appears_when_it_is_done() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("file");
        let count = || fs::read_dir(folder.path()).unwrap().count();
        drop(Place::new(&path, false).unwrap());
        assert_eq!(count(), 0);
        write_file(&path, b"one", false).unwrap();
        assert!(Place::new(&path, false).is_err());
        drop(Place::new(&path, true).unwrap());
        assert_eq!((fs::read(&path).unwrap(), count()), (b"one".to_vec(), 1));
        write_file(&path, b"two", true).unwrap();
        assert_eq!((fs::read(&path).unwrap(), count()), (b"two".to_vec(), 1));
    }

    /// A device is not replaced by a file, which whoever may do everything could; in a name of its own, lest a fault hurts.
    #[cfg(unix)]
    #[test]
    fn only_files_are_replaced() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("device");
        std::os::unix::fs::symlink("/dev/null", &path).unwrap();
        let error = write_file(&path, b"one", true).unwrap_err().to_string();
        assert!(error.contains("is a device or a pipe"), "{error}");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    /// What came into being meanwhile is not replaced either.
    #[test]
    fn a_file_that_appears_meanwhile_is_kept() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("file");
        let place = Place::new(&path, false).unwrap();
        fs::write(&path, "someone else's").unwrap();
        assert!(place.take().is_err());
        assert_eq!(fs::read(&path).unwrap(), b"someone else's");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    /// Learned before the work, and not after it.
    #[cfg(windows)]
    #[test]
    fn what_another_program_has_open_is_not_replaced() {
        use std::os::windows::fs::OpenOptionsExt;
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("file");
        fs::write(&path, "one").unwrap();
        // Read, and neither written nor taken away, by others: FILE_SHARE_READ.
        let held = fs::OpenOptions::new().read(true).share_mode(1).open(&path).unwrap();
        let error = format!("{:#}", Place::new(&path, true).err().unwrap());
        assert!(error.contains("file: cannot be replaced; close it in other programs"), "{error}");
        drop(held);
        write_file(&path, b"two", true).unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"two");
    }

    /// Windows has characters that no name may hold.
    #[cfg(windows)]
    #[test]
    fn a_name_that_no_file_can_have_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        for name in ["a<b>.wav", "a\"b\".wav", "a?.wav", "a|b.wav"] {
            let error = format!("{:#}", write_file(&folder.path().join(name), b"one", false).unwrap_err());
            assert!(error.contains(&format!("{name}: is no name for a file")), "{error}");
        }
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
    }

    /// Deeper than Windows once took, and under names of any script.
    #[test]
    fn long_and_foreign_names_are_written() {
        let root = tempfile::tempdir().unwrap();
        let folder =
            (0..4).fold(root.path().to_owned(), |folder, _| folder.join("g\u{fc}zel \u{6b4c}".repeat(7)));
        fs::create_dir_all(&folder).unwrap();
        let path = folder.join("\u{43f}\u{435}\u{441}\u{43d}\u{44f} \u{1f3a4}.wav");
        for content in [b"one", b"two"] {
            write_file(&path, content, true).unwrap();
            assert_eq!(fs::read(&path).unwrap(), content);
        }
        assert_eq!(fs::read_dir(folder).unwrap().count(), 1);
    }

    /// A file written is as readable to others as any new file of the user's is.
    #[cfg(unix)]
    #[test]
    fn permissions_are_those_of_a_new_file() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let [ours, any] = ["ours", "any"].map(|name| folder.path().join(name));
        write_file(&ours, b"", false).unwrap();
        fs::write(&any, "").unwrap();
        let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode();
        assert_eq!(mode(&ours), mode(&any));
    }
}
