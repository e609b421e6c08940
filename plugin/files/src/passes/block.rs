//! The blocks in which files are played.

use std::ops::ControlFlow;

use anyhow::Result;
use minuend_engine::{EARLY_S, Readings};

use super::pair::Start;

/// Samples a step; the output does not depend on it.
pub const BLOCK_SAMPLES: usize = 4096;

/// What is played before a part of a song, so that the engine's stages have settled, s.
const LEAD_IN_S: f64 = 5.0;

/// One block of output, the latency taken off.
pub struct Block<'a> {
    /// What is heard, one slice a channel.
    pub output: &'a [&'a [f32]],
    /// What went into the engine as this came out of it.
    pub mix: &'a [Vec<f32>],
    /// Likewise, the backing, moved.
    pub backing: &'a [Vec<f32>],
    /// The engine's readings at the block's end.
    pub readings: &'a Readings,
    /// Position in the mix of the block's first sample.
    pub at_sample: u64,
    /// Part of the pass that is done, 0 to 1.
    pub done: f64,
}

/// Is handed each block, and can break off.
pub type Each<'a> = dyn FnMut(Block) -> Result<ControlFlow<()>> + 'a;

/// What is played before a part.
#[derive(Clone, Copy)]
pub struct LeadIn {
    samples: i64,
    /// Position in the mix at which the backing begins, if that is before the mix: there, the mix is silence.
    earliest: i64,
}

impl LeadIn {
    /// As much as the engine needs to settle, and the backing that belongs under the part however late the mix plays it.
    pub fn new(start: &Start, rate_hz: u32) -> Self {
        let samples = |seconds: f64| (seconds * f64::from(rate_hz)) as i64;
        let latest = match start.learned {
            Some(learned) => {
                let models = learned.sections.as_slice().iter().filter_map(|section| section.model);
                // One that moves does so by less than the engine needs to settle.
                let latest = models.map(|model| model.delay_samples).fold(0.0, f64::max);
                samples(EARLY_S).min(latest as i64)
            }
            None => samples(EARLY_S),
        };
        Self { samples: samples(LEAD_IN_S) + latest, earliest: -start.advance_samples.clamp(0, latest) }
    }

    /// Position in the mix from which a part is played.
    pub fn before(&self, part_start: u64) -> i64 {
        (part_start as i64 - self.samples).max(self.earliest)
    }
}

#[cfg(test)]
mod tests {
    use minuend_engine::{DelayModel, Engine, Section};

    use super::*;

    /// Five seconds, and as many more as the mix is later than the backing; before the mix only as far as there is a backing.
    #[test]
    fn as_much_goes_before_a_part_as_is_needed() {
        let rate_hz = 8_000;
        let before = |advance_samples: i64, delay_samples: Option<f64>, part_start: u64| {
            let mut learned = Engine::new(f64::from(rate_hz), 1).unwrap().learned().clone();
            let model = delay_samples.map(DelayModel::still);
            learned.sections.push(Section { begin: i64::MIN, model });
            let learned = delay_samples.map(|_| &learned);
            let start = Start { advance_samples, learned, ..Start::default() };
            LeadIn::new(&start, rate_hz).before(part_start)
        };
        for (advance_samples, delay_samples, part_start, expected) in [
            (0, Some(20.0), 0, 0),
            (0, Some(20.0), 100_000, 59_980),
            (0, Some(-900.0), 100_000, 60_000),
            (0, Some(64_000.0), 200_000, 96_000),
            (30_000, Some(64_000.0), 0, -30_000),
            (300_000, Some(64_000.0), 0, -64_000),
            (30_000, Some(0.0), 0, 0),
            (-30_000, Some(64_000.0), 0, 0),
            // Nothing is known yet: as far as the engine keeps a backing, 18 s.
            (30_000, None, 0, -30_000),
            (300_000, None, 0, -144_000),
        ] {
            let before = before(advance_samples, delay_samples, part_start);
            assert_eq!(before, expected, "{advance_samples}, {delay_samples:?}, {part_start}");
        }
    }
}
