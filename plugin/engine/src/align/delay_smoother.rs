//! Smooths the last measured delays: a Kalman filter of constant velocity with fixed-lag smoothing (Rauch, Tung, Striebel
//! 1965).

use crate::dsp::kalman::Track;
use crate::dsp::kalman::constant_velocity::ConstantVelocity;

/// Lag of the smoother, steps. Chosen by hand; not measured.
pub const SMOOTHER_LAG_STEPS: usize = 10;
/// Steps kept: a little more than the lag, so that the first of what is read is smoothed as well.
pub const STEPS_KEPT: usize = SMOOTHER_LAG_STEPS + 3;
/// Variance of a step in which nothing was measured, samples^2.
pub const NOTHING_MEASURED: f64 = 1e12;
/// To how much the delay is known where a smoother takes over from a track, samples. Chosen by hand; not measured.
const TAKEN_OVER_ERROR: f64 = 1.0;
/// Least variance of the rate there, (samples per step)^2. Chosen by hand; not measured.
const TAKEN_OVER_RATE_VARIANCE: f64 = 1e-6;

/// The delay at one step.
#[derive(Clone, Copy)]
pub struct DelayStep {
    /// Position of the mix, samples.
    pub position: i64,
    /// Delay as measured, samples, and its variance.
    pub measured: f64,
    /// See [`DelayStep::measured`].
    pub variance: f64,
    /// Delay, samples, and its rate per step, smoothed.
    pub smoothed: [f64; 2],
}

/// The last steps, and what was known before them.
pub struct DelaySmoother {
    prior: ConstantVelocity,
    /// Oldest first.
    steps: [DelayStep; STEPS_KEPT],
}

impl DelaySmoother {
    /// As if the delay had always moved along a line, up to `start` at position `at`; a step is `step` samples.
    pub fn new(start: ConstantVelocity, at: i64, step: i64) -> Self {
        let [delay, rate] = start.state;
        let mut prior = start;
        prior.state[0] -= STEPS_KEPT as f64 * rate;
        let steps = std::array::from_fn(|idx| {
            let steps = idx as i64 - (STEPS_KEPT as i64 - 1);
            let delay = delay + rate * steps as f64;
            DelayStep {
                position: at + steps * step,
                measured: delay,
                variance: NOTHING_MEASURED,
                smoothed: [delay, rate],
            }
        });
        Self { prior, steps }
    }

    /// Goes on from where a track is, back over the steps kept.
    pub fn take_over(&mut self, track: &ConstantVelocity) {
        self.prior = *track;
        self.prior.state[0] -= STEPS_KEPT as f64 * track.state[1];
        let rate_variance = track.covariance[2].max(TAKEN_OVER_RATE_VARIANCE);
        self.prior.covariance = [TAKEN_OVER_ERROR, 0.0, rate_variance];
    }

    /// Adds to all delays.
    pub fn shift(&mut self, samples: f64) {
        self.prior.state[0] += samples;
        for step in &mut self.steps {
            step.measured += samples;
            step.smoothed[0] += samples;
        }
    }

    /// The newest step.
    pub fn newest(&self) -> &DelayStep {
        &self.steps[STEPS_KEPT - 1]
    }

    /// Delay at a position of the mix, samples, by the last step at or before it, or else the oldest; steps are `step`
    /// samples apart.
    pub fn delay_at(&self, position: i64, step: f64) -> f64 {
        let known = self.steps.iter().rev().find(|known| known.position <= position);
        let known = known.unwrap_or(&self.steps[0]);
        known.smoothed[0] + known.smoothed[1] * (position - known.position) as f64 / step
    }

    /// Adds a step without smoothing: the delay stands still.
    pub fn push(&mut self, newest: DelayStep) {
        self.steps.rotate_left(1);
        self.steps[STEPS_KEPT - 1] = newest;
    }

    /// Smooths all steps kept with a process noise; delay and rate per step at the newest. The oldest step becomes what is
    /// known before the others.
    pub fn smooth(&mut self, process_noise: f64) -> [f64; 2] {
        let mut filtered = [self.prior; STEPS_KEPT];
        let mut state = self.prior;
        for (step, filtered) in self.steps.iter().zip(&mut filtered) {
            state.predict(process_noise);
            state.correct(step.measured, step.variance);
            *filtered = state;
        }
        self.prior = filtered[0];
        let newest = filtered[STEPS_KEPT - 1].state;
        let mut smoothed = newest;
        for idx in (0..STEPS_KEPT).rev() {
            if idx < STEPS_KEPT - 1 {
                smoothed = filtered[idx].smoothed(smoothed, process_noise);
            }
            self.steps[idx].smoothed = smoothed;
        }
        newest
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Measurements of a line, among them one step in which nothing was measured.
    #[test]
    fn a_line_is_smoothed_and_read_between_its_steps() {
        let start = ConstantVelocity::new([7.0, 0.0], [3.0, 0.1]);
        let mut smoother = DelaySmoother::new(start, 0, 100);
        assert_eq!((smoother.delay_at(-250, 100.0), smoother.newest().position), (7.0, 0));
        let delay = |step: i64| 7.0 + 0.02 * step as f64;
        let mut newest = [0.0; 2];
        for step in 1..=40 {
            let variance = if step == 30 { NOTHING_MEASURED } else { 1e-4 };
            let measured = if step == 30 { 0.0 } else { delay(step) };
            smoother.push(DelayStep { position: 100 * step, measured, variance, smoothed: [0.0; 2] });
            newest = smoother.smooth(1e-9);
        }
        assert!((newest[0] - delay(40)).abs() < 1e-3 && (newest[1] - 0.02).abs() < 1e-4, "{newest:?}");
        for position in [2_900, 3_050, 3_999] {
            let exact = 7.0 + 0.02 * position as f64 / 100.0;
            assert!((smoother.delay_at(position, 100.0) - exact).abs() < 1e-3, "{position}");
        }
        smoother.shift(1.0);
        assert!((smoother.delay_at(3_500, 100.0) - 8.7).abs() < 1e-3);
    }
}
