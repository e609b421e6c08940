//! `cargo xtask install`: puts the plug-in where hosts look for it.

use std::{
    env, fs,
    path::{Path, PathBuf},
};

use anyhow::{Context, Result, ensure};
use clap::Args;

use crate::bundle::Bundles;

/// Found in every build of the plug-in, and in no one else's file.
const PLUGIN_ID: &[u8] = b"audio.minuend.minuend";

/// Command line of `install`.
#[derive(Args)]
pub struct InstallArguments {
    /// Put both formats into this folder instead of the user's plug-in folders
    #[arg(long, value_name = "FOLDER")]
    to: Option<PathBuf>,
}

impl InstallArguments {
    /// Bundles, copies and says where to.
    pub fn run(self) -> Result<()> {
        let [clap_folder, vst3_folder] = match self.to {
            Some(folder) => [folder.clone(), folder],
            None => user_folders()?,
        };
        let bundles = Bundles::build()?;
        for (bundle, folder) in [(bundles.clap, clap_folder), (bundles.vst3, vst3_folder)] {
            println!("{}", install(&bundle, &folder)?.display());
        }
        Ok(())
    }
}

/// The user's own folders for CLAP (`entry.h` of the CLAP headers) and VST3 plug-ins ("VST 3 plug-in locations" in
/// the VST 3 developer portal).
fn user_folders() -> Result<[PathBuf; 2]> {
    let folders = if cfg!(windows) {
        let common =
            PathBuf::from(env::var_os("LOCALAPPDATA").context("LOCALAPPDATA is not set; use --to FOLDER")?)
                .join("Programs/Common");
        [common.join("CLAP"), common.join("VST3")]
    } else {
        let home = env::home_dir().context("there is no home folder; use --to FOLDER")?;
        if cfg!(target_os = "macos") {
            let plugins = home.join("Library/Audio/Plug-Ins");
            [plugins.join("CLAP"), plugins.join("VST3")]
        } else {
            [home.join(".clap"), home.join(".vst3")]
        }
    };
    Ok(folders)
}

/// Copies a bundle, a file or a folder, into a folder and returns its place there. An earlier one of ours is replaced
/// once the copy is complete; what is not ours is left alone, with an error.
fn install(bundle: &Path, folder: &Path) -> Result<PathBuf> {
    let name = bundle.file_name().context("a bundle has a name")?;
    let target = folder.join(name);
    let shown = target.display();
    let exists = fs::symlink_metadata(&target).is_ok();
    ensure!(
        !exists || is_ours(&target)?,
        "{shown}: is there already and is not Minuend; move it away, or use --to FOLDER"
    );
    fs::create_dir_all(folder).with_context(|| format!("{}: cannot be made", folder.display()))?;
    let staging = tempfile::Builder::new()
        .prefix(".minuend-")
        .tempdir_in(folder)
        .with_context(|| format!("{}: cannot be written", folder.display()))?;
    let new = staging.path().join(name);
    copy(bundle, &new).with_context(|| format!("{shown}: cannot be written"))?;
    let old = staging.path().join("old");
    // Windows keeps the file of a plug-in while a host has it loaded.
    let remedy = if cfg!(windows) { "; close the host first" } else { "" };
    if target.is_dir() {
        // A folder cannot be renamed over another one.
        fs::rename(&target, &old).with_context(|| format!("{shown}: cannot be replaced{remedy}"))?;
    }
    if let Err(e) = fs::rename(&new, &target) {
        if old.exists() {
            fs::rename(&old, &target)
                .with_context(|| format!("{shown}: the earlier one cannot be put back"))?;
        }
        return Err(e).with_context(|| format!("{shown}: cannot be put in place{remedy}"));
    }
    Ok(target)
}

fn copy(from: &Path, to: &Path) -> Result<()> {
    if !from.is_dir() {
        fs::copy(from, to)?;
        return Ok(());
    }
    fs::create_dir(to)?;
    for entry in fs::read_dir(from)? {
        let entry = entry?;
        copy(&entry.path(), &to.join(entry.file_name()))?;
    }
    Ok(())
}

/// Whether a plug-in, a file or a folder, is a build of this one.
fn is_ours(path: &Path) -> Result<bool> {
    if path.is_dir() {
        for entry in fs::read_dir(path)? {
            if is_ours(&entry?.path())? {
                return Ok(true);
            }
        }
        return Ok(false);
    }
    let bytes = fs::read(path).with_context(|| format!("{}: cannot be read", path.display()))?;
    Ok(bytes.windows(PLUGIN_ID.len()).any(|window| window == PLUGIN_ID))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The three cases there are: nothing there, an earlier one of ours, something else.
    #[test]
    fn replaces_only_what_is_ours() {
        let folder = tempfile::tempdir().unwrap();
        let bundle = folder.path().join("built/minuend.vst3");
        fs::create_dir_all(bundle.join("Contents")).unwrap();
        let library = bundle.join("Contents/minuend.so");
        let installed = folder.path().join("user/minuend.vst3/Contents/minuend.so");
        for content in ["1: audio.minuend.minuend", "2: audio.minuend.minuend"] {
            fs::write(&library, content).unwrap();
            install(&bundle, &folder.path().join("user")).unwrap();
            assert_eq!(fs::read_to_string(&installed).unwrap(), content);
        }
        fs::write(&installed, "another").unwrap();
        let refused = install(&bundle, &folder.path().join("user")).unwrap_err();
        assert!(refused.to_string().contains("minuend.vst3"), "{refused}");
        assert_eq!(fs::read_to_string(&installed).unwrap(), "another");
        // Nothing but the plug-in is left behind.
        assert_eq!(fs::read_dir(folder.path().join("user")).unwrap().count(), 1);
    }

    /// As a host keeps it that has loaded it. What was there stays.
    #[cfg(windows)]
    #[test]
    fn a_plug_in_in_use_is_told() {
        use std::os::windows::fs::OpenOptionsExt;
        let folder = tempfile::tempdir().unwrap();
        let bundle = folder.path().join("minuend.clap");
        fs::write(&bundle, "1: audio.minuend.minuend").unwrap();
        let user = folder.path().join("user");
        let installed = install(&bundle, &user).unwrap();
        fs::write(&bundle, "2: audio.minuend.minuend").unwrap();
        // Read, and neither written nor taken away, by others: FILE_SHARE_READ.
        let held = fs::OpenOptions::new().read(true).share_mode(1).open(&installed).unwrap();
        let error = install(&bundle, &user).unwrap_err().to_string();
        assert!(error.contains("minuend.clap") && error.contains("close the host first"), "{error}");
        drop(held);
        assert_eq!(fs::read_to_string(&installed).unwrap(), "1: audio.minuend.minuend");
    }
}
