//! A filter with all that it takes to put it in force: made in a job, so that on the audio thread it is an exchange of buffers.

use crate::align::delay_tracker;
use crate::align::lag_filter::LagFilter;
use crate::dsp::sizes::Sizes;
use crate::matching::partitioned::{PartitionLoader, Partitions};
use crate::matching::taps::Taps;
use crate::settings::Tone;

/// A filter that was learned, ready for the [`Matcher`](crate::matching::matcher::Matcher).
pub struct PreparedFilter {
    /// What was learned.
    pub learned: Taps,
    /// Freedom that the filter is held to.
    pub freedom: Tone,
    /// The filter: what was learned, held to the freedom.
    pub filter: Taps,
    /// Level of what was learned, left and right, linear.
    pub level: [f32; 2],
    /// The filter's partitions.
    pub partitions: Partitions,
    /// The filter for the tracker of the delay.
    pub lag_filter: LagFilter,
    loader: PartitionLoader,
}

impl PreparedFilter {
    /// Silence, for filters of `num_taps`. Allocates.
    pub fn new(sizes: Sizes, num_taps: usize) -> Self {
        let loader = PartitionLoader::new(sizes.hop(), num_taps);
        Self {
            learned: Taps::silent(num_taps),
            freedom: Tone::default(),
            filter: Taps::silent(num_taps),
            level: [0.0; 2],
            partitions: loader.silence(),
            lag_filter: LagFilter::new(sizes.scaled(delay_tracker::FRAME)),
            loader,
        }
    }

    /// Prepares what was learned, held to a freedom.
    pub fn prepare(&mut self, learned: Taps, freedom: Tone) {
        self.filter.clone_from(&learned);
        self.filter.restrict(freedom);
        self.level = learned.level();
        (self.learned, self.freedom) = (learned, freedom);
        self.loader.load_whole(&mut self.partitions, &self.filter);
        self.lag_filter.set(&self.filter);
    }
}
