//! Whether files can be written, told before the work.

use std::{fs, path::Path};

use anyhow::{Result, ensure};

use crate::write::{Place, folder_of};

/// Refuses what cannot be written, or would overwrite an input or another output.
pub fn check_outputs(outputs: &[&Path], inputs: &[&Path], overwrite: bool) -> Result<()> {
    for (idx, output) in outputs.iter().enumerate() {
        // Made and gone again: to learn now, and not after minutes, that it cannot be.
        Place::new(output, overwrite)?;
        ensure!(
            !inputs.iter().any(|input| same_file(input, output)),
            "{}: is one of the inputs; choose another name",
            output.display()
        );
        ensure!(
            !outputs[..idx].iter().any(|other| same_place(other, output)),
            "{}: is named for two files; choose another name for one of them",
            output.display()
        );
    }
    Ok(())
}

/// Whether two files that need not be there yet are one.
fn same_place(a: &Path, b: &Path) -> bool {
    // Where upper and lower case are one, as Windows and macOS have it unless told otherwise.
    let name = |path: &Path| {
        let name = path.file_name().unwrap_or_default();
        if cfg!(any(windows, target_os = "macos")) { name.to_ascii_lowercase() } else { name.to_owned() }
    };
    name(a) == name(b) && same_file(folder_of(a), folder_of(b))
}

/// Whether two names are of one file that is there.
pub fn same_file(a: &Path, b: &Path) -> bool {
    matches!((fs::canonicalize(a), fs::canonicalize(b)), (Ok(a), Ok(b)) if a == b)
}
