//! Mix minus backing, from files to files: what the program `minuend` does, as a library.

mod backing;
pub mod command;
mod covered;
mod done;
pub mod ending;
pub mod noise;
mod origin;
mod outputs;
pub mod pair;
pub mod parallel;
mod parts;
pub mod passes;
pub mod progress;
pub mod read;
mod render;
mod rendered;
mod report;
mod request;
mod songs;
pub mod write;

pub use backing::{Made, MakeBacking, make_backing};
pub use parts::{Fit, FittedPart, Nothing, TakenPart};
pub use render::render;
pub use rendered::Rendered;
pub use request::{Passes, Render};
