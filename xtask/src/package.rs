//! `cargo xtask package`: what users get, as one archive for the system that it is made on.

mod archive;
mod help;
mod installer;
mod licences;
mod readme;

use std::{
    env, fs,
    path::{Path, PathBuf},
    process::Command,
};

use anyhow::{Context, Result, bail, ensure};
use sha2::{Digest, Sha256};

use crate::bundle::{Bundles, ship_program, target_folder, workspace_root};
use archive::{Archive, Mode};

const VERSION: &str = env!("CARGO_PKG_VERSION");

/// The system as people call it.
const SYSTEM: &str = if cfg!(windows) {
    "Windows"
} else if cfg!(target_os = "macos") {
    "macOS"
} else {
    "Linux"
};

/// For schedulers, under `batch`.
const BATCH: [&str; 4] = ["Containerfile", "README.md", "Snakefile", "render.sbatch"];

/// Builds what is shipped, packs it, and says where to. The same commit gives the same bytes.
pub fn package() -> Result<()> {
    let time_s = time_s()?;
    let bundles = Bundles::ship()?;
    let archive = contents(&bundles, &ship_program()?)?;
    let system = format!("{}-{}", env::consts::OS, env::consts::ARCH);
    let name = format!("minuend-{VERSION}-{system}");
    let bytes = archive.to_bytes(&name, time_s)?;
    for path in place(&target_folder()?.join("package"), &format!("{name}.tar.gz"), &bytes)? {
        println!("{}", path.display());
    }
    Ok(())
}

/// Time of all files in the archive, seconds since 1970: that of the commit, or of `SOURCE_DATE_EPOCH`, as
/// <https://reproducible-builds.org/specs/source-date-epoch/> has it.
fn time_s() -> Result<u64> {
    if let Ok(time) = env::var("SOURCE_DATE_EPOCH") {
        return time.parse().with_context(|| {
            format!("SOURCE_DATE_EPOCH is '{time}'; set it to whole seconds since 1970, or unset it")
        });
    }
    if !git(&["status", "--porcelain"])?.is_empty() {
        eprintln!("The checkout has changes that are not committed: the archive is not the commit's");
    }
    let time = git(&["log", "-1", "--format=%ct"])?;
    time.parse().with_context(|| format!("git tells '{time}' as the commit's time"))
}

fn git(args: &[&str]) -> Result<String> {
    const REMEDY: &str = "package in a checkout by git, or set SOURCE_DATE_EPOCH to the time of the sources";
    let output = Command::new("git").args(args).current_dir(workspace_root()).output().context(REMEDY)?;
    if !output.status.success() {
        bail!("git {}: {}; {REMEDY}", args.join(" "), String::from_utf8_lossy(&output.stderr).trim());
    }
    Ok(String::from_utf8(output.stdout)?.trim().to_owned())
}

/// All that users get.
fn contents(bundles: &Bundles, program: &Path) -> Result<Archive> {
    let mut archive = Archive::default();
    let program_name = format!("minuend{}", env::consts::EXE_SUFFIX);
    let built = [("minuend.clap", &*bundles.clap), ("minuend.vst3", &bundles.vst3), (&program_name, program)];
    for (name, from) in built {
        archive.add_built(name, from)?;
        let mut files = archive.files().filter(|(path, _)| path.split('/').next() == Some(name));
        ensure!(
            files.any(|(_, bytes)| installer::knows(bytes)),
            "{name}: has no mark by which the installer knows it; change MARKS and install.sh"
        );
    }
    help::add(&mut archive, minuend_files::command::description())?;
    if cfg!(target_os = "linux") {
        archive.add("install.sh", Mode::Program, installer::SCRIPT);
    }

    let of_project = |name: &str| fs::read_to_string(workspace_root().join(name)).context(name.to_owned());
    for name in BATCH {
        archive.add(&format!("batch/{name}"), Mode::Text, of_project(&format!("plugin/files/batch/{name}"))?);
    }
    let glibc = archive.files().filter_map(|(_, bytes)| glibc(bytes)).max();
    let mut system = format!("{SYSTEM} on {}", env::consts::ARCH);
    if let Some((major, minor)) = glibc {
        system += &format!(", with glibc {major}.{minor} or newer");
    }
    archive.add("README.md", Mode::Text, readme::readme(&of_project("README.md")?, VERSION, &system)?);
    archive.add("LICENSE", Mode::Text, of_project("LICENSE")?);
    archive.add("LICENSES.txt", Mode::Text, licences::licences()?);
    archive.add("LICENSES-rust.html", Mode::Text, licences::of_rust()?);
    Ok(archive)
}

/// The newest version of glibc that a program asks for, by the names of versions in it ("GLIBC_2.36").
fn glibc(program: &[u8]) -> Option<(u32, u32)> {
    const NAME: &[u8] = b"GLIBC_";
    let starts = program.windows(NAME.len()).enumerate().filter(|(_, window)| *window == NAME);
    starts
        .filter_map(|(start, _)| {
            let version = program[start + NAME.len()..].split(|&byte| byte == 0).next()?;
            let mut numbers = std::str::from_utf8(version).ok()?.split('.').map(str::parse);
            Some((numbers.next()?.ok()?, numbers.next()?.ok()?))
        })
        .max()
}

/// Writes the archive and, beside it, its checksum as `sha256sum --check` reads it. Both replace earlier ones.
fn place(folder: &Path, name: &str, archive: &[u8]) -> Result<[PathBuf; 2]> {
    let unwritable = || format!("{}: cannot be written", folder.display());
    fs::create_dir_all(folder).with_context(unwritable)?;
    let staging = tempfile::tempdir_in(folder).with_context(unwritable)?;
    let checksum = format!("{}  {name}\n", hexadecimal(&Sha256::digest(archive)));
    let checksum_name = format!("{name}.sha256");
    let files = [(name, archive), (&checksum_name, checksum.as_bytes())];
    for (name, bytes) in files {
        fs::write(staging.path().join(name), bytes).with_context(unwritable)?;
    }
    for (name, _) in files {
        fs::rename(staging.path().join(name), folder.join(name)).with_context(unwritable)?;
    }
    Ok(files.map(|(name, _)| folder.join(name)))
}

fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of a plug-in and a program that hold nothing but their marks.
    #[test]
    fn all_that_users_need_is_packed() {
        let built = tempfile::tempdir().unwrap();
        let bundles =
            Bundles { clap: built.path().join("minuend.clap"), vst3: built.path().join("minuend.vst3") };
        let program = built.path().join("program");
        fs::create_dir_all(bundles.vst3.join("Contents")).unwrap();
        fs::write(&bundles.clap, "audio.minuend.minuend\0GLIBC_2.9\0GLIBC_2.17\0").unwrap();
        fs::write(bundles.vst3.join("Contents/minuend.so"), "audio.minuend.minuend").unwrap();
        fs::write(&program, "another").unwrap();
        let refused = contents(&bundles, &program).err().unwrap();
        assert!(refused.to_string().starts_with("minuend: has no mark"), "{refused}");

        fs::write(&program, "Mix minus backing, from files to files").unwrap();
        let archive = contents(&bundles, &program).unwrap();
        let files: Vec<_> = archive.files().collect();
        let has = |path: &str| files.iter().any(|&(present, _)| present == path);
        for path in ["LICENSE", "LICENSES.txt", "LICENSES-rust.html", "README.md", "man/minuend-render.1"] {
            assert!(has(path), "{path}");
        }
        assert!(has("minuend.vst3/Contents/minuend.so"));
        assert_eq!(has("install.sh"), cfg!(target_os = "linux"));
        let readme = files.iter().find(|(path, _)| *path == "README.md").unwrap().1;
        let readme = String::from_utf8_lossy(readme);
        assert!(readme.contains("with glibc 2.17 or newer"));
        for target in readme.split("](").skip(1).map(|rest| rest.split(')').next().unwrap()) {
            assert!(has(target), "README.md names {target}");
        }
        // Texts name no folder of this machine.
        let root = workspace_root().to_str().unwrap().as_bytes();
        for (path, bytes) in files {
            assert!(!bytes.windows(root.len()).any(|window| window == root), "{path}");
        }
    }

    /// The checksum: FIPS 180-4's example for "abc" (NIST, "Cryptographic Standards and Guidelines, Example Values").
    #[test]
    fn the_checksum_stands_beside_the_archive() {
        let folder = tempfile::tempdir().unwrap();
        let [archive, checksum] = place(&folder.path().join("new"), "a.tar.gz", b"abc").unwrap();
        assert_eq!(fs::read(archive).unwrap(), b"abc");
        assert_eq!(
            fs::read_to_string(checksum).unwrap(),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad  a.tar.gz\n"
        );
        assert_eq!(fs::read_dir(folder.path().join("new")).unwrap().count(), 2);
    }
}
