//! What users are told: the project's README, less what is for those who build it.

use anyhow::{Context, Result, ensure};

/// Sections of the project's README that hold for users as they stand.
const KEPT: [&str; 4] = ["Use it in a host", "Controls", "Take care", "Limits"];

/// How to install on this system.
const INSTALL: &str = if cfg!(target_os = "linux") {
    "\
`./install.sh` copies the plug-in to `~/.clap` and `~/.vst3`, the program `minuend` to `~/.local/bin`, and its manual and
completions for bash, fish and zsh to `~/.local/share`. It asks nothing and replaces only an earlier Minuend.
`./install.sh --uninstall` removes all of it. For zsh, add `~/.local/share/zsh/site-functions` to `fpath` before `compinit`."
} else if cfg!(target_os = "macos") {
    "\
Untested on this system: it was never run there. Copy `minuend.clap` to `~/Library/Audio/Plug-Ins/CLAP`, `minuend.vst3` to
`~/Library/Audio/Plug-Ins/VST3`, and the program `minuend` to a folder of your PATH."
} else {
    "\
Never run on Windows itself, only under wine. Copy `minuend.clap` to `%LOCALAPPDATA%\\Programs\\Common\\CLAP`,
`minuend.vst3` to `%LOCALAPPDATA%\\Programs\\Common\\VST3`, and the program `minuend` to a folder of your PATH."
};

const FIRST_VOCAL: &str = "\
From files: `minuend render \"Song mix.wav\" \"Song backing.wav\"` writes `Song difference.wav` beside the mix. Any of
WAV, AIFF, FLAC, MP3, M4A, Ogg Vorbis and Opus will do; `minuend render --help` tells all that there is. Of many files under
any names, `minuend pair FOLDER` finds out which belong together.

In a host: restart it or let it look for new plug-ins, find Minuend among the effects, and follow the steps below. Before
the first play, turn your monitors down.";

const LICENCE: &str = "\
ISC, see LICENSE. What others wrote of it is under licences of its own: LICENSES.txt has those of the packages, and says
where their source is; LICENSES-rust.html has those of Rust's own library.";

/// The README of a package, of the project's, for a system.
pub fn readme(project: &str, version: &str, system: &str) -> Result<String> {
    // What stands before the first commands.
    let about =
        project.split_once("```").and_then(|(start, _)| start.split_once('\n')).map(|(_, about)| about);
    let about = about.context("README.md does not begin with a title, words and commands")?;
    let [host, controls, care, limits] = KEPT.map(|title| section(project, title));
    let text = format!(
        "# Minuend {version}\n\n{}\n\nFor {system}.\n\n## Install\n\n{INSTALL}\n\n## Your first vocal in five minutes\n\n\
         {FIRST_VOCAL}\n\n{}\n\n{}\n\n{}\n\n{}\n\n## Licence\n\n{LICENCE}\n",
        about.trim(),
        host?,
        controls?,
        care?,
        limits?,
    );
    let text = text.replace("cargo xtask render", "minuend render");
    for absent in ["cargo xtask", "]("] {
        ensure!(!text.contains(absent), "a section of README.md that users get has '{absent}' in it");
    }
    Ok(text)
}

/// A section with its title.
fn section<'a>(text: &'a str, title: &str) -> Result<&'a str> {
    let heading = format!("\n## {title}\n");
    let start = text.find(&heading).with_context(|| format!("README.md has no section '{title}'"))? + 1;
    let length = text[start..].find("\n## ").unwrap_or(text.len() - start);
    Ok(text[start..start + length].trim())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// As the project's README stands.
    #[test]
    fn users_are_told_of_routing_and_of_the_cautions() {
        let project = std::fs::read_to_string(crate::bundle::workspace_root().join("README.md")).unwrap();
        let readme = readme(&project, "1.2.3", "a system").unwrap();
        let titles: Vec<_> = readme.lines().filter_map(|line| line.strip_prefix("## ")).collect();
        let [host, controls, care, limits] = KEPT;
        let expected =
            ["Install", "Your first vocal in five minutes", host, controls, care, limits, "Licence"];
        assert_eq!(titles, expected);
        for words in
            ["takes away what you hand it", "sidechain input", "Your hearing", "Other people's rights"]
        {
            assert!(readme.contains(words), "{words}");
        }
        assert!(readme.contains("`minuend render`") && !readme.contains("target/"));
    }

    #[test]
    fn a_section_that_is_gone_is_named() {
        let error = readme("# Title\n\nWords\n\n```\n## Controls\n", "1", "a system").unwrap_err();
        assert_eq!(error.to_string(), "README.md has no section 'Use it in a host'");
    }
}
