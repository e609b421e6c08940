//! The null depth over a song, from what the engine tells of ten seconds at a time.

use minuend_engine::{Readings, Withheld};

/// The mean of null depths, of what they leave: they are of powers, so they are averaged as such.
#[derive(Clone, Copy, Debug, Default)]
pub struct MeanDepth {
    left: f64,
    count: usize,
}

impl MeanDepth {
    /// Takes one, dB.
    pub fn add(&mut self, depth_db: f64) {
        self.left += 10f64.powf(-0.1 * depth_db);
        self.count += 1;
    }

    /// Their mean, dB; `None` of none.
    pub fn db(&self) -> Option<f64> {
        (self.count > 0).then(|| -10.0 * (self.left / self.count as f64).log10())
    }
}

/// Gathers readings.
#[derive(Clone, Copy, Debug, Default)]
pub struct Depth {
    told: MeanDepth,
    at_least: MeanDepth,
    withheld: Withheld,
}

impl Depth {
    /// Takes a reading.
    pub fn take(&mut self, readings: &Readings) {
        match (readings.null_depth_db, readings.withheld) {
            (Some(db), _) => self.told.add(db.into()),
            (None, Withheld::AtLeast(db)) => self.at_least.add(db.into()),
            (None, Withheld::NoRest) => {}
            (None, withheld) => self.withheld = withheld,
        }
    }

    /// Null depth, dB.
    pub fn told_db(&self) -> Option<f64> {
        self.told.db()
    }

    /// Why there is none. A bound that was told for a part of the song is none where the rests tell nothing of the others.
    pub fn withheld(&self) -> Withheld {
        match (self.told.db(), self.withheld, self.at_least.db()) {
            (Some(_), ..) => Withheld::default(),
            (None, withheld @ Withheld::Forbidden(_), _) | (None, withheld, None) => withheld,
            (None, _, Some(db)) => Withheld::AtLeast(db as f32),
        }
    }
}

#[cfg(test)]
mod tests {
    use minuend_engine::causes::Kind;

    use super::*;

    fn reading(null_depth_db: Option<f32>, withheld: Withheld) -> Readings {
        Readings { null_depth_db, withheld, ..Readings::default() }
    }

    /// 10 log10 of the mean of 1e-2 and 1e-4, by hand.
    #[test]
    fn powers_are_averaged() {
        let mut depth = Depth::default();
        assert_eq!(depth.told_db(), None);
        for db in [Some(20.0), None, Some(40.0)] {
            depth.take(&reading(db, Withheld::NoRest));
        }
        assert!((depth.told_db().unwrap() - 22.967).abs() < 1e-3, "{depth:?}");
    }

    /// A voice that does not rest now hides no other reason.
    #[test]
    fn the_reason_that_can_be_told_stays() {
        let mut depth = Depth::default();
        depth.take(&reading(None, Withheld::Forbidden(Kind::Clipping)));
        depth.take(&reading(None, Withheld::NoRest));
        assert_eq!(depth.withheld(), Withheld::Forbidden(Kind::Clipping));
        depth.take(&reading(None, Withheld::AtLeast(60.0)));
        assert_eq!(depth.withheld(), Withheld::Forbidden(Kind::Clipping));
    }

    /// 10 log10 of the mean of 1e-5 and 1e-7, by hand: what is left at most, so on the whole as well.
    #[test]
    fn bounds_are_averaged_as_powers_too() {
        let mut depth = Depth::default();
        for withheld in
            [Withheld::CausesUnknown, Withheld::AtLeast(50.0), Withheld::NoRest, Withheld::AtLeast(70.0)]
        {
            depth.take(&reading(None, withheld));
        }
        assert_eq!(depth.told_db(), None);
        assert!(matches!(depth.withheld(), Withheld::AtLeast(db) if (db - 52.967).abs() < 1e-3), "{depth:?}");
    }
}
