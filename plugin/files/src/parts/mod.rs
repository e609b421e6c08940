//! A backing that comes in parts: how each lies in the mix, the sum of them, and each as it was taken away.

mod fit;
mod fit_bytes;
mod fitting;
mod split;
mod streams;
mod sum;
mod taken;

pub use fit::{Fit, FittedPart};
pub use fit_bytes::{read_fit, write_fit};
pub use split::PartFiles;
pub use sum::Sum;
pub use taken::{Nothing, TakenPart, parts_in_words};
