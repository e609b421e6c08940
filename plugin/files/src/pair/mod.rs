//! Which file of a folder is the backing of which mix, by sound.

mod files;
mod find;
mod found;
mod list;
mod store;

pub use files::audio_in;
pub use find::{FindPairs, find_pairs};
pub use found::{Found, Pair};
