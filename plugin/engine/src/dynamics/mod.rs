//! What a compressor in each band did to mix and backing, told from how loud both are. A follower (see `matching`) learns a gain
//! from the moment itself, which takes time; a compressor's gain hangs on the level of what it compressed, and that level is
//! known, since mix and backing are. So a movement that is too fast to be followed can be told before it shows.

pub mod band_powers;
pub mod fit;
pub mod gathered;
pub mod levels;
pub mod model;
pub mod predictor;
