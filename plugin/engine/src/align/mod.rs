//! Where the backing sits in the mix: search, lock, and the delay line that brings it there.

pub mod aligner;
pub mod drift;
pub mod edge;
pub mod lock;
pub mod presence;
pub mod search;
pub mod sections;
pub mod supervisor;
