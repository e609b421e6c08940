//! Reads both files ahead of the engine, so that decoding and resampling take none of its time.

use std::{
    sync::mpsc::{Receiver, sync_channel},
    thread::Scope,
};

use anyhow::{Context, Result};

use crate::read::AudioReader;

/// Blocks that are read ahead at most.
const AHEAD_BLOCKS: usize = 8;

/// The next samples of both files.
pub struct Inputs {
    /// Of the mix, `[channel_idx][sample_idx]`; silence beyond its end.
    pub mix: Vec<Vec<f32>>,
    /// Of the backing, likewise.
    pub backing: Vec<Vec<f32>>,
    /// Samples of the mix that are in its file: fewer than a block only at its end.
    pub num_samples: usize,
}

/// Two files being read on a thread of their own.
pub struct Ahead(Receiver<Result<Inputs>>);

impl Ahead {
    /// Starts reading blocks of so many samples, mix first; the thread ends with the scope or when this is dropped.
    pub fn start<'scope>(
        scope: &'scope Scope<'scope, '_>,
        [mut mix, mut backing]: [AudioReader; 2],
        block_samples: usize,
    ) -> Self {
        let silence = move |reader: &AudioReader| vec![vec![0.0; block_samples]; reader.num_channels()];
        // After the end there is silence for as long as somebody wants it.
        Self::of(
            scope,
            std::iter::repeat_with(move || {
                let mut inputs = Inputs { mix: silence(&mix), backing: silence(&backing), num_samples: 0 };
                inputs.num_samples = mix.read(&mut inputs.mix)?;
                backing.read(&mut inputs.backing)?;
                Ok(inputs)
            }),
        )
    }

    /// Starts making blocks, up to the first that fails.
    pub fn of<'scope>(
        scope: &'scope Scope<'scope, '_>,
        inputs: impl Iterator<Item = Result<Inputs>> + Send + 'scope,
    ) -> Self {
        let (blocks, ahead) = sync_channel(AHEAD_BLOCKS);
        scope.spawn(move || {
            for inputs in inputs {
                let failed = inputs.is_err();
                if blocks.send(inputs).is_err() || failed {
                    break;
                }
            }
        });
        Self(ahead)
    }

    /// The next block.
    pub fn next(&self) -> Result<Inputs> {
        self.0.recv().context("internal fault in reading the files")?
    }
}
