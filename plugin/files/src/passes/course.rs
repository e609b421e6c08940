//! How the delay moves over a song.

/// Furthest that wow moves a delay, samples a sample: 0.3 %, as of a worn cassette (common practice, no source).
const FASTEST: f64 = 3e-3;

/// The straight lines along which the delay moves from block to block: of one slope, a new one after each jump and each gap, by
/// least squares, so that neither wow nor the settling at an end counts as drift.
#[derive(Default)]
pub struct Course {
    /// Time and delay before, samples.
    last: Option<(f64, f64)>,
    over_samples: f64,
    /// Of the present line: how many blocks, and their means.
    num_blocks: f64,
    mean_at: f64,
    mean_delay: f64,
    /// Of all lines, about the means of each (Welford 1962): squares of the time, products of time and delay.
    squares: f64,
    products: f64,
}

impl Course {
    /// The delay of the next block, if it is known, and its place in the song, samples.
    pub fn follow(&mut self, at: f64, delay: Option<f64>) {
        let last = std::mem::replace(&mut self.last, delay.map(|delay| (at, delay)));
        let Some(delay) = delay else { return };
        // What goes further has jumped: a buffer was lost, or the song was cut.
        match last {
            Some((last_at, last)) if (delay - last).abs() < FASTEST * (at - last_at) => {
                self.over_samples += at - last_at;
            }
            _ => self.num_blocks = 0.0,
        }
        self.num_blocks += 1.0;
        let off = at - self.mean_at;
        self.mean_at += off / self.num_blocks;
        self.mean_delay += (delay - self.mean_delay) / self.num_blocks;
        if self.num_blocks > 1.0 {
            self.squares += off * (at - self.mean_at);
            self.products += off * (delay - self.mean_delay);
        }
    }

    /// The mean drift, parts in a million. Up to a sample over the whole song is the settling of a delay that stands.
    pub fn drift_ppm(&self) -> f64 {
        let drift = self.products / self.squares.max(1.0);
        if (drift * self.over_samples).abs() <= 1.0 { 0.0 } else { 1e6 * drift }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::passes::block::BLOCK_SAMPLES;

    #[test]
    fn drift_is_told_from_settling_and_from_jumps() {
        let drift_ppm = |delay: &dyn Fn(usize) -> Option<f64>| {
            let mut course = Course::default();
            (0..1_000).for_each(|block| course.follow((block * BLOCK_SAMPLES) as f64, delay(block)));
            course.drift_ppm()
        };
        let drifting = |block: usize| 20e-6 * (block * BLOCK_SAMPLES) as f64;
        assert!((drift_ppm(&|block| Some(drifting(block))) - 20.0).abs() < 1e-6);
        // Of three buffers of 30 samples each nothing is left once they are over.
        let lost = |block: usize| drifting(block) - 30.0 * (block / 300) as f64;
        assert!((drift_ppm(&|block| Some(lost(block))) - 20.0).abs() < 1e-6);
        let edited =
            |block: usize| (block / 100 != 5).then(|| 7_000.0 * (block / 600) as f64 - drifting(block));
        assert!((drift_ppm(&edited) + 20.0).abs() < 1e-6);
        assert_eq!(drift_ppm(&|block| Some(if block < 3 { 4523.0 } else { 4523.47 })), 0.0);
        // Where the tracker still settles, and wow that ends away from where it began: 8.25 turns about nothing.
        let settling = |block: usize| 3.0 * (-(block as f64) / 10.0).exp() + drifting(block);
        assert!((drift_ppm(&|block| Some(settling(block))) - 20.0).abs() < 0.1);
        let wow = |block: usize| 20.0 * (8.25 * std::f64::consts::TAU * block as f64 / 1_000.0).sin();
        assert!((drift_ppm(&|block| Some(wow(block) + drifting(block))) - 20.0).abs() < 0.6);
        assert_eq!(drift_ppm(&|_| None), 0.0);
    }
}
