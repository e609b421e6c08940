//! Tells the gains of the bands frame by frame, and keeps what a model is learned from.

use crate::dynamics::band_powers::{BandPower, BandShares, FramePowers, NUM_BANDS};
use crate::dynamics::levels::Levels;
use crate::dynamics::model::DynamicsModel;
use crate::spectral::stft::StereoBins;
use realfft::num_complex::Complex32;
use std::collections::VecDeque;

/// Music of which a model is learned, at most, seconds: the newest. Chosen by hand; not measured.
const GATHERED_S: f64 = 360.0;

/// The model at work.
pub struct Predictor {
    shares: BandShares,
    levels: Levels,
    model: DynamicsModel,
    step_s: f64,
    gathered: Option<VecDeque<FramePowers>>,
}

impl Predictor {
    /// Of frames of `len` samples under a Hann window, one every `step` samples.
    pub fn new(len: usize, step: usize, sample_rate_hz: f64) -> Self {
        let step_s = step as f64 / sample_rate_hz;
        Self {
            shares: BandShares::new(len, sample_rate_hz),
            levels: Levels::new(step_s),
            model: DynamicsModel::NONE,
            step_s,
            gathered: None,
        }
    }

    /// Keeps from now on what a model is learned from. Allocates all that this takes.
    pub fn gather(&mut self) {
        self.gathered = Some(VecDeque::with_capacity((GATHERED_S / self.step_s) as usize));
    }

    /// What was kept, oldest frame first, and the seconds from one to the next.
    pub fn gathered(&self) -> Option<(&VecDeque<FramePowers>, f64)> {
        self.gathered.as_ref().map(|frames| (frames, self.step_s))
    }

    /// Forgets the signals.
    pub fn reset(&mut self) {
        self.levels.reset();
        if let Some(gathered) = &mut self.gathered {
            gathered.clear();
        }
    }

    /// Puts a model in force.
    pub fn set_model(&mut self, model: &DynamicsModel) {
        self.model = *model;
    }

    /// Hears the spectra of mix and backing in the next frame, the backing with a gain for each bin; tells the gains of the bands on
    /// top of that, if a model is in force.
    pub fn hear(
        &mut self,
        spectra: &[StereoBins; 2],
        gain: impl Fn(usize) -> f32,
    ) -> Option<[Complex32; NUM_BANDS]> {
        let is_engaged = !self.model.is_none();
        if self.gathered.is_none() && !is_engaged {
            return None;
        }
        let powers = self.shares.measure(spectra, gain);
        if let Some(gathered) = &mut self.gathered {
            if gathered.len() == gathered.capacity() {
                gathered.pop_front();
            }
            gathered.push_back(powers);
        }
        self.levels.hear(&powers);
        let told = |band: usize| {
            let log_gain = self.model.bands[band].log_gain(&self.levels.levels_db(band));
            trusted(log_gain, &powers[band]).exp()
        };
        is_engaged.then(|| std::array::from_fn(told))
    }

    /// The gain of a bin, between those of its bands.
    pub fn gain(&self, bin: usize, gains: &[Complex32; NUM_BANDS]) -> Complex32 {
        self.shares.gain(bin, gains)
    }
}

/// The logarithm of a gain as far as it is trusted in a frame.
///
/// Where the backing as it is leaves less than with its gain, the gain gives way: in the rests of a voice two files of one chain
/// are equal, and no model is as right as that.
pub fn trusted(log_gain: Complex32, power: &BandPower) -> Complex32 {
    let left = power.left(log_gain.exp()).max(f32::MIN_POSITIVE);
    log_gain * (power.difference / left).min(1.0).powi(2)
}
