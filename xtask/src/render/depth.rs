//! The null depth over a song, from what the engine tells of ten seconds at a time.

use minuend_engine::{Readings, Untold};

/// Gathers readings.
#[derive(Clone, Copy, Debug, Default)]
pub struct Depth {
    left: f64,
    num_told: usize,
    untold: Untold,
}

impl Depth {
    /// Takes a reading.
    pub fn take(&mut self, readings: &Readings) {
        match (readings.null_depth_db, readings.untold) {
            (Some(db), _) => self.add(db.into()),
            (None, Untold::NoRest) => {}
            (None, untold) => self.untold = untold,
        }
    }

    /// Takes a null depth, dB.
    pub fn add(&mut self, depth_db: f64) {
        self.left += 10f64.powf(-0.1 * depth_db);
        self.num_told += 1;
    }

    /// That of the mean of what is left, dB: the readings are of powers, so they are averaged as such.
    pub fn told_db(&self) -> Option<f64> {
        (self.num_told > 0).then(|| -10.0 * (self.left / self.num_told as f64).log10())
    }

    /// Why there is none.
    pub fn untold(&self) -> Untold {
        self.untold
    }
}

#[cfg(test)]
mod tests {
    use minuend_engine::causes::Kind;

    use super::*;

    fn reading(null_depth_db: Option<f32>, untold: Untold) -> Readings {
        Readings { null_depth_db, untold, ..Readings::default() }
    }

    /// 10 log10 of the mean of 1e-2 and 1e-4, by hand.
    #[test]
    fn powers_are_averaged() {
        let mut depth = Depth::default();
        assert_eq!(depth.told_db(), None);
        for db in [Some(20.0), None, Some(40.0)] {
            depth.take(&reading(db, Untold::NoRest));
        }
        assert!((depth.told_db().unwrap() - 22.967).abs() < 1e-3, "{depth:?}");
    }

    /// A voice that does not rest now hides no other reason.
    #[test]
    fn the_reason_that_can_be_told_stays() {
        let mut depth = Depth::default();
        depth.take(&reading(None, Untold::Forbidden(Kind::Clipping)));
        depth.take(&reading(None, Untold::NoRest));
        assert_eq!(depth.untold(), Untold::Forbidden(Kind::Clipping));
    }
}
