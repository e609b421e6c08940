//! The spectra of a song.

use super::spectrum::MeanSpectrum;
use crate::passes::Block;

/// The mean spectra of what goes in and of what comes out.
pub struct Spectra {
    /// Of the mix.
    pub mix: MeanSpectrum,
    /// Of the backing, as it came.
    pub backing: MeanSpectrum,
    /// Of the output.
    pub output: MeanSpectrum,
}

impl Spectra {
    /// For a mix and a backing of so many channels.
    pub fn new([mix, backing]: [usize; 2]) -> Self {
        Self {
            mix: MeanSpectrum::new(mix),
            backing: MeanSpectrum::new(backing),
            output: MeanSpectrum::new(mix),
        }
    }

    /// Adds a block.
    pub fn add(&mut self, block: &Block) {
        if block.output[0].is_empty() {
            return; // Before the song, while the engine's latency passes.
        }
        self.mix.add(block.mix.iter().map(Vec::as_slice));
        self.backing.add(block.backing.iter().map(Vec::as_slice));
        self.output.add(block.output.iter().copied());
    }
}
