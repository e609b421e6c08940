//! A backing made from the song itself.

mod made;
mod make;
mod request;
mod whole_song;

pub use made::{Made, grade_word, is_built};
pub use make::make_backing;
pub use request::MakeBacking;
