//! What a job is asked, and what it reports: plain values.

use crate::align::search::Found;
use crate::align::song_map::SongMap;
use crate::causes::diagnosis::Causes;
use crate::discontinuities::Discontinuities;
use crate::matching::movement::Movement;
use crate::settings::Tone;

/// A job to be done.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct JobRequest {
    /// What to do.
    pub task: Task,
    /// Where the transport jumped.
    pub discontinuities: Discontinuities,
    /// Position in the song less position heard.
    pub song_offset: i64,
}

/// What a job is to do.
// A box would be allocated on the audio thread.
#[allow(clippy::large_enum_variant)]
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Task {
    /// Find where the backing lies.
    GlobalSearch(GlobalSearch),
    /// Search about the current alignment.
    LocalSearch {
        /// Current delay, samples.
        delay_samples: i64,
        /// How fast it grows, samples per sample.
        rate: f64,
        /// Position before which another alignment may hold.
        from: i64,
    },
    /// Learn the match.
    Match(MatchRequest),
    /// Find out what limits the null as it is, and learn nothing.
    Study(MatchRequest),
}

/// What a global search starts from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GlobalSearch {
    /// Current delay, or the one that was lost if it is not yet known when; samples.
    pub before: Option<i64>,
    /// How fast that grows, samples per sample.
    pub rate: f64,
    /// Whether it may have jumped by a little.
    pub may_have_jumped: bool,
    /// Whether that still holds.
    pub is_locked: bool,
    /// Position before which another alignment may hold.
    pub from: i64,
    /// The newest backing is silent: whatever is found was played before.
    pub backing_rests: bool,
    /// Alignments known.
    pub sections: SongMap,
}

/// What a match is learned under.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MatchRequest {
    /// Current delay, samples.
    pub delay_samples: i64,
    /// Whether it moves: then the backing is read at the delays at which it was heard.
    pub moving: bool,
    /// How fast it grows, samples per sample.
    pub rate: f64,
    /// Whether it may have jumped by a little, so that it is to be looked for again.
    pub may_have_jumped: bool,
    /// Position before which another alignment may hold.
    pub from: i64,
    /// How the level moves.
    pub movement: Movement,
    /// How free the tone may be.
    pub tone: Tone,
    /// Music that the filter in force was learned from, seconds.
    pub learned_s: f64,
    /// Whether following the level is known to pay.
    pub following_helps: bool,
    /// Whether that was known before any of this music was heard.
    pub is_taken_up: bool,
    /// Whether to look for a curve that bent both.
    pub seeks_bend: bool,
}

/// What a job found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum JobReport {
    /// Of [`Task::GlobalSearch`].
    GlobalSearch(GlobalSearchReport),
    /// Of [`Task::LocalSearch`].
    LocalSearch(LocalSearchReport),
    /// Of [`Task::Match`]. The better filter, if there is one, comes with it.
    Match(MatchReport),
    /// Of [`Task::Study`].
    Study(CausesReport),
}

/// What a global search found.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct GlobalSearchReport {
    /// Where the backing lies.
    pub found: Option<Found>,
    /// Whether the null confirms that.
    pub confirmed: bool,
    /// Whether the null confirms the alignment before.
    pub holds: bool,
    /// Position at which the alignment before gave way to the one found, or to none.
    pub edge: Option<i64>,
}

/// What a local search found.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LocalSearchReport {
    /// Where the backing lies, if anything can be told.
    pub found: Option<Found>,
    /// By how much the null betters the score of the newest music, nats.
    pub cost_reduction: Option<f64>,
    /// What tells that the delay has jumped to where the backing was found, if it has.
    pub jumped: Option<GlobalSearchReport>,
}

/// How learning a match ended.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct MatchReport {
    /// Where the backing is now, as by [`Task::LocalSearch`].
    pub local: LocalSearchReport,
    /// By how much the new filter beats the one in force, nats; `None` if it does not.
    pub cost_reduction: Option<f64>,
    /// Delay, in samples, that was taken out of the new filter and belongs to a delay that moves.
    pub shifted: f64,
    /// Whether following the level makes the difference smaller; `None` = cannot be told.
    pub following_helps: Option<bool>,
    /// Music that the new filter was learned from, seconds.
    pub heard_s: f64,
    /// What limits the null.
    pub causes: CausesReport,
}

/// What limits the null.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct CausesReport {
    /// As far as it is known.
    pub causes: Causes,
    /// Whether enough was heard to know it.
    pub is_known: bool,
}
