//! What `backing` says of itself.

/// A few ways to call `backing`, for a look.
pub fn backing_examples(program: &str) -> String {
    format!(
        "\
Examples:
  {program} \"Nine Lamps.wav\" --out backing.wav
  {program} song.wav --vocal vocal.wav --report page.html
  {program} song.wav -o try.wav --from 1:00 --to 1:15
  {program} song.wav --free 0:00-0:12 --free 2:10-2:26"
    )
}

/// All that there is to know about `backing`.
pub fn backing_details(program: &str) -> String {
    format!(
        "\
{}

What it does:
  Much music is programmed: a bar comes again sample for sample. Where the
  voice rests there, or sings something else, that bar is the backing. It looks
  where every two seconds of the song come again, to a fraction of a sample,
  and takes what the repeats have in common. Where a passage occurs only once,
  nothing is found: there the backing is silent, and the song passes whole.
  What is pasted counts as backing: a voice that was sung once and pasted into
  every chorus is in the backing, unless --free names the same bars without it.

What to expect:
  good             Programmed music: what is left is the voice, about 20 dB
                   clearer than the backing that is left with it.
  fair             It repeats in part. You are warned: instruments stay behind.
  does not repeat  Played music, or synthesizers that never start alike: it is
                   refused, since most of the music would stay with the voice.
  The grade is a number, told before the work: half of the song has a repeat at
  least so much like it; good from 0.6 of 1 on, refused below 0.3. For music
  that does not repeat take the instrumental of the same release, and render.

What you know of the song:
  --free 0:00-0:12 names a passage without a voice. It is its own backing, and
  where other passages surely are the same music, it decides what theirs is.
  Name only what holds no voice at all, not even a breath or an echo.
  --centre takes what is not in the middle as no voice. Use it for instruments
  at the sides that are left over. What it does, measured on a song whose voice
  comes out at 23 dB without it:
      PERCENT   voice in the middle   doubled voice, left and right
          25         22 dB                   17 dB
          50         20 dB                   11 dB: thin
         100         16 dB: its room goes     2 dB: most of it is gone

Files:
  Read are WAV (also RF64), AIFF, FLAC, MP3, M4A (AAC-LC, ALAC), Ogg Vorbis and
  Opus, mono or stereo, of up to 20 minutes at 48 kHz. Written are WAV and
  FLAC, as the name ends. Files appear whole or not at all, nothing is replaced
  without --force, and folders that are missing are made.
  The backing is as long as the song, or the part, and starts with it. The file
  of --vocal is the song minus the backing and nothing else.

Exit codes:
  0    all is done
  1    it failed; the last line says why
  2    the command line is wrong
  3    the song does not repeat, or is silent, or too short for that; nothing
       was written
  130  stopped, by Ctrl-C, SIGTERM or SIGHUP; nothing was written",
        backing_examples(program)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Lines that are laid out by hand fit on the narrowest terminal in use.
    #[test]
    fn no_line_is_wider_than_a_terminal() {
        backing_details("cargo xtask backing")
            .lines()
            .for_each(|line| assert!(line.chars().count() < 80, "{line}"));
    }
}
