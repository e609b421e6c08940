//! `cargo xtask bundle`: builds the plug-in and puts it into the folders that hosts expect.

use std::{
    collections::BTreeSet,
    env, fs,
    path::{Path, PathBuf},
    process::Command,
};

use anyhow::{Context, Result};
use cargo_metadata::MetadataCommand;

use crate::setup;

/// Root of the checkout this program was built from.
pub fn workspace_root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("xtask lies inside the workspace")
}

/// Where cargo builds, and bundles lie under `bundled`.
pub fn target_folder() -> Result<PathBuf> {
    let manifest = workspace_root().join("Cargo.toml");
    let metadata = MetadataCommand::new().manifest_path(manifest).no_deps().exec()?;
    Ok(metadata.target_directory.into())
}

/// Runs the bundler for what is shipped: a package and the arguments of `cargo build` for it.
pub fn bundle(args: &[String]) -> Result<()> {
    let mut args = args.to_vec();
    if args.iter().any(|arg| arg == "--release") {
        args.extend(placeless()?);
    }
    run_bundler(&args)
}

fn run_bundler(args: &[String]) -> Result<()> {
    // For both kinds of Mac in one.
    let (universal, args): (Vec<_>, Vec<_>) = args.iter().cloned().partition(|arg| arg == "--universal");
    let command = if universal.is_empty() { "bundle" } else { "bundle-universal" };
    let args = [&[command.to_owned()], &args[..]].concat();
    // The bundler works from the workspace's root and leaves the process there.
    let here = env::current_dir().context("the present folder is gone")?;
    env::set_current_dir(workspace_root()).context("the checkout is gone")?;
    let result = nice_plug_xtask::main_with_args("cargo xtask", args);
    env::set_current_dir(here)?;
    result?;
    remove_program(&target_folder()?.join("bundled"))
}

/// Takes away the program for files where it was built: the bundler finds it beside the plug-in, under the same name, and
/// takes it for a version of the plug-in that needs no host. It may be older than the sources, and is shipped as it is.
fn remove_program(bundled: &Path) -> Result<()> {
    for name in ["minuend", "minuend.exe", "minuend.app"] {
        let program = bundled.join(name);
        if program.is_dir() {
            fs::remove_dir_all(&program)
        } else if program.exists() {
            fs::remove_file(&program)
        } else {
            continue;
        }
        .with_context(|| format!("{}: cannot be removed", program.display()))?;
        eprintln!("Removed '{}': it is the program for files, and no plug-in", program.display());
    }
    Ok(())
}

/// Arguments of `cargo build` that have messages name the files of packages without the folder they were downloaded to,
/// so that a build is the same on every machine and tells nothing of it. Files of the checkout, and Rust's own, are named
/// without their place anyway.
fn placeless() -> Result<[String; 2]> {
    if ["CARGO_ENCODED_RUSTFLAGS", "RUSTFLAGS"].iter().any(|name| env::var_os(name).is_some()) {
        eprintln!(
            "RUSTFLAGS is set, and cargo takes no flags besides: the bundle names folders of this machine"
        );
    }
    let metadata = MetadataCommand::new().manifest_path(workspace_root().join("Cargo.toml")).exec()?;
    let downloaded = metadata.packages.iter().filter(|package| package.source.is_some());
    let folders: BTreeSet<_> =
        downloaded.filter_map(|package| package.manifest_path.parent()?.parent()).collect();
    let flags: Vec<_> = folders.iter().map(|folder| format!("--remap-path-prefix={folder}=")).collect();
    // Flags for a target are joined to those that a user has set for one. An array of JSON is one of TOML.
    Ok(["--config".to_owned(), format!("target.'cfg(all())'.rustflags={}", serde_json::json!(flags))])
}

/// Builds the program for files as it is shipped, and tells where it is.
pub fn ship_program() -> Result<PathBuf> {
    let cargo = env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    setup::run(
        Command::new(cargo)
            .args(["build", "--release", "--locked", "--package", "minuend-files", "--bin", "minuend"])
            .args(placeless()?)
            .current_dir(workspace_root()),
    )?;
    Ok(target_folder()?.join("release").join(format!("minuend{}", env::consts::EXE_SUFFIX)))
}

/// The bundles of the shipped plug-in.
pub struct Bundles {
    /// `minuend.clap`
    pub clap: PathBuf,
    /// `minuend.vst3`
    pub vst3: PathBuf,
}

impl Bundles {
    /// Builds and bundles the plug-in for this machine, of the packages that were compiled for the commands. It may name
    /// folders of this machine, and otherwise is what is shipped.
    pub fn build() -> Result<Self> {
        run_bundler(&Self::arguments())?;
        Self::built()
    }

    /// Builds and bundles the plug-in as it is shipped. Compiles all packages anew, since their flags are others.
    pub fn ship() -> Result<Self> {
        bundle(&Self::arguments())?;
        Self::built()
    }

    fn arguments() -> [String; 2] {
        ["minuend".to_owned(), "--release".to_owned()]
    }

    fn built() -> Result<Self> {
        let folder = target_folder()?.join("bundled");
        Ok(Self { clap: folder.join("minuend.clap"), vst3: folder.join("minuend.vst3") })
    }
}

#[cfg(test)]
mod tests {
    use super::remove_program;

    /// Whatever the system calls it; the plug-ins stay.
    #[test]
    fn only_plug_ins_are_bundled() {
        let bundled = tempfile::tempdir().unwrap();
        let folder = bundled.path();
        for name in ["minuend", "minuend.exe", "minuend.clap"] {
            std::fs::write(folder.join(name), "").unwrap();
        }
        for name in ["minuend.app/Contents", "minuend.vst3/Contents"] {
            std::fs::create_dir_all(folder.join(name)).unwrap();
        }
        remove_program(folder).unwrap();
        let mut left: Vec<_> = folder.read_dir().unwrap().map(|entry| entry.unwrap().file_name()).collect();
        left.sort();
        assert_eq!(left, ["minuend.clap", "minuend.vst3"]);
    }
}
