//! What a song may be called, since its files are called so.

/// Refuses names that lead out of the folder of the files, or to something other than a file, on any system: a list is carried
/// from one to another. In words that follow the name.
///
/// Windows takes `:` for the end of a drive, or of a file's name before that of a stream, and some names for devices, also with an
/// ending ("Naming Files, Paths, and Namespaces" of its documentation; from memory).
pub fn check_name(name: &str) -> Result<(), &'static str> {
    if name.chars().all(|c| matches!(c, '.' | ' ')) {
        Err("is no name of a file")
    } else if name.contains(['/', '\\', ':']) || name.contains(char::is_control) {
        Err("cannot be that of a file everywhere; leave out /, \\, : and control characters")
    } else if is_device(name) {
        Err("is that of a device under Windows; choose another one")
    } else {
        Ok(())
    }
}

fn is_device(name: &str) -> bool {
    let base = name.split('.').next().unwrap_or_default().trim_end().to_uppercase();
    let is_port = |port: &str| {
        let number = base.strip_prefix(port).map(|number| number.chars().collect::<Vec<_>>());
        matches!(number.as_deref(), Some(['0'..='9' | '\u{b9}' | '\u{b2}' | '\u{b3}']))
    };
    ["CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"].contains(&base.as_str())
        || is_port("COM")
        || is_port("LPT")
}

/// What is the same of two names that some system takes for one: without regard to upper and lower case, and to dots and spaces at
/// the end.
pub fn key_of(name: &str) -> String {
    name.trim_end_matches(['.', ' ']).to_lowercase()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_that_are_no_plain_files_are_refused() {
        for name in
            ["Nine Lamps", "a.b", "CONTROL", "COM", "COM12", "LPT\u{b9}x", "auxiliary", "no. 2", ".hidden"]
        {
            assert_eq!(check_name(name), Ok(()), "{name}");
        }
        for (name, says) in [
            ("", "no name"),
            ("..", "no name"),
            (" . ", "no name"),
            ("../x", "leave out"),
            ("a\\b", "leave out"),
            ("C:x", "leave out"),
            ("song.wav:stream", "leave out"),
            ("a\0b", "leave out"),
            ("CON", "device"),
            ("nul", "device"),
            ("Aux.take 2", "device"),
            ("com1", "device"),
            ("LPT\u{b3}.x", "device"),
            ("PRN .x", "device"),
        ] {
            assert!(check_name(name).is_err_and(|error| error.contains(says)), "{name:?}");
        }
    }

    #[test]
    fn names_that_some_system_takes_for_one() {
        for (a, b) in [("Lamp", "LAMP"), ("Lamp", "Lamp. ."), ("\u{c9}t\u{e9}", "\u{e9}t\u{c9}")] {
            assert_eq!(key_of(a), key_of(b));
        }
        assert_ne!(key_of("Lamp"), key_of("Lamp 2"));
    }
}
