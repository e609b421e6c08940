//! Callgrind, a tool of Valgrind: runs this program and counts its instructions by function.

use std::collections::HashMap;
use std::ffi::OsStr;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};

/// Instructions by function with all that it calls, in the blocks that were counted, in their order.
pub struct Blocks(Vec<HashMap<String, u64>>);

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
/// one is a block; after the last block that is called once more.
pub fn count(args: &[&OsStr], within: &str, between: &str, folder: &Path) -> Blocks {
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
    // The first dump is of what was before the first block.
    let dumps = (2..).map_while(|dump| fs::read(folder.join(format!("callgrind.{dump}"))).ok());
    Blocks(dumps.map(|dump| calls(&String::from_utf8_lossy(&dump))).collect())
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

impl Blocks {
    /// Instructions of some functions, in each stretch of so many blocks.
    fn of(&self, functions: &[&str], len: usize) -> impl Iterator<Item = u64> {
        let is_wanted = |name: &str| functions.iter().any(|function| name.ends_with(function));
        self.0.chunks(len).map(move |stretch| {
            let calls = stretch.iter().flatten().filter(|(name, _)| is_wanted(name));
            calls.map(|(_, cost)| cost).sum()
        })
    }

    /// Most in a stretch of so many blocks; 0 if they were never called.
    pub fn worst(&self, functions: &[&str], len: usize) -> u64 {
        self.of(functions, len).max().unwrap_or(0)
    }

    /// On average over stretches of so many blocks.
    pub fn mean(&self, functions: &[&str], len: usize) -> f64 {
        self.of(functions, len).sum::<u64>() as f64 / self.of(functions, len).count() as f64
    }
}
