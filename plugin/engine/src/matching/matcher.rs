//! Matches level, tone and width: runs the filter in force, exchanged without a click.

use crate::dsp::hop::Hop;
use crate::dsp::timeline::Timeline;
use crate::matching::partitioned::{PartitionLoader, PartitionedConvolver, Partitions};
use crate::matching::prepared::PreparedFilter;
use crate::matching::taps::Taps;
use crate::settings::Tone;

/// Hops over which a new filter fades in (85 ms at 48 kHz).
const FADE_HOPS: usize = 32;
/// Hops before a new filter begins to fade in, for its partitions to be transformed without a lump. One that comes prepared
/// waits as long: what is heard does not depend on how it comes.
const LOAD_HOPS: usize = 8;

/// The matcher.
pub struct Matcher {
    convolver: PartitionedConvolver,
    loader: PartitionLoader,
    latency_samples: usize,
    /// The filter in force: what was learned, held to the freedom that is set.
    filter: Taps,
    /// Level of what was learned, left and right, linear.
    level: [f32; 2],
    freedom: Tone,
    active: Partitions,
    next: Partitions,
    next_taps: Taps,
    /// Hops of the exchange of `active` for `next` that are done; `None` = none is under way.
    exchanged_hops: Option<usize>,
    /// The filter has changed again while another exchange was under way.
    is_queued: bool,
    /// Whether anything passed, by position of the mix.
    passing: Timeline<bool>,
    matched: Hop,
    other: Vec<f32>,
}

impl Matcher {
    /// A matcher with a filter of `num_taps`, a multiple of `hop`, that lets nothing pass. For the last `memory_samples` it
    /// remembers whether anything passed.
    pub fn new(hop: usize, num_taps: usize, memory_samples: usize) -> Self {
        let loader = PartitionLoader::new(hop, num_taps);
        let mut matcher = Self {
            latency_samples: num_taps / 2,
            filter: Taps::silent(num_taps),
            level: [0.0; 2],
            freedom: Tone::default(),
            active: loader.silence(),
            next: loader.silence(),
            next_taps: Taps::silent(num_taps),
            exchanged_hops: None,
            is_queued: false,
            passing: Timeline::new(memory_samples / hop + 1, hop),
            matched: Hop::new(hop),
            other: vec![0.0; hop],
            convolver: PartitionedConvolver::new(hop, num_taps),
            loader,
        };
        matcher.reset(0);
        matcher
    }

    /// Half the filter: how far the output lags the input so that taps before the centre look ahead.
    pub fn latency_samples(&self) -> usize {
        self.latency_samples
    }

    /// Forgets the signal, keeps the filter; the first hop that comes in will begin at a position of the mix. Gives the position of
    /// the first that goes out.
    pub fn reset(&mut self, at: i64) -> i64 {
        self.convolver.reset();
        self.other.fill(0.0);
        self.freedom = Tone::default();
        let first = at - self.latency_samples as i64;
        self.passing.restart(first);
        first
    }

    /// The filter in force.
    pub fn filter(&self) -> &Taps {
        &self.filter
    }

    /// Level of what was learned, left and right, linear.
    pub fn level(&self) -> [f32; 2] {
        self.level
    }

    /// Whether anything passed at a position of the mix.
    pub fn was_passing(&self, position: i64) -> bool {
        self.passing.at(position)
    }

    /// How free the filter may be.
    pub fn freedom(&self) -> Tone {
        self.freedom
    }

    /// Holds the filter to a freedom from the next [`Matcher::set`] or [`Matcher::exchange`] on; true if that is another one.
    pub fn set_freedom(&mut self, freedom: Tone) -> bool {
        std::mem::replace(&mut self.freedom, freedom) != freedom
    }

    /// Puts what was learned in force at once, for when nothing was heard before.
    pub fn set(&mut self, learned: &Taps) {
        self.restrict(learned);
        self.loader.load_whole(&mut self.next, &self.filter);
        std::mem::swap(&mut self.active, &mut self.next);
        self.exchanged_hops = None;
        self.is_queued = false;
    }

    /// Exchanges the filter for what was learned, once an exchange already under way is done.
    pub fn exchange(&mut self, learned: &Taps) {
        self.restrict(learned);
        if self.exchanged_hops.is_some() {
            self.is_queued = true;
        } else {
            self.begin();
        }
    }

    /// Exchanges the filter for one that was prepared, by exchanging buffers. False if it was prepared for another freedom than is
    /// set now: then the filter in force is another one.
    pub fn adopt(&mut self, prepared: &mut PreparedFilter) -> bool {
        let is_free = prepared.freedom == self.freedom;
        if self.exchanged_hops.is_some() || !is_free {
            self.exchange(&prepared.learned);
            return is_free;
        }
        std::mem::swap(&mut self.filter, &mut prepared.filter);
        std::mem::swap(&mut self.next, &mut prepared.partitions);
        self.level = prepared.level;
        self.exchanged_hops = Some(0);
        true
    }

    fn restrict(&mut self, learned: &Taps) {
        self.filter.clone_from(learned);
        self.filter.restrict(self.freedom);
        self.level = learned.level();
    }

    fn begin(&mut self) {
        self.next_taps.clone_from(&self.filter);
        self.loader.begin(&mut self.next, &self.next_taps);
        self.exchanged_hops = Some(0);
    }

    /// The hop that was filtered last.
    pub fn matched(&self) -> &Hop {
        &self.matched
    }

    /// Filters one hop of the aligned backing.
    #[inline(never)]
    pub fn process(&mut self, aligned: &Hop) -> &Hop {
        let hop = aligned.len();
        self.matched.at = aligned.at - self.latency_samples as i64;
        self.convolver.hear(&aligned.audio);
        if !self.next.is_loaded() {
            let num_taps = self.next_taps.num_taps();
            self.loader.load(&mut self.next, &self.next_taps, num_taps / hop / LOAD_HOPS);
        }
        let faded_hops = self.exchanged_hops.and_then(|hops| hops.checked_sub(LOAD_HOPS));
        for (side, out) in self.matched.audio.iter_mut().enumerate() {
            self.convolver.convolve(&self.active, side, out);
            let Some(faded_hops) = faded_hops else { continue };
            self.convolver.convolve(&self.next, side, &mut self.other);
            let step = 1.0 / (FADE_HOPS * hop) as f32;
            let start = (faded_hops * hop) as f32;
            for (n, (out, new)) in out.iter_mut().zip(&self.other).enumerate() {
                *out += (new - *out) * ((start + (n + 1) as f32) * step);
            }
        }
        if let Some(hops) = &mut self.exchanged_hops {
            *hops += 1;
            if *hops == LOAD_HOPS + FADE_HOPS {
                std::mem::swap(&mut self.active, &mut self.next);
                self.exchanged_hops = None;
                if std::mem::take(&mut self.is_queued) {
                    self.begin();
                }
            }
        }
        self.passing.push(!self.active.is_silent() || self.exchanged_hops.is_some());
        &self.matched
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What comes out of a matcher of 256 taps that is given ones, hops of 32.
    fn run(matcher: &mut Matcher, num_hops: i64) -> Vec<[f32; 2]> {
        let mut input = Hop::new(32);
        input.audio.iter_mut().for_each(|side| side.fill(1.0));
        let mut out = Vec::new();
        for _ in 0..num_hops {
            let [left, right] = &matcher.process(&input).audio;
            out.extend(left.iter().zip(right).map(|(&left, &right)| [left, right]));
        }
        out
    }

    #[test]
    fn an_exchange_fades() {
        let mut matcher = Matcher::new(32, 256, 1024);
        // Fill the past, so that only the exchange moves the output.
        run(&mut matcher, 16);
        matcher.exchange(&Taps::gains(256, [1.0, -1.0], 0.0));
        let out = run(&mut matcher, 256);
        let largest = out.windows(2).map(|w| (w[1][0] - w[0][0]).abs()).fold(0.0, f32::max);
        // A straight fade over 32 hops of 32 samples steps by 1 / 1024.
        assert!(largest < 1.01 / 1024.0, "{largest}");
        let [left, right] = out[out.len() - 1];
        assert!((left - 1.0).abs() < 1e-6 && (right + 1.0).abs() < 1e-6);
    }

    /// The last of several filters is in force in the end, whenever they were asked for.
    #[test]
    fn the_last_exchange_counts() {
        let mut matcher = Matcher::new(32, 256, 1024);
        for gain in [0.5, 0.25, 2.0] {
            matcher.exchange(&Taps::gains(256, [gain; 2], 0.0));
            run(&mut matcher, 20);
        }
        let out = run(&mut matcher, 128);
        assert!((out[out.len() - 1][0] - 2.0).abs() < 1e-6);
    }
}
