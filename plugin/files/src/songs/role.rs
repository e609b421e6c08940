//! What a file's name says that it is.

use Role::{Backing, Mix, Parts};

/// What a file is of a song.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// The full mix.
    Mix,
    /// The same without the part that is wanted.
    Backing,
    /// The parts that make up a backing: a folder.
    Parts,
}

/// What may stand between a song's name and the words that tell its files apart, and between these.
const BETWEEN: [char; 4] = [' ', '-', '_', '.'];

/// The words that people end the names of such files with (common practice, no source). Those of more words come first:
/// an instrumental mix is no mix.
const WORDS: [(&[&str], Role); 23] = [
    (&["instrumental", "version"], Backing),
    (&["instrumental", "mix"], Backing),
    (&["backing", "track"], Backing),
    (&["minus", "one"], Backing),
    (&["no", "vocals"], Backing),
    (&["no", "vocal"], Backing),
    (&["off", "vocals"], Backing),
    (&["off", "vocal"], Backing),
    (&["full", "mix"], Mix),
    (&["instrumental"], Backing),
    (&["backing"], Backing),
    (&["karaoke"], Backing),
    (&["playback"], Backing),
    (&["instr"], Backing),
    (&["inst"], Backing),
    (&["original"], Mix),
    (&["master"], Mix),
    (&["full"], Mix),
    (&["main"], Mix),
    (&["song"], Mix),
    (&["mix"], Mix),
    (&["parts"], Parts),
    (&["stems"], Parts),
];

/// What a file is by the end of its name, and how the song is called by the rest; in upper or lower case, in brackets or not.
pub fn role_of(stem: &str) -> Option<(Role, &str)> {
    WORDS.iter().find_map(|&(words, role)| Some((role, without(stem, words)?)))
}

/// A name without the words at its end and what stands before them; `None` if it does not end so.
fn without<'a>(name: &'a str, words: &[&str]) -> Option<&'a str> {
    let mut rest = name.strip_suffix([')', ']']).unwrap_or(name);
    for (idx, word) in words.iter().rev().enumerate() {
        if idx > 0 {
            rest = rest.trim_end_matches(BETWEEN);
        }
        let (before, end) = rest.split_at_checked(rest.len().checked_sub(word.len())?)?;
        if !end.eq_ignore_ascii_case(word) {
            return None;
        }
        rest = before;
    }
    let name = rest.trim_end_matches(['(', '[']).trim_end_matches(BETWEEN);
    (rest.is_empty() || name.len() < rest.len()).then_some(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_end_in_what_the_file_is() {
        for (stem, expected) in [
            ("Nine Lamps mix", Some((Mix, "Nine Lamps"))),
            ("Nine Lamps Full-Mix", Some((Mix, "Nine Lamps"))),
            ("nine_lamps_MASTER", Some((Mix, "nine_lamps"))),
            ("Nine Lamps - original", Some((Mix, "Nine Lamps"))),
            ("main", Some((Mix, ""))),
            ("Quay.song", Some((Mix, "Quay"))),
            ("Nine Lamps (Instrumental)", Some((Backing, "Nine Lamps"))),
            ("Nine Lamps [off vocal]", Some((Backing, "Nine Lamps"))),
            ("Nine Lamps instrumental mix", Some((Backing, "Nine Lamps"))),
            ("nine lamps_no_vocals", Some((Backing, "nine lamps"))),
            ("Nine Lamps MinusOne", Some((Backing, "Nine Lamps"))),
            ("Nine Lamps - minus one", Some((Backing, "Nine Lamps"))),
            ("Nine Lamps.Karaoke", Some((Backing, "Nine Lamps"))),
            ("Nine Lamps inst", Some((Backing, "Nine Lamps"))),
            ("Nine Lamps backing track", Some((Backing, "Nine Lamps"))),
            ("playback", Some((Backing, ""))),
            ("Nine Lamps Stems", Some((Parts, "Nine Lamps"))),
            ("parts", Some((Parts, ""))),
            ("Gr\u{f6}\u{df}e mix", Some((Mix, "Gr\u{f6}\u{df}e"))),
            ("remix", None),
            ("mix notes", None),
            ("Nine Lamps", None),
            ("Nine Lamps difference", None),
            ("", None),
        ] {
            assert_eq!(role_of(stem), expected, "{stem}");
        }
    }
}
