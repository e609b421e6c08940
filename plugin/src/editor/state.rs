//! What is the matter: one state from all readings, what it is called, what it means and what to do next.

use minuend_engine::{Lock, MAX_SAMPLE_RATE_HZ, MIN_SAMPLE_RATE_HZ, Misfit};

use super::evidence::Doubt;
use super::lateness::Lateness;
use super::words::{grouped, kilohertz, thousands};
use crate::meters::Meters;

/// A search is seldom this long when the backing is the right one, s.
const LONG_SEARCH_S: f64 = 20.0;

/// What is the matter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// The host has not switched the plug-in on.
    NotRunning,
    /// The engine does not work at this sample rate.
    WrongRate,
    /// Nothing plays, and nothing was found yet.
    Silent,
    /// Nothing plays; what was found is kept.
    Kept,
    /// The mix plays, and the backing, which was found before, is silent.
    BackingSilent,
    /// The mix plays, and no backing was ever heard.
    NoBacking,
    /// The backing plays, and the mix is silent.
    NoMix,
    /// Both play; the backing is not found yet.
    Searching,
    /// The backing is subtracted.
    Locked,
    /// The backing was found and no longer fits.
    Lost,
    /// The backing was found, but comes too late to be subtracted.
    TooLate(Lateness),
    /// What is subtracted, or was until the backing was lost or the host stopped, does not belong to the mix.
    Doubtful(Doubt),
}

impl State {
    /// The state that the meters tell of.
    pub fn of(meters: &Meters) -> Self {
        let Meters { readings, sample_rate_hz, latency_samples, stands, .. } = meters;
        if *sample_rate_hz == 0.0 {
            return Self::NotRunning;
        }
        if !meters.engine_works() {
            return Self::WrongRate;
        }
        // How far a clip has to be moved is read while the host stands still.
        if readings.lock == Lock::TooLate
            || readings.lock == Lock::NoBacking && readings.kept == Lock::TooLate
        {
            return Self::TooLate(Lateness::of(readings.delay_samples, *latency_samples, *sample_rate_hz));
        }
        let mix_plays = readings.mix_is_heard && !stands;
        let is_found = readings.kept == Lock::Locked;
        match readings.lock {
            Lock::NoBacking if mix_plays && is_found => Self::BackingSilent,
            Lock::NoBacking if mix_plays => Self::NoBacking,
            Lock::NoBacking if is_found => Self::Kept,
            Lock::NoBacking => Self::Silent,
            Lock::Searching if !readings.mix_is_heard => Self::NoMix,
            Lock::Searching => Self::Searching,
            Lock::Locked => Self::Locked,
            Lock::Lost | Lock::TooLate => Self::Lost,
        }
    }

    /// The state with what speaks against the match. What can be put right is told while the host stands, too, when routes are
    /// changed; and why a backing is lost that never was the right one.
    #[must_use]
    pub fn doubted(self, doubt: Option<Doubt>) -> Self {
        let Some(doubt) = doubt else { return self };
        let tells = match self {
            Self::Locked => true,
            Self::Kept => doubt != Doubt::Misfit(Misfit::Nothing),
            Self::Lost => matches!(doubt, Doubt::Misfit(Misfit::Swapped | Misfit::Foreign)),
            _ => false,
        };
        if tells { Self::Doubtful(doubt) } else { self }
    }

    /// Whether something is wrong that the user can put right, or that is heard.
    pub fn is_alarm(self) -> bool {
        match self {
            Self::WrongRate | Self::NoBacking | Self::NoMix | Self::Lost | Self::TooLate(_) => true,
            // In a soft passage that may be all there is to take.
            Self::Doubtful(doubt) => doubt != Doubt::Misfit(Misfit::Nothing),
            Self::NotRunning
            | Self::Silent
            | Self::Kept
            | Self::BackingSilent
            | Self::Searching
            | Self::Locked => false,
        }
    }

    /// Whether the backing is found, and what was learned of it holds.
    pub fn is_matched(self) -> bool {
        matches!(self, Self::Locked | Self::Kept | Self::BackingSilent)
    }

    /// Whether time stands still in the song.
    pub fn rests(self) -> bool {
        matches!(self, Self::Silent | Self::Kept)
    }

    /// Its name, one word to three.
    pub fn name(self) -> &'static str {
        match self {
            Self::NotRunning => "Not running",
            Self::WrongRate => "Rate not supported",
            Self::Silent => "Nothing plays",
            Self::Kept => "Match kept",
            Self::BackingSilent => "Backing silent",
            Self::NoBacking => "No backing heard",
            Self::NoMix => "No mix heard",
            Self::Searching => "Searching",
            Self::Locked => "Locked",
            Self::Lost => "Backing lost",
            Self::TooLate(_) => "Backing too late",
            Self::Doubtful(Doubt::Misfit(Misfit::Swapped)) => "Roles swapped",
            Self::Doubtful(Doubt::Misfit(Misfit::Foreign)) => "Not this recording",
            Self::Doubtful(Doubt::Misfit(Misfit::Nothing)) => "Hardly any taken",
            Self::Doubtful(Doubt::HoldsMore) => "Backing holds more",
        }
    }

    /// What it means for what is heard, and what to do next; `searching_s` is how long it has been searching. Of two lines at
    /// most in a window of the usual size.
    pub fn advice(self, meters: &Meters, searching_s: f64) -> String {
        let Meters { readings, sample_rate_hz, stands, .. } = meters;
        match self {
            Self::NotRunning => "Switch the plug-in on in the host.".into(),
            Self::WrongRate => {
                let [lowest, highest] = [MIN_SAMPLE_RATE_HZ, MAX_SAMPLE_RATE_HZ].map(kilohertz);
                format!(
                    "Minuend works at {lowest} to {highest} kHz: at {} kHz the mix passes. Set the host to another sample \
                     rate.",
                    kilohertz(*sample_rate_hz)
                )
            }
            Self::Silent => "Press play, with the backing routed to this plug-in's sidechain.".into(),
            Self::Kept => {
                let ms = grouped(readings.delay_samples / sample_rate_hz * 1e3, 3);
                let next = if *stands { "Press play to go on." } else { "It goes on with the music." };
                format!("The delay found, {ms} ms, is kept. {next}")
            }
            Self::BackingSilent => {
                "The mix passes. The match is kept, and goes on when the backing sounds again. If it should sound now, \
                 look whether its track is muted."
                    .into()
            }
            Self::NoBacking => {
                "Only the mix arrives, and passes. Send the backing to this plug-in's sidechain, before its fader.".into()
            }
            Self::NoMix => "Only the backing arrives. Play both: the mix on this track, the backing beside it.".into(),
            Self::Searching if searching_s > LONG_SEARCH_S => format!(
                "Not found in {searching_s:.0} s of music. Are both the same recording, and do they start within 10 s of \
                 each other? The mix passes meanwhile."
            ),
            Self::Searching => "Looking for the backing in the mix, which passes meanwhile. Keep playing.".into(),
            Self::Locked => "The backing is being subtracted.".into(),
            Self::Lost => {
                "The backing no longer fits. The mix passes, at full level, until it is found again.".into()
            }
            Self::TooLate(lateness) => {
                late(lateness, span(readings.late_samples, *sample_rate_hz), readings.late_samples)
            }
            Self::Doubtful(doubt) => doubtful(doubt).into(),
        }
    }
}

/// What to do about a match that is doubted.
fn doubtful(doubt: Doubt) -> &'static str {
    match doubt {
        Doubt::Misfit(Misfit::Swapped) => {
            "These look swapped: what is called the backing holds more than the mix. Put the plug-in on the mix and route the \
             backing to its sidechain."
        }
        Doubt::Misfit(Misfit::Foreign) => {
            "What is taken away is not in the mix. Route the backing that this mix was made with: the same recording, neither \
             stretched nor tuned."
        }
        Doubt::Misfit(Misfit::Nothing) => {
            "Next to nothing of the backing is taken away. If it is to be heard in the mix, look whether it is of the same \
             recording."
        }
        Doubt::HoldsMore => {
            "The backing holds what the mix does not, such as a voice, and you hear it added. Are the two swapped? Otherwise route \
             the backing that this mix was made with."
        }
    }
}

/// What to do about a backing that is late by a span of time, which is so many samples.
fn late(lateness: Lateness, span: String, samples: f64) -> String {
    let samples = thousands(samples.round() as i64);
    match lateness {
        Lateness::Host => format!(
            "This host delays the sidechain by the plug-in's own latency: move the mix's clip {span} later ({samples} \
             samples). Until then the mix passes."
        ),
        Lateness::HostOrClip => format!(
            "Backing {span} late: move the mix's clip {span} later ({samples} samples), or the backing's earlier. Some hosts \
             delay a sidechain. Until then the mix passes."
        ),
        Lateness::Clip => format!(
            "Backing {span} late: move its clip {span} earlier ({samples} samples), or the mix's later. Until then the mix \
             passes."
        ),
    }
}

/// A time as one writes it where a clip is moved.
fn span(samples: f64, sample_rate_hz: f64) -> String {
    let seconds = samples / sample_rate_hz;
    if seconds < 1.0 { format!("{:.1} ms", 1e3 * seconds) } else { format!("{seconds:.3} s") }
}

#[cfg(test)]
mod tests {
    use minuend_engine::Readings;

    use super::*;

    const LATENCY_SAMPLES: u32 = 25_856;

    fn shown(readings: Readings) -> Meters {
        Meters { readings, sample_rate_hz: 44_100.0, latency_samples: LATENCY_SAMPLES, ..Meters::default() }
    }

    fn heard(lock: Lock, kept: Lock, mix_is_heard: bool) -> Meters {
        shown(Readings { lock, kept, mix_is_heard, delay_samples: 17_640.37, ..Readings::default() })
    }

    fn told(meters: &Meters) -> String {
        let state = State::of(meters);
        format!("{}. {}", state.name(), state.advice(meters, 0.0))
    }

    fn late(late_samples: f64) -> Meters {
        shown(Readings {
            lock: Lock::TooLate,
            kept: Lock::TooLate,
            delay_samples: -late_samples,
            late_samples,
            mix_is_heard: true,
            ..Readings::default()
        })
    }

    #[test]
    fn a_late_backing_is_told_which_clip_to_move_and_how_far() {
        assert_eq!(
            told(&late(25_855.63)),
            "Backing too late. This host delays the sidechain by the plug-in's own latency: move the mix's clip 586.3 ms later \
             (25,856 samples). Until then the mix passes."
        );
        assert_eq!(
            told(&late(8_215.63)),
            "Backing too late. Backing 186.3 ms late: move the mix's clip 186.3 ms later (8,216 samples), or the backing's \
             earlier. Some hosts delay a sidechain. Until then the mix passes."
        );
        assert_eq!(
            told(&late(102_050.0)),
            "Backing too late. Backing 2.314 s late: move its clip 2.314 s earlier (102,050 samples), or the mix's later. Until \
             then the mix passes."
        );
    }

    /// Clips are moved while the host stands, when nothing is heard.
    #[test]
    fn how_far_to_move_it_stays_in_sight() {
        let playing = late(25_856.0);
        let mut standing = Meters { stands: true, ..playing };
        (standing.readings.lock, standing.readings.mix_is_heard) = (Lock::NoBacking, false);
        assert_eq!(told(&standing), told(&playing));
    }

    #[test]
    fn what_is_kept_while_nothing_plays_is_no_alarm() {
        let rests = heard(Lock::NoBacking, Lock::Locked, false);
        let stands = Meters { stands: true, ..rests };
        assert_eq!(told(&stands), "Match kept. The delay found, 400.008 ms, is kept. Press play to go on.");
        assert!(told(&rests).ends_with("is kept. It goes on with the music."));
        // What plug-ins before this one hum while the host stands is no mix.
        let hums = Meters { stands: true, ..heard(Lock::NoBacking, Lock::Locked, true) };
        for calm in [rests, stands, hums, heard(Lock::NoBacking, Lock::Locked, true)] {
            assert!(!State::of(&calm).is_alarm() && State::of(&calm).is_matched(), "{}", told(&calm));
        }
        assert_eq!(State::of(&hums), State::Kept);
    }

    #[test]
    fn every_state_says_what_to_do_or_what_is_done() {
        let unknown = Lock::Searching;
        for (meters, state, part, is_alarm) in [
            (Meters::default(), State::NotRunning, "Switch the plug-in on", false),
            (heard(Lock::NoBacking, unknown, false), State::Silent, "Press play", false),
            (heard(Lock::NoBacking, unknown, true), State::NoBacking, "Only the mix arrives", true),
            (heard(Lock::NoBacking, Lock::Locked, true), State::BackingSilent, "match is kept", false),
            (heard(Lock::Searching, unknown, false), State::NoMix, "Only the backing arrives", true),
            (heard(Lock::Searching, unknown, true), State::Searching, "Keep playing", false),
            (heard(Lock::Locked, Lock::Locked, true), State::Locked, "being subtracted", false),
            // A rest in the mix is no reason to speak.
            (heard(Lock::Locked, Lock::Locked, false), State::Locked, "being subtracted", false),
            (heard(Lock::Lost, Lock::Lost, true), State::Lost, "at full level", true),
        ] {
            assert_eq!(State::of(&meters), state);
            assert_eq!(state.is_alarm(), is_alarm, "{state:?}");
            assert!(told(&meters).contains(part), "{}", told(&meters));
        }
        let searching = heard(Lock::Searching, unknown, true);
        assert!(State::Searching.advice(&searching, 31.2).starts_with("Not found in 31 s of music."));
    }

    /// While something is subtracted, and as long as it can be put right; never where something else is the matter.
    #[test]
    fn a_doubt_is_told_where_it_can_be_acted_on() {
        let misfit = Doubt::Misfit;
        let doubts =
            [misfit(Misfit::Swapped), misfit(Misfit::Foreign), Doubt::HoldsMore, misfit(Misfit::Nothing)];
        for (state, told) in [
            (State::Locked, 4),
            (State::Kept, 3),
            (State::Lost, 2),
            (State::Searching, 0),
            (State::BackingSilent, 0),
            (State::Silent, 0),
            (State::NoMix, 0),
            (State::TooLate(Lateness::Clip), 0),
        ] {
            for (idx, doubt) in doubts.into_iter().enumerate() {
                let doubted = state.doubted(Some(doubt));
                assert_eq!(doubted, if idx < told { State::Doubtful(doubt) } else { state });
            }
            assert_eq!(state.doubted(None), state);
        }
        let meters = heard(Lock::Locked, Lock::Locked, true);
        for (doubt, name, part, is_alarm) in [
            (
                doubts[0],
                "Roles swapped",
                "holds more than the mix. Put the plug-in on the mix and route",
                true,
            ),
            (doubts[1], "Not this recording", "Route the backing that this mix was made with", true),
            (doubts[2], "Backing holds more", "The backing holds what the mix does not", true),
            (doubts[3], "Hardly any taken", "Next to nothing of the backing is taken away.", false),
        ] {
            let state = State::Doubtful(doubt);
            assert_eq!((state.name(), state.is_alarm()), (name, is_alarm));
            assert!(state.advice(&meters, 0.0).contains(part), "{}", state.advice(&meters, 0.0));
        }
    }

    /// What the engine would say of such a rate does not count.
    #[test]
    fn a_rate_at_which_the_mix_passes_is_told() {
        let at = |sample_rate_hz| Meters { sample_rate_hz, ..heard(Lock::Locked, Lock::Locked, true) };
        for hz in [8_000.0, 192_000.0] {
            assert_eq!(State::of(&at(hz)), State::Locked);
        }
        for (hz, khz) in
            [(384_000.0, "384"), (1_234.567_8, "1.235"), (7_999.0, "7.999"), (192_001.0, "192.001")]
        {
            let why = format!(
                "Rate not supported. Minuend works at 8 to 192 kHz: at {khz} kHz the mix passes. Set the host to another \
                 sample rate."
            );
            assert_eq!(told(&at(hz)), why);
        }
    }
}
