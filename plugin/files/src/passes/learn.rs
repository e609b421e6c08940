//! The pass that learns.

use std::{
    ops::ControlFlow,
    sync::atomic::{AtomicBool, AtomicI64, Ordering::Relaxed},
    thread,
};

use anyhow::{Result, bail};
use minuend_engine::{DynamicsModel, Lock, Match, Settings, Verdict, settings::BackingKind};

use super::{
    far::WholeSong,
    pair::{Pair, Start},
    pass::Pass,
    play::play,
    sections::{State, sections},
};
use crate::progress::{Progress, tell};

/// How often the backing may be moved before its place is given up: once brings it inside the engine's latency, unless
/// the reading was still settling.
const MAX_MOVES: usize = 3;

/// How often a pair that was bent is learned again: with the curve that was found beneath a filter that cannot follow it, and
/// with the one that is found then.
const STRAIGHTENED: usize = 2;
/// The place that the whole song tells stands unless it explains less than this share of the mix's energy that the engine's own
/// does: repeats may explain a little more here and there. Chosen by hand; not measured.
const STANDS: f64 = 0.7;

/// Learns over the whole song, moving the backing until it lies within reach of the engine's latency. `None` if the
/// backing was never found.
///
/// The whole of both files is compared meanwhile: a backing that lies too far away for the engine's own search, or that the
/// engine found in another place of a song that repeats, is moved and learned anew. So it does not count which of the two is
/// done first.
pub fn learn(pair: &Pair, progress: &mut Progress) -> Result<Option<Pass>> {
    let far_samples = AtomicI64::new(0);
    let wanted = AtomicBool::new(true);
    thread::scope(|scope| {
        let search = scope.spawn(|| {
            let whole = WholeSong::compare(pair.mix, pair.backing, &wanted);
            let far = whole.as_ref().ok().and_then(Option::as_ref).map_or(0, |whole| whole.far_samples);
            far_samples.store(far, Relaxed);
            whole
        });
        let near = learn_from(pair, 0, &far_samples, progress);
        wanted.store(near.is_ok(), Relaxed);
        let whole = search.join().unwrap_or_else(|_| bail!("internal fault in the search for the backing"));
        let (pass, whole) = (near?, whole?);
        let Some(whole) = whole else { return Ok(pass) };
        let places = match (whole.far_samples, &pass) {
            (0, Some(pass)) => Vec::from_iter(whole.better_samples(&pass.delays(), pass.moves())),
            (0, None) => whole.likely_samples(),
            (far, _) => vec![far],
        };
        let explained = |pass: &Option<Pass>| pass.as_ref().map_or(0.0, Pass::explained);
        let mut least = STANDS * explained(&pass);
        let mut pass = pass;
        for moved in places {
            let again = learn_from(pair, moved, &AtomicI64::new(0), progress)?;
            if explained(&again) > least {
                least = explained(&again);
                pass = again;
            }
        }
        Ok(pass.map(|pass| {
            let also_at = if pass.moves() { Vec::new() } else { whole.also_at(&pass.delays()) };
            Pass { also_at, ..pass }
        }))
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
    let mut settings = pair.settings;
    loop {
        let mut late_samples = 0.0;
        let learned = bent.as_ref();
        let pair = &Pair { settings, ..*pair };
        let seeks_bend = straightened < STRAIGHTENED;
        let is_estimate = settings.backing_kind == BackingKind::Estimated;
        let is_again = straightened > 0 || is_estimate;
        let start = Start { advance_samples, learned, seeks_bend, ..Start::default() };
        let mut pass = play(pair, start, 0..u64::MAX, &mut |block| {
            if elsewhere.load(Relaxed) != 0 {
                return Ok(ControlFlow::Break(()));
            }
            if block.readings.lock == Lock::TooLate && moves < MAX_MOVES {
                late_samples = block.readings.late_samples;
                return Ok(ControlFlow::Break(()));
            }
            // What is learned again is not done twice.
            tell(progress, if is_again { 1.0 } else { block.done })
        })?;
        if late_samples <= 0.0 {
            if let Some(bend) = pass.bend.filter(|_| elsewhere.load(Relaxed) == 0) {
                bent = Some(Match { bend, ..Match::unknown(pass.learned.found.sample_rate_hz, 0) });
                straightened += 1;
                continue;
            }
            let belongs_together = belongs_together(&pass);
            let found = &mut pass.learned.found;
            if settings.backing_kind == BackingKind::Auto && found.verdict == Verdict::Estimate {
                // Until that was known, it was learned as freely as a recording is, which takes voice along.
                settings.backing_kind = BackingKind::Estimated;
                continue;
            }
            if is_estimate {
                found.verdict = Verdict::Estimate;
            }
            if !belongs_together {
                found.dynamics = DynamicsModel::NONE;
            }
            if !found.dynamics.is_none() {
                // They were heard through a match that was still being learned: hear them through the one that will be played, and
                // weigh what is heard by what this model leaves. It was found clearly once; the second time only betters it.
                let held = Pair { settings: Settings { hold: true, ..settings }, ..*pair };
                let start = Start { learned: Some(found), seeks_bend: false, ..start };
                let again = play(&held, start, 0..u64::MAX, &mut |_| match elsewhere.load(Relaxed) {
                    0 => tell(progress, 1.0),
                    _ => Ok(ControlFlow::Break(())),
                })?;
                if !again.learned.found.dynamics.is_none() {
                    found.dynamics = again.learned.found.dynamics;
                }
            }
            pass.readings.causes = pass.readings.causes.with_match(found);
            return Ok(pass.was_found.then_some(pass));
        }
        advance_samples += late_samples.ceil() as i64;
        moves += 1;
    }
}

/// Whether nothing in a pass speaks against the match. What does not belong together, or is swapped, must not be made to: gains
/// that fall where the backing holds more would hide it.
fn belongs_together(pass: &Pass) -> bool {
    let rate_hz = pass.learned.found.sample_rate_hz;
    let sections = sections(&pass.series, pass.num_samples as f64 / rate_hz, rate_hz);
    pass.series.energies().misfit().is_none()
        && sections.iter().all(|section| section.state != State::HoldsMore)
}
