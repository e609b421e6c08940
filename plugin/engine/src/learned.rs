//! What has been learned: plain values, to be kept in a session and recalled.

use crate::align::song_map::SongMap;
use crate::cleanup::estimate_model::EstimateModel;
use crate::cleanup::estimate_test::Verdict;
use crate::cleanup::residual_model::ResidualModel;
use crate::dsp::sizes::{MAX_SAMPLE_RATE_HZ, MIN_SAMPLE_RATE_HZ};
use crate::dynamics::model::DynamicsModel;
use crate::matching::band_movement::{BandMovement, NUM_TONE_BANDS};
use crate::matching::movement::Movement;
use crate::matching::taps::Taps;
use crate::saturation::bend::Bend;

/// What has been learned.
#[derive(Debug, PartialEq)]
pub struct Match {
    /// Rate at which it was learned, Hz.
    pub sample_rate_hz: f64,
    /// Where the backing lies; empty while that is not known, and every other field is then neutral.
    pub sections: SongMap,
    /// Filter from the aligned backing to the backing in the mix.
    pub taps: Taps,
    /// Music it was learned from, seconds.
    pub learned_s: f64,
    /// How the level moves.
    pub movement: Movement,
    /// False if following the level did not make the difference smaller when it was last tried.
    pub following_helps: bool,
    /// How the tone moves: the level of each band, from the lowest on.
    pub bands: [BandMovement; NUM_TONE_BANDS],
    /// What the chain that mix and backing went through did to the bands, on top of what the followers find.
    pub dynamics: DynamicsModel,
    /// What it leaves behind.
    pub residual: ResidualModel,
    /// What the backing is.
    pub verdict: Verdict,
    /// What is known of the backing if it is an estimate.
    pub estimate: EstimateModel,
    /// How mix and backing were bent; everything else is between what they were before.
    pub bend: Bend,
}

// By hand, for a `clone_from` that allocates nothing when the filters are of one length.
impl Clone for Match {
    fn clone(&self) -> Self {
        Self { taps: self.taps.clone(), ..*self }
    }

    fn clone_from(&mut self, source: &Self) {
        let mut taps = std::mem::take(&mut self.taps);
        taps.clone_from(&source.taps);
        *self = Self { taps, ..*source };
    }
}

impl Match {
    /// Nothing known, with room for a filter of `num_taps`.
    pub fn unknown(sample_rate_hz: f64, num_taps: usize) -> Self {
        Self {
            sections: SongMap::default(),
            sample_rate_hz,
            taps: Taps::silent(num_taps),
            learned_s: 0.0,
            movement: Movement::STILL,
            following_helps: true,
            bands: [BandMovement::STILL; NUM_TONE_BANDS],
            dynamics: DynamicsModel::NONE,
            residual: ResidualModel::UNKNOWN,
            verdict: Verdict::Undecided,
            estimate: EstimateModel::UNKNOWN,
            bend: Bend::NONE,
        }
    }

    /// Takes over another match, which is sound; of one that was learned at another rate the delays and the levels. Allocates
    /// nothing.
    pub fn recall(&mut self, other: &Self) {
        let same_rate = other.sample_rate_hz == self.sample_rate_hz;
        self.sections = other.sections;
        if same_rate && other.taps.num_taps() == self.taps.num_taps() {
            self.taps.clone_from(&other.taps);
        } else {
            self.sections = other.sections.at_rate(self.sample_rate_hz / other.sample_rate_hz);
            self.taps.silence();
            for (side, level) in other.taps.level().into_iter().enumerate() {
                let centre = self.taps.num_taps() / 2;
                self.taps.h[side][side][centre] = level;
            }
        }
        self.movement = other.movement;
        self.following_helps = other.following_helps;
        self.bands = other.bands;
        self.learned_s = if same_rate { other.learned_s } else { 0.0 };
        self.bend = other.bend;
        self.verdict = other.verdict;
        self.dynamics = if same_rate { other.dynamics } else { DynamicsModel::NONE };
        self.estimate = if same_rate { other.estimate } else { EstimateModel::UNKNOWN };
        self.residual = if same_rate { other.residual } else { ResidualModel::UNKNOWN };
    }

    /// Whether it is known where the backing lies.
    pub fn is_known(&self) -> bool {
        !self.sections.as_slice().is_empty()
    }

    /// Whether the tone moves.
    pub fn tone_moves(&self) -> bool {
        !self.dynamics.is_none() || BandMovement::tell(&self.bands)
    }

    /// Whether every value is finite and within what the engine itself could have learned.
    pub fn is_sound(&self) -> bool {
        (MIN_SAMPLE_RATE_HZ..=MAX_SAMPLE_RATE_HZ).contains(&self.sample_rate_hz)
            && self.sections.is_sound()
            && self.taps.h.iter().flatten().all(|h| h.len() == self.taps.num_taps())
            && self.taps.h.iter().flatten().flatten().all(|x| x.abs() <= 64.0)
            && (0.0..=3600.0).contains(&self.learned_s)
            && self.movement.is_sound(1e-2)
            && self.bands.iter().all(|band| band.movement.is_sound(0.1) && band.pays.abs() <= 100.0)
            && self.dynamics.is_sound()
            && self.residual.is_sound()
            && self.estimate.is_sound()
            && self.bend.is_sound()
    }
}
