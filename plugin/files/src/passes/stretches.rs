//! A song in stretches, two at a time. Only for a match that stands: then a stretch needs no more of what was before it than
//! the engine needs to settle.
//!
//! Where the stretches begin depends on the part alone, so that a machine makes the same samples however busy it is. Where one gives way
//! to the next they are faded into each other, since what was followed through five seconds and through a minute of music
//! is not the same to the last bit.

use std::{
    ops::Range,
    sync::{
        Arc,
        mpsc::{Receiver, Sender, channel, sync_channel},
    },
    thread::Scope,
};

use anyhow::Result;
use minuend_engine::{Claims, Energies, Readings};

use super::{
    ahead::{Ahead, Inputs},
    block::{BLOCK_SAMPLES, LeadIn},
    pair::{Format, Pair, Start},
    player::{Output, Player},
};

/// Length of a stretch, s: long beside the lead-in, and short enough that two of them fit into memory.
const STRETCH_S: f64 = 60.0;
/// Fade from one into the next, s.
const FADE_S: f64 = 0.02;
/// Stretches that are worked on at a time: as many as the smallest machines have processors.
const AT_A_TIME: usize = 2;

/// A block of output.
pub struct Played {
    /// Position of its first sample in the mix.
    pub at_sample: u64,
    /// `[channel_idx][sample_idx]`.
    pub output: Vec<Vec<f32>>,
    /// What went into the engine as this came out of it.
    pub inputs: Arc<Inputs>,
    /// The engine's readings at its end.
    pub readings: Readings,
    /// What the match took out of the mix since the block before.
    pub energies: Energies,
    /// What the backing claimed of the mix.
    pub claims: Claims,
}

/// The blocks of a stretch.
type Blocks = Receiver<Result<Played>>;

/// The stretches of a part of a song, in order.
pub struct Stretches {
    begun: Receiver<(Range<u64>, Blocks)>,
    current: Option<Blocks>,
    fade: Fade,
}

impl Stretches {
    /// Starts on a part in samples of the mix, both files being read from its [`LeadIn`] on. The threads end with the scope, or
    /// when this is dropped.
    pub fn start<'scope>(
        scope: &'scope Scope<'scope, '_>,
        pair: &'scope Pair<'scope>,
        format: Format,
        start: Start<'scope>,
        part: Range<u64>,
        ahead: Ahead,
    ) -> Self {
        let [stretch_samples, fade_samples] =
            [STRETCH_S, FADE_S].map(|s| (s * f64::from(format.rate_hz)) as u64);
        // Those begun and not yet taken up; one more is being handed out.
        let (begun, stretches) = sync_channel(AT_A_TIME - 1);
        scope.spawn(move || {
            let mut open: Vec<Feed> = Vec::new();
            let lead_in = LeadIn::new(&start, format.rate_hz);
            let (mut at, mut next) = (lead_in.before(part.start), part.start);
            let mut part_end = part.end;
            while next < part_end || !open.is_empty() {
                let block_end = at + BLOCK_SAMPLES as i64;
                while next < part_end && lead_in.before(next) < block_end {
                    let begin = next;
                    next = begin.saturating_add(stretch_samples);
                    let end = next.saturating_add(fade_samples).min(part.end);
                    let (output, blocks) = channel();
                    // Waits until there is a processor for it; an error means that nobody listens any more.
                    if begun.send((begin..next, blocks)).is_err() {
                        return;
                    }
                    match Player::new(pair, format, &start, at, at, begin..end) {
                        Ok(player) => {
                            let (feed, inputs) = channel();
                            open.push(Feed {
                                inputs: feed,
                                end: end.saturating_add(player.latency_samples()).min(i64::MAX as u64) as i64,
                            });
                            scope.spawn(move || play(player, &inputs, &output));
                        }
                        Err(error) => _ = output.send(Err(error)),
                    }
                }
                let inputs = match ahead.next() {
                    Ok(inputs) => Arc::new(inputs),
                    Err(error) => {
                        // The others hear no more of it.
                        _ = open.first().map(|feed| feed.inputs.send(Err(error)));
                        return;
                    }
                };
                if inputs.num_samples < BLOCK_SAMPLES {
                    part_end = part_end.min((at + inputs.num_samples as i64).max(0) as u64);
                }
                at = block_end;
                open.retain(|feed| feed.inputs.send(Ok(inputs.clone())).is_ok() && at < feed.end);
            }
        });
        Self { begun: stretches, current: None, fade: Fade::new(fade_samples) }
    }

    /// The next block; `None` at the end of the part or of the mix.
    pub fn next(&mut self) -> Result<Option<Played>> {
        loop {
            let Some(current) = &self.current else {
                let Ok((stretch, blocks)) = self.begun.recv() else { return Ok(None) };
                self.fade.enter(stretch);
                self.current = Some(blocks);
                continue;
            };
            match current.recv() {
                Ok(played) => {
                    let mut played = played?;
                    self.fade.join(played.at_sample, &mut played.output);
                    if !played.output[0].is_empty() {
                        return Ok(Some(played));
                    }
                }
                Err(_) => self.current = None,
            }
        }
    }
}

/// Where a stretch gets its blocks from, up to a position in the mix.
struct Feed {
    inputs: Sender<Result<Arc<Inputs>>>,
    end: i64,
}

/// Plays one stretch. Where somebody has stopped listening, so does this.
fn play(mut player: Player, inputs: &Receiver<Result<Arc<Inputs>>>, output: &Sender<Result<Played>>) {
    while !player.is_done() {
        let Ok(inputs) = inputs.recv() else { return };
        let played = inputs.map(|inputs| {
            let Output { at_sample, channels, readings, energies, claims } = player.play(&inputs);
            let output = channels.into_iter().map(<[f32]>::to_vec).collect();
            Played { at_sample, output, readings: *readings, energies, claims, inputs }
        });
        let failed = played.is_err();
        if output.send(played).is_err() || failed {
            return;
        }
    }
    if let Err(error) = player.learned() {
        _ = output.send(Err(error));
    }
}

/// Fades each stretch into the next one.
struct Fade {
    samples: usize,
    stretch: Range<u64>,
    /// What the stretch before has played beyond its end, and what this one has.
    before: Vec<Vec<f32>>,
    beyond: Vec<Vec<f32>>,
}

impl Fade {
    fn new(samples: u64) -> Self {
        Self { samples: samples as usize, stretch: 0..0, before: Vec::new(), beyond: Vec::new() }
    }

    fn enter(&mut self, stretch: Range<u64>) {
        self.stretch = stretch;
        self.before = std::mem::take(&mut self.beyond);
    }

    /// Leaves of a block what belongs to the stretch.
    fn join(&mut self, at_sample: u64, block: &mut [Vec<f32>]) {
        self.beyond.resize(block.len(), Vec::new());
        let begun = (at_sample - self.stretch.start) as usize;
        for (idx, channel) in block.iter_mut().enumerate() {
            let before = self.before.get(idx).map_or(&[][..], |before| &before[begun.min(before.len())..]);
            for (n, (now, before)) in channel.iter_mut().zip(before).enumerate() {
                *now = before + (*now - before) * ((begun + n + 1) as f32 / (self.samples + 1) as f32);
            }
            let kept = self.stretch.end.saturating_sub(at_sample).min(channel.len() as u64);
            self.beyond[idx].extend(channel.drain(kept as usize..));
        }
    }
}

#[cfg(test)]
mod tests {
    use std::{path::Path, thread};

    use anyhow::bail;
    use minuend_engine::{Engine, Settings};

    use super::*;
    use crate::noise::samples;

    const RATE_HZ: u32 = 8_000;

    /// A file that cannot be read further ends the song with an error, whatever was played before.
    #[test]
    fn a_fault_in_a_file_is_an_error() {
        let blocks = 80 * RATE_HZ as usize / BLOCK_SAMPLES;
        let format = Format { rate_hz: RATE_HZ, num_channels: 1 };
        let pair =
            Pair { mix: Path::new("mix"), backing: Path::new("backing"), settings: Settings::default() };
        thread::scope(|scope| {
            let noise = || vec![samples(1, BLOCK_SAMPLES)];
            let ahead = Ahead::of(
                scope,
                (0..=blocks).map(move |block| {
                    if block == blocks {
                        bail!("damaged");
                    }
                    Ok(Inputs { mix: noise(), backing: noise(), num_samples: BLOCK_SAMPLES })
                }),
            );
            let mut stretches = Stretches::start(scope, &pair, format, Start::default(), 0..u64::MAX, ahead);
            let mut heard = 0;
            let error = loop {
                match stretches.next() {
                    Ok(played) => heard += played.expect("no end before the fault").output[0].len(),
                    Err(error) => break error,
                }
            };
            assert_eq!(error.to_string(), "damaged");
            assert!(heard > 60 * RATE_HZ as usize, "{heard}");
        });
    }

    /// A stretch that cannot be begun ends the song with an error, too.
    #[test]
    fn a_match_that_is_not_usable_is_an_error() {
        let mut learned = Engine::new(f64::from(RATE_HZ), 1).unwrap().learned().clone();
        learned.learned_s = f64::NAN;
        let format = Format { rate_hz: RATE_HZ, num_channels: 1 };
        let pair =
            Pair { mix: Path::new("mix"), backing: Path::new("backing"), settings: Settings::default() };
        thread::scope(|scope| {
            let silence = || vec![vec![0.0; BLOCK_SAMPLES]];
            let ahead = Ahead::of(
                scope,
                std::iter::repeat_with(move || {
                    Ok(Inputs { mix: silence(), backing: silence(), num_samples: BLOCK_SAMPLES })
                }),
            );
            let start = Start { learned: Some(&learned), ..Start::default() };
            let mut stretches = Stretches::start(scope, &pair, format, start, 0..1, ahead);
            assert!(stretches.next().is_err_and(|error| error.to_string().contains("not usable")));
        });
    }

    /// What a stretch plays beyond its end goes over into the next one in even steps; from 0 to 1 over 3 samples by quarters.
    #[test]
    fn fades_in_even_steps() {
        let mut fade = Fade::new(3);
        let join = |fade: &mut Fade, at_sample, samples: &[f32]| {
            let mut block = vec![samples.to_vec()];
            fade.join(at_sample, &mut block);
            block.remove(0)
        };
        fade.enter(10..14);
        assert_eq!(join(&mut fade, 10, &[0.5, 0.5, 0.5]), [0.5, 0.5, 0.5]);
        assert_eq!(join(&mut fade, 13, &[0.5, 0.0]), [0.5]);
        assert_eq!(join(&mut fade, 15, &[0.0, 0.0]), [0.0; 0]);
        fade.enter(14..20);
        assert_eq!(join(&mut fade, 14, &[1.0, 1.0]), [0.25, 0.5]);
        assert_eq!(join(&mut fade, 16, &[1.0, 1.0]), [0.75, 1.0]);
    }
}
