//! Manual pages and completions for shells, of the program's own description of its command line.

use anyhow::Result;
use clap::Command;
use clap_complete::{Generator, Shell};
use clap_mangen::Man;

use super::{
    archive::{Archive, Mode},
    installer::MARK,
};

/// Adds both, each with the mark by which the installer knows it.
pub fn add(archive: &mut Archive, mut program: Command) -> Result<()> {
    program.build();
    // What `help` says is in the pages.
    program = program.mut_subcommand("help", |help| help.hide(true));
    for command in [&program].into_iter().chain(program.get_subcommands()) {
        if command.is_hide_set() {
            continue;
        }
        let page = Man::new(command.clone());
        let mut text = Vec::new();
        page.render(&mut text)?;
        text.extend(format!("\n.\\\" {MARK}\n").bytes());
        archive.add(&format!("man/{}", page.get_filename()), Mode::Text, text);
    }
    let name = program.get_name().to_owned();
    for shell in [Shell::Bash, Shell::Fish, Shell::Zsh] {
        let mut text = Vec::new();
        clap_complete::generate(shell, &mut program, &name, &mut text);
        text.extend(format!("\n# {MARK}\n").bytes());
        archive.add(&format!("completions/{}", shell.file_name(&name)), Mode::Text, text);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// All that the installer puts in place is there, tells of the options, and is known as ours.
    #[test]
    fn every_shell_and_command_is_served() {
        let mut archive = Archive::default();
        add(&mut archive, minuend_files::command::description()).unwrap();
        let files: Vec<_> = archive.files().collect();
        let paths: Vec<_> = files.iter().map(|&(path, _)| path).collect();
        assert_eq!(
            paths,
            [
                "completions/_minuend",
                "completions/minuend.bash",
                "completions/minuend.fish",
                "man/minuend-backing.1",
                "man/minuend-pair.1",
                "man/minuend-render.1",
                "man/minuend.1",
            ]
        );
        for (path, bytes) in files {
            let text = std::str::from_utf8(bytes).unwrap();
            assert!(crate::package::installer::SCRIPT.contains(path), "{path} is not installed");
            assert!(text.contains(MARK), "{path}");
            let tells = match path {
                "man/minuend-backing.1" => "centre",
                "man/minuend-pair.1" => "folder",
                _ => "clean",
            };
            assert!(path == "man/minuend.1" || text.contains(tells), "{path}: {text}");
            assert!(
                !path.starts_with("man/") || !text.contains("help(1)"),
                "{path} names a page that is not there"
            );
        }
    }
}
