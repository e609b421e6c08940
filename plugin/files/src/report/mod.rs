//! `--report`: one page about one song, with pictures.

mod advice;
mod chart;
mod page;
mod spectra;

pub use page::Watcher;
