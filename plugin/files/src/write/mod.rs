//! Files, written whole or not at all.

mod dither;
mod place;
mod writer;

pub use place::{Place, check_writable, folder_of, write_file};
pub use writer::{AudioWriter, Bits, write_all};
