//! The null depth beneath the voice: how far it may be from what was measured in the voice's rests, and an estimate where nothing
//! could be measured.
//!
//! Beneath the voice what is left cannot be told from the voice. But it goes with what limits the null, and of each such
//! [`Limit`] there is one figure that goes with the depth: of a lossy file the lowest cells of the difference, of a level that
//! moves its steps from hop to hop, of a bend its own size. What the true depth is re that figure, and re the depth in the rests,
//! was measured on training songs: 93 pairs of 30 s and 55 that went through mastering processors, made of 12 backings and 10
//! voices by 60 chains, none of which is among the songs that the engine is scored on. Each range is where nine in ten further
//! songs are, if they are distributed normally (Student's t, of as many songs as there were), rounded outwards, where nothing else
//! is said. Figures are medians.

/// Deeper nulls are all alike, dB: 24 bits end at 144.
const DEEPEST_DB: f32 = 144.0;
/// What is left so far down, dB, is no breath and no noise of a voice.
const BELOW_BREATH_DB: f32 = 60.0;
/// From here on the rests hold next to nothing but rounding, dB: then they say nothing of what may be done to the mix while the voice
/// sings.
const IDENTICAL_DB: f32 = 110.0;
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

    /// The same beside what alone would leave another one.
    pub fn at_most(self, other: Self) -> Self {
        Self {
            depth_db: self.depth_db.min(other.depth_db),
            from_db: self.from_db.min(other.from_db),
            to_db: self.to_db.min(other.to_db),
        }
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
    /// Steady noise, which is there while the voice sings as well.
    Noise,
    /// Treble that the backing lacks, which stays whole.
    Missing,
    /// Clipping or saturation.
    Bend,
    /// The same, taken back as far as its curve is known.
    Straightened,
    /// Hard clipping, of which the flat tops tell how much was cut off.
    Clipped,
    /// A lossy file.
    Codec,
    /// A level that moves, as that of a compressor or a limiter does.
    Level,
    /// A tone that moves, as that of a multi-band compressor does.
    Tone,
    /// A clock that runs apart, evenly.
    Clock,
    /// A speed that wanders.
    Speed,
}

impl Limit {
    /// The true depth re the figure that goes with it, dB: median, shallowest, deepest.
    const fn re_figure_db(self) -> [f32; 3] {
        match self {
            // The lowest cells hold the voice as well, so the depth is beyond them; but a bend that was not found may leave more. From
            // -27 to 76 dB (19 songs): the range holds 15 of them.
            Self::Nothing | Self::Noise => [10.0, -15.0, 40.0],
            // From -3.4 to 2.9 dB (5 pairs of the open set and of others, low-passed or lossy); rounded outwards by hand.
            Self::Missing => [0.0, -6.0, 4.0],
            Self::Bend => [0.0, -11.0, 9.0],
            // A curve that is known exactly would leave nothing, so the deepest is chosen by hand; of 11 songs none was beyond 8 dB.
            Self::Straightened => [0.0, -9.0, 20.0],
            // A parabola through the edges rises above what was cut off. From -6 to 17 dB (51 pairs of 12 other songs, clipped by 1 to
            // 6 dB, the mix alone or both).
            Self::Clipped => [4.0, -4.0, 12.0],
            Self::Codec => [-4.0, -15.0, 8.0],
            Self::Level => [0.0, -8.0, 8.0],
            Self::Tone => [0.0, -10.0, 10.0],
            Self::Clock => [0.0, -20.0, 20.0],
            Self::Speed => [0.0, -14.0, 9.0],
        }
    }
}

/// What the null depth beneath the voice is estimated by; by default that nothing is known of it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Evidence {
    /// What limits it.
    pub limit: Limit,
    /// The figure that goes with the depth, dB.
    pub figure_db: f32,
}

impl Evidence {
    /// Of a tone that moves, band by band: 7 to 29 dB (21 songs); nothing was found that tells more.
    pub const MOVING_TONE: Self = Self { limit: Limit::Tone, figure_db: 20.0 };
    /// Of a bend that was taken back: 27 to 42 dB (11 songs); nothing was found that tells more.
    pub const STRAIGHTENED: Self = Self { limit: Limit::Straightened, figure_db: 34.0 };

    /// The depth, as far as it follows from that.
    pub fn estimate(&self) -> Estimate {
        Estimate::about(self.figure_db, self.limit.re_figure_db())
    }

    /// The depth where it was measured in the voice's rests, dB.
    pub fn about_measured(&self, depth_db: f32) -> Estimate {
        // Re the depth in the rests: median, shallowest, deepest.
        let re_rests_db = match self.limit {
            // What is done to the mix while the voice sings, and was not found, may leave as much as the lowest cells allow.
            Limit::Nothing | Limit::Noise if depth_db > IDENTICAL_DB => {
                [0.0, (self.estimate().from_db - depth_db).min(-3.0), 3.0]
            }
            // Five songs: -19 to 5 dB, the shallow ones softly clipped.
            Limit::Nothing | Limit::Noise if depth_db > BELOW_BREATH_DB => [0.0, -20.0, 5.0],
            // The voice's own breath tops what is left: of six songs, four were 2 to 15 dB deeper, but two as deep as rounding allows.
            Limit::Nothing => [8.0, -3.0, 70.0],
            // From -1.2 to 0 dB (4 pairs: hiss, and 8 bits); chosen by hand, since breath may top a weak one.
            Limit::Noise => [0.0, -4.0, 8.0],
            // It leaves more where it hears more.
            Limit::Codec => [-4.0, -11.0, 2.0],
            // No training song was so deep; chosen by hand.
            Limit::Clock if depth_db > BELOW_BREATH_DB => [0.0, -8.0, 8.0],
            Limit::Clock => [9.0, -5.0, 23.0],
            // The rests tell no more than the figure does.
            Limit::Bend
            | Limit::Straightened
            | Limit::Clipped
            | Limit::Level
            | Limit::Tone
            | Limit::Missing
            | Limit::Speed => {
                return self.estimate();
            }
        };
        Estimate::about(depth_db, re_rests_db)
    }

    /// Whether a depth that was heard in the rests, dB, is beyond all that the limit allows beneath the voice. A clock that runs
    /// apart never left more there.
    pub fn forbids(&self, depth_db: f32) -> bool {
        !matches!(self.limit, Limit::Nothing | Limit::Noise | Limit::Missing | Limit::Clock)
            && depth_db > self.estimate().to_db
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMITS: [Limit; 11] = [
        Limit::Nothing,
        Limit::Noise,
        Limit::Missing,
        Limit::Clock,
        Limit::Bend,
        Limit::Straightened,
        Limit::Clipped,
        Limit::Codec,
        Limit::Level,
        Limit::Tone,
        Limit::Speed,
    ];

    #[test]
    fn an_estimate_is_within_its_range() {
        for limit in LIMITS {
            for figure_db in [0.0, 5.0, 40.0, 140.0, 200.0] {
                let estimate = Evidence { limit, figure_db }.estimate();
                let evidence = Evidence { limit, figure_db };
                for Estimate { depth_db, from_db, to_db } in [
                    estimate,
                    estimate.at_least(41.0),
                    evidence.about_measured(figure_db),
                    evidence.about_measured(137.0),
                ] {
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

    /// What leaves more lowers each end for itself.
    #[test]
    fn another_limit_lowers_an_estimate() {
        let estimate = Estimate { depth_db: 40.0, from_db: 30.0, to_db: 44.0 };
        let other = Estimate { depth_db: 42.0, from_db: 36.0, to_db: 47.0 };
        assert_eq!((estimate.at_most(other), other.at_most(estimate)), (estimate, estimate));
        let wide = Estimate { depth_db: 137.0, from_db: 20.0, to_db: 140.0 };
        assert_eq!(wide.at_most(other), Estimate { from_db: 20.0, ..other });
    }

    /// Two files that are the same to the bit where the voice rests may differ by what the lowest cells hold where it sings, and by
    /// all of it where nothing was heard of it. Rests that tell more leave a range about them.
    #[test]
    fn rests_that_are_equal_say_nothing_of_the_voice() {
        let about =
            |figure_db, depth_db| Evidence { limit: Limit::Nothing, figure_db }.about_measured(depth_db);
        assert_eq!(about(50.0, 137.0), Estimate { depth_db: 137.0, from_db: 35.0, to_db: 140.0 });
        assert_eq!(about(50.0, 80.0), Estimate { depth_db: 80.0, from_db: 60.0, to_db: 85.0 });
        assert_eq!(Evidence::default().about_measured(137.0).from_db, 0.0);
        let straightened = Evidence::STRAIGHTENED;
        assert!(straightened.forbids(137.0) && straightened.about_measured(40.0) == straightened.estimate());
    }

    /// Rests of 137 dB say nothing of a song in which a level moves; they do where nothing limits the null.
    #[test]
    fn rests_beyond_what_the_limit_allows_are_not_believed() {
        let limited = |limit| Evidence { limit, figure_db: 40.0 };
        for limit in &LIMITS[4..] {
            assert!(limited(*limit).forbids(137.0), "{limit:?}");
            assert!(!limited(*limit).forbids(40.0), "{limit:?}");
        }
        for limit in &LIMITS[..4] {
            assert!(!limited(*limit).forbids(137.0));
        }
    }
}
