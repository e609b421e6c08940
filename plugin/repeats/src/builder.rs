//! The backing of the song, block by block: START HERE for what is made of the repeats.

use std::ops::Range;

use realfft::num_complex::Complex32;

use crate::{
    cells::Cells,
    centre::keep_centre,
    finder::{Repeat, Segment},
    merge::{Merger, Source},
    sizes::Sizes,
    song::Song,
    stft::Stft,
};

/// Repeats that a block is built from, at most.
const MAX_SOURCES: usize = 12;
/// Of these, from passages that are known to hold no voice, at most: some others must say what those lack.
const MAX_KNOWN: usize = 4;
/// Correlation from which a repeat in such a passage is taken to be all of the backing. An intro that lacks half of a chorus
/// has 0.4 with it: its word would cost 20 dB there.
const KNOWN: f32 = 0.6;
/// Frames before and after a block that are heard with it.
const CONTEXT_FRAMES: usize = 6;
/// Repeats nearer than this to a stronger one are the same, samples.
const APART_SAMPLES: f64 = 4.0;
/// How far a source may reach over the ends of the song, s.
const OVERHANG_S: f64 = 0.2;
/// Levels are compared between these, Hz.
const LEVEL_HZ: (f64, f64) = (43.0, 5_000.0);

/// What a block was built from.
#[derive(Clone, Debug, PartialEq)]
pub struct BlockSources {
    /// Where it begins, samples.
    pub start: usize,
    /// Strongest first; without any, nothing was found, and the mix passes.
    pub repeats: Vec<Repeat>,
    /// Known to hold no voice: it is its own backing.
    pub is_free: bool,
}

/// A part of the backing. Neighbouring stretches overlap and are added up.
#[derive(Clone, Debug, PartialEq)]
pub struct Stretch {
    /// Where it begins in the song, samples.
    pub start: i64,
    /// Middle and, of stereo, side, `[channel_idx][sample_idx]`.
    pub channels: Vec<Vec<f32>>,
    /// Block by block.
    pub blocks: Vec<BlockSources>,
}

/// Builds a backing.
pub struct Builder<'a> {
    /// The song.
    pub song: &'a Song,
    /// Its segments, as far as they are needed.
    pub segments: &'a [Segment],
    /// Passages that are known to hold no voice, samples.
    pub free: &'a [Range<usize>],
    /// How much of what is left at the sides counts as backing, 0 to 1; of one channel, nothing does.
    pub centre: f32,
}

impl Builder<'_> {
    /// Blocks that touch a part of the song, and those beside it that sound into it.
    pub fn blocks_of(sizes: &Sizes, num_samples: usize, part: &Range<usize>) -> Range<usize> {
        let last = num_samples.div_ceil(sizes.block_samples);
        let from = (part.start / sizes.block_samples).saturating_sub(1);
        from..(part.end.div_ceil(sizes.block_samples) + 1).min(last)
    }

    /// The backing over some blocks.
    pub fn build(&self, blocks: Range<usize>) -> Stretch {
        let sizes = Sizes::new(self.song.sample_rate_hz());
        let num_channels = self.song.channels().len();
        let mut stft = Stft::new(sizes.frame_samples);
        let mut merger = Merger::new(stft.num_bins(), self.level_bins(&sizes));
        let frames = self.frames_of(&sizes, &blocks);
        let len = (frames.len().max(1) - 1) * sizes.hop_samples + sizes.frame_samples;
        let mut stretch = Stretch {
            start: sizes.frame_start(frames.start),
            channels: vec![vec![0.0; len]; num_channels],
            blocks: Vec::with_capacity(blocks.len()),
        };
        let mut spectrum = vec![Complex32::default(); stft.num_bins()];
        for block_idx in blocks {
            let sources = self.sources(&sizes, block_idx);
            let own = self.frames_of(&sizes, &(block_idx..block_idx + 1));
            let heard = own.start.saturating_sub(CONTEXT_FRAMES)..own.end + CONTEXT_FRAMES;
            let backing = self.backing(&mut stft, &mut merger, &sizes, &heard, &sources);
            for (cells, out) in backing.iter().zip(&mut stretch.channels) {
                for frame in own.clone() {
                    cells.frame(frame - heard.start, &mut spectrum);
                    let at = (frame - frames.start) * sizes.hop_samples;
                    stft.synthesise(&spectrum, &mut out[at..at + sizes.frame_samples]);
                }
            }
            stretch.blocks.push(sources);
        }
        stretch
    }

    fn level_bins(&self, sizes: &Sizes) -> Range<usize> {
        let bin = |hz: f64| (hz / self.song.sample_rate_hz() * sizes.frame_samples as f64).round() as usize;
        bin(LEVEL_HZ.0)..bin(LEVEL_HZ.1).min(sizes.frame_samples / 2)
    }

    /// The frames of some blocks; the last block of the song has all that reach into it.
    fn frames_of(&self, sizes: &Sizes, blocks: &Range<usize>) -> Range<usize> {
        let num_samples = self.song.num_samples();
        let is_last = blocks.end * sizes.block_samples >= num_samples;
        let after_last = (num_samples + sizes.frame_samples).div_ceil(sizes.hop_samples);
        let from = if blocks.start == 0 { 0 } else { sizes.first_frame(blocks.start) };
        from..if is_last { after_last } else { sizes.first_frame(blocks.end) }
    }

    /// What a block may be built from.
    fn sources(&self, sizes: &Sizes, block_idx: usize) -> BlockSources {
        let start = block_idx * sizes.block_samples;
        let end = (start + sizes.block_samples).min(self.song.num_samples());
        let covers =
            |segment: &&Segment| segment.start <= start && segment.start + sizes.segment_samples >= end;
        let mut found: Vec<Repeat> =
            self.segments.iter().filter(covers).flat_map(|segment| &segment.repeats).copied().collect();
        found.sort_by(|a, b| b.correlation.total_cmp(&a.correlation));
        let overhang = OVERHANG_S * self.song.sample_rate_hz();
        let inside = |repeat: &Repeat| {
            let margin = (CONTEXT_FRAMES * sizes.hop_samples + sizes.frame_samples) as f64;
            start as f64 - margin + repeat.lag_samples > -overhang - margin
                && end as f64 + repeat.lag_samples < self.song.num_samples() as f64 + overhang
        };
        found.retain(inside);
        // The best of those that are known to hold no voice come first, so that none of them is one too many.
        let is_known = |repeat: &&Repeat| self.is_known(sizes, start, end, repeat);
        let known = found.iter().filter(is_known).take(MAX_KNOWN);
        let mut repeats: Vec<Repeat> = Vec::new();
        for repeat in known.chain(&found) {
            let is_new = |other: &Repeat| (other.lag_samples - repeat.lag_samples).abs() > APART_SAMPLES;
            if repeats.len() < MAX_SOURCES && repeats.iter().all(is_new) {
                repeats.push(*repeat);
            }
        }
        repeats.sort_by(|a, b| b.correlation.total_cmp(&a.correlation));
        let is_free = self.is_free(sizes, start, end, 0.0);
        BlockSources { start, repeats: if is_free { Vec::new() } else { repeats }, is_free }
    }

    /// Whether a repeat of a block is known to hold no voice, and is surely of the same music.
    fn is_known(&self, sizes: &Sizes, start: usize, end: usize, repeat: &Repeat) -> bool {
        repeat.correlation >= KNOWN && self.is_free(sizes, start, end, repeat.lag_samples)
    }

    /// Whether a block, so much later, lies in a passage without a voice.
    fn is_free(&self, sizes: &Sizes, start: usize, end: usize, lag_samples: f64) -> bool {
        let half = sizes.frame_samples as f64 / 2.0;
        let last = self.song.num_samples() as f64;
        let from = (start as f64 + lag_samples - half).max(0.0);
        let to = (end as f64 + lag_samples + half).min(last);
        let holds = |free: &Range<usize>| free.start as f64 <= from && to <= (free.end as f64).min(last);
        self.free.iter().any(holds)
    }

    /// The backing in some frames, channel by channel.
    fn backing(
        &self,
        stft: &mut Stft,
        merger: &mut Merger,
        sizes: &Sizes,
        frames: &Range<usize>,
        block: &BlockSources,
    ) -> Vec<Cells> {
        let mut source = |lag_samples: f64| -> Vec<Cells> {
            self.song
                .channels()
                .iter()
                .map(|channel| read(stft, sizes, channel, frames, lag_samples))
                .collect()
        };
        let song = source(0.0);
        if block.is_free {
            return song;
        }
        let mut backing = if block.repeats.is_empty() {
            song.iter().map(|cells| Cells::silent(cells.len())).collect()
        } else {
            let end = (block.start + sizes.block_samples).min(self.song.num_samples());
            let repeats = block.repeats.iter().map(|repeat| Source {
                channels: source(repeat.lag_samples),
                is_free: self.is_known(sizes, block.start, end, repeat),
            });
            let mut sources = vec![Source { channels: song.clone(), is_free: false }];
            sources.extend(repeats);
            merger.merge(&mut sources)
        };
        if let ([middle, side], Ok(pair)) = (&song[..], <&mut [Cells; 2]>::try_from(&mut backing[..]))
            && self.centre > 0.0
        {
            keep_centre(&[middle, side], pair, sizes.frame_samples / 2 + 1, self.centre);
        }
        backing
    }
}

/// Frames of a channel, so many samples later. The fraction of a sample is a slope of the phase; that the window stays where
/// it is costs -68 dB at most.
fn read(stft: &mut Stft, sizes: &Sizes, channel: &[f32], frames: &Range<usize>, lag_samples: f64) -> Cells {
    let num_bins = stft.num_bins();
    let whole = lag_samples.round();
    let slope = std::f64::consts::TAU * (lag_samples - whole) / sizes.frame_samples as f64;
    let turn: Vec<Complex32> = (0..num_bins)
        .map(|bin| (slope * bin as f64).sin_cos())
        .map(|(sin, cos)| Complex32::new(cos as f32, sin as f32))
        .collect();
    let mut spectrum = vec![Complex32::default(); num_bins];
    let mut cells = Cells::silent(frames.len() * num_bins);
    for (idx, frame) in frames.clone().enumerate() {
        stft.analyse(channel, sizes.frame_start(frame) + whole as i64, &mut spectrum);
        if slope != 0.0 {
            spectrum.iter_mut().zip(&turn).for_each(|(bin, turn)| *bin *= turn);
        }
        cells.set_frame(idx, &spectrum);
    }
    cells
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        finder::{Finder, Searchable},
        noise::noise,
    };

    const RATE_HZ: f64 = 8_000.0;
    const BAR: usize = 17_001;

    /// Six bars that repeat, and a voice of its own over all but the first, in stereo.
    fn song() -> (Song, Vec<f32>) {
        let (bar, voice) = (noise(1, BAR), noise(2, 6 * BAR));
        let backing: Vec<f32> = (0..6 * BAR).map(|n| bar[n % BAR]).collect();
        let mix: Vec<f32> = backing
            .iter()
            .zip(&voice)
            .enumerate()
            .map(|(n, (b, v))| if n < BAR { *b } else { b + 0.5 * v })
            .collect();
        (Song::new(vec![mix.clone(), mix], RATE_HZ), backing)
    }

    fn segments(song: &Song) -> Vec<Segment> {
        let channels = (0..song.channels().len()).map(|channel| Searchable::new(song, channel)).collect();
        let finder = Finder::new(RATE_HZ, channels, &[]);
        let sizes = Sizes::new(RATE_HZ);
        Finder::starts(&sizes, song.num_samples(), &(0..song.num_samples()))
            .into_iter()
            .map(|start| finder.find(song, start))
            .collect()
    }

    fn middle(stretch: &Stretch, song: &Song) -> Vec<f32> {
        stretch.channels[0][-stretch.start as usize..][..song.num_samples()].to_vec()
    }

    fn error_db(found: &[f32], expected: &[f32]) -> f32 {
        let error: f32 = found.iter().zip(expected).map(|(a, b)| (a - b).powi(2)).sum();
        10.0 * (error / expected.iter().map(|x| x * x).sum::<f32>()).log10()
    }

    /// The voice is 6 dB below the backing. Noise over noise is the worst there is to part, so 15 dB are enough.
    #[test]
    fn the_backing_is_what_repeats() {
        let (song, backing) = song();
        let segments = segments(&song);
        let blocks = Builder::blocks_of(&Sizes::new(RATE_HZ), song.num_samples(), &(0..song.num_samples()));
        let plain = Builder { song: &song, segments: &segments, free: &[], centre: 0.0 };
        let stretch = plain.build(blocks.clone());
        let found = error_db(&middle(&stretch, &song), &backing);
        assert!(found < -15.0, "{found} dB");
        assert!(stretch.blocks.iter().all(|block| block.repeats.len() >= 2), "{:?}", stretch.blocks);

        // The first bar is known to be without a voice: it is its own backing, and everybody else's.
        let first_bar = 0..BAR;
        let told = Builder { free: std::slice::from_ref(&first_bar), ..plain };
        let stretch = told.build(blocks);
        let middle = middle(&stretch, &song);
        let error_in = |part: Range<usize>| error_db(&middle[part.clone()], &backing[part]);
        // Two blocks of the third bar that lie within the first one, half a frame away from its ends.
        let (own, other) = (error_in(0..BAR - 2_000), error_in(40_000..48_000));
        assert!(own < -100.0 && other < -30.0, "{own} {other} dB");
        assert!(stretch.blocks[0].is_free && !stretch.blocks[9].is_free);
    }

    /// Stretches that are added up are what is built in one go, but for the order of the sums.
    #[test]
    fn stretches_join() {
        let (song, _) = song();
        let segments = segments(&song);
        let builder = Builder { song: &song, segments: &segments, free: &[], centre: 0.0 };
        let whole = builder.build(4..9);
        let [first, second] = [4..6, 6..9].map(|blocks| builder.build(blocks));
        let at = |stretch: &Stretch, n: i64| {
            usize::try_from(n - stretch.start)
                .ok()
                .and_then(|n| stretch.channels[0].get(n))
                .copied()
                .unwrap_or(0.0)
        };
        for n in whole.start..whole.start + whole.channels[0].len() as i64 {
            assert!((at(&whole, n) - at(&first, n) - at(&second, n)).abs() < 1e-6, "{n}");
        }
        let overlap = first.start + first.channels[0].len() as i64 - second.start;
        assert_eq!(overlap, Sizes::new(RATE_HZ).overlap_samples() as i64);
    }

    /// Without repeats there is no backing, and of one channel there is no middle.
    #[test]
    fn what_is_not_found_is_silent() {
        let song = Song::new(vec![noise(4, 40_000)], RATE_HZ);
        let builder = Builder { song: &song, segments: &segments(&song), free: &[], centre: 1.0 };
        let stretch = builder.build(0..10);
        assert!(stretch.channels[0].iter().all(|x| *x == 0.0));
    }
}
