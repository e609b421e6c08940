//! Tells the gains of the bands frame by frame, and keeps what a model is learned from.

use crate::dynamics::band_powers::{BandPower, BandShares, FramePowers, NUM_BANDS};
use crate::dynamics::gathered::Gathered;
use crate::dynamics::levels::Levels;
use crate::dynamics::model::DynamicsModel;
use crate::spectral::lanes::Lanes;
use crate::spectral::stft::StereoBins;
use realfft::num_complex::Complex32;
use std::collections::VecDeque;

/// Music that waits while what was gathered is lent, at most, seconds: jobs are back after one.
const WAITING_S: f64 = 5.0;

/// The model at work.
pub struct Predictor {
    shares: BandShares,
    levels: Levels,
    model: DynamicsModel,
    /// The model tells that anything moves.
    is_engaged: bool,
    step_s: f64,
    /// What is gathered is worth it.
    gathers: bool,
    /// Not here while a job learns from it; what is heard meanwhile waits.
    gathered: Option<Box<Gathered>>,
    waiting: VecDeque<FramePowers>,
}

impl Predictor {
    /// Of frames of `len` samples under a Hann window, one every `step` samples.
    pub fn new(len: usize, step: usize, sample_rate_hz: f64) -> Self {
        let step_s = step as f64 / sample_rate_hz;
        Self {
            shares: BandShares::new(len, sample_rate_hz),
            levels: Levels::new(step_s),
            model: DynamicsModel::NONE,
            is_engaged: false,
            step_s,
            gathers: false,
            gathered: None,
            waiting: VecDeque::with_capacity((WAITING_S / step_s) as usize),
        }
    }

    /// Keeps from now on what a model is learned from: so many seconds of it. Allocates all that this takes.
    pub fn gather(&mut self, kept_s: f64) {
        self.gathered = Some(Box::new(Gathered::new(kept_s, self.step_s)));
        self.gathers = true;
    }

    /// Whether what comes is worth being kept.
    pub fn set_gathers(&mut self, gathers: bool) {
        self.gathers = gathers;
    }

    /// What was kept; `None` while it is lent.
    pub fn gathered(&self) -> Option<&Gathered> {
        self.gathered.as_deref()
    }

    /// Lends what was kept, if it is time to learn from it.
    pub fn lend(&mut self) -> Option<Box<Gathered>> {
        let is_engaged = self.is_engaged;
        self.gathered.take_if(|gathered| gathered.is_due(is_engaged))
    }

    /// Takes back what was lent.
    pub fn take_back(&mut self, mut gathered: Box<Gathered>) {
        self.waiting.drain(..).for_each(|frame| gathered.hear(&frame));
        self.gathered = Some(gathered);
    }

    /// Forgets what was kept; what is lent is to be forgotten by whoever has it.
    pub fn forget(&mut self) {
        self.waiting.clear();
        self.gathered.iter_mut().for_each(|gathered| gathered.clear());
    }

    /// Forgets the signals.
    pub fn reset(&mut self) {
        self.levels.reset();
        self.forget();
    }

    /// Puts a model in force.
    pub fn set_model(&mut self, model: &DynamicsModel) {
        (self.model, self.is_engaged) = (*model, !model.is_none());
    }

    /// Whether a model is in force.
    pub fn is_engaged(&self) -> bool {
        self.is_engaged
    }

    /// Hears the spectra of mix and backing in the next frame, the backing with gains as [`BandShares::measure`] asks for them. Tells
    /// the gains of the bands on top of that, if a model is in force.
    pub fn hear(
        &mut self,
        spectra: &[StereoBins; 2],
        gains: impl Fn(usize) -> Lanes,
    ) -> Option<[Complex32; NUM_BANDS]> {
        if !self.gathers && !self.is_engaged {
            return None;
        }
        let mut powers = self.shares.measure(spectra, gains);
        self.levels.hear(&powers);
        let told = |band: usize| {
            let log_gain = self.model.bands[band].log_gain(&self.levels.levels_db(band));
            trusted(log_gain, &powers[band]).exp()
        };
        let told = self.is_engaged.then(|| std::array::from_fn(told));
        if self.gathers {
            self.shares.weigh(told.as_ref(), &mut powers);
            self.keep(&powers);
        }
        told
    }

    fn keep(&mut self, powers: &FramePowers) {
        match &mut self.gathered {
            Some(gathered) => gathered.hear(powers),
            // A job that is out for longer than it may be costs the oldest of it.
            None if self.waiting.len() == self.waiting.capacity() => {
                self.waiting.pop_front();
                self.waiting.push_back(*powers);
            }
            None => self.waiting.push_back(*powers),
        }
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

#[cfg(test)]
mod tests {
    use super::*;

    /// A job that has what was gathered costs nothing of what is heard meanwhile, unless all is forgotten.
    #[test]
    fn what_is_heard_meanwhile_is_not_lost() {
        let frame = |backing: f32| [BandPower { backing, ..BandPower::default() }; NUM_BANDS];
        let heard = |predictor: &Predictor| -> Vec<f32> {
            predictor.gathered().unwrap().frames().0.iter().map(|frame| frame[0].backing).collect()
        };
        let mut predictor = Predictor::new(256, 8_000, 8_000.0);
        predictor.gather(30.0);
        assert!(predictor.lend().is_none(), "nothing was heard");
        (0..25).for_each(|n| predictor.keep(&frame(n as f32)));
        let lent = predictor.lend().unwrap();
        (25..28).for_each(|n| predictor.keep(&frame(n as f32)));
        predictor.take_back(lent);
        assert_eq!(heard(&predictor), Vec::from_iter((0..28).map(|n| n as f32)));

        let mut lent = predictor.lend().unwrap();
        predictor.keep(&frame(1.0));
        predictor.reset();
        lent.clear();
        predictor.keep(&frame(2.0));
        predictor.take_back(lent);
        assert_eq!(heard(&predictor), [2.0]);
    }
}
