//! What `pair` says of itself.

/// A few ways to call `pair`, for a look.
pub fn pair_examples(program: &str) -> String {
    let caller = program.trim_end_matches(" pair");
    format!(
        "\
Examples:
  {program} songs
      writes songs/songs.txt; read it, then have it rendered:
      {caller} render --list songs/songs.txt -o differences
  {program} songs -o list.txt --force"
    )
}

/// All that there is to know about `pair`.
pub fn pair_details(program: &str) -> String {
    format!(
        "\
{}

What it does:
  It hears which file in a folder is the backing of which mix, whatever the
  files are called, and writes a list for render --list. First it compares a
  fingerprint of each file with that of every other one, at every delay; then
  it looks whether one of two that are alike holds all of the other, in every
  band, and is louder where something else is heard: that one is the mix.
  Songs that share a drum loop, a tempo or a key are not taken for one.

What it cannot tell stands in the list as a comment, \"# not sure\", and is left
to you: two files that are the same, two mixes of one song, a mix that several
files may be the backing of, and a voice that is always as loud as the music.

Limits:
  The first 8 min 44 s of a file are compared. Recordings that run at another
  speed by more than clocks do are not found. A voice alone is no backing, and
  so not told as one. Files are read as render reads them.

Exit codes:
  0    the list is written
  1    it failed; the last line says why
  2    the command line is wrong
  3    no file is the backing of another one; nothing was written
  4    the list is written, and some files could not be read
  130  stopped, by Ctrl-C, SIGTERM or SIGHUP; nothing was written",
        pair_examples(program)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Lines that are laid out by hand fit on the narrowest terminal in use.
    #[test]
    fn no_line_is_wider_than_a_terminal() {
        let text = pair_details("cargo xtask pair");
        text.lines().for_each(|line| assert!(line.chars().count() < 80, "{line}"));
    }
}
