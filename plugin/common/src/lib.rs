//! What the plug-in and the program for files share, beside the engine: neither needs the other's packages for it.

pub mod match_bytes;
pub mod match_file;
pub mod words;
