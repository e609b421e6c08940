//! Files, written whole or not at all.

mod bits;
mod container;
mod dither;
mod flac;
mod folders;
mod place;
mod wav;
mod wav_writer;
mod writer;

pub use bits::Bits;
pub use container::Container;
pub use folders::NewFolders;
pub use place::{Place, check_writable, folder_of, write_file};
pub use writer::{AudioWriter, write_all};

/// What stands in a file as the program that wrote it.
const PROGRAM: &str = concat!("Minuend ", env!("CARGO_PKG_VERSION"));
