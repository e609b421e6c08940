//! The pass that learns.

use std::{
    ops::ControlFlow,
    sync::atomic::{AtomicBool, AtomicI64, Ordering::Relaxed},
    thread,
};

use anyhow::{Result, bail};
use minuend_engine::{Lock, Match};

use super::{
    far::far_offset_samples,
    pair::{Pair, Start},
    pass::Pass,
    play::play,
};
use crate::progress::{Progress, tell};

/// How often the backing may be moved before its place is given up: once brings it inside the engine's latency, unless
/// the reading was still settling.
const MAX_MOVES: usize = 3;

/// How often a pair that was bent is learned again: with the curve that was found beneath a filter that cannot follow it, and
/// with the one that is found then.
const STRAIGHTENED: usize = 2;

/// Learns over the whole song, moving the backing until it lies within reach of the engine's latency. `None` if the
/// backing was never found.
///
/// Whether it lies too far away for the engine's own search is found out meanwhile, since it hardly ever does; if it
/// does, learning starts over with the backing moved. So it does not count which of the two is done first.
pub fn learn(pair: &Pair, progress: &mut Progress) -> Result<Option<Pass>> {
    let far_samples = AtomicI64::new(0);
    let wanted = AtomicBool::new(true);
    thread::scope(|scope| {
        let search = scope.spawn(|| {
            let found = far_offset_samples(pair.mix, pair.backing, &wanted);
            far_samples.store(*found.as_ref().unwrap_or(&0), Relaxed);
            found
        });
        let near = learn_from(pair, 0, &far_samples, progress);
        wanted.store(near.is_ok(), Relaxed);
        let far = search.join().unwrap_or_else(|_| bail!("internal fault in the search for the backing"));
        match (near?, far?) {
            (pass, 0) => Ok(pass),
            (_, far_samples) => learn_from(pair, far_samples, &AtomicI64::new(0), progress),
        }
    })
}

/// Learns with the backing moved earlier by so many samples, or more if that is not enough. Breaks off with `None` as
/// soon as `elsewhere` is not 0.
fn learn_from(
    pair: &Pair,
    mut advance_samples: i64,
    elsewhere: &AtomicI64,
    progress: &mut Progress,
) -> Result<Option<Pass>> {
    let mut moves = 0;
    // How the pair was bent, and how often it was learned from the beginning with that taken back.
    let (mut bent, mut straightened) = (None, 0);
    loop {
        let mut late_samples = 0.0;
        let learned = bent.as_ref();
        let seeks_bend = straightened < STRAIGHTENED;
        let start = Start { advance_samples, learned, seeks_bend, ..Start::default() };
        let pass = play(pair, start, 0..u64::MAX, &mut |block| {
            if elsewhere.load(Relaxed) != 0 {
                return Ok(ControlFlow::Break(()));
            }
            if block.readings.lock == Lock::TooLate && moves < MAX_MOVES {
                late_samples = block.readings.late_samples;
                return Ok(ControlFlow::Break(()));
            }
            // What is learned again is not done twice.
            tell(progress, if straightened > 0 { 1.0 } else { block.done })
        })?;
        if late_samples <= 0.0 {
            if let Some(bend) = pass.bend.filter(|_| elsewhere.load(Relaxed) == 0) {
                bent = Some(Match { bend, ..Match::unknown(pass.learned.found.sample_rate_hz, 0) });
                straightened += 1;
                continue;
            }
            return Ok((pass.locked > 0.0).then_some(pass));
        }
        advance_samples += late_samples.ceil() as i64;
        moves += 1;
    }
}
