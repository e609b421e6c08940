//! What is asked for.

use std::{
    ops::Range,
    path::{Path, PathBuf},
};

use minuend_engine::Settings;

use crate::{
    passes::Learned,
    write::{Bits, Container},
};

/// What to render.
#[derive(Clone, Debug)]
pub struct Render {
    /// The full mix.
    pub mix: PathBuf,
    /// The same song without the part that is wanted: one file, or the parts that make it up.
    pub backing: Vec<PathBuf>,
    /// The file to write; its name tells whether it is WAV or FLAC.
    pub out: PathBuf,
    /// One setting of every control, for the whole song.
    pub settings: Settings,
    /// How the file is written.
    pub bits: Bits,
    /// Replace files that exist.
    pub overwrite: bool,
    /// How the engine goes over the files.
    pub passes: Passes,
    /// The part of the mix that is rendered, s; its end may lie beyond the mix's.
    pub part_s: Range<f64>,
    /// Where the matched backing is written too.
    pub matched_backing: Option<PathBuf>,
    /// Where each part is written as it was taken away, in the order of the parts; none if that is not wanted.
    pub part_files: Vec<PathBuf>,
    /// Where a page about it is written, HTML.
    pub report: Option<PathBuf>,
    /// Where what was learned is written, for [`Passes::Held`].
    pub save_match: Option<PathBuf>,
}

/// How the engine goes over the files.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Passes {
    /// Once to learn over the whole song, once to subtract.
    #[default]
    Two,
    /// Once, knowing nothing: what the plug-in plays.
    One,
    /// Once, with what was learned before, learning no further.
    Held(Box<Learned>),
}

impl Render {
    /// All of a song at the controls' defaults, to a new file, with as many bits as its
    /// kind has unless told otherwise.
    pub fn new(mix: impl Into<PathBuf>, backing: impl Into<PathBuf>, out: impl Into<PathBuf>) -> Self {
        let out = out.into();
        Self {
            mix: mix.into(),
            backing: vec![backing.into()],
            settings: Settings::default(),
            bits: Container::of(&out).map_or(Bits::default(), Container::default_bits),
            out,
            overwrite: false,
            passes: Passes::default(),
            part_s: 0.0..f64::INFINITY,
            matched_backing: None,
            part_files: Vec::new(),
            report: None,
            save_match: None,
        }
    }

    /// How often the engine goes over the files, each time with an equal share of the progress; and once for the parts.
    pub fn num_passes(&self) -> usize {
        let more = [self.passes == Passes::Two, self.writes_backing(), self.is_of_parts()];
        1 + more.into_iter().map(usize::from).sum::<usize>()
    }

    /// Whether the backing comes in parts.
    pub fn is_of_parts(&self) -> bool {
        self.backing.len() > 1
    }

    /// Whether the backing is wanted as it is subtracted, whole or in parts.
    pub fn writes_backing(&self) -> bool {
        self.matched_backing.is_some() || !self.part_files.is_empty()
    }

    /// All files that are read.
    pub fn inputs(&self) -> impl Iterator<Item = &Path> {
        std::iter::once(&self.mix).chain(&self.backing).map(PathBuf::as_path)
    }

    /// All files that are written.
    pub fn outputs(&self) -> impl Iterator<Item = &Path> {
        let more = [&self.matched_backing, &self.report, &self.save_match];
        std::iter::once(&self.out)
            .chain(more.into_iter().flatten())
            .chain(&self.part_files)
            .map(PathBuf::as_path)
    }
}
