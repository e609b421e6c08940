//! Values that glide to their target, sample by sample, and arrive exactly.

/// A one-pole glide.
#[derive(Clone, Copy, Debug)]
pub struct Glide {
    // Double, since the last steps of a slow glide are smaller than a float near 1 can take.
    value: f64,
    step: f64,
}

impl Glide {
    /// Starts at `value`; `time_ms` is the time constant.
    pub fn new(value: f32, time_ms: f64, sample_rate_hz: f64) -> Self {
        Self { value: f64::from(value), step: 1.0 - (-1000.0 / (time_ms * sample_rate_hz)).exp() }
    }

    /// Jumps to `value`.
    pub fn set(&mut self, value: f32) {
        self.value = f64::from(value);
    }

    /// Whether it stays what it is as long as the target is this one.
    pub fn rests_at(&self, target: f32) -> bool {
        self.value == f64::from(target)
    }

    /// One sample further towards `target`.
    pub fn next(&mut self, target: f32) -> f32 {
        let target = f64::from(target);
        let rest = target - self.value;
        // A rest of -120 dB is inaudible; taking it in one step makes a value at rest exact.
        self.value =
            if rest.abs() <= 1e-6 * target.abs().max(1.0) { target } else { self.value + self.step * rest };
        self.value as f32
    }
}

#[cfg(test)]
mod tests {
    use super::Glide;

    #[test]
    fn follows_the_time_constant_and_arrives_exactly() {
        let mut glide = Glide::new(0.0, 5.0, 48_000.0);
        let mut after = |samples: usize| (0..samples).map(|_| glide.next(1.0)).last();
        // One time constant: 1 - 1/e, textbook.
        assert!((after(240).unwrap() - 0.632_12).abs() < 1e-3);
        assert_eq!(after(4800), Some(1.0));
        assert!(glide.rests_at(1.0) && !glide.rests_at(0.0));
    }
}
