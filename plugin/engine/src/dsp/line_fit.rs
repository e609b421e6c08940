//! A straight line through equally spaced values, of which older ones count less (exponentially weighted least squares).

/// Sums from which the line is solved.
#[derive(Clone, Copy)]
pub struct LineFit {
    /// Factor by which the weight of a value falls at each step.
    decay: f64,
    /// Sums of the weights, by powers of the age in steps.
    weights: [f64; 3],
    /// Sums of the values, by powers of the age in steps.
    values: [f64; 2],
}

impl LineFit {
    /// No values yet; after `memory_steps` steps a value counts 1/e.
    pub fn new(memory_steps: f64) -> Self {
        Self { decay: 1.0 - 1.0 / memory_steps, weights: [0.0; 3], values: [0.0; 2] }
    }

    /// Adds the value of the next step.
    pub fn add(&mut self, value: f64) {
        self.pass();
        self.weights[0] += 1.0;
        self.values[0] += value;
    }

    /// The next step has no value.
    pub fn pass(&mut self) {
        let ([w0, w1, w2], [v0, v1]) = (self.weights, self.values);
        // Everything is one step older.
        self.weights = [self.decay * w0, self.decay * (w1 + w0), self.decay * (w2 + 2.0 * w1 + w0)];
        self.values = [self.decay * v0, self.decay * (v1 + v0)];
    }

    /// Value of the line at the newest step, and its slope per step.
    pub fn fit(&self) -> (f64, f64) {
        let ([w0, w1, w2], [v0, v1]) = (self.weights, self.values);
        let det = w0 * w2 - w1 * w1;
        if det <= 0.0 {
            return (if w0 > 0.0 { v0 / w0 } else { 0.0 }, 0.0);
        }
        ((w2 * v0 - w1 * v1) / det, -(w0 * v1 - w1 * v0) / det)
    }
}

#[cfg(test)]
mod tests {
    use super::LineFit;

    #[test]
    fn a_line_is_found() {
        let mut line = LineFit::new(3000.0);
        (0..500).for_each(|n| line.add(3.0 + 0.25 * f64::from(n)));
        let (newest, slope) = line.fit();
        assert!((newest - (3.0 + 0.25 * 499.0)).abs() < 1e-9 && (slope - 0.25).abs() < 1e-12);
        // It goes on where there are no values.
        (0..100).for_each(|_| line.pass());
        let (newest, slope) = line.fit();
        assert!((newest - (3.0 + 0.25 * 599.0)).abs() < 1e-9 && (slope - 0.25).abs() < 1e-12);
    }
}
