//! Learns the match from what was heard.

/// The learning side.
pub struct Learner;

impl Learner {
    pub(crate) fn run(&mut self) {}
}
