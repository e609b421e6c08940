//! The null depth beneath the voice: how far it may be from what was measured in the voice's rests, and an estimate where nothing
//! could be measured.
//!
//! Beneath the voice what is left cannot be told from the voice. But it goes with what limits the null, and of each such
//! [`Limit`] there is one figure that goes with the depth: of a lossy file the lowest cells of the difference, of a level that
//! moves its steps from hop to hop, of a bend its own size. What the true depth is re that figure, and re the depth in the rests,
//! was measured on training songs: 93 pairs of 30 s and five that went through mastering processors, made of 12 backings and 10
//! voices by 21 chains, none of which is among the songs that the engine is scored on. Each range holds all of its training songs
//! but one in ten, rounded outwards; one song more or less moves its ends by 1 to 3 dB, where no other number is given.

/// Deeper nulls are all alike, dB: 24 bits end at 144.
const DEEPEST_DB: f32 = 144.0;
/// What is left so far down, dB, is no breath and no noise of a voice: such depths were right to 2 dB, while of shallower ones half
/// were too shallow by 12 dB and more, though nothing limited the null (seven training songs).
const BELOW_BREATH_DB: f32 = 60.0;
/// How far a bound that holds in the rests may be above the depth beneath the voice, dB: 3.4 at most (7 training songs).
const BOUND_ERROR_DB: f32 = 4.0;

/// A null depth and the range within which it is, dB.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// The likeliest.
    pub depth_db: f32,
    /// The shallowest.
    pub from_db: f32,
    /// The deepest.
    pub to_db: f32,
}

impl Estimate {
    /// By what the depth is re a figure: median, shallowest, deepest, all in dB.
    fn about(figure_db: f32, re_figure_db: [f32; 3]) -> Self {
        let [depth_db, from_db, to_db] =
            re_figure_db.map(|off_db| (figure_db + off_db).clamp(0.0, DEEPEST_DB));
        Self { depth_db, from_db, to_db }
    }

    /// The same where the null was found to be at least so deep, dB, in the rests.
    pub fn at_least(self, bound_db: f32) -> Self {
        let from_db = self.from_db.max(bound_db - BOUND_ERROR_DB);
        let depth_db = self.depth_db.max(bound_db);
        Self { depth_db, from_db, to_db: self.to_db.max(depth_db + BOUND_ERROR_DB) }
    }
}

/// What limits the null most.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Limit {
    /// Nothing that was found.
    #[default]
    Nothing,
    /// Clipping or saturation.
    Bend,
    /// A lossy file.
    Codec,
    /// A level that moves smoothly, as a compressor's does.
    Level,
    /// A level that moves by jerks, as a limiter's does.
    JerkyLevel,
    /// A tone that moves, as that of a multi-band compressor does.
    Tone,
    /// A clock that runs apart, evenly.
    Clock,
    /// A speed that wanders.
    Speed,
}

impl Limit {
    /// The depth beneath the voice where it was measured in its rests, dB.
    pub fn about_measured(self, depth_db: f32) -> Estimate {
        // Re the depth in the rests: median, shallowest, deepest. A codec leaves more where it hears more; what a level or a delay
        // that moves leaves is so little that the voice's own breath tops it.
        let re_rests_db = match self {
            Self::Nothing if depth_db > BELOW_BREATH_DB => [0.0, -3.0, 3.0],
            Self::Nothing => [2.0, -3.0, 15.0],
            Self::Bend | Self::Codec => [-4.0, -11.0, 2.0],
            Self::Level | Self::JerkyLevel | Self::Tone => [4.0, -5.0, 10.0],
            // No training song was so deep: as wide as that of a level.
            Self::Clock if depth_db > BELOW_BREATH_DB => [0.0, -8.0, 8.0],
            Self::Clock | Self::Speed => [8.0, -3.0, 15.0],
        };
        Estimate::about(depth_db, re_rests_db)
    }

    /// The true depth re the figure that goes with it, dB: median, shallowest, deepest.
    const fn re_figure_db(self) -> [f32; 3] {
        match self {
            // The lowest cells hold the voice as well, so the depth is beyond them.
            Self::Nothing => [22.0, 0.0, 40.0],
            Self::Bend => [3.0, -4.0, 7.0],
            Self::Codec => [-4.0, -11.0, 6.0],
            Self::Level => [2.0, -9.0, 9.0],
            Self::JerkyLevel => [-4.0, -16.0, 4.0],
            // Two training songs, within 2 dB of each other; the range is chosen by hand.
            Self::Tone => [0.0, -8.0, 8.0],
            // Six training songs, normally distributed about their mean (Student's t).
            Self::Clock => [0.0, -17.0, 19.0],
            Self::Speed => [0.0, -15.0, 12.0],
        }
    }
}

/// What the null depth beneath the voice is estimated by.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Evidence {
    /// What limits it.
    pub limit: Limit,
    /// The figure that goes with the depth, dB.
    pub figure_db: f32,
}

impl Evidence {
    /// The depth, as far as it follows from that.
    pub fn estimate(&self) -> Estimate {
        Estimate::about(self.figure_db, self.limit.re_figure_db())
    }

    /// Whether a depth that was heard in the rests, dB, is beyond all that the limit allows beneath the voice. A clock that runs
    /// apart never left more there.
    pub fn forbids(&self, depth_db: f32) -> bool {
        !matches!(self.limit, Limit::Nothing | Limit::Clock) && depth_db > self.estimate().to_db
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMITS: [Limit; 8] = [
        Limit::Nothing,
        Limit::Clock,
        Limit::Bend,
        Limit::Codec,
        Limit::Level,
        Limit::JerkyLevel,
        Limit::Tone,
        Limit::Speed,
    ];

    #[test]
    fn an_estimate_is_within_its_range() {
        for limit in LIMITS {
            for figure_db in [0.0, 5.0, 40.0, 140.0, 200.0] {
                let estimate = Evidence { limit, figure_db }.estimate();
                for Estimate { depth_db, from_db, to_db } in
                    [estimate, estimate.at_least(41.0), limit.about_measured(figure_db)]
                {
                    assert!(from_db <= depth_db && depth_db <= to_db, "{limit:?} {figure_db}");
                }
            }
        }
    }

    /// A bound of the rests raises what lies below it, to what it may be off, and nothing else.
    #[test]
    fn a_bound_raises_an_estimate() {
        let estimate = Estimate { depth_db: 40.0, from_db: 30.0, to_db: 44.0 };
        assert_eq!(estimate.at_least(33.0), estimate);
        assert_eq!(estimate.at_least(38.0), Estimate { from_db: 34.0, ..estimate });
        assert_eq!(estimate.at_least(50.0), Estimate { depth_db: 50.0, from_db: 46.0, to_db: 54.0 });
    }

    /// Rests of 137 dB say nothing of a song in which a level moves; they do where nothing limits the null.
    #[test]
    fn rests_beyond_what_the_limit_allows_are_not_believed() {
        let limited = |limit| Evidence { limit, figure_db: 40.0 };
        for limit in &LIMITS[2..] {
            assert!(limited(*limit).forbids(137.0), "{limit:?}");
            assert!(!limited(*limit).forbids(40.0), "{limit:?}");
        }
        for limit in &LIMITS[..2] {
            assert!(!limited(*limit).forbids(137.0));
        }
    }
}
