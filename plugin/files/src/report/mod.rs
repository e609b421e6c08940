//! `--report`: one page about one song, with pictures.

mod advice;
mod bend;
mod chart;
mod charts;
mod findings;
mod page;
mod spectra;
mod spectrum;
mod text;

pub use chart::clock;
pub use findings::Findings;
pub use page::page;
pub use spectra::Spectra;
