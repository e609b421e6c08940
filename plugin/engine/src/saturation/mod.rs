//! Mix and backing that were bent after the voice was added: tape, tube, clipper. A curve without memory bends the sum, so that
//! its slope where the backing is loud scales the voice, which no gain or filter on the backing can follow. The curve is
//! learned from the pair itself, and taken back on both before they are subtracted.

pub mod bend;
pub mod bend_fit;
mod cells;
pub mod curve;
pub mod frame_pairs;
mod slope_fit;
