//! The licences of the packages that are compiled in, of what cargo knows and the packages themselves hold.

use std::{
    collections::{BTreeSet, HashMap},
    env,
    fmt::Write,
    fs,
    path::{Path, PathBuf},
    process::Command,
};

use anyhow::{Context, Result, ensure};
use cargo_metadata::{MetadataCommand, Package};
use spdx::Expression;

use crate::bundle::workspace_root;

/// A package and the texts that hold for it.
struct Licensed {
    /// With its version.
    name: String,
    /// SPDX expression.
    licence: String,
    /// Of a package that names no text of its own.
    authors: Option<String>,
    texts: Vec<String>,
}

/// Lists the packages that plug-in and program are compiled of, with their texts, each of these once.
pub fn licences() -> Result<String> {
    let compiled = compiled()?;
    let metadata = MetadataCommand::new().manifest_path(workspace_root().join("Cargo.toml")).exec()?;
    let mut packages: Vec<_> = metadata
        .packages
        .iter()
        .filter(|package| package.source.is_some())
        .filter(|package| compiled.contains(&(package.name.to_string(), package.version.to_string())))
        .collect();
    packages.sort_by_key(|package| (&package.name, &package.version));
    let packages = packages.into_iter().map(licensed).collect::<Result<Vec<_>>>()?;
    Ok(listed(&packages))
}

/// The licences of Rust's own library, as its compiler brings them.
pub fn of_rust() -> Result<Vec<u8>> {
    let rustc = env::var_os("RUSTC").unwrap_or_else(|| "rustc".into());
    let root = said_by(Command::new(rustc).args(["--print", "sysroot"]))?;
    let file = Path::new(root.trim()).join("share/doc/rust/COPYRIGHT-library.html");
    fs::read(&file).with_context(|| {
        format!("{}: cannot be read; package with a compiler that rustup installed", file.display())
    })
}

/// Names and versions of all packages whose code, or code that they write, is compiled in on this system; as the features
/// are that these two ask for, and not the tests.
fn compiled() -> Result<BTreeSet<(String, String)>> {
    let cargo = env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let tree = said_by(
        Command::new(cargo)
            .args(["tree", "--locked", "--package", "minuend", "--package", "minuend-files"])
            .args(["--edges", "normal", "--prefix", "none", "--format", "{p}"])
            .current_dir(workspace_root()),
    )?;
    let packages = tree.lines().filter_map(|line| {
        let mut words = line.split_whitespace();
        Some((words.next()?.to_owned(), words.next()?.trim_start_matches('v').to_owned()))
    });
    Ok(packages.collect())
}

fn said_by(command: &mut Command) -> Result<String> {
    let shown = format!("{command:?}");
    let output = command.output().with_context(|| format!("{shown}: cannot be started"))?;
    ensure!(output.status.success(), "{shown}: {}", String::from_utf8_lossy(&output.stderr).trim());
    Ok(String::from_utf8(output.stdout)?)
}

fn licensed(package: &Package) -> Result<Licensed> {
    let name = format!("{} {}", package.name, package.version);
    let licence = package.license.clone().with_context(|| format!("{name}: names no licence"))?;
    let folder = package.manifest_path.parent().context("a manifest lies in a folder")?.as_std_path();
    let mut files = Vec::new();
    find(folder, &mut files)?;
    files.sort();
    let mut texts = Vec::new();
    for file in &files {
        let bytes = fs::read(file).with_context(|| format!("{}: cannot be read", file.display()))?;
        texts.push(String::from_utf8_lossy(&bytes).into_owned());
    }
    // What lies deeper holds for a part of the package, such as a font.
    if files.iter().any(|file| file.parent() == Some(folder)) {
        return Ok(Licensed { name, licence, authors: None, texts });
    }
    let expression = Expression::parse(&licence).with_context(|| format!("{name}: {licence}"))?;
    for requirement in expression.requirements() {
        let id = requirement.req.license.id().with_context(|| format!("{name}: {licence} has no text"))?;
        texts.push(id.text().to_owned());
    }
    Ok(Licensed { name, licence, authors: Some(package.authors.join(", ")), texts })
}

/// Adds the files of a folder that are licences by their names.
fn find(folder: &Path, files: &mut Vec<PathBuf>) -> Result<()> {
    for entry in fs::read_dir(folder).with_context(|| format!("{}: cannot be read", folder.display()))? {
        let path = entry?.path();
        let name = path.file_name().unwrap_or_default().to_string_lossy().to_uppercase();
        let (stem, kind) = name.rsplit_once('.').unwrap_or((&name, ""));
        let is_named =
            ["LICENSE", "LICENCE", "COPYING", "COPYRIGHT", "NOTICE"].iter().any(|word| name.contains(word))
                || ["OFL", "UFL"].contains(&stem);
        if path.is_dir() {
            find(&path, files)?;
        } else if is_named && !["RS", "PY", "JSON", "TOML"].contains(&kind) {
            files.push(path);
        }
    }
    Ok(())
}

fn listed(packages: &[Licensed]) -> String {
    let mut texts = Vec::new();
    // Where spaces and ends of lines differ, two texts are still the same.
    let mut numbers_by_words = HashMap::new();
    let mut list = String::from(
        "Packages that are compiled into Minuend, their licences, and the numbers of the texts below. The source of each\n\
         is at https://crates.io/crates/NAME/VERSION; that of the packages under MPL-2.0 is unchanged.\n\n",
    );
    for Licensed { name, licence, authors, texts: own } in packages {
        let mut numbers = Vec::new();
        for text in own {
            let words: Vec<_> = text.split_whitespace().collect();
            let number = *numbers_by_words.entry(words).or_insert_with(|| {
                texts.push(text);
                texts.len()
            });
            if !numbers.contains(&number) {
                numbers.push(number);
            }
        }
        let by = authors.as_ref().map(|authors| format!(", by {authors}, in the standard words"));
        let by = by.unwrap_or_default();
        let numbers = numbers.iter().map(usize::to_string).collect::<Vec<_>>().join(", ");
        writeln!(list, "{name}: {licence}{by}: {numbers}").expect("a String takes all");
    }
    for (index, text) in texts.iter().enumerate() {
        let text = text.lines().map(str::trim_end).collect::<Vec<_>>().join("\n");
        write!(list, "\n\n======== {} ========\n\n{}\n", index + 1, text.trim_matches('\n'))
            .expect("a String takes all");
    }
    list
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What the plug-in needs and what the program needs; nothing of the tests, and nothing of ours.
    #[test]
    fn packages_of_both_are_listed_with_their_texts() {
        let licences = licences().unwrap();
        let line = |name: &str| licences.lines().find(|line| line.starts_with(&format!("{name} ")));
        assert!(line("triple_buffer").unwrap().contains("MPL-2.0: "));
        assert!(line("symphonia-core").unwrap().contains("MPL-2.0: "));
        // It holds the texts of its fonts only.
        let fonts = line("epaint_default_fonts").unwrap();
        assert!(fonts.contains("in the standard words") && fonts.matches(", ").count() >= 5, "{fonts}");
        assert!(line("proptest").is_none() && line("minuend-engine").is_none());
        for text in ["Mozilla Public License Version 2.0", "SIL OPEN FONT LICENSE", "UBUNTU FONT LICENCE"] {
            assert!(licences.to_uppercase().contains(&text.to_uppercase()), "{text}");
        }
        assert!(String::from_utf8(of_rust().unwrap()).unwrap().contains("Rust Standard Library"));
    }

    #[test]
    fn a_text_stands_there_once() {
        let package = |name: &str, texts: &[&str]| Licensed {
            name: name.to_owned(),
            licence: "MIT".to_owned(),
            authors: None,
            texts: texts.iter().map(|&text| text.to_owned()).collect(),
        };
        let listed = listed(&[
            package("first 1.0.0", &["Be kind.\r\nBe fair.", "Be brave."]),
            package("second 2.0.0", &["Be  kind. Be fair.\n"]),
        ]);
        assert!(listed.contains("\nfirst 1.0.0: MIT: 1, 2\nsecond 2.0.0: MIT: 1\n"), "{listed}");
        assert!(
            listed.ends_with("== 1 ========\n\nBe kind.\nBe fair.\n\n\n======== 2 ========\n\nBe brave.\n")
        );
    }
}
