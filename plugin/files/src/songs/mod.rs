//! Many songs: which mix belongs to which backing.

mod folder;
mod list;
mod name;
mod parts;
mod role;

use std::path::{Path, PathBuf};

use anyhow::Result;

pub use folder::{in_folder, is_audio_name};
pub use list::in_list;
pub use name::{check_name, key_of};
pub use parts::{files_of, part_names};
use role::{Role, role_of};

/// A mix and its backing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Song {
    /// What its files are called: `NAME difference.wav`, and so on.
    pub name: String,
    /// The full mix.
    pub mix: PathBuf,
    /// Its backing: one file, or the parts that make it up.
    pub backing: Vec<PathBuf>,
}

/// Songs, and what is wrong with those that are none, in the order of their names or of the list.
pub type Songs = Vec<Result<Song>>;

/// What a song is called by its mix: without the word that says that it is one, unless nothing else is left.
pub fn name_of_mix(mix: &Path) -> String {
    let stem = mix.file_stem().unwrap_or_default().to_string_lossy().into_owned();
    match role_of(&stem) {
        Some((Role::Mix, name)) if !name.is_empty() => name.to_owned(),
        _ => stem,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mix_names_its_song() {
        for (mix, name) in [
            ("songs/Nine Lamps mix.wav", "Nine Lamps"),
            ("Nine Lamps.wav", "Nine Lamps"),
            ("Nine Lamps instrumental.wav", "Nine Lamps instrumental"),
            ("mix.wav", "mix"),
        ] {
            assert_eq!(name_of_mix(Path::new(mix)), name);
        }
    }
}
