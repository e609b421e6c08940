//! An engine on its way through a part of two files.

use std::ops::Range;

use anyhow::{Context, Result, ensure};
use minuend_engine::{Engine, Match, Readings, Settings, causes::Causes};

use super::{ahead::Inputs, passes::Pair, worker::Threaded};

/// Samples a step; the output does not depend on it.
pub const BLOCK_SAMPLES: usize = 4096;

/// What is played before a part of a song, so that the engine's stages have settled, s.
const LEAD_IN_S: f64 = 5.0;

/// What an engine starts from.
#[derive(Clone, Copy, Default)]
pub struct Start<'a> {
    /// By how much the backing is moved earlier, samples.
    pub advance_samples: i64,
    /// What was learned.
    pub learned: Option<&'a Match>,
    /// What is known to limit the null.
    pub causes: Option<&'a Causes>,
    /// Whether its output is of use.
    pub is_heard: bool,
}

/// How the mix and the output are made.
#[derive(Clone, Copy)]
pub struct Format {
    /// Sample rate, Hz.
    pub rate_hz: u32,
    /// Channels of the mix.
    pub num_channels: usize,
}

/// Plays blocks of both files, and knows what of the output belongs to its part.
pub struct Player {
    engine: Engine,
    worker: Threaded,
    settings: Settings,
    output: Vec<Vec<f32>>,
    part: Range<u64>,
    /// Length of the mix, samples, as far as it was read.
    num_samples: u64,
    mix_ended: bool,
    /// Output still to be dropped at the start, and output already handed out.
    left_out: u64,
    written: u64,
}

/// What came out of a block and belongs to the part.
pub struct Output<'a> {
    /// Position in the mix of its first sample.
    pub at_sample: u64,
    /// One slice a channel, empty while the engine settles.
    pub channels: Vec<&'a [f32]>,
    /// The engine's readings at the block's end.
    pub readings: &'a Readings,
}

/// Position in the mix from which a part is played, so that the engine has settled where it begins.
pub fn lead_in(part_start: u64, rate_hz: u32) -> u64 {
    part_start.saturating_sub((LEAD_IN_S * f64::from(rate_hz)) as u64)
}

impl Player {
    /// For a part in samples of the mix, or up to the mix's end if that comes first. The first block is to begin at `from`;
    /// `num_samples` of the mix have been passed over, fewer if it is shorter.
    pub fn new(
        pair: &Pair,
        format: Format,
        start: &Start,
        from: u64,
        num_samples: u64,
        part: Range<u64>,
    ) -> Result<Self> {
        let Format { rate_hz, num_channels } = format;
        let mut engine =
            Engine::new(f64::from(rate_hz), num_channels).with_context(|| pair.mix.display().to_string())?;
        if let Some(learned) = start.learned {
            ensure!(engine.recall(learned), "the match that was learned is not usable");
        }
        if let Some(causes) = start.causes {
            engine.recall_causes(causes);
        }
        if !start.is_heard {
            engine.play_unheard();
        }
        engine.song_at(from as i64);
        Ok(Self {
            left_out: engine.latency_samples() as u64 + (part.start - from),
            engine,
            worker: Threaded::new()?,
            settings: pair.settings,
            output: vec![vec![0.0; BLOCK_SAMPLES]; num_channels],
            part,
            num_samples,
            mix_ended: false,
            written: 0,
        })
    }

    /// Whether all of the part was handed out.
    pub fn is_done(&self) -> bool {
        (self.mix_ended || self.num_samples >= self.part.end) && self.written >= self.wanted()
    }

    /// Samples of the part, as far as is known.
    fn wanted(&self) -> u64 {
        self.num_samples.min(self.part.end).saturating_sub(self.part.start)
    }

    /// Plays the next block.
    pub fn play(&mut self, inputs: &Inputs) -> Output<'_> {
        self.num_samples += inputs.num_samples as u64;
        self.mix_ended = inputs.num_samples < BLOCK_SAMPLES;
        self.output.clone_from(&inputs.mix);
        let mut in_and_out: Vec<_> = self.output.iter_mut().map(Vec::as_mut_slice).collect();
        let backing: Vec<_> = inputs.backing.iter().map(Vec::as_slice).collect();
        self.engine.process(&mut in_and_out, &backing, &self.settings, &mut self.worker);

        let from = self.left_out.min(BLOCK_SAMPLES as u64) as usize;
        self.left_out -= from as u64;
        let to = BLOCK_SAMPLES.min(from + self.wanted().saturating_sub(self.written) as usize);
        let at_sample = self.part.start + self.written;
        self.written += (to - from) as u64;
        let channels = self.output.iter().map(|channel| &channel[from..to]).collect();
        Output { at_sample, channels, readings: self.engine.readings() }
    }

    /// How much later the output is than the input, samples.
    pub fn latency_samples(&self) -> u64 {
        self.engine.latency_samples() as u64
    }

    /// Length of the mix, samples, as far as it was read.
    pub fn num_samples(&self) -> u64 {
        self.num_samples
    }

    /// What is known by now; an error if learning broke off.
    pub fn learned(&self) -> Result<&Match> {
        ensure!(
            self.engine.readings().late_jobs == 0,
            "learning broke off by a fault of this program; please report it with both files"
        );
        Ok(self.engine.learned())
    }
}
