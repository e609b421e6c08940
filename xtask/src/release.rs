//! `cargo xtask release`: version, changelog and tag of a release, in one commit.

use std::{
    fs,
    path::{Path, PathBuf},
    process::Command,
};

use anyhow::{Context, Result, bail, ensure};
use clap::Args;

use crate::bundle::workspace_root;

/// Command line of `release`.
#[derive(Args)]
pub struct ReleaseArguments {
    /// Its version, as 1.2.3: above that of the last release
    version: String,
    /// Tell what would be changed, and change nothing
    #[arg(long)]
    dry_run: bool,
}

const CHANGELOG: &str = "plugin/CHANGELOG.md";

impl ReleaseArguments {
    /// Changes, commits and tags, or tells what it would. Nothing leaves the machine.
    pub fn run(self) -> Result<()> {
        let root = workspace_root();
        let changes = changes(root, &self.version)?;
        for Change { path, lines, .. } in &changes {
            for (before, after) in lines {
                println!("{}:\n- {before}\n+ {after}", path.display());
            }
        }
        let tag = format!("v{}", self.version);
        let changelog = fs::read_to_string(root.join(CHANGELOG))?;
        let notes = notes(&changelog).unwrap_or_default();
        println!("tag {tag}, which says:\n{notes}");
        if self.dry_run {
            return Ok(());
        }
        for Change { path, text, .. } in &changes {
            fs::write(root.join(path), text).with_context(|| path.display().to_string())?;
        }
        let message = format!("Release {}", self.version);
        git(root, &["commit", "--quiet", "--all", "--message", &message])?;
        git(root, &["tag", "--annotate", &tag, "--message", &format!("{message}\n\n{notes}")])?;
        println!(
            "Done here. `git push --follow-tags` hands it on; whoever builds releases does so from the tag"
        );
        Ok(())
    }
}

/// A file as it will be, with the lines that differ.
struct Change {
    path: PathBuf,
    text: String,
    lines: Vec<(String, String)>,
}

impl Change {
    fn new(path: &str, before: &str, text: String) -> Self {
        let lines = before.lines().zip(text.lines()).filter(|(before, after)| before != after);
        let lines = lines.map(|(before, after)| (before.to_owned(), after.to_owned())).collect();
        Self { path: path.into(), text, lines }
    }
}

/// What a release changes in a checkout; an error if it cannot be one.
fn changes(root: &Path, version: &str) -> Result<Vec<Change>> {
    let read = |path: &str| fs::read_to_string(root.join(path)).with_context(|| path.to_owned());
    let numbers_of = |version: &str| -> Result<Vec<u32>> {
        let numbers: Vec<u32> = version.split('.').map_while(|number| number.parse().ok()).collect();
        ensure!(
            numbers.len() == 3 && version.split('.').count() == 3,
            "{version}: is no version; write it as 1.2.3"
        );
        Ok(numbers)
    };
    let new = numbers_of(version)?;
    let changed = git(root, &["status", "--porcelain"])?;
    ensure!(changed.is_empty(), "the checkout has changes that are not committed:\n{changed}");
    for tag in git(root, &["tag", "--list", "v*"])?.lines() {
        let is_below = numbers_of(tag.trim_start_matches('v')).is_ok_and(|old| old < new);
        ensure!(is_below, "{version}: is not above {tag}, which was released; choose a higher one");
    }

    let (manifest, lock, changelog) = (read("Cargo.toml")?, read("Cargo.lock")?, read(CHANGELOG)?);
    let old = manifest.lines().find_map(|line| line.strip_prefix("version = \"")?.strip_suffix('"'));
    let old = old.context("Cargo.toml: has no version of the workspace")?;
    let line = |version: &str| format!("version = \"{version}\"\n");
    let lock_after = ours(&lock, old).map(|name| (entry(&name, old), entry(&name, version)));
    let lock_after = lock_after.fold(lock.clone(), |lock, (before, after)| lock.replace(&before, &after));
    ensure!(
        notes(&changelog).is_some(),
        "{CHANGELOG}: says nothing under \"## Unreleased\"; write what users will notice"
    );
    Ok(vec![
        Change::new("Cargo.toml", &manifest, manifest.replacen(&line(old), &line(version), 1)),
        Change::new("Cargo.lock", &lock, lock_after),
        Change::new(CHANGELOG, &changelog, changelog.replacen("## Unreleased", &format!("## {version}"), 1)),
    ])
}

/// Names of the packages of this version that come from no registry.
fn ours<'a>(lock: &'a str, version: &'a str) -> impl Iterator<Item = String> + 'a {
    let packages = lock.split("[[package]]\n").filter(|package| !package.contains("\nsource = "));
    packages.filter_map(move |package| {
        let name = package.lines().next()?.strip_prefix("name = \"")?.strip_suffix('"')?;
        package.contains(&entry(name, version)).then(|| name.to_owned())
    })
}

/// How a package stands in Cargo.lock.
fn entry(name: &str, version: &str) -> String {
    format!("name = \"{name}\"\nversion = \"{version}\"\n")
}

/// What the changelog says of what is not released, if it says anything.
fn notes(changelog: &str) -> Option<&str> {
    let (_, rest) = changelog.split_once("## Unreleased\n")?;
    let notes = rest.split("\n## ").next()?.trim();
    (!notes.is_empty()).then_some(notes)
}

fn git(root: &Path, args: &[&str]) -> Result<String> {
    let output =
        Command::new("git").args(args).current_dir(root).output().context("git cannot be started")?;
    if !output.status.success() {
        bail!("git {}: {}", args[0], String::from_utf8_lossy(&output.stderr).trim());
    }
    Ok(String::from_utf8(output.stdout)?.trim().to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn checkout() -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        let write = |path: &str, text: &str| fs::write(folder.path().join(path), text).unwrap();
        fs::create_dir(folder.path().join("plugin")).unwrap();
        write("Cargo.toml", "[workspace.package]\nversion = \"0.1.0\"\nrust-version = \"1.95\"\n");
        let ours = "[[package]]\nname = \"ours\"\nversion = \"0.1.0\"\n\n";
        let other = "[[package]]\nname = \"other\"\nversion = \"0.1.0\"\nsource = \"registry\"\n";
        write("Cargo.lock", &format!("{ours}{other}"));
        write(CHANGELOG, "# Changes\n\n## Unreleased\n\n- New.\n\n## 0.0.9\n\n- Old.\n");
        let git = |args: &[&str]| super::git(folder.path(), args).unwrap();
        git(&["init", "--quiet"]);
        git(&["add", "."]);
        git(&["-c", "user.name=a", "-c", "user.email=a@b.c", "commit", "--quiet", "-m", "one"]);
        folder
    }

    /// Ours alone, once each, and nothing is written.
    #[test]
    fn a_release_changes_versions_and_the_changelog() {
        let folder = checkout();
        let changes = changes(folder.path(), "0.2.0").unwrap();
        let lines: Vec<_> = changes.iter().flat_map(|change| &change.lines).collect();
        let version = |version: &str| format!("version = \"{version}\"");
        let changed = (version("0.1.0"), version("0.2.0"));
        let section = ("## Unreleased".to_owned(), "## 0.2.0".to_owned());
        assert_eq!(lines, [&changed, &changed, &section]);
        assert!(
            changes[1].text.contains(&entry("other", "0.1.0"))
                && changes[1].text.contains(&entry("ours", "0.2.0"))
        );
        assert_eq!(git(folder.path(), &["status", "--porcelain"]).unwrap(), "");
        assert_eq!(notes(&fs::read_to_string(folder.path().join(CHANGELOG)).unwrap()), Some("- New."));
    }

    #[test]
    fn what_is_no_release_is_refused() {
        let folder = checkout();
        let refused = |version: &str| changes(folder.path(), version).err().unwrap().to_string();
        for wrong in ["1", "1.2", "a.b.c", "1.2.3.4", "1.2.3-rc1"] {
            assert!(refused(wrong).contains("is no version"), "{wrong}");
        }
        git(folder.path(), &["tag", "v0.2.0"]).unwrap();
        assert!(refused("0.2.0").contains("is not above v0.2.0") && refused("0.1.9").contains("v0.2.0"));
        assert!(changes(folder.path(), "0.10.0").is_ok());
        fs::write(folder.path().join(CHANGELOG), "## Unreleased\n\n## 0.0.9\n\n- Old.\n").unwrap();
        assert!(refused("0.3.0").contains("not committed"));
        git(
            folder.path(),
            &["-c", "user.name=a", "-c", "user.email=a@b.c", "commit", "--quiet", "-am", "two"],
        )
        .unwrap();
        assert!(refused("0.3.0").contains("says nothing"));
    }
}
