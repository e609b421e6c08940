//! `cargo xtask sensitivity`: what half and double of each tuned constant of the engine cost on pairs whose true vocal is
//! known. In a copy of the workspace the constants become functions that the environment may scale, so that one build
//! serves them all; only those that the compiler must know, sizes mostly, are built each.

mod adjustable;

use std::{
    collections::BTreeMap,
    fmt::Write as _,
    fs,
    path::{Path, PathBuf},
    process::{Command, Stdio},
};

use anyhow::{Context, Result, bail, ensure};
use clap::Args;
use serde_json::Value;

use crate::bundle::{target_folder, workspace_root};

/// What the doc of a tuned constant says of where its value comes from. Others follow from something else.
const RECIPES: [&str; 3] = ["Chosen by hand", "Found on", "measured"];

/// Command line of `sensitivity`.
#[derive(Args)]
pub struct SensitivityArguments {
    /// A folder of cases, as for `score`; short ones do
    folder: PathBuf,
    /// Only constants whose file or name contains this; may be given several times
    #[arg(long, value_name = "TEXT")]
    only: Vec<String>,
    /// Lines are added to this file as they are known; constants that it holds already are left out
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
}

impl SensitivityArguments {
    /// Changes one constant after the other, and writes a table.
    pub fn run(self) -> Result<()> {
        let cases = fs::canonicalize(&self.folder)
            .with_context(|| format!("{}: cannot be opened", self.folder.display()))?;
        let copy = Copy::new()?;
        let mut table = fs::read_to_string(&self.out).unwrap_or_else(|_| HEAD.to_owned());
        let constants = constants(&copy.engine())?;
        let (adjustable, built): (Vec<_>, Vec<_>) = adjustable::make(&copy.engine(), constants)?;
        ensure!(copy.build()?, "the engine with adjustable constants does not compile");
        let as_is = copy.score(&cases, None)?.context("the engine as it is cannot be scored")?;
        let all = adjustable.iter().map(|c| (c, false)).chain(built.iter().map(|c| (c, true)));
        for (constant, is_built) in all {
            let key = format!("| `{}` `{}` |", constant.file, constant.name);
            let wanted = self.only.is_empty() || self.only.iter().any(|text| key.contains(text.as_str()));
            if !wanted || table.contains(&key) {
                continue;
            }
            let mut row = format!("{key} {} |", constant.value);
            for factor in [0.5, 2.0] {
                let scores = if is_built {
                    copy.with(constant, factor, || {
                        if copy.build()? { copy.score(&cases, None) } else { Ok(None) }
                    })?
                } else {
                    copy.score(&cases, Some((constant, factor)))?
                };
                let _ = write!(row, " {} |", scores.map_or("does not run".to_owned(), |s| cost(&as_is, &s)));
            }
            eprintln!("{row}");
            table += &row;
            table.push('\n');
            fs::write(&self.out, &table).with_context(|| self.out.display().to_string())?;
        }
        Ok(())
    }
}

const HEAD: &str = "\
| constant | value | half: mean, worst case, dB | double: mean, worst case, dB |
|---|---|---|---|
";

/// SI-SDR by case, dB.
type Scores = BTreeMap<String, f64>;

/// By how much scores differ: the mean, and the case that loses most. A null of 100 dB is as good as a deeper one.
fn cost(before: &Scores, after: &Scores) -> String {
    let differences: Vec<(f64, &String)> = before
        .iter()
        .map(|(case, db)| (after.get(case).unwrap_or(&0.0).min(100.0) - db.min(100.0), case))
        .collect();
    let mean = differences.iter().map(|(db, _)| db).sum::<f64>() / differences.len().max(1) as f64;
    let worst = differences.iter().min_by(|a, b| a.0.total_cmp(&b.0));
    match worst {
        Some((db, _)) if *db > -0.05 && mean.abs() < 0.05 => "0".to_owned(),
        Some((db, case)) => format!("{mean:+.1}, {db:+.1} ({})", case.split('_').next().unwrap_or(case)),
        None => "0".to_owned(),
    }
}

/// A tuned constant of the engine.
#[derive(Clone, Debug, PartialEq)]
struct Constant {
    /// Path below the engine's `src`.
    file: String,
    name: String,
    /// Type and value as they are written.
    kind: String,
    value: String,
}

/// The files below a folder: path from there, and text.
fn rust_files(top: &Path) -> Result<Vec<(String, String)>> {
    let mut files = Vec::new();
    let mut folders = vec![top.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).with_context(|| folder.display().to_string())? {
            let path = entry?.path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|ending| ending == "rs") {
                let text = fs::read_to_string(&path)?;
                files.push((path.strip_prefix(top)?.to_string_lossy().into_owned(), text));
            }
        }
    }
    files.sort();
    Ok(files)
}

/// The tuned constants: plain numbers, and pairs of them, whose docs say how they were found.
fn constants(engine: &Path) -> Result<Vec<Constant>> {
    Ok(rust_files(engine)?.iter().flat_map(|(file, text)| in_file(file, text)).collect())
}

/// Those of one file, before its tests.
fn in_file(file: &str, text: &str) -> Vec<Constant> {
    let mut constants = Vec::new();
    let (mut doc, mut is_used) = (String::new(), false);
    for line in text.lines().take_while(|line| !line.starts_with("#[cfg(test)]")) {
        if let Some(words) = line.trim_start().strip_prefix("///") {
            // One doc may stand above several constants.
            if std::mem::take(&mut is_used) {
                doc.clear();
            }
            doc += words;
            continue;
        }
        let declared = line.trim_start_matches("pub ").strip_prefix("const ").and_then(|rest| {
            let (name, rest) = rest.split_once(": ")?;
            let (kind, value) = rest.split_once(" = ")?;
            let value = value.strip_suffix(';')?;
            let is_number = |kind: &str| ["f32", "f64", "usize", "u32"].contains(&kind);
            let kinds = kind.trim_matches(['(', ')']).split(", ");
            let numbers = value.trim_matches(['(', ')']).split(", ");
            (kinds.clone().all(is_number)
                && numbers.clone().all(|n| n.replace('_', "").parse::<f64>().is_ok()))
            .then(|| (name.to_owned(), kind.to_owned(), value.to_owned()))
        });
        if let Some((name, kind, value)) = declared
            && RECIPES.iter().any(|recipe| doc.contains(recipe))
        {
            constants.push(Constant { file: file.to_owned(), name, kind, value });
        }
        is_used = true;
        if !line.starts_with("const ") && !line.starts_with("pub const ") {
            doc.clear();
        }
    }
    constants
}

/// A number as it is written, times a factor: whole if it was.
fn scaled(number: &str, factor: f64) -> String {
    let value = number.replace('_', "").parse::<f64>().unwrap_or(0.0) * factor;
    if number.contains(['.', 'e']) { format!("{value:?}") } else { format!("{}", value.round()) }
}

/// A copy of the workspace's files, and where it is built.
struct Copy {
    tree: PathBuf,
    target: PathBuf,
}

impl Copy {
    fn new() -> Result<Self> {
        let home = target_folder()?.join("sensitivity");
        let (tree, target) = (home.join("tree"), home.join("target"));
        if tree.exists() {
            fs::remove_dir_all(&tree)?;
        }
        let listed = Command::new("git").args(["ls-files", "-z"]).current_dir(workspace_root()).output()?;
        ensure!(listed.status.success(), "git cannot list the files of the workspace");
        for file in String::from_utf8(listed.stdout)?.split_terminator('\0') {
            let to = tree.join(file);
            fs::create_dir_all(to.parent().context("a file without a folder")?)?;
            fs::copy(workspace_root().join(file), to).with_context(|| file.to_owned())?;
        }
        Ok(Self { tree, target })
    }

    fn engine(&self) -> PathBuf {
        self.tree.join("plugin/engine/src")
    }

    /// Does something while a constant has another value.
    fn with<T>(&self, constant: &Constant, factor: f64, act: impl FnOnce() -> Result<T>) -> Result<T> {
        let path = self.engine().join(&constant.file);
        let text = fs::read_to_string(&path)?;
        let is_pair = constant.value.starts_with('(');
        let numbers = constant.value.trim_matches(['(', ')']).split(", ");
        let changed = numbers.map(|number| scaled(number, factor)).collect::<Vec<_>>().join(", ");
        let changed = if is_pair { format!("({changed})") } else { changed };
        let (from, to) = (format!(" = {};", constant.value), format!(" = {changed};"));
        let line = |line: &str| {
            let is_it = line.contains(&format!("const {}: ", constant.name));
            (if is_it { line.replace(&from, &to) } else { line.to_owned() }) + "\n"
        };
        let edited: String = text.lines().map(line).collect();
        if edited == text {
            bail!("{}: {} cannot be changed", constant.file, constant.name);
        }
        fs::write(&path, edited)?;
        let result = act();
        fs::write(&path, text)?;
        result
    }

    /// Whether it compiles.
    fn build(&self) -> Result<bool> {
        let status = Command::new("cargo")
            .args(["build", "--quiet", "--release", "--package", "xtask"])
            .current_dir(&self.tree)
            .env("CARGO_TARGET_DIR", &self.target)
            // Sooner built than scored.
            .env("CARGO_INCREMENTAL", "1")
            .status()
            .context("cargo cannot be started")?;
        Ok(status.success())
    }

    /// Scores the second play, one constant times a factor; `None` if that fails.
    fn score(&self, cases: &Path, scaled: Option<(&Constant, f64)>) -> Result<Option<Scores>> {
        let figures = self.target.with_file_name("figures.json");
        let mut command = Command::new(self.target.join("release/xtask"));
        command.arg("score").arg(cases).args(["--force", "--json"]).arg(&figures);
        if let Some((constant, factor)) = scaled {
            command.env(adjustable::VARIABLE, format!("{}={factor}", adjustable::key(constant)));
        }
        let status = command.current_dir(&self.tree).stdout(Stdio::null()).stderr(Stdio::null()).status()?;
        if !status.success() {
            return Ok(None);
        }
        let figures: Value = serde_json::from_str(&fs::read_to_string(&figures)?)?;
        let score = |case: &Value| {
            let sdr_db = case["si_sdr_db"].as_f64().or_else(|| case["tolerant_sdr_db"].as_f64())?;
            Some((case["case"].as_str()?.to_owned(), sdr_db))
        };
        Ok(figures.as_array().map(|cases| cases.iter().filter_map(score).collect()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tuned_constants_are_those_that_say_how_they_were_found() {
        let text = "\
/// Time, seconds. Chosen by hand; not measured.
const A_S: f64 = 0.5;
const NEXT: (f32, f32) = (1e-6, 2.0);
/// Follows from A_S.
const B: f64 = 2.0;
/// Steps. Found on 28 recordings.
pub const STEPS: usize = 12;
/// A list. Chosen by hand.
const LIST: [f64; 2] = [1.0, 2.0];
#[cfg(test)]
/// Chosen by hand.
const C: f64 = 1.0;
";
        let found = in_file("a.rs", text);
        let names: Vec<_> = found.iter().map(|c| (c.name.as_str(), c.value.as_str())).collect();
        assert_eq!(names, [("A_S", "0.5"), ("NEXT", "(1e-6, 2.0)"), ("STEPS", "12")]);
        assert_eq!(["0.5", "1e-6", "12", "1_000"].map(|n| scaled(n, 2.0)), ["1.0", "2e-6", "24", "2000"]);
    }

    #[test]
    fn what_a_change_costs_is_its_mean_and_its_worst_case() {
        let scores = |a: f64, b: f64| Scores::from([("01_one".to_owned(), a), ("02_two".to_owned(), b)]);
        assert_eq!(cost(&scores(140.0, 30.0), &scores(120.0, 30.01)), "0");
        assert_eq!(cost(&scores(40.0, 30.0), &scores(41.0, 27.0)), "-1.0, -3.0 (02)");
    }
}
