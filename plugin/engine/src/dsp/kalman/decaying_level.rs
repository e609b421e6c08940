//! Tracks a level that moves about 0 and decays to it while nothing is measured (first-order Gauss-Markov process).

use crate::dsp::kalman::Track;

/// A level, and the variance of what is known of it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct DecayingLevel {
    /// The level.
    pub level: f64,
    /// Its variance.
    pub variance: f64,
}

/// How a level moves from step to step.
#[derive(Clone, Copy)]
pub struct LevelDynamics {
    /// Factor by which it approaches 0; 1 = it moves freely.
    pub decay: f64,
    /// Process noise: variance of its movement per step.
    pub process_noise: f64,
}

impl DecayingLevel {
    /// Nothing measured.
    pub const NONE: Self = Self { level: 0.0, variance: 1e9 };

    /// Smooths a stretch of measurements, oldest first, in place (Rauch, Tung, Striebel 1965); `factor` multiplies their
    /// variances. `prior` is what is known before the first of them, and then what is known before the second.
    pub fn smooth(prior: &mut Self, stretch: &mut [Self], dynamics: LevelDynamics, factor: f64) {
        let LevelDynamics { decay, process_noise } = dynamics;
        let mut state = *prior;
        for (idx, measured) in stretch.iter_mut().enumerate() {
            state.predict(dynamics);
            state.correct(measured.level, measured.variance * factor);
            *measured = state;
            if idx == 0 {
                *prior = state;
            }
        }
        let mut smoothed = state.level;
        for Self { level, variance } in stretch.iter_mut().rev().skip(1) {
            let gain = *variance * decay / (decay * decay * *variance + process_noise);
            smoothed = *level + gain * (smoothed - decay * *level);
            *level = smoothed;
        }
    }
}

impl Track for DecayingLevel {
    type Dynamics = LevelDynamics;

    fn predict(&mut self, LevelDynamics { decay, process_noise }: LevelDynamics) {
        self.level *= decay;
        self.variance = decay * decay * self.variance + process_noise;
    }

    fn correct(&mut self, measured: f64, variance: f64) {
        let gain = self.variance / (self.variance + variance);
        self.level += gain * (measured - self.level);
        self.variance *= 1.0 - gain;
    }

    fn value(&self) -> f64 {
        self.level
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two measurements of equal variance mean their mean; what is not measured decays.
    #[test]
    fn measurements_are_weighed_by_their_variance() {
        let mut level = DecayingLevel::NONE;
        level.correct(1.0, 2.0);
        level.correct(2.0, 2.0);
        assert!((level.level - 1.5).abs() < 1e-6 && (level.variance - 1.0).abs() < 1e-6, "{level:?}");
        level.predict(LevelDynamics { decay: 0.5, process_noise: 0.1 });
        assert!((level.level - 0.75).abs() < 1e-6 && (level.variance - 0.35).abs() < 1e-6, "{level:?}");
    }

    /// A level that hardly moves is the mean of all measurements, at every step; a gap between two is bridged.
    #[test]
    fn smoothing_looks_both_ways() {
        let dynamics = LevelDynamics { decay: 1.0, process_noise: 1e-12 };
        let mut stretch = [1.0, 2.0, 3.0].map(|level| DecayingLevel { level, variance: 1.0 });
        DecayingLevel::smooth(&mut DecayingLevel { level: 0.0, variance: 1e9 }, &mut stretch, dynamics, 1.0);
        assert!(stretch.iter().all(|smoothed| (smoothed.level - 2.0).abs() < 1e-6), "{stretch:?}");
        let free = LevelDynamics { decay: 1.0, process_noise: 1.0 };
        let measured = |level| DecayingLevel { level, variance: 1e-6 };
        let mut stretch = [measured(1.0), DecayingLevel::NONE, measured(3.0)];
        DecayingLevel::smooth(&mut DecayingLevel::NONE.clone(), &mut stretch, free, 1.0);
        assert!((stretch[1].level - 2.0).abs() < 1e-3, "{stretch:?}");
    }
}
