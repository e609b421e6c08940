//! What was heard of the bands of a song, frame by frame, and when a model is learned from it.

use crate::dynamics::band_powers::FramePowers;
use crate::dynamics::fit;
use crate::dynamics::model::DynamicsModel;
use std::collections::VecDeque;

/// Music from which a model is sought first, seconds; then whenever as much again was heard. Chosen by hand; not measured.
const FIRST_S: f64 = 20.0;
/// Music after which a model in force is learned anew, seconds: most of a song has been heard then. Chosen by hand; not measured.
const ANEW_S: f64 = 60.0;

/// The newest frames, up to a number of them.
pub struct Gathered {
    frames: VecDeque<FramePowers>,
    most: usize,
    step_s: f64,
    /// Frames since a model was last sought, and those that it was sought in.
    num_new: usize,
    num_sought: usize,
}

impl Gathered {
    /// Nothing heard; a frame comes every `step_s` seconds, and so many seconds are kept. Allocates.
    pub fn new(kept_s: f64, step_s: f64) -> Self {
        let most = (kept_s / step_s) as usize;
        Self { frames: VecDeque::with_capacity(most), most, step_s, num_new: 0, num_sought: 0 }
    }

    /// Forgets everything. Real-time safe.
    pub fn clear(&mut self) {
        self.frames.clear();
        (self.num_new, self.num_sought) = (0, 0);
    }

    /// Whether nothing was heard.
    pub fn is_empty(&self) -> bool {
        self.frames.is_empty()
    }

    /// Hears a frame. Real-time safe.
    pub fn hear(&mut self, frame: &FramePowers) {
        if self.frames.len() == self.most {
            self.frames.pop_front();
        }
        self.frames.push_back(*frame);
        self.num_new += 1;
    }

    /// Whether it is time to seek a model; `is_engaged` = one is in force.
    pub fn is_due(&self, is_engaged: bool) -> bool {
        let frames = |s: f64| (s / self.step_s) as usize;
        self.num_new >= if is_engaged { frames(ANEW_S) } else { frames(FIRST_S).max(self.num_sought) }
    }

    /// The model that all that is kept tells, if it clearly tells one. Allocates, and takes long.
    pub fn find(&self) -> Option<DynamicsModel> {
        fit::find(&self.frames, self.step_s)
    }

    /// A model was sought in what is kept. Real-time safe.
    pub fn sought(&mut self) {
        (self.num_new, self.num_sought) = (0, self.frames.len());
    }

    /// Frames that are kept, oldest first, and the seconds from one to the next.
    #[cfg(test)]
    pub fn frames(&self) -> (&VecDeque<FramePowers>, f64) {
        (&self.frames, self.step_s)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// After 20, 40 and 80 s while none is found, every minute once there is one.
    #[test]
    fn a_model_is_sought_less_and_less_often() {
        let due_at = |is_engaged: bool| -> Vec<usize> {
            let mut gathered = Gathered::new(70.0, 0.5);
            (1..=400)
                .filter(|_| {
                    gathered.hear(&FramePowers::default());
                    let is_due = gathered.is_due(is_engaged);
                    if is_due {
                        gathered.sought();
                    }
                    is_due
                })
                .collect()
        };
        assert_eq!(due_at(false), [40, 80, 160, 300], "of 70 s, 140 frames are kept");
        assert_eq!(due_at(true), [120, 240, 360]);
    }
}
