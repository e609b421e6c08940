//! What a session keeps: the controls and the learned match, with a version and a checksum; and the match's way
//! between the session and the audio thread.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use base64::prelude::{BASE64_STANDARD, Engine as _};
use minuend_engine::{Engine, Law, Match, Section, Sections};
use nice_plug::params::persist::{PersistentField, deserialize_field};
use nice_plug::plugin::ParamValue;
use nice_plug::prelude::PluginState;
use triple_buffer::{Input, Output, TripleBuffer};

use crate::look::Look;
use crate::match_bytes::{Reader, read_match, write_match};
use crate::params::Controls;

/// Key of [`Session`] among the framework's fields.
pub const FIELD: &str = "session";

/// Layout of the bytes written today. A layout that has been released is never changed: it gets a new number, and
/// the old one stays readable.
const VERSION: u16 = 5;

/// Error of a delay, at the start or after a second, that leaves -40 dB at 4 kHz: there, 2 sin(pi 4/48 0.02) is 0.01.
const MATERIAL_SAMPLES: f64 = 0.02;

/// What one session keeps. The controls are in it although the framework writes them too, because only this copy is
/// covered by the checksum.
#[derive(Debug)]
pub struct Kept {
    /// Controls by id.
    pub controls: BTreeMap<String, ParamValue>,
    /// Scale of the window, percent, and whether it is dark.
    pub look: (u32, bool),
    /// The match; `None` while nothing has been learned.
    pub learned: Option<Match>,
}

/// Why a session is refused. Returned by [`Kept::decode`] and [`admit`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StateError {
    /// It was not written by Minuend, or lost its [`FIELD`].
    Foreign,
    /// The checksum does not fit.
    Damaged,
    /// It was written by a later Minuend, in a layout of this number.
    Version(u16),
    /// The checksum fits, but a value is not one that can have been learned.
    Value,
}

impl fmt::Display for StateError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Foreign => write!(f, "it is not a Minuend session"),
            Self::Damaged => write!(f, "it is damaged: use a backup of the project"),
            Self::Version(n) => {
                write!(f, "it is of layout {n}, this Minuend reads up to {VERSION}: update Minuend")
            }
            Self::Value => {
                write!(f, "it holds a match that cannot have been learned: use a backup of the project")
            }
        }
    }
}

impl std::error::Error for StateError {}

impl Kept {
    /// As text: base64 of the version (u16), the controls (u32 length, JSON), the match, since layout 2 the look (u32,
    /// u8), and the CRC-32 of all this; numbers in little-endian.
    pub fn encode(&self) -> String {
        let controls = serde_json::to_vec(&self.controls).unwrap_or_default();
        let mut bytes = VERSION.to_le_bytes().to_vec();
        bytes.extend((controls.len() as u32).to_le_bytes());
        bytes.extend(controls);
        write_match(self.learned.as_ref(), &mut bytes);
        bytes.extend(self.look.0.to_le_bytes());
        bytes.push(u8::from(self.look.1));
        bytes.extend(crc32fast::hash(&bytes).to_le_bytes());
        BASE64_STANDARD.encode(bytes)
    }

    /// What [`Kept::encode`] wrote.
    ///
    /// # Errors
    ///
    /// If anything at all is wrong with it.
    pub fn decode(text: &str) -> Result<Self, StateError> {
        let bytes = BASE64_STANDARD.decode(text).map_err(|_| StateError::Damaged)?;
        let (bytes, crc) = bytes.split_last_chunk().ok_or(StateError::Damaged)?;
        if crc32fast::hash(bytes) != u32::from_le_bytes(*crc) {
            return Err(StateError::Damaged);
        }
        let mut reader = Reader(bytes);
        let version = u16::from_le_bytes(reader.array().ok_or(StateError::Damaged)?);
        if !(1..=VERSION).contains(&version) {
            return Err(StateError::Version(version));
        }
        Self::read(&mut reader, version).filter(|_| reader.0.is_empty()).ok_or(StateError::Value)
    }

    fn read(reader: &mut Reader, version: u16) -> Option<Self> {
        let length = reader.length()?;
        let controls = serde_json::from_slice(reader.slice(length)?).ok()?;
        let learned = read_match(reader, version.saturating_sub(1).max(1))?;
        let look = match version {
            1 => (100, false),
            _ => (u32::from_le_bytes(reader.array()?), reader.flag()?),
        };
        Some(Self { controls, look, learned })
    }
}

/// Whether a session that keeps `old` would play noticeably otherwise than one with `new`: what the one subtracts and
/// the other does not is less than 40 dB below the backing.
fn differs(old: Option<&Match>, new: Option<&Match>) -> bool {
    let (Some(old), Some(new)) = (old, new) else { return old.is_some() != new.is_some() };
    let power =
        |taps: &mut dyn Iterator<Item = f32>| taps.map(|tap| f64::from(tap) * f64::from(tap)).sum::<f64>();
    let pairs = || old.taps.h.iter().flatten().flatten().zip(new.taps.h.iter().flatten().flatten());
    let (old_sections, new_sections) = (old.sections.as_slice(), new.sections.as_slice());
    let moved = |a: &Law, b: &Law| {
        let start_samples = (a.delay_samples - b.delay_samples).abs();
        let second_samples = (a.wander.rate - b.wander.rate).abs() * new.sample_rate_hz;
        start_samples.max(second_samples) > MATERIAL_SAMPLES || a.wander.moves() != b.wander.moves()
    };
    let differ = |(a, b): (&Section, &Section)| {
        a.begin != b.begin
            || match (&a.law, &b.law) {
                (Some(a), Some(b)) => moved(a, b),
                (a, b) => a.is_some() != b.is_some(),
            }
    };
    let followed = |learned: &Match| learned.bands.map(|band| band.is_followed());
    old_sections.len() != new_sections.len()
        || old_sections.iter().zip(new_sections).any(differ)
        || old.following_pays != new.following_pays
        || followed(old) != followed(new)
        || old.taps.num_taps() != new.taps.num_taps()
        || old.leak.apart(&new.leak) > 1e-4
        || power(&mut pairs().map(|(a, b)| a - b)) > 1e-4 * power(&mut pairs().map(|(a, _)| *a))
}

/// Looks at a state before the framework loads it, and makes it either whole or empty: the checked copy of the
/// controls takes the place of the framework's, and what a refused state holds is taken out, so that nothing changes.
///
/// # Errors
///
/// Why it was refused.
pub fn admit(state: &mut PluginState) -> Result<(), StateError> {
    let kept = state
        .fields
        .get(FIELD)
        .and_then(|json| deserialize_field::<String>(json).ok())
        .ok_or(StateError::Foreign)
        .and_then(|text| Kept::decode(&text));
    match kept {
        Ok(kept) => {
            // A control that the session does not know yet starts at its default.
            state.params = Controls::default().values();
            state.params.extend(kept.controls);
            Ok(())
        }
        Err(error) => {
            state.params.clear();
            state.fields.clear();
            Err(error)
        }
    }
}

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

    fn kept(&self) -> Kept {
        let mut matches = self.lock();
        matches.refresh();
        Kept {
            controls: self.controls.values(),
            look: (self.look.scale_percent(), self.look.is_dark()),
            learned: matches.learned.clone(),
        }
    }

    fn open(&self, learned: Option<Match>) {
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
                None => passed.learned.sections = Sections::default(),
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
        // `admit` has let it through; otherwise nothing is opened.
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
    use nice_plug::prelude::Params;

    use minuend_engine::{BandMovement, Class, Group, Leak, Movement, Taps, Wander};

    use super::*;
    use crate::params::MinuendParams;

    fn learned() -> Match {
        learned_with(8)
    }

    fn learned_with(num_taps: usize) -> Match {
        let mut taps = Taps::silent(num_taps);
        taps.h[0][0][4] = 0.5;
        taps.h[1][0][2] = 0.0625;
        taps.h[1][1][3..6].copy_from_slice(&[0.125, -0.25, 0.125]);
        let mut learned = Match {
            taps,
            movement: Movement { process: 1e-3, tau_s: 0.5, measurement: 2.5 },
            following_pays: true,
            learned_s: 30.0,
            ..Match::unknown(44_100.0, 0)
        };
        let wander = Wander { process: 1e-9, rate: -1.5e-4 };
        let law = Some(Law { delay_samples: -1234.25, wander });
        learned.sections.push(Section { begin: i64::MIN, law });
        learned.sections.push(Section { begin: 441_000, law: None });
        learned.sections.push(Section { begin: 882_000, law: Some(Law::still(500.0)) });
        let class = |backing| Class { floor: -6.0, backing, steps: 1_000 };
        learned.leak.groups[0][2] = Group {
            mean: -4.5,
            lowest: -8.0,
            steps: 3_000,
            loud_steps: 1_000,
            classes: [class(-6.0), class(-3.0)],
        };
        learned.bands[3] =
            BandMovement { movement: Movement { process: 1e-2, tau_s: 8.0, measurement: 1.5 }, pays: 0.5 };
        learned
    }

    fn kept() -> Kept {
        Kept { controls: Controls::default().values(), look: (150, true), learned: Some(learned()) }
    }

    fn state_of(params: &MinuendParams) -> PluginState {
        PluginState {
            version: String::new(),
            params: params.controls.values(),
            fields: params.serialize_fields(),
        }
    }

    /// What Minuend wrote in layout 1, of [`learned`] with its first section alone.
    const LAYOUT_1: &str = "AQBrAQAAeyJiYWNraW5nX2tpbmQiOnsic3RyaW5nIjoicmVjb3JkZWQifSwiYnlwYXNzIjp7ImJvb2wiOmZhbHNlfSwiY2xlYW51\
        cCI6eyJmMzIiOjUwLjB9LCJmb2xsb3ciOnsic3RyaW5nIjoibGV2ZWwifSwiaG9sZCI6eyJib29sIjpmYWxzZX0sImxpc3RlbiI6\
        eyJzdHJpbmciOiJkaWZmZXJlbmNlIn0sImxvd2N1dCI6eyJmMzIiOjgwLjB9LCJudWRnZSI6eyJmMzIiOjAuMH0sIm91dHB1dCI6\
        eyJmMzIiOjAuMH0sInBvbGFyaXR5Ijp7InN0cmluZyI6ImZvbGxvdyJ9LCJyZWxlYXJuIjp7ImJvb2wiOmZhbHNlfSwic2xvcGUi\
        Onsic3RyaW5nIjoiMjQifSwidG9uZSI6eyJzdHJpbmciOiJhY3Jvc3Mtc2lkZXMifSwidHJpbSI6eyJmMzIiOjAuMH19AQAAAACA\
        iOVAAAAAAABJk8CV1iboCy4RPmEyVTAqqSO//Knx0k1iUD8AAAAAAADgPwAAAAAAAARAAQgAAAAEAAAAAQAAAAAAAD8AAAAAAAAA\
        AAIAAAABAAAAAACAPQMAAAADAAAAAAAAPgAAgL4AAAA+SFor+Q==";

    /// What Minuend wrote in layout 3, of [`kept`] but for what leaks and what it was learned from.
    const LAYOUT_3: &str = "AwBrAQAAeyJiYWNraW5nX2tpbmQiOnsic3RyaW5nIjoicmVjb3JkZWQifSwiYnlwYXNzIjp7ImJvb2wiOmZhbHNlfSwiY2xlYW51\
        cCI6eyJmMzIiOjUwLjB9LCJmb2xsb3ciOnsic3RyaW5nIjoibGV2ZWwifSwiaG9sZCI6eyJib29sIjpmYWxzZX0sImxpc3RlbiI6\
        eyJzdHJpbmciOiJkaWZmZXJlbmNlIn0sImxvd2N1dCI6eyJmMzIiOjgwLjB9LCJudWRnZSI6eyJmMzIiOjAuMH0sIm91dHB1dCI6\
        eyJmMzIiOjAuMH0sInBvbGFyaXR5Ijp7InN0cmluZyI6ImZvbGxvdyJ9LCJyZWxlYXJuIjp7ImJvb2wiOmZhbHNlfSwic2xvcGUi\
        Onsic3RyaW5nIjoiMjQifSwidG9uZSI6eyJzdHJpbmciOiJhY3Jvc3Mtc2lkZXMifSwidHJpbSI6eyJmMzIiOjAuMH19AQAAAACA\
        iOVA/Knx0k1iUD8AAAAAAADgPwAAAAAAAARAAwAAAAAAAAAAAACAAQAAAAAASZPAldYm6AsuET5hMlUwKqkjv6i6BgAAAAAAAFB1\
        DQAAAAAAAQAAAAAAQH9AAAAAAAAAAAAAAAAAAAAAAAEIAAAABAAAAAEAAAAAAAA/AAAAAAAAAAACAAAAAQAAAAAAgD0DAAAAAwAA\
        AAAAAD4AAIC+AAAAPpYAAAAB9vySMg==";

    /// What Minuend wrote in layout 4, of [`kept`] but for the bands.
    const LAYOUT_4: &str = "BAB0AQAAeyJiYWNraW5nX2tpbmQiOnsic3RyaW5nIjoicmVjb3JkZWQifSwiYnlwYXNzIjp7ImJvb2wiOmZhbHNlfSwiY2xlYW51cCI6eyJmMzIi\
        OjUwLjB9LCJmb2xsb3ciOnsic3RyaW5nIjoibGV2ZWwtYW5kLXRvbmUifSwiaG9sZCI6eyJib29sIjpmYWxzZX0sImxpc3RlbiI6eyJzdHJpbmci\
        OiJkaWZmZXJlbmNlIn0sImxvd2N1dCI6eyJmMzIiOjgwLjB9LCJudWRnZSI6eyJmMzIiOjAuMH0sIm91dHB1dCI6eyJmMzIiOjAuMH0sInBvbGFy\
        aXR5Ijp7InN0cmluZyI6ImZvbGxvdyJ9LCJyZWxlYXJuIjp7ImJvb2wiOmZhbHNlfSwic2xvcGUiOnsic3RyaW5nIjoiMjQifSwidG9uZSI6eyJz\
        dHJpbmciOiJhY3Jvc3Mtc2lkZXMifSwidHJpbSI6eyJmMzIiOjAuMH19AQAAAACAiOVA/Knx0k1iUD8AAAAAAADgPwAAAAAAAARAAwAAAAAAAAAA\
        AACAAQAAAAAASZPAldYm6AsuET5hMlUwKqkjv6i6BgAAAAAAAFB1DQAAAAAAAQAAAAAAQH9AAAAAAAAAAAAAAAAAAAAAAAEAAAAAAAA+QAMAAAAA\
        AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAkMAA\
        AADBuAsAAOgDAAAAAMDAAADAwOgDAAAAAMDAAABAwOgDAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA\
        AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAIAAAABAAAAAEAAAAA\
        AAA/AAAAAAAAAAACAAAAAQAAAAAAgD0DAAAAAwAAAAAAAD4AAIC+AAAAPpYAAAABJ8eb6Q==";

    #[test]
    fn layout_4_is_read() {
        let kept = Kept::decode(LAYOUT_4).unwrap();
        let bands = Match::unknown(44_100.0, 0).bands;
        assert_eq!(kept.learned, Some(Match { bands, ..learned() }));
        assert_eq!(kept.look, (150, true));
    }

    #[test]
    fn layout_3_is_read() {
        let kept = Kept::decode(LAYOUT_3).unwrap();
        let bands = Match::unknown(44_100.0, 0).bands;
        assert_eq!(kept.learned, Some(Match { learned_s: 0.0, leak: Leak::UNKNOWN, bands, ..learned() }));
        assert_eq!(kept.look, (150, true));
    }

    #[test]
    fn layout_1_is_read() {
        let kept = Kept::decode(LAYOUT_1).unwrap();
        let mut first = learned();
        first.sections = Sections::default();
        first.sections.push(learned().sections.as_slice()[0]);
        (first.learned_s, first.leak) = (0.0, Leak::UNKNOWN);
        first.bands = Match::unknown(44_100.0, 0).bands;
        assert_eq!(kept.learned, Some(first));
        assert_eq!(kept.look, (100, false));
        // What was the default then.
        let mut controls = Controls::default().values();
        controls.insert("follow".into(), ParamValue::String("level".into()));
        assert_eq!(format!("{:?}", kept.controls), format!("{controls:?}"));
    }

    #[test]
    fn round_trips() {
        for learned in [None, Some(learned())] {
            let kept = Kept { learned, ..kept() };
            let back = Kept::decode(&kept.encode()).unwrap();
            assert_eq!(back.learned, kept.learned);
            assert_eq!(back.look, kept.look);
            assert_eq!(format!("{:?}", back.controls), format!("{:?}", kept.controls));
        }
    }

    #[test]
    fn every_truncation_and_every_flipped_bit_is_refused() {
        let bytes = BASE64_STANDARD.decode(kept().encode()).unwrap();
        for length in 0..bytes.len() {
            let text = BASE64_STANDARD.encode(&bytes[..length]);
            assert_eq!(Kept::decode(&text).unwrap_err(), StateError::Damaged, "{length}");
        }
        for bit in 0..8 * bytes.len() {
            let mut damaged = bytes.clone();
            damaged[bit / 8] ^= 1 << (bit % 8);
            let text = BASE64_STANDARD.encode(&damaged);
            assert_eq!(Kept::decode(&text).unwrap_err(), StateError::Damaged, "{bit}");
        }
        let text = kept().encode();
        for length in 0..text.len() {
            assert!(Kept::decode(&text[..length]).is_err(), "{length}");
        }
    }

    #[test]
    fn a_good_checksum_does_not_make_a_good_session() {
        let sealed = |mut bytes: Vec<u8>| {
            bytes.extend(crc32fast::hash(&bytes).to_le_bytes());
            Kept::decode(&BASE64_STANDARD.encode(bytes)).unwrap_err()
        };
        let mut good = BASE64_STANDARD.decode(kept().encode()).unwrap();
        good.truncate(good.len() - 4);

        let mut later = good.clone();
        later[0] += 1;
        assert_eq!(sealed(later), StateError::Version(VERSION + 1));
        let mut longer = good.clone();
        longer.push(0);
        assert_eq!(sealed(longer), StateError::Value);
        let mut huge = good.clone();
        huge[2..6].fill(0xff);
        assert_eq!(sealed(huge), StateError::Value);
        let mut not_a_number = good;
        // The last tap stands before the look.
        let level_at = not_a_number.len() - 9;
        not_a_number[level_at..level_at + 4].copy_from_slice(&f32::NAN.to_le_bytes());
        assert_eq!(sealed(not_a_number), StateError::Value);
        assert_eq!(sealed(vec![]), StateError::Damaged);
    }

    #[test]
    fn a_state_is_admitted_whole_or_not_at_all() {
        let params = MinuendParams::default();
        params.session.open(Some(learned()));
        let good = state_of(&params);

        // The framework's own copy of the controls does not count.
        let mut admitted = good.clone();
        admitted.params.insert("trim".into(), ParamValue::F32(1e9));
        admitted.params.remove("hold");
        assert_eq!(admit(&mut admitted), Ok(()));
        assert_eq!(format!("{:?}", admitted.params), format!("{:?}", good.params));

        let mut foreign = good.clone();
        foreign.fields.clear();
        assert_eq!(admit(&mut foreign), Err(StateError::Foreign));
        assert!(foreign.params.is_empty());

        let mut damaged = good.clone();
        damaged.fields.insert(FIELD.into(), "\"AAAA\"".into());
        assert_eq!(admit(&mut damaged), Err(StateError::Damaged));
        assert!(damaged.params.is_empty() && damaged.fields.is_empty());
    }

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

        // Opening a session without a match forgets it.
        session.open(None);
        port.take(&mut engine);
        assert!(!engine.learned().is_known());
        assert_eq!(session.kept().learned, None);
    }

    #[test]
    fn only_what_is_heard_is_a_material_change() {
        let old = Some(learned());
        let with = |change: fn(&mut Match)| {
            let mut new = learned();
            change(&mut new);
            differs(old.as_ref(), Some(&new))
        };
        assert!(!with(|_| ()));
        assert!(!with(|new| new.taps.h[0][1][4] = 0.005), "41 dB below");
        assert!(with(|new| new.taps.h[0][1][4] = 0.007), "38 dB below");
        let moved = |delay: f64, rate: f64, process: f64| {
            let mut new = learned();
            let mut law = new.sections.as_slice()[0].law.unwrap();
            law.delay_samples += delay;
            law.wander.rate += rate;
            law.wander.process *= process;
            new.sections.correct(0, law);
            differs(old.as_ref(), Some(&new))
        };
        assert!(!moved(0.01, 0.0, 1.0));
        assert!(moved(0.03, 0.0, 1.0));
        assert!(!moved(0.0, 3e-7, 1.0));
        assert!(moved(0.0, 1e-6, 1.0));
        assert!(moved(0.0, 0.0, 0.0));
        assert!(with(|new| new.sections.put(900_000, 1_000_000, None)));
        assert!(with(|new| new.following_pays = false));
        assert!(!with(|new| new.bands[3].pays = 0.4) && with(|new| new.bands[3].pays = 0.1));
        let leaks = |floor: f32| {
            let mut new = learned();
            new.leak.groups[0][2].classes.iter_mut().for_each(|class| class.floor += floor);
            differs(old.as_ref(), Some(&new))
        };
        assert!(!leaks(0.001) && leaks(0.1));
        assert!(differs(old.as_ref(), None) && differs(None, old.as_ref()) && !differs(None, None));
    }
}
