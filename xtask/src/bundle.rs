//! `cargo xtask bundle`: builds the plug-in and puts it into the folders that hosts expect.

use std::{
    env,
    path::{Path, PathBuf},
};

use anyhow::{Context, Result};
use cargo_metadata::MetadataCommand;

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

/// Runs the bundler: a package and the arguments of `cargo build` for it.
pub fn bundle(args: &[String]) -> Result<()> {
    // The bundler works from the workspace's root and leaves the process there.
    let here = env::current_dir().context("the present folder is gone")?;
    env::set_current_dir(workspace_root()).context("the checkout is gone")?;
    let result = nice_plug_xtask::main_with_args(
        "cargo xtask",
        ["bundle".to_owned()].into_iter().chain(args.to_vec()),
    );
    env::set_current_dir(here)?;
    result
}

/// The bundles of the shipped plug-in.
pub struct Bundles {
    /// `minuend.clap`
    pub clap: PathBuf,
    /// `minuend.vst3`
    pub vst3: PathBuf,
}

/// Builds and bundles the plug-in as it is shipped.
pub fn bundle_release() -> Result<Bundles> {
    bundle(&["minuend".to_owned(), "--release".to_owned()])?;
    let folder = target_folder()?.join("bundled");
    Ok(Bundles { clap: folder.join("minuend.clap"), vst3: folder.join("minuend.vst3") })
}
