//! `--report`: one page about one song, with pictures.

mod advice;
mod chart;
mod charts;
mod document;
mod findings;
mod page;
mod repeats;
mod spectra;
mod spectrum;
mod text;

pub use chart::clock;
pub use findings::Findings;
pub use page::page;
pub use repeats::repeats_page;
pub use spectra::Spectra;
