//! Values tracked from noisy measurements (Kalman 1960).

pub mod constant_velocity;
pub mod decaying_level;
pub mod process_noise_bank;

/// A state that is tracked: predicted from step to step, and corrected by measurements.
pub trait Track: Copy {
    /// How the state moves from one step to the next.
    type Dynamics: Copy;

    /// One step on.
    fn predict(&mut self, dynamics: Self::Dynamics);

    /// Takes a measurement with a variance into account.
    fn correct(&mut self, measured: f64, variance: f64);

    /// The value that is measured, as far as it is known.
    fn value(&self) -> f64;
}
