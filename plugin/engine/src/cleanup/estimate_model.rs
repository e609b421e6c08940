//! What is known of a machine's estimate: plain values, kept with the match.

use crate::cleanup::residual_model::MAX_GROUPS;

/// Ratios of difference to backing that are told apart, natural logarithm of power: so many of so much each, the first from
/// `LOWEST_RATIO`. What lies beyond counts as the first or the last.
pub const NUM_RATIOS: usize = 28;
const LOWEST_RATIO: f32 = 1.0;
const RATIO_STEP: f32 = 0.25;
/// Part of what is heard that lies below the ratio at which the voice is all that is heard. Found on 18 other estimates; not
/// measured again.
const VOICE_ALONE: f32 = 0.97;
/// Added to powers that are divided by.
const LEAST_POWER: f32 = 1e-12;
/// Power that either source has at least in mid and in side, re the mean of both.
const LEAST_SIDE: f32 = 0.05;

/// What was heard of an estimate: sums that forget.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EstimateModel {
    /// By band, from the lowest on.
    pub bands: [BandBalance; MAX_GROUPS],
    /// Power of the mix in mid and in side where the voice prevails, and where the backing does.
    pub sources: [[f32; 2]; 2],
    /// How often difference and backing stood in each ratio, weighted by the amplitude of the mix.
    pub ratios: [f32; NUM_RATIOS],
}

/// Difference and backing in one band, both sides together.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BandBalance {
    /// Power of the difference.
    pub difference: f32,
    /// Power of the backing.
    pub backing: f32,
    /// Their product as far as they are in phase.
    pub in_phase: f32,
    /// Product of their amplitudes.
    pub product: f32,
}

impl Default for EstimateModel {
    fn default() -> Self {
        Self::UNKNOWN
    }
}

impl EstimateModel {
    /// Nothing heard.
    pub const UNKNOWN: Self = Self {
        bands: [BandBalance { difference: 0.0, backing: 0.0, in_phase: 0.0, product: 0.0 }; MAX_GROUPS],
        sources: [[0.0; 2]; 2],
        ratios: [0.0; NUM_RATIOS],
    };

    /// Every number.
    pub fn numbers(&self) -> impl Iterator<Item = f32> {
        let bands = self.bands.into_iter().flat_map(|b| [b.difference, b.backing, b.in_phase, b.product]);
        bands.chain(self.sources.into_iter().flatten()).chain(self.ratios)
    }

    /// Every number, to be changed, in the order of [`EstimateModel::numbers`].
    pub fn numbers_mut(&mut self) -> impl Iterator<Item = &mut f32> {
        let Self { bands, sources, ratios } = self;
        let bands = bands
            .iter_mut()
            .flat_map(|b| [&mut b.difference, &mut b.backing, &mut b.in_phase, &mut b.product]);
        bands.chain(sources.iter_mut().flatten()).chain(ratios)
    }

    /// Whether every number can have been heard.
    pub fn is_sound(&self) -> bool {
        let is_power = |x: &f32| x.is_finite() && *x >= 0.0;
        self.bands.iter().all(|b| {
            [b.difference, b.backing, b.product].iter().all(is_power)
                && b.in_phase.abs() <= b.product * 1.01 + LEAST_POWER
        }) && self.sources.iter().flatten().chain(&self.ratios).all(is_power)
    }

    /// Where in [`EstimateModel::ratios`] a ratio counts.
    pub(crate) fn ratio_index(ratio: f32) -> usize {
        (((ratio - LOWEST_RATIO) / RATIO_STEP).max(0.0) as usize).min(NUM_RATIOS - 1)
    }

    /// Ratio of difference to backing where nothing but the voice is heard, natural logarithm of power.
    pub(crate) fn voice_alone(&self) -> f32 {
        let all: f32 = self.ratios.iter().sum();
        let mut below = 0.0;
        for (index, weight) in self.ratios.iter().enumerate() {
            below += weight;
            if below >= VOICE_ALONE * all && all > 0.0 {
                let part = ((VOICE_ALONE * all - (below - weight)) / weight.max(LEAST_POWER)).clamp(0.0, 1.0);
                return LOWEST_RATIO + RATIO_STEP * (index as f32 + part);
            }
        }
        LOWEST_RATIO + RATIO_STEP * NUM_RATIOS as f32
    }

    /// How much likelier the voice is in mid and in side than over both, natural logarithm of the ratio of powers.
    pub(crate) fn likelier(&self) -> [f32; 2] {
        let [voice, backing] = self.sources.map(|[mid, side]| {
            let mean = 0.5 * (mid + side) + LEAST_POWER;
            [mid / mean + LEAST_SIDE, side / mean + LEAST_SIDE]
        });
        std::array::from_fn(|c| (voice[c] / backing[c]).ln())
    }
}

impl BandBalance {
    /// Power of the difference re that of the backing, natural logarithm.
    pub(crate) fn ratio(&self) -> f32 {
        ((self.difference + LEAST_POWER) / (self.backing + LEAST_POWER)).ln()
    }

    /// How far both are in phase, -1 to 1.
    pub(crate) fn phase(&self) -> f32 {
        self.in_phase / (self.product + LEAST_POWER)
    }
}
