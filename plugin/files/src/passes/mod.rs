//! The engine over two files.

pub mod ahead;
pub mod depth;
mod far;
pub mod learned;
pub mod play;
mod player;
pub mod series;
mod stretches;
mod worker;
