//! In what mix and backing differ, and how many dB each difference is worth: plain values, and their order.

use crate::dsp::units::{db_to_power, power_to_db};
use crate::learned::Match;
use crate::null_depth::estimate::{Estimate, Evidence, Limit};

/// Most causes reported at a time. Chosen by hand; not measured.
pub const MOST_CAUSES: usize = 8;
/// Depth of a null that counts as perfect, dB; what limits it beyond that is not reported. 16 bits end at 96 dB.
const DEEPEST_DB: f64 = 100.0;
/// Least worth of a corrected difference that is reported, dB. What a stage adds may be its own error, which is at most all that is
/// left: that alone would read as 3 dB, and the estimate of what is left errs by as much again.
const LEAST_WORTH_DB: f64 = 6.0;
/// What is left of movements of level or delay once they are followed, power re what they alone would leave (-20 dB): it
/// was -18 to -28 dB of movements as fast as limiters are.
pub const FOLLOWED: f64 = 0.01;

/// One of the two signals.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Signal {
    /// The main input.
    Mix,
    /// The sidechain.
    Backing,
}

/// Level of what crosses the sides re all that is subtracted, dB, from which on the sides of the backing are exchanged. A mono mix of a
/// stereo backing takes half from either. Chosen by hand; not measured.
pub const EXCHANGED_DB: f32 = -1.25;

/// In what mix and backing differ.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Kind {
    /// The mix plays the same music so many samples later.
    Delay {
        /// Positive when the mix is later.
        samples: f64,
    },
    /// The polarity is flipped.
    Polarity,
    /// The clocks run apart.
    Clock {
        /// By how much the backing must be slowed, parts per million.
        ppm: f64,
    },
    /// The speed fluctuates, as that of tape and vinyl does.
    Wow {
        /// Standard deviation of the delay about a straight line, samples.
        samples: f64,
    },
    /// The backing is at another level.
    Level {
        /// Level of the backing in the mix re the backing, left and right, dB.
        sides_db: [f32; 2],
    },
    /// The tone differs.
    Tone {
        /// Largest difference from the level, dB, and where it is, Hz.
        most_db: f32,
        /// Frequency of the largest difference.
        at_hz: f32,
    },
    /// Left and right are mixed otherwise.
    Width {
        /// Level of what crosses the sides re what stays, dB.
        across_db: f32,
    },
    /// The level moves.
    Movement {
        /// Range within which it is for nine tenths of the time, dB.
        range_db: f32,
    },
    /// One signal ends at a frequency where the other goes on, and is the same below.
    BandLimit {
        /// Where it ends.
        above_hz: f32,
        /// Which one ends.
        missing_in: Signal,
    },
    /// A lossy codec: what is left rises and falls with the music, but at random within it.
    Codec {
        /// Where one signal ends, if it does, and which.
        edge: Option<(f32, Signal)>,
    },
    /// Noise that neither signal's music explains: hiss, dither.
    Noise {
        /// Its level re full scale, RMS, dB, if it is white.
        level_db: f32,
    },
    /// Loud moments were bent: clipping, saturation.
    Clipping,
    /// The backing holds the voice.
    Bleed {
        /// Level of the voice in the backing re the voice in the difference, dB.
        level_db: f32,
    },
}

impl Kind {
    /// Whether it remains, since no gain, delay or filter can take it away; otherwise it is corrected.
    pub fn stands(&self) -> bool {
        matches!(
            self,
            Self::BandLimit { .. }
                | Self::Codec { .. }
                | Self::Noise { .. }
                | Self::Clipping
                | Self::Bleed { .. }
        )
    }
}

/// One difference and its worth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cause {
    /// In what mix and backing differ.
    pub kind: Kind,
    /// Null depth that this difference alone would leave if it was not corrected, dB.
    pub depth_db: f32,
    /// If it remains: how much deeper the null could be without it, dB. If it is corrected: how much shallower the null
    /// would be otherwise, dB.
    pub worth_db: f32,
}

impl Cause {
    /// Whether a null depth heard where the voice rests, dB, is deeper than this cause allows: then what is left moves
    /// with the voice, as that of codecs, clippers and limiters may, and its rests say nothing of it.
    pub fn forbids(&self, null_depth_db: f32) -> bool {
        self.allowed_db().is_some_and(|allowed_db| null_depth_db > allowed_db + LEAST_WORTH_DB as f32)
    }

    /// The null depth that it allows beneath the voice, dB, if it limits that.
    pub fn allowed_db(&self) -> Option<f32> {
        match self.kind {
            // A voice in the backing is no backing in the difference.
            Kind::Bleed { .. } => None,
            Kind::Movement { .. } | Kind::Wow { .. } => Some(self.depth_db - power_to_db(FOLLOWED) as f32),
            kind => kind.stands().then_some(self.depth_db),
        }
    }
}

/// The causes: first those that remain and limit the null, then those that are corrected, in either the largest first. And the
/// null depth beneath the voice that goes with them, as an estimate.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Causes {
    ranked: [Option<Cause>; MOST_CAUSES],
    beneath_voice: Option<Evidence>,
    /// Hard clipping, if there is any, whatever else limits it.
    clipped: Option<Evidence>,
}

impl Causes {
    /// In order.
    pub fn iter(&self) -> impl Iterator<Item = &Cause> {
        self.ranked.iter().flatten()
    }

    /// The first, if there is any.
    pub fn first(&self) -> Option<&Cause> {
        self.iter().next()
    }

    /// Whether mix and backing seem to have been bent.
    pub fn tell_bend(&self) -> bool {
        let limit = self.beneath_voice.map(|evidence| evidence.limit);
        limit == Some(Limit::Bend) || self.iter().any(|cause| cause.kind == Kind::Clipping)
    }

    /// The null depth beneath the voice, if enough was heard to estimate it.
    pub fn estimate(&self) -> Option<Estimate> {
        self.beneath_voice.map(|evidence| self.beside_what_stays(evidence.estimate()))
    }

    /// The null depth beneath the voice where it was measured in its rests, dB.
    pub fn about_measured(&self, depth_db: f32) -> Estimate {
        let mut evidence = self.beneath_voice.unwrap_or_default();
        let is_noise = self.iter().any(|cause| matches!(cause.kind, Kind::Noise { .. }));
        if evidence.limit == Limit::Nothing && is_noise {
            evidence.limit = Limit::Noise;
        }
        self.beside_what_stays(evidence.about_measured(depth_db))
    }

    /// What was cut off stays, whatever else limits the null: loud moments, or the treble that the backing lacks.
    fn beside_what_stays(&self, estimate: Estimate) -> Estimate {
        let missing = self.iter().find_map(|cause| match cause.kind {
            Kind::BandLimit { missing_in: Signal::Backing, .. }
            | Kind::Codec { edge: Some((_, Signal::Backing)) } => {
                Some(Evidence { limit: Limit::Missing, figure_db: cause.depth_db })
            }
            _ => None,
        });
        let stays = [self.clipped, missing].into_iter().flatten();
        stays.fold(estimate, |estimate, stays| estimate.at_most(stays.estimate()))
    }

    /// What leaves so much more beneath the voice than this depth, heard in its rests, dB, that they say nothing of it.
    pub fn forbidding(&self, depth_db: f32) -> Option<Kind> {
        let cause = self.iter().find(|cause| cause.forbids(depth_db)).map(|cause| cause.kind);
        let limits = [self.beneath_voice, self.clipped].into_iter().flatten();
        let mut forbidding = limits.filter(|evidence| evidence.forbids(depth_db));
        cause.or_else(|| forbidding.next().and_then(|evidence| kind_of(evidence.limit)))
    }

    /// The same with what the match tells of the limit: a tone that moves, band by band, limits the null most, but for a bend. Where
    /// the delay moves the bands may seem to, by what it leaves in the treble: then only a model of the dynamics tells that the tone
    /// does.
    pub fn with_match(mut self, learned: &Match) -> Self {
        let has_model = !learned.dynamics.is_none();
        if let Some(evidence) = &mut self.beneath_voice {
            *evidence = match evidence.limit {
                Limit::Bend => *evidence,
                Limit::Clock | Limit::Speed if !has_model => *evidence,
                _ if learned.tone_moves() => Evidence::MOVING_TONE,
                Limit::Nothing | Limit::Level if !learned.bend.is_none() => Evidence::STRAIGHTENED,
                _ => *evidence,
            };
        }
        self
    }

    /// The same causes with what the depth beneath the voice is estimated by.
    pub fn with_evidence(self, beneath_voice: Option<Evidence>) -> Self {
        Self { beneath_voice, ..self }
    }

    /// The same causes beside hard clipping.
    pub fn with_clipping(self, clipped: Option<Evidence>) -> Self {
        Self { clipped, ..self }
    }

    /// Ranks differences, each with the power that it would leave re the backing's if it was not corrected.
    /// `left` = power of what is left re the backing; `moving` = what following may leave of movements.
    pub fn rank(found: impl IntoIterator<Item = (Kind, f64)>, left: f64, moving: f64) -> Self {
        let left = left.max(db_to_power(-DEEPEST_DB));
        // What remains beneath what movements leave is not what limits the null.
        let limit = moving.max(db_to_power(-DEEPEST_DB));
        let mut causes: Vec<Cause> = found
            .into_iter()
            .filter_map(|(kind, power)| {
                let depth_db = -power_to_db(power) as f32;
                let (worth_db, least) = if kind.stands() {
                    (power_to_db(power / limit), 0.0)
                } else {
                    (power_to_db(1.0 + power.max(0.0) / left), LEAST_WORTH_DB)
                };
                (worth_db > least).then_some(Cause { kind, depth_db, worth_db: worth_db as f32 })
            })
            .collect();
        let stands = |cause: &Cause| cause.kind.stands();
        causes.sort_by(|a, b| stands(b).cmp(&stands(a)).then(b.worth_db.total_cmp(&a.worth_db)));
        let mut ranked = Self::default();
        ranked.ranked.iter_mut().zip(causes).for_each(|(to, cause)| *to = Some(cause));
        ranked
    }
}

/// A cause that limits the null like this.
fn kind_of(limit: Limit) -> Option<Kind> {
    match limit {
        Limit::Nothing | Limit::Noise | Limit::Missing | Limit::Clock => None,
        Limit::Bend | Limit::Straightened | Limit::Clipped => Some(Kind::Clipping),
        Limit::Codec => Some(Kind::Codec { edge: None }),
        Limit::Level | Limit::Tone => Some(Kind::Movement { range_db: 0.0 }),
        Limit::Speed => Some(Kind::Wow { samples: 0.0 }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::matching::band_movement::BandMovement;
    use crate::matching::movement::Movement;
    use crate::saturation::curve::{Curve, KNOTS};

    /// A codec 30 dB down and a movement 15 dB down, of which following leaves 20 dB less, and 6 dB for what these err by.
    #[test]
    fn a_null_deeper_than_its_causes_allow_is_not_believed() {
        let causes = |kind, depth_db: f64| Causes::rank([(kind, db_to_power(-depth_db))], 1e-9, 0.0);
        let movement = Kind::Movement { range_db: 3.0 };
        for (kind, depth_db, deepest_db) in [(Kind::Codec { edge: None }, 30.0, 36.0), (movement, 15.0, 41.0)]
        {
            let causes = causes(kind, depth_db);
            let forbids = |null_depth_db| causes.iter().any(|cause| cause.forbids(null_depth_db));
            assert!(forbids(deepest_db + 0.1) && !forbids(deepest_db - 0.1));
        }
        for kind in [Kind::Bleed { level_db: -14.0 }, Kind::Level { sides_db: [1.0; 2] }] {
            assert!(!causes(kind, 14.0).iter().any(|cause| cause.forbids(137.0)));
        }
    }

    /// A level that moves is not all of it where the tone does; a bend limits more, and a delay that moves seems to move the tone. A
    /// bend that was taken back is one, too.
    #[test]
    fn the_match_tells_what_else_limits_the_null() {
        let mut learned = Match::unknown(8_000.0, 0);
        let given = |limit, learned: &Match| {
            let causes = Causes::default().with_evidence(Some(Evidence { limit, figure_db: 50.0 }));
            causes.with_match(learned).beneath_voice.map(|evidence| evidence.limit)
        };
        assert_eq!(given(Limit::Level, &learned), Some(Limit::Level));
        learned.bend.curves[0] = Curve::new(1.0, [2.0; KNOTS]).unwrap();
        assert_eq!(given(Limit::Nothing, &learned), Some(Limit::Straightened));
        assert_eq!(given(Limit::Codec, &learned), Some(Limit::Codec));
        learned.bands[6] =
            BandMovement { movement: Movement { process: 1e-4, ..Movement::STILL }, pays: 1.0 };
        for limit in [Limit::Nothing, Limit::Level, Limit::Codec] {
            assert_eq!(given(limit, &learned), Some(Limit::Tone));
        }
        for limit in [Limit::Bend, Limit::Speed, Limit::Clock] {
            assert_eq!(given(limit, &learned), Some(limit));
        }
        assert_eq!(Causes::default().with_match(&learned).estimate(), None);
    }

    /// Treble that the backing lacks, 20 dB down, is there whatever else is known; what the mix lacks is not. And noise is as loud while
    /// the voice sings as in its rests.
    #[test]
    fn what_is_missing_and_what_hisses_limits_the_null() {
        let evidence = Some(Evidence { limit: Limit::Nothing, figure_db: 22.0 });
        let beside = |kind, depth_db: f64| {
            Causes::rank([(kind, db_to_power(-depth_db))], 1e-9, 0.0).with_evidence(evidence)
        };
        let missing = |missing_in| Kind::BandLimit { above_hz: 7_000.0, missing_in };
        for (kind, estimate_db, measured_db) in [
            (missing(Signal::Backing), 20.0, 20.0),
            (Kind::Codec { edge: Some((16_000.0, Signal::Backing)) }, 20.0, 20.0),
            (missing(Signal::Mix), 32.0, 38.0),
            (Kind::Noise { level_db: -60.0 }, 32.0, 30.0),
        ] {
            let causes = beside(kind, 20.0);
            let estimates = (causes.estimate().unwrap(), causes.about_measured(30.0));
            let told = (estimates.0.depth_db, estimates.1.depth_db);
            assert!((told.0 - estimate_db).abs() < 0.01 && (told.1 - measured_db).abs() < 0.01, "{told:?}");
        }
    }

    /// Clipping that leaves 30 dB or so: rests of 137 dB say nothing, and a level that alone would leave 50 dB does not either; one
    /// that leaves 20 dB does.
    #[test]
    fn hard_clipping_limits_whatever_else_does() {
        let clipped = Evidence { limit: Limit::Clipped, figure_db: 26.0 };
        let beside = |limit, figure_db| {
            let evidence = Some(Evidence { limit, figure_db });
            Causes::default().with_evidence(evidence).with_clipping(Some(clipped))
        };
        let nothing = beside(Limit::Nothing, 50.0);
        assert_eq!(nothing.forbidding(137.0), Some(Kind::Clipping));
        assert_eq!(nothing.about_measured(137.0).depth_db, clipped.estimate().depth_db);
        assert_eq!(beside(Limit::Level, 50.0).estimate(), Some(clipped.estimate()));
        let level = Evidence { limit: Limit::Level, figure_db: 20.0 };
        assert_eq!(beside(Limit::Level, 20.0).estimate(), Some(level.estimate()));
    }
}
