//! Callgrind, a tool of Valgrind: runs this program and counts its instructions by function.

use std::collections::HashMap;
use std::ffi::OsStr;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};

/// Instructions by function with all that it calls, in the hops that were counted.
pub struct Hops(Vec<HashMap<String, u64>>);

/// What this machine lacks for counting.
pub fn check() -> Result<(), &'static str> {
    if !cfg!(all(target_os = "linux", target_arch = "x86_64")) {
        return Err("the counts are of x86-64 under Linux");
    }
    #[cfg(target_arch = "x86_64")]
    if !(is_x86_feature_detected!("avx2") && is_x86_feature_detected!("fma")) {
        return Err("the counts are of code for AVX2, which this processor lacks");
    }
    let version = Command::new("valgrind").arg("--version").stdout(Stdio::null()).status();
    if !version.is_ok_and(|status| status.success()) {
        return Err("there is no Valgrind; on Debian: apt-get install valgrind");
    }
    Ok(())
}

/// Runs this program with arguments and counts within one function of it. What was counted since the last call of another
/// one is a hop.
pub fn count(args: &[&OsStr], within: &str, between: &str, folder: &Path) -> Hops {
    let status = Command::new("valgrind")
        .args(["--quiet", "--tool=callgrind", "--compress-strings=no", "--compress-pos=no"])
        .args(["--collect-atstart=no".to_owned(), format!("--toggle-collect=count::{within}*")])
        .arg(format!("--dump-before=count::{between}*"))
        .arg(format!("--callgrind-out-file={}", folder.join("callgrind").display()))
        .arg(std::env::current_exe().expect("a program has a file"))
        .args(args)
        .status()
        .expect("Valgrind starts");
    assert!(status.success(), "under Valgrind: {status}");
    let files =
        fs::read_dir(folder).expect("the folder was made").map(|entry| entry.expect("it can be read").path());
    let dumps = files
        .filter(|file| file.file_name().is_some_and(|name| name.to_string_lossy().starts_with("callgrind")));
    let hops: Vec<_> = dumps
        .map(|file| calls(&String::from_utf8_lossy(&fs::read(file).expect("Valgrind wrote it"))))
        .collect();
    Hops(hops)
}

/// Instructions of all calls by function, from a dump ("Callgrind Format Specification" in Valgrind's manual): after
/// `cfn=NAME` and `calls=COUNT LINE` follows a line `LINE INSTRUCTIONS` for all that was called there.
fn calls(dump: &str) -> HashMap<String, u64> {
    let mut sums = HashMap::new();
    let mut lines = dump.lines();
    let mut called = "";
    while let Some(line) = lines.next() {
        if let Some(name) = line.strip_prefix("cfn=") {
            called = name;
        } else if line.starts_with("calls=") {
            let cost = lines.next().and_then(|line| line.split(' ').nth(1)?.parse::<u64>().ok());
            *sums.entry(called.to_owned()).or_default() += cost.expect("as specified");
        }
    }
    sums
}

impl Hops {
    /// Instructions of a function, in the hops in which it was called.
    fn of(&self, function: &str) -> impl Iterator<Item = u64> {
        self.0.iter().filter_map(move |hop| {
            let calls: Vec<_> = hop.iter().filter(|(name, _)| name.ends_with(function)).collect();
            (!calls.is_empty()).then(|| calls.iter().map(|(_, cost)| **cost).sum())
        })
    }

    /// Most in one hop; 0 if it was never called.
    pub fn worst(&self, function: &str) -> u64 {
        self.of(function).max().unwrap_or(0)
    }

    /// On average over the hops.
    pub fn mean(&self, function: &str) -> f64 {
        let costs: Vec<_> = self.of(function).collect();
        costs.iter().sum::<u64>() as f64 / costs.len() as f64
    }
}
