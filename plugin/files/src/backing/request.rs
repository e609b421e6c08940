//! What is asked for.

use std::{
    ops::Range,
    path::{Path, PathBuf},
};

use crate::write::{Bits, Container};

/// What to make of which song.
#[derive(Clone, Debug)]
pub struct MakeBacking {
    /// The song.
    pub song: PathBuf,
    /// The backing to write; its name tells whether it is WAV or FLAC.
    pub out: PathBuf,
    /// Where the song minus that backing is written too.
    pub vocal: Option<PathBuf>,
    /// Where a page about it is written, HTML.
    pub report: Option<PathBuf>,
    /// Passages without a voice, as far as they are known, s.
    pub free_s: Vec<Range<f64>>,
    /// How much of what is left at the sides is put back into the backing, %.
    pub centre_percent: f32,
    /// The part that is wanted, s; its end may lie beyond the song's.
    pub part_s: Range<f64>,
    /// How files are written; by default as is usual for their kinds.
    pub bits: Option<Bits>,
    /// Replace files that exist.
    pub overwrite: bool,
}

impl MakeBacking {
    /// Of all of a song, to a new file.
    pub fn new(song: impl Into<PathBuf>, out: impl Into<PathBuf>) -> Self {
        Self {
            song: song.into(),
            out: out.into(),
            vocal: None,
            report: None,
            free_s: Vec::new(),
            centre_percent: 0.0,
            part_s: 0.0..f64::INFINITY,
            bits: None,
            overwrite: false,
        }
    }

    /// All files that are written.
    pub fn outputs(&self) -> impl Iterator<Item = &Path> {
        std::iter::once(&self.out)
            .chain([&self.vocal, &self.report].into_iter().flatten())
            .map(PathBuf::as_path)
    }

    /// The audio files among them.
    pub fn audio(&self) -> impl Iterator<Item = &Path> {
        std::iter::once(&self.out).chain(&self.vocal).map(PathBuf::as_path)
    }

    /// How such a file is written.
    pub fn bits_of(&self, file: &Path) -> Bits {
        self.bits.unwrap_or_else(|| Container::of(file).map_or(Bits::default(), Container::default_bits))
    }

    /// Where the backing comes from, as it stands in the file: the song's name, and what was asked for besides.
    pub fn origin(&self) -> String {
        let mut words = Vec::new();
        words.extend(
            self.free_s.iter().map(|free| format!("no voice from {} s to {} s", free.start, free.end)),
        );
        if self.centre_percent > 0.0 {
            words.push(format!("centre {} %", self.centre_percent));
        }
        if self.part_s.start > 0.0 {
            words.push(format!("from {} s", self.part_s.start));
        }
        if self.part_s.end.is_finite() {
            words.push(format!("to {} s", self.part_s.end));
        }
        let words = if words.is_empty() { String::new() } else { format!(" ({})", words.join(", ")) };
        format!("repeats of {}{words}", self.song.file_name().unwrap_or_default().to_string_lossy())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_tells_what_was_asked_for() {
        let plain = MakeBacking::new("a/Lamp.wav", "out.wav");
        assert_eq!(plain.origin(), "repeats of Lamp.wav");
        let asked = MakeBacking { free_s: vec![0.0..12.5], centre_percent: 25.0, part_s: 3.0..9.0, ..plain };
        assert_eq!(
            asked.origin(),
            "repeats of Lamp.wav (no voice from 0 s to 12.5 s, centre 25 %, from 3 s, to 9 s)"
        );
    }
}
