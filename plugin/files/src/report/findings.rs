//! What a page is made of.

use super::spectra::Spectra;
use crate::{passes::series::Series, rendered::Rendered, request::Render};

/// All that is known of a song when it is rendered.
pub struct Findings<'a> {
    /// What was asked for.
    pub request: &'a Render,
    /// What came of it.
    pub rendered: &'a Rendered,
    /// Sample rates of the files, mix first, Hz.
    pub rates_hz: &'a [u32],
    /// The readings over the song.
    pub series: &'a Series,
    /// Those of the pass that looked where the backing lies.
    pub looking: &'a Series,
    /// The spectra over the song.
    pub spectra: &'a Spectra,
}

impl Findings<'_> {
    /// Sample rate of the mix and of the output, Hz.
    pub fn sample_rate_hz(&self) -> f64 {
        self.rates_hz[0].into()
    }

    /// Where the part that was rendered begins and ends in the mix, s.
    pub fn part_s(&self) -> (f64, f64) {
        let from_s = self.request.part_s.start;
        (from_s, from_s + self.rendered.num_samples as f64 / self.sample_rate_hz())
    }
}
