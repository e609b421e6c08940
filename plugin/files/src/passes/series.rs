//! What the engine reported over the song, in as many points as a picture can show.

use minuend_engine::{Claims, Energies, Lock, Readings};

/// Points are merged in pairs when there are more than this.
const MAX_POINTS: usize = 2_000;

/// A mix below this, dB re full scale, is silence: dither of 16 bits is at -93.
const SILENT_MIX_DB: f32 = -100.0;

/// The readings of a stretch of the song.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Where it begins, s from the start of the mix.
    pub at_s: f64,
    /// State of the search at its end.
    pub lock: Lock,
    /// Whether the mix is silence throughout.
    pub mix_is_silent: bool,
    /// Delay between the files, samples; not a number while not locked.
    pub delay_samples: f64,
    /// Confidence in the delay, where it was looked at; not a number elsewhere.
    pub confidence: f64,
    /// Movement of the level, dB.
    pub follow_db: f64,
    /// Null depth, dB; not a number while it cannot be told.
    pub null_depth_db: f64,
    /// What it is at least, dB; not a number while that or more can be told.
    pub at_least_db: f64,
    /// What the match took out of the mix.
    pub energies: Energies,
    /// What the backing claimed of it.
    pub claims: Claims,
    num_merged: u32,
}

/// Readings over time: each block's at first, coarser and coarser ones as the song grows.
#[derive(Clone, Debug, Default)]
pub struct Series {
    points: Vec<Point>,
    gathering: Option<Point>,
    blocks_a_point: u32,
    last_confidence: f32,
}

impl Series {
    /// Adds the readings of a block that begins at so many seconds, for a backing moved earlier by so many samples.
    pub fn add(
        &mut self,
        at_s: f64,
        readings: &Readings,
        energies: Energies,
        claims: Claims,
        advance_samples: i64,
    ) {
        let locked = readings.lock == Lock::Locked;
        // The reading stands until the next look, which hardly ever gives the same to the bit.
        let before = std::mem::replace(&mut self.last_confidence, readings.confidence);
        let looked = readings.confidence != before && readings.confidence > 0.0;
        let point = Point {
            at_s,
            lock: readings.lock,
            mix_is_silent: readings.mix_db < SILENT_MIX_DB,
            delay_samples: if locked { readings.delay_samples - advance_samples as f64 } else { f64::NAN },
            confidence: if looked { f64::from(readings.confidence) } else { f64::NAN },
            follow_db: if locked { f64::from(readings.follow_db) } else { f64::NAN },
            null_depth_db: readings.null_depth_db.map_or(f64::NAN, f64::from),
            at_least_db: readings.withheld.at_least_db().map_or(f64::NAN, f64::from),
            energies,
            claims,
            num_merged: 1,
        };
        self.blocks_a_point = self.blocks_a_point.max(1);
        let gathered = match self.gathering.take() {
            Some(gathering) => merge(gathering, point),
            None => point,
        };
        if gathered.num_merged < self.blocks_a_point {
            self.gathering = Some(gathered);
            return;
        }
        self.points.push(gathered);
        if self.points.len() >= MAX_POINTS {
            self.points = self
                .points
                .chunks(2)
                .map(|pair| pair.iter().copied().reduce(merge).unwrap_or(pair[0]))
                .collect();
            self.blocks_a_point *= 2;
        }
    }

    /// All points, in order.
    pub fn points(&self) -> impl Iterator<Item = Point> + Clone {
        self.points.iter().copied().chain(self.gathering)
    }

    /// What the match took out of the mix over all of them.
    pub fn energies(&self) -> Energies {
        self.points().fold(Energies::default(), |sum, point| sum + point.energies)
    }

    /// One value over time, in s.
    pub fn over_time(&self, value: impl Fn(&Point) -> f64) -> Vec<(f64, f64)> {
        self.points().map(|point| (point.at_s, value(&point))).collect()
    }
}

/// Means of what is known in either; the place is that of the earlier, where the stretch begins, the state that of the later.
fn merge(a: Point, b: Point) -> Point {
    let mean = |x: f64, y: f64| match (x.is_nan(), y.is_nan()) {
        (true, _) => y,
        (_, true) => x,
        _ => {
            let (m, n) = (f64::from(a.num_merged), f64::from(b.num_merged));
            (m * x + n * y) / (m + n)
        }
    };
    Point {
        at_s: a.at_s,
        lock: b.lock,
        mix_is_silent: a.mix_is_silent && b.mix_is_silent,
        delay_samples: if a.delay_samples.is_nan() { b.delay_samples } else { a.delay_samples },
        confidence: mean(a.confidence, b.confidence),
        follow_db: mean(a.follow_db, b.follow_db),
        null_depth_db: mean(a.null_depth_db, b.null_depth_db),
        at_least_db: mean(a.at_least_db, b.at_least_db),
        energies: a.energies + b.energies,
        claims: a.claims + b.claims,
        num_merged: a.num_merged + b.num_merged,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn readings(lock: Lock, delay_samples: f64, null_depth_db: Option<f32>) -> Readings {
        Readings { lock, delay_samples, null_depth_db, follow_db: -2.0, ..Readings::default() }
    }

    /// However long the song, there are few points, they cover all of it, and means stay means.
    #[test]
    fn long_songs_have_as_few_points() {
        for num_blocks in [1, 1_999, 2_000, 2_001, 123_456] {
            let mut series = Series::default();
            for n in 0..num_blocks {
                let depth = if n % 2 == 0 { 40.0 } else { 50.0 };
                series.add(
                    n as f64,
                    &readings(Lock::Locked, 100.0, Some(depth)),
                    Energies::default(),
                    Claims::default(),
                    58,
                );
            }
            let points: Vec<_> = series.points().collect();
            assert!(points.len() <= MAX_POINTS, "{}", points.len());
            assert_eq!(points.iter().map(|point| point.num_merged as usize).sum::<usize>(), num_blocks);
            assert_eq!((points[0].at_s, points[0].delay_samples), (0.0, 42.0));
            let whole = &points[..points.len() - 1];
            let even = whole.iter().all(|point| point.num_merged == 1 || point.null_depth_db == 45.0);
            assert!(even && points.iter().all(|point| point.follow_db == -2.0));
        }
    }

    /// Confidence is known where it was looked, and not until the next look.
    #[test]
    fn sureness_is_that_of_looks() {
        let mut series = Series::default();
        for confidence in [0.0, 0.0, 3.0, 3.0, 3.0, 5.0, 5.0] {
            series.add(
                0.0,
                &Readings { confidence, ..readings(Lock::Locked, 1.0, None) },
                Energies::default(),
                Claims::default(),
                0,
            );
        }
        let found: Vec<_> = series.points().map(|point| point.confidence).enumerate().collect();
        let known: Vec<_> = found.into_iter().filter(|(_, confidence)| confidence.is_finite()).collect();
        assert_eq!(known, [(2, 3.0), (5, 5.0)]);
    }
}
