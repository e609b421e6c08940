//! The match's way between the session and the audio thread.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use minuend_engine::{Engine, Match, SongMap};
use nice_plug::params::persist::PersistentField;
use triple_buffer::{Input, Output, TripleBuffer};

use super::bytes::Kept;
use super::change::differs;
use crate::look::Look;
use crate::params::Controls;

/// The session's end: what is saved and opened. Not for the audio thread.
pub struct Session {
    controls: Arc<Controls>,
    look: Look,
    matches: Mutex<Matches>,
}

struct Matches {
    /// What was last opened, or last seen of what the engine learned.
    learned: Option<Match>,
    /// As `learned` when the host was last told that the session has changed.
    told: Option<Match>,
    /// How many times a session has been opened.
    openings: u64,
    /// To and from the audio thread, once there is an engine.
    ends: Option<(Input<Passed>, Output<Passed>)>,
}

/// A match on its way, made for the opening of that number. What the engine learned before it took the latest
/// opening is out of date.
#[derive(Clone)]
struct Passed {
    opening: u64,
    learned: Match,
}

impl Session {
    /// Nothing learned yet.
    pub fn new(controls: Arc<Controls>, look: Look) -> Self {
        let matches = Matches { learned: None, told: None, openings: 0, ends: None };
        Self { controls, look, matches: Mutex::new(matches) }
    }

    /// Puts the match in force in a new engine, and connects the two. Allocates.
    pub fn connect(&self, engine: &mut Engine) -> MatchPort {
        let mut matches = self.lock();
        matches.refresh();
        if let Some(learned) = &matches.learned {
            engine.recall(learned);
        }
        // Filled with the engine's own match, the buffers have room for every later one.
        let first = Passed { opening: matches.openings, learned: engine.learned().clone() };
        let (to_engine, from_session) = TripleBuffer::new(&first).split();
        let (to_session, from_engine) = TripleBuffer::new(&first).split();
        matches.ends = Some((to_engine, from_engine));
        MatchPort {
            from_session,
            to_session,
            opening: matches.openings,
            revision: engine.readings().match_revision,
        }
    }

    /// Whether the match has changed materially since this was last asked or a session was opened.
    pub fn has_changed(&self) -> bool {
        let mut matches = self.lock();
        matches.refresh();
        let changed = differs(matches.told.as_ref(), matches.learned.as_ref());
        if changed {
            matches.told = matches.learned.clone();
        }
        changed
    }

    /// The match as it is now.
    pub fn learned(&self) -> Option<Match> {
        self.kept().learned
    }

    /// Puts another match in force, by which the session changes.
    pub fn take_over(&self, learned: Match) {
        let told = self.lock().told.clone();
        self.open(Some(learned));
        self.lock().told = told;
    }

    fn kept(&self) -> Kept {
        let mut matches = self.lock();
        matches.refresh();
        Kept {
            controls: self.controls.values(),
            look: (self.look.scale_percent(), self.look.is_dark()),
            learned: matches.learned.clone(),
        }
    }

    pub(super) fn open(&self, learned: Option<Match>) {
        let mut matches = self.lock();
        let matches = &mut *matches;
        matches.openings += 1;
        matches.told.clone_from(&learned);
        matches.learned = learned;
        if let Some((to_engine, _)) = &mut matches.ends {
            let passed = to_engine.input_buffer_mut();
            passed.opening = matches.openings;
            match &matches.learned {
                Some(learned) => passed.learned.clone_from(learned),
                None => passed.learned.sections = SongMap::default(),
            }
            to_engine.publish();
        }
    }

    fn lock(&self) -> MutexGuard<'_, Matches> {
        self.matches.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Matches {
    /// Takes over what the engine has learned since.
    fn refresh(&mut self) {
        if let Some((_, from_engine)) = &mut self.ends
            && from_engine.update()
        {
            let passed = from_engine.output_buffer();
            if passed.opening == self.openings {
                self.learned = passed.learned.is_known().then(|| passed.learned.clone());
            }
        }
    }
}

impl PersistentField<'_, String> for Session {
    fn set(&self, text: String) {
        // It has been admitted; otherwise nothing is opened.
        if let Ok(kept) = Kept::decode(&text) {
            self.look.set_scale_percent(kept.look.0);
            self.look.set_dark(kept.look.1);
            self.open(kept.learned);
        }
    }

    fn map<F: Fn(&String) -> R, R>(&self, f: F) -> R {
        f(&self.kept().encode())
    }
}

/// The audio thread's end. Wait-free; allocates nothing.
pub struct MatchPort {
    from_session: Output<Passed>,
    to_session: Input<Passed>,
    opening: u64,
    /// Of the match that was given last.
    revision: u64,
}

impl MatchPort {
    /// Before a block: puts the match of a session just opened in force; true if there was one.
    pub fn take(&mut self, engine: &mut Engine) -> bool {
        let opened = self.from_session.update();
        if opened {
            let passed = self.from_session.output_buffer();
            self.opening = passed.opening;
            if passed.learned.is_known() {
                engine.recall(&passed.learned);
            } else {
                engine.relearn();
            }
            self.pass_on(engine);
        }
        opened
    }

    /// After a block: passes on what was learned; true if it has changed.
    pub fn give(&mut self, engine: &Engine) -> bool {
        let changed = engine.readings().match_revision != self.revision;
        if changed {
            self.pass_on(engine);
        }
        changed
    }

    fn pass_on(&mut self, engine: &Engine) {
        self.revision = engine.readings().match_revision;
        let passed = self.to_session.input_buffer_mut();
        passed.opening = self.opening;
        passed.learned.clone_from(engine.learned());
        self.to_session.publish();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::state::MinuendParams;
    use crate::state::example::learned_with;

    #[test]
    fn a_match_goes_to_the_engine_and_back() {
        let params = MinuendParams::default();
        let session = &params.session;
        let mut engine = Engine::new(44_100.0, 2).unwrap();
        let learned = learned_with(engine.learned().taps.num_taps());
        let mut port = session.connect(&mut engine);
        assert!(session.kept().learned.is_none());

        // Saved again before the engine has seen it, then after.
        session.open(Some(learned.clone()));
        assert_eq!(session.kept().learned.as_ref(), Some(&learned));
        assert!(port.take(&mut engine));
        assert!(!port.take(&mut engine));
        assert_eq!(engine.learned(), &learned);
        assert_eq!(session.kept().learned.as_ref(), Some(&learned));
        assert!(!session.has_changed(), "opening is no change");

        // Forgetting it is one, and is told once.
        engine.relearn();
        assert!(port.give(&engine));
        assert!(!port.give(&engine));
        assert!(session.has_changed());
        assert!(!session.has_changed());
        assert_eq!(session.kept().learned, None);

        // A new engine carries on with what was there.
        session.open(Some(learned));
        let mut engine = Engine::new(48_000.0, 2).unwrap();
        let mut port = session.connect(&mut engine);
        assert!(engine.learned().is_known());

        // Taking one over changes the session, opening it does not.
        session.open(None);
        session.take_over(engine.learned().clone());
        assert_eq!(session.learned().as_ref(), Some(engine.learned()));
        assert!(session.has_changed());

        // Opening a session without a match forgets it.
        session.open(None);
        port.take(&mut engine);
        assert!(!engine.learned().is_known());
        assert_eq!(session.kept().learned, None);
    }
}
