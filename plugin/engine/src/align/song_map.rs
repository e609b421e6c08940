//! Where in the song the backing lies at which delay: a song that was cut or rearranged has several alignments.

use crate::align::motion::{DelayMotion, QUICKEST};
use crate::input::InputHistory;

/// Most sections that are remembered.
pub const MOST: usize = 32;
/// Furthest that a section begins from the start of the song, samples: four days at 192 kHz. By there the quickest drift
/// has grown to less than [`LATEST`].
pub const FURTHEST: i64 = 1 << 36;
/// Longest delay that can have been learned, samples.
const LATEST: f64 = 1e9;
/// Delays that differ by less are one alignment, samples.
const SAME_SAMPLES: f64 = 0.5;

/// A delay, and how it moves with the position in the song.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DelayModel {
    /// How much later than the backing the mix plays the same music, samples, at the start of the song; whole unless
    /// it moves; negative = the backing is late.
    pub delay_samples: f64,
    /// How it moves.
    pub motion: DelayMotion,
}

impl DelayModel {
    /// A delay that stands still.
    pub fn still(delay_samples: f64) -> Self {
        Self { delay_samples, motion: DelayMotion::NONE }
    }

    /// Delay at a position in the song, samples.
    pub fn at(&self, position: i64) -> f64 {
        self.delay_samples + self.motion.rate * position as f64
    }

    /// Whether both are finite and within what the engine itself could have learned.
    pub fn is_sound(&self) -> bool {
        self.delay_samples.abs() < LATEST
            && (0.0..=1.0).contains(&self.motion.process)
            && self.motion.rate.abs() <= QUICKEST
    }

    fn is_near(&self, other: &Self, position: i64) -> bool {
        self.motion.moves() == other.motion.moves()
            && (self.at(position) - other.at(position)).abs() < SAME_SAMPLES
    }
}

/// A part of the song with one alignment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Section {
    /// Position in the song at which it begins, samples.
    pub begin: i64,
    /// `None` where the backing has no counterpart.
    pub model: Option<DelayModel>,
}

/// The sections of a song in order, as far as they are known; the first one also holds for all that is before it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SongMap {
    list: [Section; MOST],
    len: usize,
}

impl Default for SongMap {
    /// Nothing known.
    fn default() -> Self {
        Self { list: [Section { begin: i64::MIN, model: None }; MOST], len: 0 }
    }
}

impl SongMap {
    /// The sections; empty while nothing is known.
    pub fn as_slice(&self) -> &[Section] {
        &self.list[..self.len]
    }

    /// Adds one that begins after all others; false if it does not, or there is no room.
    pub fn push(&mut self, section: Section) -> bool {
        let in_order = self.as_slice().last().is_none_or(|last| last.begin < section.begin);
        if in_order && self.len < MOST {
            self.list[self.len] = section;
            self.len += 1;
            return true;
        }
        false
    }

    /// Index of the section at a position.
    fn index(&self, position: i64) -> usize {
        self.as_slice().iter().skip(1).take_while(|s| s.begin <= position).count()
    }

    /// The section at a position in the song.
    pub fn at(&self, position: i64) -> Option<&Section> {
        self.as_slice().get(self.index(position))
    }

    /// Where the section at a position ends.
    pub fn end(&self, position: i64) -> i64 {
        self.as_slice().get(self.index(position) + 1).map_or(i64::MAX, |next| next.begin)
    }

    /// Corrects the model of the section at a position.
    pub fn correct(&mut self, position: i64, model: DelayModel) {
        if self.len > 0 {
            self.list[self.index(position)].model = Some(model);
        }
    }

    /// Forgets the section at a position: the one before holds instead, or else the one after.
    pub fn forget(&mut self, position: i64) {
        let at = self.index(position);
        let known = *self;
        *self = Self::default();
        for (idx, &section) in known.as_slice().iter().enumerate().filter(|(idx, _)| *idx != at) {
            let begin = if idx == 0 || self.len == 0 { i64::MIN } else { section.begin };
            self.push(Section { begin, ..section });
        }
    }

    /// Remembers that from `begin` to `now` another alignment holds than was known; what was known of later positions
    /// stays.
    pub fn put(&mut self, begin: i64, now: i64, model: Option<DelayModel>) {
        let known = self.as_slice();
        let same = |a: &Option<DelayModel>| match (a, &model) {
            (Some(a), Some(b)) => a.is_near(b, begin),
            (a, b) => a.is_none() && b.is_none(),
        };
        let mut sections = Self::default();
        let before =
            known.iter().enumerate().filter(|(idx, s)| s.begin < begin && (*idx == 0 || s.begin <= now));
        before.for_each(|(_, &section)| _ = sections.push(section));
        if !sections.as_slice().last().is_some_and(|last| same(&last.model)) {
            if sections.len == MOST {
                sections.len -= 1;
            }
            let begin = if sections.len == 0 { i64::MIN } else { begin };
            sections.push(Section { begin, model });
        }
        known.iter().filter(|s| s.begin > now).for_each(|&section| _ = sections.push(section));
        *self = sections;
    }

    /// Whether every section could have been learned.
    pub fn is_sound(&self) -> bool {
        let sections = self.as_slice();
        sections.iter().all(|s| s.model.is_none_or(|model| model.is_sound()))
            && sections.iter().skip(1).all(|s| (-FURTHEST..=FURTHEST).contains(&s.begin))
    }

    /// The same at another sample rate, `ratio` times as high: delays in whole samples. Of sections that begin at one sample
    /// then, the first is kept.
    pub fn at_rate(&self, ratio: f64) -> Self {
        let mut sections = Self::default();
        for &Section { begin, model } in self.as_slice() {
            let begin = if begin == i64::MIN { begin } else { (begin as f64 * ratio).round() as i64 };
            let delay = |model: DelayModel| (model.delay_samples * ratio).round();
            let model = model.map(|model| DelayModel { delay_samples: delay(model), ..model });
            sections.push(Section { begin, model });
        }
        sections
    }
}

/// Which section of the song the newest mix belongs to.
pub struct SongCursor {
    /// Position in the song at which that section ends.
    section_end: i64,
}

impl Default for SongCursor {
    /// A song of one section.
    fn default() -> Self {
        Self { section_end: i64::MAX }
    }
}

impl SongCursor {
    /// Enters the section of a position in the song.
    pub fn enter(&mut self, sections: &SongMap, song: i64) {
        self.section_end = sections.end(song);
    }

    /// Position of the mix at which the section has ended, if the newest lies beyond it.
    pub fn left_section_at(&self, input: &InputHistory) -> Option<i64> {
        // Never by subtraction from the end, which may be as far away as a number can be.
        (input.song_position() > self.section_end).then(|| self.section_end - input.song_offset())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn model(delay: f64) -> Option<DelayModel> {
        Some(DelayModel::still(delay))
    }

    fn begins(sections: &SongMap) -> Vec<(i64, Option<f64>)> {
        sections.as_slice().iter().map(|s| (s.begin, s.model.map(|l| l.delay_samples))).collect()
    }

    #[test]
    fn remembers_places_in_order_and_merges_what_is_one() {
        let mut sections = SongMap::default();
        assert_eq!(sections.at(5), None);
        sections.put(1000, 2000, model(3.0));
        assert_eq!(begins(&sections), [(i64::MIN, Some(3.0))]);
        sections.put(5000, 6000, None);
        sections.put(9000, 9500, model(77.0));
        assert_eq!(begins(&sections), [(i64::MIN, Some(3.0)), (5000, None), (9000, Some(77.0))]);
        assert_eq!(sections.at(4999).unwrap().model, model(3.0));
        assert_eq!(sections.at(5000).unwrap().model, None);
        assert_eq!((sections.end(0), sections.end(5000), sections.end(20_000)), (5000, 9000, i64::MAX));
        let mut one_less = sections;
        one_less.forget(0);
        assert_eq!(begins(&one_less), [(i64::MIN, None), (9000, Some(77.0))]);
        one_less.forget(9500);
        assert_eq!(begins(&one_less), [(i64::MIN, None)]);
        // What was remembered wrongly goes; what comes later stays.
        sections.put(4000, 6000, model(3.2));
        assert_eq!(begins(&sections), [(i64::MIN, Some(3.0)), (9000, Some(77.0))]);
        assert_eq!(sections.end(0), 9000);
    }

    /// All that can have been learned, to the bounds of it, and nothing beyond them.
    #[test]
    fn only_what_can_have_been_learned_is_sound() {
        let is_sound = |begin, delay_samples, process, rate| {
            let mut sections = SongMap::default();
            assert!(sections.push(Section { begin: i64::MIN, model: None }));
            let model = DelayModel { delay_samples, motion: DelayMotion { process, rate } };
            assert!(sections.push(Section { begin, model: Some(model) }));
            sections.is_sound()
        };
        assert!(is_sound(FURTHEST, LATEST - 1.0, 1.0, QUICKEST));
        assert!(is_sound(-FURTHEST, 1.0 - LATEST, 0.0, -QUICKEST));
        for begin in [FURTHEST + 1, -FURTHEST - 1] {
            assert!(!is_sound(begin, 0.0, 0.0, 0.0), "begins at {begin}");
        }
        for delay_samples in [LATEST, -LATEST, f64::NAN] {
            assert!(!is_sound(0, delay_samples, 0.0, 0.0), "{delay_samples} samples");
        }
        for process in [1.01, -1e-12, f64::NAN] {
            assert!(!is_sound(0, 0.0, process, 0.0), "restless by {process}");
        }
        for rate in [1.01 * QUICKEST, -1.01 * QUICKEST, f64::NAN] {
            assert!(!is_sound(0, 0.0, 1e-9, rate), "{rate} samples a sample");
        }
    }

    #[test]
    fn never_outgrows_its_room() {
        let mut sections = SongMap::default();
        for n in 0..100 {
            sections.put(1000 * n, 1000 * n + 500, model(10.0 * n as f64));
            assert_eq!(sections.at(1000 * n).unwrap().model, model(10.0 * n as f64));
        }
        assert_eq!(sections.as_slice().len(), MOST);
    }
}
