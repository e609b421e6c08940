//! The engine over two files: learn over the whole song, then subtract with what was learned.

mod ahead;
mod block;
mod course;
pub mod depth;
mod far;
mod learn;
mod learned;
mod pair;
mod pass;
mod play;
mod player;
pub mod sections;
pub mod series;
mod stretches;
mod worker;

pub use block::{Block, Each};
pub use far::{coarse, coarse_step};
pub use learn::learn;
pub use learned::Learned;
pub use pair::Pair;
pub use pass::Pass;
pub use play::subtract;
