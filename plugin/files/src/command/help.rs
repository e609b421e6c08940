//! What the commands say of themselves.

/// How `render` is called.
pub fn usage(program: &str) -> String {
    format!(
        "{program} [OPTIONS] MIX BACKING\n       {program} [OPTIONS] MIX PART PART ...\n       {program} [OPTIONS] FOLDER\n       {program} [OPTIONS] --list FILE"
    )
}

/// A few ways to call `render`, for a look.
pub fn examples(program: &str) -> String {
    format!(
        "\
Examples:
  {program} \"Nine Lamps mix.wav\" \"Nine Lamps backing.wav\"
      writes \"Nine Lamps difference.wav\" beside the mix
  {program} mix.flac backing.mp3 -o vocal.flac --bits 16
  {program} mix.wav backing.wav --trim -0.5dB --low-cut-slope off
  {program} mix.wav backing.wav --from 1:30 --to 2:00 -o chorus.wav
  {program} mix.wav drums.wav bass.wav keys.wav --also parts
  {program} songs -o differences --resume"
    )
}

/// All that there is to know about `render`.
pub fn details(program: &str) -> String {
    format!(
        "\
{}

Files:
  Read are WAV (also RF64), AIFF, FLAC, MP3, M4A (AAC-LC, ALAC), Ogg Vorbis and
  Opus, mono or stereo. The backing is brought to the sample rate of the mix.
  Written are WAV (RF64 beyond 4 GiB) and FLAC, as the name ends in .wav or
  .flac. Files appear whole or not at all, nothing is replaced without --force,
  and folders that are missing are made.

Parts:
  Files after the mix, two or more, or a folder of them, are the parts that
  make up the backing: drums, bass, keys. The level of each in the mix, its
  delay and its tone are found, where that wins over their plain sum; a part
  that is not in the mix is told, and left out. In a folder every audio file is
  a part, but for the mix itself and what was written for it (\"NAME
  difference\").
  --also parts writes a folder \"NAME difference parts\" with each as it was
  taken away, and \"NAME difference backing\", which is all of them together.
  --one-pass takes the plain sum, as a host makes it on the sidechain. A match
  that was kept is for the same parts, by the names of their files.

Many songs:
  In a folder, a song is two files called \"NAME mix\" and \"NAME backing\", with
  a space, -, _ or . between, or a folder NAME with a \"mix\" and a \"backing\".
  For mix may stand full mix, full, master, original, song or main; for backing
  instrumental, instr, inst, playback, minus one, no vocals or off vocal; in
  upper or lower case, in brackets or not. For a backing may stand a folder
  with its parts, \"NAME parts\", or \"parts\" in the folder NAME.
  A list has a line for each song: mix, tab, backing and, if wanted, tab and
  name; lines beginning with # do not count. For a backing may stand a folder
  with its parts; or further parts follow behind the name, each after a tab.
  Either way \"NAME difference.wav\" is written, and a song that fails does not
  stop the others.

Exit codes:
  0    all is done
  1    it failed; the last line says why
  2    the command line is wrong
  3    the backing was not found in the mix, or one of them is silent;
       nothing was written
  4    of many songs, some or all failed; the last line counts them
  130  stopped, by Ctrl-C, SIGTERM or SIGHUP; nothing is left of what was
       not finished",
        examples(program)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Lines that are laid out by hand fit on the narrowest terminal in use.
    #[test]
    fn no_line_is_wider_than_a_terminal() {
        for text in [usage("cargo xtask render"), details("cargo xtask render")] {
            text.lines().for_each(|line| assert!(line.chars().count() < 80, "{line}"));
        }
    }
}
