//! A mean over a song, and how sure it is.

/// A mean over the parts of a song. Frames of one part are alike, so that a part counts as one observation.
pub struct PartMean {
    mean: f64,
    /// Standard error of the mean.
    error: f64,
}

impl PartMean {
    /// Of values, each with the part that it belongs to, part after part; `None` of fewer than `least_parts`, of which two are
    /// needed.
    pub fn of(values: impl IntoIterator<Item = (i64, f64)>, least_parts: usize) -> Option<Self> {
        let mut parts: Vec<(i64, f64, f64)> = Vec::new();
        for (part, value) in values {
            match parts.last_mut() {
                Some((last, sum, count)) if *last == part => (*sum, *count) = (*sum + value, *count + 1.0),
                _ => parts.push((part, value, 1.0)),
            }
        }
        if parts.len() < least_parts.max(2) {
            return None;
        }
        let count = parts.len() as f64;
        let means = || parts.iter().map(|(_, sum, count)| sum / count);
        let mean = means().sum::<f64>() / count;
        let spread = means().map(|value| (value - mean).powi(2)).sum::<f64>() / (count - 1.0);
        Some(Self { mean, error: (spread / count).sqrt() })
    }

    /// Whether it is more than `least`, and than so many of its standard errors.
    pub fn is_clear(&self, least: f64, errors: f64) -> bool {
        self.mean > least && self.mean > errors * self.error
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: parts of 1, 3 and 2 have a mean of 2 and a standard error of 1 over the root of 3, however many frames they have.
    #[test]
    fn a_part_counts_once() {
        let values = [(4, 1.0), (4, 1.0), (4, 1.0), (5, 3.0), (7, 1.5), (7, 2.5)];
        let found = PartMean::of(values, 3).unwrap();
        assert!((found.mean - 2.0).abs() < 1e-12 && (found.error - 3f64.sqrt().recip()).abs() < 1e-12);
        assert!(found.is_clear(1.9, 3.4) && !found.is_clear(2.1, 3.4) && !found.is_clear(1.9, 3.5));
        assert!(PartMean::of(values, 4).is_none());
    }
}
