//! `cargo xtask render` is the program's `minuend render`: the same options, errors and codes. What they do is tested beside
//! the program, in `plugin/files/tests`.

use std::{
    fs,
    path::Path,
    process::{Command, Output},
};

fn render(folder: &Path, arguments: &[&str]) -> (Option<i32>, String) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_xtask"));
    let Output { status, stderr, .. } =
        command.current_dir(folder).arg("render").args(arguments).output().unwrap();
    (status.code(), String::from_utf8(stderr).unwrap())
}

#[test]
fn errors_and_codes_are_those_of_the_program() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("songs.txt"), "a mix.wav\ta backing.wav\nb mix.wav\tb backing.wav\n")
        .unwrap();
    for (arguments, code, says) in [
        (&["mix.wav"][..], 2, "Usage: cargo xtask render [OPTIONS] MIX BACKING"),
        (&[], 2, "Usage: cargo xtask render [OPTIONS] MIX BACKING"),
        (&["mix.wav", "backing.wav", "--out", "out.wav"], 1, "error: mix.wav: cannot be opened"),
        (&["--list", "songs.txt", "--out", "."], 4, "error: 0 of 2 done, 2 failed"),
    ] {
        let (found, errors) = render(folder.path(), arguments);
        assert!(found == Some(code) && errors.contains(says), "{arguments:?}: {found:?}, {errors}");
    }
}
