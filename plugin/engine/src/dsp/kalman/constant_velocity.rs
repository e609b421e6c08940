//! Tracks a value that changes at a rate which itself changes slowly: constant velocity, with white noise in the rate.

use crate::dsp::kalman::Track;

/// Most standard deviations by which a measurement counts as off: one that is further off pulls no harder.
/// Chosen by hand; not measured.
const OUTLIER_SIGMAS: f64 = 5.0;

/// Value and rate per step, with their covariance.
#[derive(Clone, Copy)]
pub struct ConstantVelocity {
    /// Value, and its rate per step.
    pub state: [f64; 2],
    /// Variance of the value, covariance of value and rate, variance of the rate.
    pub covariance: [f64; 3],
}

impl ConstantVelocity {
    /// A value and its rate per step, known to these standard deviations.
    pub fn new(state: [f64; 2], deviations: [f64; 2]) -> Self {
        Self { state, covariance: [deviations[0].powi(2), 0.0, deviations[1].powi(2)] }
    }

    /// The state one step later, with a process noise: the variance of the rate's change per step.
    pub fn predicted(&self, process_noise: f64) -> Self {
        let ([value, rate], [p00, p01, p11], q) = (self.state, self.covariance, process_noise);
        Self {
            state: [value + rate, rate],
            covariance: [p00 + 2.0 * p01 + p11 + q / 3.0, p01 + p11 + q / 2.0, p11 + q],
        }
    }

    /// The Rauch-Tung-Striebel step (1965): this state, corrected by the smoothed one that follows it.
    pub fn smoothed(&self, next: [f64; 2], process_noise: f64) -> [f64; 2] {
        let ahead = self.predicted(process_noise);
        let [a00, a01, a11] = ahead.covariance;
        let [p00, p01, p11] = self.covariance;
        let det = (a00 * a11 - a01 * a01).max(1e-300);
        // P F^T P'^-1 with F = [1 1; 0 1].
        let pf = [[p00 + p01, p01], [p01 + p11, p11]];
        let inverse = [[a11 / det, -a01 / det], [-a01 / det, a00 / det]];
        let e = [next[0] - ahead.state[0], next[1] - ahead.state[1]];
        let c = |i: usize, j: usize| pf[i][0] * inverse[0][j] + pf[i][1] * inverse[1][j];
        [self.state[0] + c(0, 0) * e[0] + c(0, 1) * e[1], self.state[1] + c(1, 0) * e[0] + c(1, 1) * e[1]]
    }
}

impl Track for ConstantVelocity {
    /// Process noise: variance of the rate's change per step.
    type Dynamics = f64;

    fn predict(&mut self, process_noise: f64) {
        *self = self.predicted(process_noise);
    }

    fn correct(&mut self, measured: f64, variance: f64) {
        let [p00, p01, p11] = self.covariance;
        let s = p00 + variance;
        if !(s.is_finite() && measured.is_finite()) {
            return;
        }
        let most = OUTLIER_SIGMAS * s.sqrt();
        let e = (measured - self.state[0]).clamp(-most, most);
        let k = [p00 / s, p01 / s];
        self.state = [self.state[0] + k[0] * e, self.state[1] + k[1] * e];
        self.covariance = [p00 - k[0] * p00, p01 - k[0] * p01, p11 - k[1] * p01];
    }

    fn value(&self) -> f64 {
        self.state[0]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Exact measurements of a line: after two of them value and rate are known. One that is far off pulls no harder than
    /// one that is five standard deviations off, and one that is not finite not at all.
    #[test]
    fn a_line_is_tracked_and_an_outlier_held_back() {
        let mut track = ConstantVelocity::new([0.0, 0.0], [10.0, 10.0]);
        for n in 1..=5 {
            track = track.predicted(0.0);
            track.correct(2.0 + 0.5 * f64::from(n), 1e-6);
        }
        assert!(
            (track.state[0] - 4.5).abs() < 1e-3 && (track.state[1] - 0.5).abs() < 1e-3,
            "{:?}",
            track.state
        );
        let pulled = |measured: f64| {
            let mut track = ConstantVelocity::new([0.0, 0.0], [1.0, 1.0]);
            track.correct(measured, 3.0);
            track.state
        };
        assert_eq!(pulled(10.0), pulled(1e6));
        assert!(pulled(9.0)[0] < pulled(10.0)[0]);
        assert_eq!(pulled(f64::NAN), [0.0, 0.0]);
    }

    /// Smoothing with what it predicts itself changes nothing; what it did not predict is shared out backwards.
    #[test]
    fn smoothing_goes_back_from_what_came_after() {
        let track = ConstantVelocity::new([1.0, 0.5], [1.0, 0.1]);
        let same = track.smoothed(track.predicted(1e-3).state, 1e-3);
        assert!((same[0] - 1.0).abs() < 1e-12 && (same[1] - 0.5).abs() < 1e-12);
        let moved = track.smoothed([2.0, 0.5], 1e-3);
        assert!(moved[0] > 1.3 && moved[0] < 1.6, "{moved:?}");
    }
}
