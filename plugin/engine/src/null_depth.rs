//! How far the backing is down in the difference, told only where it can be told: where the voice rests.
//!
//! The level of the mix less that of the difference is not the depth: with voice and backing equally loud a perfect
//! null lowers the level by 3 dB only. In the quietest moments of the difference, measured against the backing that
//! was subtracted there, what is left is residue (and whatever of the voice still sounds, so the true depth is at
//! least this).

use crate::sizes::Sizes;
use crate::units::power_to_db;

/// Length of one moment, seconds.
const MOMENT_S: f64 = 0.05;
/// Memory, moments.
const MEMORY: usize = 200;
/// Share of the moments, quietest first, that are taken for rests of the voice.
const REST: usize = 10;
/// Moments needed before anything is told.
const ENOUGH: usize = 20;
/// A shallower reading is voice, not residue: then nothing is told.
const SHALLOWEST_DB: f64 = 6.0;
/// Backing this much below its loudest moment tells nothing (power ratio).
const AUDIBLE: f64 = 1e-5;

/// The null depth of the last ten seconds.
pub struct NullDepth {
    moments: Vec<[f64; 2]>,
    sorted: Vec<[f64; 2]>,
    sum: [f64; 2],
    hops: usize,
    hops_per_moment: usize,
    at: usize,
    depth_db: Option<f32>,
}

impl NullDepth {
    /// Nothing known yet.
    pub fn new(sizes: Sizes) -> Self {
        Self {
            moments: vec![[0.0; 2]; MEMORY],
            sorted: Vec::with_capacity(MEMORY),
            sum: [0.0; 2],
            hops: 0,
            hops_per_moment: sizes.hops(MOMENT_S) as usize,
            at: 0,
            depth_db: None,
        }
    }

    /// Forgets what it heard.
    pub fn reset(&mut self) {
        self.moments.fill([0.0; 2]);
        (self.sum, self.hops, self.at, self.depth_db) = ([0.0; 2], 0, 0, None);
    }

    /// Takes the power of the difference and of the matched backing in one hop.
    pub fn add(&mut self, difference: f64, matched: f64) -> Option<f32> {
        self.sum[0] += difference;
        self.sum[1] += matched;
        self.hops += 1;
        if self.hops == self.hops_per_moment {
            self.moments[self.at] = std::mem::take(&mut self.sum);
            self.at = (self.at + 1) % MEMORY;
            self.hops = 0;
            self.depth_db = self.measure();
        }
        self.depth_db
    }

    fn measure(&mut self) -> Option<f32> {
        let loudest = self.moments.iter().map(|m| m[1]).fold(0.0, f64::max);
        self.sorted.clear();
        self.sorted.extend(self.moments.iter().filter(|m| m[1] > AUDIBLE * loudest && m[1] > 1e-9));
        if self.sorted.len() < ENOUGH {
            return None;
        }
        self.sorted.sort_unstable_by(|a, b| (a[0] * b[1]).total_cmp(&(b[0] * a[1])));
        let rest = &self.sorted[..self.sorted.len() / REST];
        let sum = |i: usize| rest.iter().map(|m| m[i]).sum::<f64>();
        let depth_db = power_to_db(sum(1) / sum(0).max(1e-20 * sum(1)));
        (depth_db >= SHALLOWEST_DB).then_some(depth_db as f32)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_the_residue_in_the_rests_of_the_voice() {
        let mut depth = NullDepth::new(Sizes::new(48_000.0));
        let mut reading = None;
        for hop in 0..4000 {
            let voice = if hop / 400 % 4 == 3 { 0.0 } else { 1.0 };
            reading = depth.add(1e-4 + voice, 1.0);
        }
        // Residue 40 dB down, made so.
        assert!((reading.unwrap() - 40.0).abs() < 0.1, "{reading:?}");
    }

    #[test]
    fn says_nothing_while_the_voice_never_rests() {
        let mut depth = NullDepth::new(Sizes::new(48_000.0));
        let readings: Vec<_> = (0..4000).map(|_| depth.add(1.0, 1.0)).collect();
        assert!(readings.iter().all(Option::is_none));
    }
}
