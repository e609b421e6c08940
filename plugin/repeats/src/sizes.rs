//! Lengths of everything, from the sample rate, so that all work spans the same time at every rate.

/// A frame, s. 4096 samples at 44.1 kHz: long enough to part neighbouring notes, short enough for a drum.
const FRAME_S: f64 = 0.0929;
/// Rate at which repeats are looked for first, Hz. What repeats to the sample does so below half of it, too.
const SEARCH_HZ: f64 = 5_500.0;
/// A segment that is looked for, s: about a bar. Shorter ones are found everywhere, longer ones seldom repeat as a whole.
const SEGMENT_S: f64 = 2.0;
/// Distance between segments, s.
const SEGMENT_STEP_S: f64 = 1.0;
/// A block that is built from one set of repeats, s. Shorter than a segment: it may use what any segment around it has
/// found, so the border between two sections of a song needs no segment of its own.
const BLOCK_S: f64 = 0.5;

/// Lengths in samples.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sizes {
    /// A frame of the transform.
    pub frame_samples: usize,
    /// From one frame to the next.
    pub hop_samples: usize,
    /// Samples of the song for one of the search.
    pub decimation: usize,
    /// A frame of the search, in its own samples.
    pub search_frame_samples: usize,
    /// A segment.
    pub segment_samples: usize,
    /// From one segment to the next.
    pub segment_step_samples: usize,
    /// A block.
    pub block_samples: usize,
}

impl Sizes {
    /// At a sample rate, Hz.
    pub fn new(sample_rate_hz: f64) -> Self {
        let frame = |rate_hz: f64| 1 << (FRAME_S * rate_hz).log2().round().max(6.0) as u32;
        let samples = |s: f64| (s * sample_rate_hz).round() as usize;
        let decimation = (sample_rate_hz / SEARCH_HZ).round().max(1.0) as usize;
        let frame_samples: usize = frame(sample_rate_hz);
        Self {
            frame_samples,
            hop_samples: frame_samples / 4,
            decimation,
            search_frame_samples: frame(sample_rate_hz / decimation as f64),
            segment_samples: samples(SEGMENT_S),
            segment_step_samples: samples(SEGMENT_STEP_S),
            block_samples: samples(BLOCK_S),
        }
    }

    /// By how much neighbouring stretches of frames overlap.
    pub fn overlap_samples(&self) -> usize {
        self.frame_samples - self.hop_samples
    }

    /// The first frame of a block: frame m is centred at sample m * hop - frame / 2 of the song.
    pub fn first_frame(&self, block_idx: usize) -> usize {
        (block_idx * self.block_samples + self.frame_samples / 2) / self.hop_samples
    }

    /// Where a frame begins in the song, samples.
    pub fn frame_start(&self, frame_idx: usize) -> i64 {
        (frame_idx * self.hop_samples) as i64 - self.frame_samples as i64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_span_the_same_time_at_every_rate() {
        for rate_hz in [8_000.0, 22_050.0, 44_100.0, 48_000.0, 96_000.0, 192_000.0] {
            let sizes = Sizes::new(rate_hz);
            let frame_s = sizes.frame_samples as f64 / rate_hz;
            let search_s = (sizes.search_frame_samples * sizes.decimation) as f64 / rate_hz;
            for s in [frame_s, search_s] {
                assert!((0.065..0.135).contains(&s), "{rate_hz} Hz: {s} s");
            }
            let search_hz = rate_hz / sizes.decimation as f64;
            assert!((4_000.0..8_100.0).contains(&search_hz), "{rate_hz} Hz: {search_hz} Hz");
        }
        assert_eq!((Sizes::new(44_100.0).frame_samples, Sizes::new(44_100.0).decimation), (4096, 8));
    }

    #[test]
    fn a_block_begins_with_the_frame_centred_on_it() {
        let sizes = Sizes::new(44_100.0);
        for block_idx in [0, 1, 7] {
            let centre = sizes.frame_start(sizes.first_frame(block_idx)) + sizes.frame_samples as i64 / 2;
            let late = (block_idx * sizes.block_samples) as i64 - centre;
            assert!((0..sizes.hop_samples as i64).contains(&late), "{late}");
        }
    }
}
