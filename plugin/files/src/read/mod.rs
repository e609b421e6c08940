//! Audio files, read block by block, so that length costs no memory.

mod comment;
#[cfg(test)]
mod damage;
mod decoded;
mod first_bytes;
#[cfg(test)]
mod formats;
pub mod mp4_edit;
mod ogg_end;
mod opus;
mod reader;
mod resample;
pub mod rf64;
mod sbr;

pub use comment::comment;
pub use reader::{AudioReader, is_silent, read_all};
