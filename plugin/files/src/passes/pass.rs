//! A pass over the files, and what it leaves behind.

use std::ops::Range;

use minuend_engine::{
    Bend, Claims, Energies, Lock, Match, Readings,
    causes::{Cause, Causes, Kind},
};

use super::{block::BLOCK_SAMPLES, course::Course, learned::Learned, series::Series};

/// What a pass leaves behind.
pub struct Pass {
    /// The engine's last readings, its delay as it is between the files.
    pub readings: Readings,
    /// What the engine knows at the end.
    pub learned: Learned,
    /// By how much the delay grows, parts in a million; 0 while it stands still.
    pub drift_ppm: f64,
    /// What limits the null, and what was corrected, by the end.
    pub causes: Vec<Cause>,
    /// Length of the mix, samples, as far as it was read.
    pub num_samples: u64,
    /// Whether the backing was ever found.
    pub was_found: bool,
    /// Other delays of the mix, samples, at which a song that repeats would agree with the backing as well.
    pub also_at: Vec<f64>,
    /// The readings over the song.
    pub series: Series,
    /// How mix and backing were bent, if a pass that is not heard found that they were.
    pub bend: Option<Bend>,
}

impl Pass {
    /// The delays of the mix between the files that were found, at the song's start, samples.
    pub fn delays(&self) -> Vec<f64> {
        let models = self.learned.found.sections.as_slice().iter().filter_map(|section| section.model);
        models.map(|model| model.at(0) - self.learned.advance_samples as f64).collect()
    }

    /// Whether the delay moves anywhere.
    pub fn moves(&self) -> bool {
        let mut models = self.learned.found.sections.as_slice().iter().filter_map(|section| section.model);
        models.any(|model| model.motion.moves())
    }

    /// How much of the mix is explained by the backing: energy, linear.
    pub fn explained(&self) -> f64 {
        let energies = self.series.energies();
        energies.mix - energies.difference()
    }

    /// What limits the null, if enough was heard to know.
    pub fn known_causes(&self) -> Option<&Causes> {
        self.readings.knows_causes.then_some(&self.readings.causes)
    }
}

/// What is kept of the blocks that were played.
pub struct Record {
    advance_samples: i64,
    rate_hz: f64,
    part: Range<u64>,
    promised_samples: Option<u64>,
    readings: Readings,
    course: Course,
    series: Series,
    was_found: bool,
}

impl Record {
    /// For a part in samples of the mix, of which the file promises so many, at a rate in Hz, with a backing moved earlier by
    /// so many samples.
    pub fn new(part: Range<u64>, promised_samples: Option<u64>, rate_hz: u32, advance_samples: i64) -> Self {
        Self {
            advance_samples,
            rate_hz: f64::from(rate_hz),
            part,
            promised_samples,
            readings: Readings::default(),
            course: Course::default(),
            series: Series::default(),
            was_found: false,
        }
    }

    /// Takes the readings at the end of a block of which so much belongs to the part; how much of the part is done then, 0
    /// to 1.
    pub fn take(
        &mut self,
        readings: &Readings,
        energies: Energies,
        claims: Claims,
        at_sample: u64,
        samples: usize,
    ) -> f64 {
        self.readings = with_causes_of(&self.readings, *readings);
        let locked = readings.lock == Lock::Locked;
        self.was_found |= locked;
        // Where a stretch begins, or a part ends, readings come with less than a block of output, and hold for a moment beside it.
        let is_whole = samples == BLOCK_SAMPLES;
        if is_whole {
            self.course.follow(at_sample as f64, locked.then_some(readings.delay_samples));
        }
        // Before there is output the engine's latency passes.
        if is_whole || samples > 0 && self.series.points().next().is_none() {
            self.series.add(
                at_sample as f64 / self.rate_hz,
                readings,
                energies,
                claims,
                self.advance_samples,
            );
        }
        let end = at_sample + samples as u64;
        let expected = self.promised_samples.unwrap_or(end).max(end).min(self.part.end);
        let [done, all] = [end, expected].map(|end| end.saturating_sub(self.part.start));
        (done as f64 / all.max(1) as f64).min(1.0)
    }

    /// What the pass leaves behind, with the match and the length of the mix, samples, as they are known at its end.
    pub fn end(self, found: Match, num_samples: u64) -> Pass {
        let mut readings = self.readings;
        readings.delay_samples -= self.advance_samples as f64;
        Pass {
            readings,
            causes: readings.causes.iter().map(|&cause| between_files(cause, self.advance_samples)).collect(),
            drift_ppm: self.course.drift_ppm(),
            learned: Learned { found, advance_samples: self.advance_samples, parts: None },
            num_samples,
            was_found: self.was_found,
            also_at: Vec::new(),
            series: self.series,
            bend: None,
        }
    }
}

/// Readings that tell what limits the null as those before did, if they no longer know it: where a better match has just been
/// found or the backing is over, what held until then tells most of the song.
fn with_causes_of(before: &Readings, now: Readings) -> Readings {
    let last = if now.knows_causes { &now } else { before };
    Readings { causes: last.causes, knows_causes: last.knows_causes, ..now }
}

/// A cause as it is between the files, where the engine has seen one of them moved.
fn between_files(mut cause: Cause, advance_samples: i64) -> Cause {
    if let Kind::Delay { samples } = &mut cause.kind {
        *samples -= advance_samples as f64;
    }
    cause
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_limits_the_null_stays_known() {
        let [known, unknown] =
            [true, false].map(|knows_causes| Readings { knows_causes, ..Readings::default() });
        let knows = |before, now| with_causes_of(before, now).knows_causes;
        assert!(knows(&known, unknown) && knows(&unknown, known) && !knows(&unknown, unknown));
    }
}
