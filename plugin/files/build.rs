//! Tells the program which build it is. No date and no path: what is built of the same source in the same way is the same.

use std::{env, process::Command};

fn main() {
    let of_cargo = |name: &str| env::var(name).unwrap_or_default();
    let rustc = Command::new(of_cargo("RUSTC")).arg("--version").output();
    let rustc = rustc.map(|output| String::from_utf8_lossy(&output.stdout).trim().to_owned());
    println!("cargo::rustc-env=MINUEND_TARGET={}", of_cargo("TARGET"));
    println!("cargo::rustc-env=MINUEND_PROFILE={}", of_cargo("PROFILE"));
    println!("cargo::rustc-env=MINUEND_RUSTC={}", rustc.as_deref().unwrap_or("an unknown rustc"));
    println!("cargo::rerun-if-changed=build.rs");
}
