//! What the plug-in and the program for files share, beside the engine: neither needs the other's packages for it.

// It lies beside the session's state, which has it in common with the file of a match.
#[path = "../../src/match_bytes.rs"]
pub mod match_bytes;
pub mod words;
