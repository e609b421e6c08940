//! What the engine reports: raw numbers, to be scaled and worded by whoever shows them.

use crate::causes::diagnosis::{Cause, Causes, Kind};
use crate::energies::Energies;
use crate::null_depth::estimate::Estimate;
use crate::null_depth::rests::Heard;
use crate::settings::BackingKind;

/// Where the search for the backing stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Lock {
    /// Nothing audible on the sidechain: the mix passes.
    #[default]
    NoBacking,
    /// Backing heard, its alignment with the mix not yet known: the mix passes.
    Searching,
    /// The alignment is known; what is matched is subtracted.
    Locked,
    /// It was known and no longer holds: the mix passes until it is found again.
    Lost,
    /// Found, but later than the latency covers: the mix passes and [`Readings::late_samples`] says by how much.
    TooLate,
}

/// Why no null depth is told.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum Withheld {
    /// The voice does not rest, or what is left in its rests is too uneven to tell.
    #[default]
    NoRest,
    /// Too little of the voice was heard to know what is left beneath it.
    CausesUnknown,
    /// The alignment has changed within the seconds that are reported of.
    AlignmentChanged,
    /// What is left where the voice rests is less than what this leaves: beneath the voice is more of it.
    Forbidden(Kind),
    /// The backing is a machine's estimate, which leaves most where the voice sings: its rests tell nothing of that.
    Estimate,
    /// What is left where the voice rests may be something else than the backing: the null is at least this deep, dB.
    AtLeast(f32),
}

impl Withheld {
    /// What the null depth is at least, dB, if no more can be told of it.
    pub fn at_least_db(self) -> Option<f32> {
        match self {
            Self::AtLeast(depth_db) => Some(depth_db),
            _ => None,
        }
    }
}

/// One set of readings, valid for the hop that was processed last.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Readings {
    /// State of the search.
    pub lock: Lock,
    /// The same, the backing heard or not: what was found is kept while the backing is silent.
    pub kept: Lock,
    /// How much later than the backing the mix plays the same music, samples; negative = the backing is late.
    pub delay_samples: f64,
    /// How far the backing must be moved earlier before it can be subtracted, samples; 0 unless [`Lock::TooLate`].
    pub late_samples: f64,
    /// How fast the delay grows, samples per million samples: positive = the mix runs slower than the backing; 0 while
    /// the delay stands still.
    pub drift_ppm: f32,
    /// True when the backing was found with its polarity flipped.
    pub inverted: bool,
    /// What the backing is taken to be: Auto while it is not decided, and then as a recording.
    pub backing_kind: BackingKind,
    /// Confidence in the alignment found: highest correlation peak over the second highest, at least 1; 0 = unknown.
    pub confidence: f32,
    /// Matched level of the backing, left and right, linear, with sign; 0 = nothing subtracted.
    pub level: [f32; 2],
    /// The level follower's present movement, dB.
    pub follow_db: f32,
    /// Whether the mix was heard within the last seconds; its level is told later than that.
    pub mix_is_heard: bool,
    /// Level of the mix that is put out, as it came in, RMS, dB re full scale.
    pub mix_db: f32,
    /// Level of the backing that came in with that mix, RMS, dB re full scale.
    pub backing_db: f32,
    /// Level of the output over the last hop, RMS, dB re full scale. That of a mix that passes is [`Self::mix_db`].
    pub output_db: f32,
    /// How far the backing is down in the difference, dB: over the last 10 s, power of the matched backing re that of
    /// what is left of it, where the voice rests; `None` while that cannot be told to 3 dB.
    pub null_depth_db: Option<f32>,
    /// Why there is no null depth.
    pub withheld: Withheld,
    /// What limits the null, as of the last job that looked.
    pub causes: Causes,
    /// Whether that has been looked for beneath enough of a voice.
    pub knows_causes: bool,
    /// Whether what a compressor in each band did is told.
    pub knows_dynamics: bool,
    /// By how much what bent the sum held down its peaks, dB, if anything did; it is taken back.
    pub bent_db: Option<f32>,
    /// What the match takes out of the mix, over all music since `reset` from which anything is subtracted.
    pub energies: Energies,
    /// Samples processed since `reset`, in whole hops.
    pub heard_samples: u64,
    /// Samples that were not finite and counted as silence, since `reset`.
    pub bad_samples: u64,
    /// Learning jobs that came back after their time, since `reset`; always 0 offline.
    pub late_jobs: u32,
    /// Counts every change of the learned match.
    pub match_revision: u64,
}

impl Readings {
    /// The null depth under the voice where it was not measured, as far as it can be estimated: none of a machine's backing, which
    /// leaves what no cause explains, nor before the causes are known.
    pub fn estimate(&self) -> Option<Estimate> {
        let is_known = self.knows_causes && self.backing_kind != BackingKind::Estimated;
        self.causes.estimate().filter(|_| is_known && self.null_depth_db.is_none())
    }

    /// What may be told of a null depth that was heard, in all of the spectrum or in a part of it. What is left may move
    /// with the voice, so that its rests tell nothing of it: that is known once the causes are.
    pub fn told(&self, heard: Option<Heard>) -> Result<f32, Withheld> {
        let Heard { depth_db, beneath_voice, at_least } = heard.ok_or(Withheld::NoRest)?;
        if self.backing_kind == BackingKind::Estimated {
            return Err(Withheld::Estimate);
        }
        let limits = || self.causes.iter().filter(|_| beneath_voice);
        if let Some(kind) = self.causes.forbidding(depth_db).filter(|_| beneath_voice && !at_least) {
            return Err(Withheld::Forbidden(kind));
        }
        if beneath_voice && !self.knows_causes {
            return Err(Withheld::CausesUnknown);
        }
        if !at_least {
            return Ok(depth_db);
        }
        // Less than a bound is one, too: as much as the causes allow is there beneath the voice as well.
        Err(Withheld::AtLeast(limits().filter_map(Cause::allowed_db).fold(depth_db, f32::min)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::null_depth::estimate::{Evidence, Limit};

    /// A null of 60 dB beneath a voice: of clipping that leaves 20 dB, its rests tell nothing.
    #[test]
    fn a_depth_is_told_once_it_is_known_what_the_voice_may_hide() {
        let heard = |beneath_voice| Some(Heard { depth_db: 60.0, beneath_voice, at_least: false });
        let unknown = Readings::default();
        let unlimited = Readings { knows_causes: true, ..unknown };
        let clipped = Readings { causes: Causes::rank([(Kind::Clipping, 0.01)], 1e-6, 0.0), ..unlimited };
        assert_eq!(unlimited.told(heard(true)), Ok(60.0));
        let estimate = Readings { backing_kind: BackingKind::Estimated, ..unlimited };
        assert_eq!(estimate.told(heard(false)), Err(Withheld::Estimate));
        assert_eq!(unknown.told(heard(true)), Err(Withheld::CausesUnknown));
        assert_eq!(clipped.told(heard(true)), Err(Withheld::Forbidden(Kind::Clipping)));
        // Where nobody sings the voice hides nothing.
        assert_eq!(clipped.told(heard(false)), Ok(60.0));
        assert_eq!(unknown.told(None), Err(Withheld::NoRest));
        // A level that moves leaves more than so deep a rest tells.
        let evidence = Evidence { limit: Limit::Level, figure_db: 35.0 };
        let moving = Readings { causes: Causes::default().with_evidence(Some(evidence)), ..unlimited };
        assert!(matches!(moving.told(heard(true)), Err(Withheld::Forbidden(Kind::Movement { .. }))));
        assert_eq!(moving.told(heard(false)), Ok(60.0));
        // A bound is held to the same.
        let bound = |beneath_voice| Some(Heard { depth_db: 60.0, beneath_voice, at_least: true });
        assert_eq!(unlimited.told(bound(true)), Err(Withheld::AtLeast(60.0)));
        assert_eq!(unknown.told(bound(false)), Err(Withheld::AtLeast(60.0)));
        assert_eq!(unknown.told(bound(true)), Err(Withheld::CausesUnknown));
        assert_eq!(clipped.told(bound(true)), Err(Withheld::AtLeast(20.0)));
    }

    /// An estimate stands in for what was not measured, once the causes are known, and never for a machine's backing.
    #[test]
    fn an_estimate_stands_in_for_what_was_not_measured() {
        let evidence = Evidence { limit: Limit::Codec, figure_db: 30.0 };
        let causes = Causes::default().with_evidence(Some(evidence));
        let sings = Readings { causes, knows_causes: true, ..Readings::default() };
        assert_eq!(sings.estimate(), Some(evidence.estimate()));
        for other in [
            Readings { null_depth_db: Some(40.0), ..sings },
            Readings { knows_causes: false, ..sings },
            Readings { backing_kind: BackingKind::Estimated, ..sings },
        ] {
            assert_eq!(other.estimate(), None);
        }
    }
}
