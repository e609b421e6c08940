//! Files, written whole or not at all.

mod dither;
mod place;
mod wav;
mod writer;

pub use place::{Place, check_writable, folder_of, write_file};
pub use wav::Bits;
pub use writer::{AudioWriter, write_all};
