//! What users are told: the project's README, less what is for those who build it.

use anyhow::{Context, Result, ensure};

/// What only builders need begins and ends at these lines, which are not shown.
const BUILDERS: [&str; 2] = ["<!-- builders -->\n", "<!-- users -->\n"];

/// The README of a package, of the project's, for a system.
pub fn readme(project: &str, version: &str, system: &str) -> Result<String> {
    let [begin, end] = BUILDERS;
    let parts = project.strip_prefix("# Minuend\n").and_then(|text| {
        let (about, rest) = text.split_once(begin)?;
        Some((about, rest.split_once(end)?.1))
    });
    let (about, rest) =
        parts.with_context(|| format!("README.md does not begin with '# Minuend', {begin:?} and {end:?}"))?;
    let mut text = format!("# Minuend {version}\n{about}For {system}.\n\n");
    // Pictures are not packed.
    for line in rest.lines().filter(|line| !line.starts_with("![")) {
        text += line;
        text.push('\n');
    }
    let text = text.replace("\n\n\n", "\n\n").replace("(plugin/files/batch/", "(batch/");
    ensure!(!text.contains("cargo"), "a part of README.md that users get has 'cargo' in it");
    Ok(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// As the project's README stands.
    #[test]
    fn users_are_told_of_routing_and_of_the_cautions() {
        let project = std::fs::read_to_string(crate::bundle::workspace_root().join("README.md")).unwrap();
        let readme = readme(&project, "1.2.3", "a system").unwrap();
        assert!(readme.starts_with("# Minuend 1.2.3\n\nMix minus backing. "), "{readme}");
        let titles: Vec<_> = readme.lines().filter_map(|line| line.strip_prefix("## ")).collect();
        assert_eq!(titles[..2], ["Install", "Your first vocal in five minutes"]);
        for words in [
            "\n\nFor a system.\n\n",
            "takes away what you hand it",
            "sidechain input",
            "Your hearing",
            "Other people's rights",
        ] {
            assert!(readme.contains(words), "{words}");
        }
        for absent in ["target/", "![", "<!--", "\n\n\n"] {
            assert!(!readme.contains(absent), "{absent}");
        }
    }

    #[test]
    fn what_is_not_for_users_is_refused() {
        let [begin, end] = BUILDERS;
        let error = readme("# Minuend\n\nWords\n", "1", "a system").unwrap_err();
        assert!(error.to_string().starts_with("README.md does not begin with"), "{error}");
        let project =
            format!("# Minuend\n\nWords\n\n{begin}\n```\ncargo xtask demo\n```\n\n{end}Call cargo\n");
        let error = readme(&project, "1", "a system").unwrap_err();
        assert_eq!(error.to_string(), "a part of README.md that users get has 'cargo' in it");
    }
}
