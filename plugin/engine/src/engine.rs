//! START HERE: the stages in order.
//!
//! ```text
//! mix ────────────┬─ constant delay ───────────────────────────────(-)─► clean-up ─► low-cut ─► listen, output ─► out
//!                 │                                                 ▲
//! backing ► align ┴► filter ► level follower ► bands ► guard ► trim ┘
//! ```
//!
//! Everything works in hops of a fixed length. Each stage lags its input by a constant; settings travel with the
//! mix sample they arrived with, so each stage looks up the settings of the moment it is working on.

use crate::align::course::Course;
use crate::align::delay_tracker::DelayTracker as Drift;
use crate::align::lock::{Change, Place};
use crate::align::motion::Wander;
use crate::align::search::{EARLY_S, Found, LATE_S};
use crate::align::sections::{FURTHEST, Law, Section, Sections};
use crate::causes::diagnosis::Causes;
use crate::cleanup::residual_model::Leak;
use crate::cleanup::{Cleanup, Residue};
use crate::dsp::delay_line::{DelayLine, TAPS};
use crate::dsp::glide::Glide;
use crate::dsp::ring::{Ring, Stereo, stereo};
use crate::dsp::sizes::Sizes;
use crate::dsp::units::{mean_square, power_to_db};
use crate::framing::{Framing, SILENCE};
use crate::guard::Guard;
use crate::job::{Job, Worker};
use crate::learned::Match;
use crate::learner::{Given, HOLDS, Learner, Looked, NEAR, Outcome, Searched, Sought, Task};
use crate::low_cut::LowCut;
use crate::matching::band_movement::{BandMovement, NUM_TONE_BANDS as NUM_BANDS};
use crate::matching::bands::Bands;
use crate::matching::filter::Filter;
use crate::matching::follower::Follower;
use crate::matching::movement::Movement;
use crate::matching::taps::Taps;
use crate::null_depth::{NULL_DEPTH_S, NullDepth};
use crate::presence::{Presence, Verdict};
use crate::readings::{Lock, Untold};
use crate::schedule::{Doubt, Due, Schedule};
use crate::settings::{BackingKind, Follow, Listen, NUDGE_SAMPLES, Polarity, Tone};
use crate::spectra::{Spectra, Spectrometer};
use crate::{PrepareError, Readings, Settings};

/// Lowest sample rate the engine accepts, Hz.
pub const MIN_SAMPLE_RATE_HZ: f64 = 8_000.0;
/// Highest sample rate the engine accepts, Hz.
pub const MAX_SAMPLE_RATE_HZ: f64 = 192_000.0;
/// Taps of the learned filter at 44.1 and 48 kHz.
const FILTER_TAPS: usize = 4096;
/// By how much the backing may be late, samples at 44.1 and 48 kHz, less what reading it needs.
const LATE: usize = 6144;
/// A backing quieter than this (mean square; -70 dB re full scale) counts as none.
const AUDIBLE: f64 = 1e-7;
/// Silence after which the backing counts as gone, seconds.
const GONE_S: f64 = 2.0;
/// Music before the moment at which a new place was found that is taken to belong to it, seconds.
const NEW_PLACE_S: f64 = 1.0;
/// Residue that an estimated backing leaves, re its power. Found on an estimate by a ratio mask: from 0.01 to 0.06
/// the result stays within 0.3 dB.
const ESTIMATED_SHARE: f32 = 0.02;
/// Time for which the null confirms a place, seconds: the next search is back sooner.
const CONFIRMED_S: f64 = 1.5;
/// Share of what the null has won at best, in nats, under which a better place is sought.
const SHALLOW: f64 = 0.5;
/// A place that stood still for longer than this, seconds, and where the null won more than this, nats, was one: a
/// clock error or wow shows sooner and leaves less.
const STOOD_S: f64 = 4.0;
const WAS_DEEP: f64 = 3.0;
/// Music that was learned from counts as so much of it once the backing was lost. In hours of noise with wrong songs and
/// steps of the level between, a filter of a wrong level stood for half a minute at 1.
const KEPT_TRUST: f64 = 0.5;
/// Hops handed to the learner at once while it catches up after a job.
const CATCH_UP_HOPS: usize = 4;
/// Jumps of the transport that are remembered.
const JUMPS: usize = 4;

/// Mix minus backing.
pub struct Engine {
    sizes: Sizes,
    framing: Framing,
    /// Hops processed since the last reset.
    now: u64,
    mix: Ring,
    backing: Ring,
    /// Trim and output level per sample, beside the mix they belong to.
    levels: Ring,
    ticks: Vec<Tick>,
    jumps: [i64; JUMPS],

    drift: Drift,
    /// Delays in force, beside the mix they belong to.
    course: Course,
    former: Former,
    delay_line: DelayLine,
    filter: Filter,
    follower: Follower,
    /// The matched backing on its way through the follower's lag.
    matched: Ring,
    bands: Bands,
    /// The backing at the level followed, on its way through the bands' lag.
    followed: Ring,
    guard: Guard,
    cleanup: Cleanup,
    /// Difference and matched backing on their way through the clean-up's lag.
    difference: Ring,
    subtracted: Ring,
    low_cut: LowCut,
    null_depth: NullDepth,
    spectrometer: Spectrometer,
    presence: Presence,
    verdict: Verdict,
    glides: Glides,
    scratch: Scratch,

    place: Place,
    schedule: Schedule,
    /// At home, or out as a job until `back_at`.
    learner: Option<Box<Learner>>,
    back_at: u64,
    /// What limits the null was told from outside: nobody needs to look for it on hold.
    causes_are_given: bool,
    /// Position from which the learner is to hear when it is back: the job that is out belongs to a past that was
    /// forgotten.
    restart_at: Option<i64>,
    /// Position before which mix and backing may belong together otherwise.
    learn_from: i64,
    /// Position in the song less position since the last reset.
    song_offset: i64,
    /// Position in the song at which the section ends that the newest mix belongs to.
    section_end: i64,
    /// What the null has won at best, nats, and whether it wins much less now.
    deepest: f64,
    is_shallow: bool,
    /// Hop up to which the null has confirmed the place in force.
    confirmed_to: u64,
    /// Whether the place in force ever won anything.
    is_proven: bool,
    /// A place that was lost, as long as it is not known when.
    left: Option<i64>,
    /// The job that is out asks about a place that is no longer in force.
    job_is_stale: bool,
    silent_hops: u64,
    learned: Match,
    silence: Taps,
    /// The learned filter, held to the freedom set.
    in_force: Taps,
    tone: Tone,
    /// Level of the learned filter.
    level: [f32; 2],
    /// Position of the mix at which the backing's place, or what is known of its course, last gave way to another.
    placed_at: i64,
    readings: Readings,
}

/// The place before the one in force.
#[derive(Clone, Copy)]
struct Former {
    /// Position of the mix up to which it holds.
    until: i64,
    /// By position since the last reset; `None` = the mix passes.
    law: Option<Law>,
}

impl Former {
    const NONE: Self = Self { until: i64::MIN, law: None };
}

/// What travels with a hop of the mix.
#[derive(Clone, Copy, Default)]
struct Tick {
    settings: Settings,
    /// Whether the filter let anything pass at that hop.
    filtered: bool,
}

struct Glides {
    trim: Glide,
    output: Glide,
    polarity: Glide,
    engaged: Glide,
    listen: [Glide; 3],
    bypass: Glide,
}

struct Scratch {
    aligned: Stereo,
    other: Stereo,
    filtered: Stereo,
    mix: Stereo,
    matched: Stereo,
    difference: Stereo,
    removed: Stereo,
    correction: Stereo,
    cut: Stereo,
    levels: Stereo,
}

impl Engine {
    /// Prepares an engine for a mix of 1 or 2 channels; allocates everything it will ever need.
    pub fn new(sample_rate_hz: f64, mix_channels: usize) -> Result<Self, PrepareError> {
        if !(MIN_SAMPLE_RATE_HZ..=MAX_SAMPLE_RATE_HZ).contains(&sample_rate_hz) {
            return Err(PrepareError::SampleRate(sample_rate_hz));
        }
        if !(1..=2).contains(&mix_channels) {
            return Err(PrepareError::MixChannels(mix_channels));
        }
        let sizes = Sizes::new(sample_rate_hz);
        let (hop, num_taps) = (sizes.hop(), sizes.scaled(FILTER_TAPS));
        let filter = Filter::new(hop, num_taps);
        let follower = Follower::new(sizes);
        let bands = Bands::new(sizes);
        let drift = Drift::new(sizes);
        let cleanup = Cleanup::new(sizes);
        let subtract_lag = sizes.scaled(LATE)
            + drift.latency_samples()
            + filter.latency_samples()
            + follower.latency_samples()
            + bands.latency_samples();
        let past = subtract_lag + cleanup.latency_samples();
        let glide = |value, time_ms| Glide::new(value, time_ms, sample_rate_hz);
        let mut engine = Self {
            framing: Framing::new(hop),
            now: 0,
            // The learner reads from these as well; it is never longer away than a few seconds.
            mix: Ring::new(sizes.samples(LATE_S)),
            backing: Ring::new(sizes.samples(EARLY_S + 1.0)),
            levels: Ring::new(past + hop),
            ticks: vec![Tick::default(); past / hop + 1],
            jumps: [i64::MIN; JUMPS],
            course: Course::new(sizes.samples(LATE_S) / hop),
            former: Former::NONE,
            delay_line: DelayLine::new(hop),
            drift,
            matched: Ring::new(follower.latency_samples() + hop),
            filter,
            follower,
            followed: Ring::new(bands.latency_samples() + hop),
            bands,
            guard: Guard::new(hop, subtract_lag, sample_rate_hz),
            difference: Ring::new(cleanup.latency_samples() + hop),
            subtracted: Ring::new(cleanup.latency_samples() + hop),
            cleanup,
            low_cut: LowCut::new(sample_rate_hz),
            null_depth: NullDepth::new(sizes),
            spectrometer: Spectrometer::new(sizes),
            presence: Presence::new(hop, sample_rate_hz),
            verdict: Verdict::Present,
            glides: Glides {
                trim: glide(1.0, 3.0),
                output: glide(1.0, 3.0),
                polarity: glide(1.0, 10.0),
                engaged: glide(0.0, 10.0),
                listen: [glide(1.0, 10.0), glide(0.0, 10.0), glide(0.0, 10.0)],
                bypass: glide(0.0, 10.0),
            },
            scratch: Scratch {
                aligned: stereo(hop),
                other: stereo(hop),
                filtered: stereo(hop),
                mix: stereo(hop),
                matched: stereo(hop),
                difference: stereo(hop),
                removed: stereo(hop),
                correction: stereo(hop),
                cut: stereo(hop),
                levels: stereo(hop),
            },
            place: Place::new(sizes.scaled(LATE) - TAPS - 2 * NUDGE_SAMPLES.1 as usize, sample_rate_hz),
            schedule: Schedule::new(sizes),
            learner: Some(Box::new(Learner::new(sizes, num_taps))),
            back_at: 0,
            restart_at: None,
            learn_from: 0,
            song_offset: 0,
            section_end: i64::MAX,
            deepest: 0.0,
            is_shallow: false,
            confirmed_to: 0,
            is_proven: false,
            left: None,
            job_is_stale: false,
            causes_are_given: false,
            silent_hops: u64::MAX,
            learned: Match::unknown(sample_rate_hz, num_taps),
            silence: Taps::silent(num_taps),
            in_force: Taps::silent(num_taps),
            tone: Tone::default(),
            level: [0.0; 2],
            placed_at: i64::MIN,
            readings: Readings::default(),
            sizes,
        };
        engine.reset();
        Ok(engine)
    }

    /// How much later the output is than the mix, samples: one constant for every setting.
    pub fn latency_samples(&self) -> usize {
        self.sizes.hop() + self.lag_samples()
    }

    /// Lag of the last stage behind the newest whole hop.
    fn lag_samples(&self) -> usize {
        self.subtract_lag_samples() + self.cleanup.latency_samples()
    }

    /// Lag of the alignment.
    fn align_lag_samples(&self) -> usize {
        self.sizes.scaled(LATE) + self.drift.latency_samples()
    }

    /// Lag of the level follower.
    fn follow_lag_samples(&self) -> usize {
        self.align_lag_samples() + self.filter.latency_samples() + self.follower.latency_samples()
    }

    /// Lag of the subtraction.
    fn subtract_lag_samples(&self) -> usize {
        self.follow_lag_samples() + self.bands.latency_samples()
    }

    /// Promises that nobody hears the output, which is silence from now on. Jobs may then be out for longer, so that the audio
    /// path and they are worked on at the same time.
    pub fn play_unheard(&mut self) {
        self.schedule.unheard();
        self.framing.out.iter_mut().for_each(|side| side.fill(0.0));
    }

    /// Forgets all signals, keeps the match: an engine after `reset` equals a new one that recalls the match.
    /// Real-time safe.
    pub fn reset(&mut self) {
        self.framing.reset();
        self.now = 0;
        for ring in [
            &mut self.mix,
            &mut self.backing,
            &mut self.levels,
            &mut self.matched,
            &mut self.followed,
            &mut self.difference,
            &mut self.subtracted,
        ] {
            ring.restart(0);
        }
        self.ticks.fill(Tick::default());
        self.jumps = [i64::MIN; JUMPS];
        self.course.restart(-((self.align_lag_samples() / self.sizes.hop()) as i64));
        self.former = Former::NONE;
        self.delay_line.reset();
        self.filter.reset();
        self.follower.reset();
        self.bands.reset();
        self.guard.reset();
        self.cleanup.reset();
        self.low_cut.reset();
        self.null_depth.reset();
        self.spectrometer.reset();
        self.presence.reset();
        self.verdict = Verdict::Present;
        self.forget_heard();
        self.learn_from = 0;
        self.song_offset = 0;
        self.is_proven = false;
        self.tone = Tone::default();
        self.silent_hops = u64::MAX;
        self.schedule.reset(0);
        let revision = self.readings.match_revision;
        self.readings = Readings { match_revision: revision, ..Readings::default() };
        self.forget_causes();
        self.take_up();
    }

    /// Makes the learner start over, now or when it is back.
    fn forget_heard(&mut self) {
        self.left = None;
        (self.deepest, self.is_shallow, self.confirmed_to) = (0.0, false, 0);
        match &mut self.learner {
            Some(learner) => learner.restart(self.mix.end()),
            None => self.restart_at = Some(self.mix.end()),
        }
    }

    /// Puts the learned match in force as if from the start.
    fn take_up(&mut self) {
        self.former = Former::NONE;
        self.place.reset();
        self.drift.restart(0.0, Wander::NONE, self.mix.end());
        self.placed_at = i64::MIN;
        if self.learned.is_known() {
            self.take_place(self.mix.end());
        } else {
            self.section_end = i64::MAX;
            self.put_in_force();
        }
        self.follower.set_movement(self.learned.movement, true);
        self.bands.recall(&self.learned.bands);
        self.cleanup.set_leak(&self.learned.leak);
    }

    /// Puts the learned filter in force, held to the freedom set, or silence while the place is not known.
    fn put_in_force(&mut self) {
        self.level = self.learned.taps.level();
        self.in_force.clone_from(&self.learned.taps);
        self.in_force.restrict(self.tone);
        let taps = if self.place.state == Lock::Locked { &self.in_force } else { &self.silence };
        if self.now == 0 {
            self.filter.set(taps);
        } else {
            self.filter.exchange(taps);
        }
        self.drift.set_filter(&self.in_force);
    }

    /// Puts the place that is known for a position in force.
    fn take_place(&mut self, position: i64) {
        self.recall_place(position);
        self.put_in_force();
        if self.place.state == Lock::Locked && !self.drift.wander().moves() {
            // The delay is whole; the filter has the rest.
            self.place.found_samples = self.place.delay_samples as f64 + self.drift.filter_delay_samples();
        }
    }

    fn recall_place(&mut self, position: i64) {
        let song = position + self.song_offset;
        self.section_end = self.learned.sections.end(song);
        let Some(section) = self.learned.sections.at(song) else { return };
        let Some(law) = section.law else {
            self.place.lose();
            return;
        };
        self.is_proven = true;
        let inverted = self.learned.taps.level().iter().sum::<f32>() < 0.0;
        self.place.recall(law.at(song).round() as i64, inverted);
        let newest = self.mix.end() - self.sizes.scaled(LATE) as i64;
        self.drift.restart(law.at(newest + self.song_offset), law.wander, newest);
    }

    /// The place in force, by position since the last reset.
    fn law_in_force(&self) -> Option<Law> {
        let reading = self.mix.end() - self.align_lag_samples() as i64;
        let wander = self.drift.wander();
        let delay_samples = self.drift.delay_at(reading) - wander.rate * reading as f64;
        (self.place.state == Lock::Locked).then_some(Law { delay_samples, wander })
    }

    /// From a position of the mix on, not before what is read now, another place will hold than the present one.
    fn leave_place(&mut self, position: i64, law: Option<Law>) {
        let reading = self.mix.end() - self.align_lag_samples() as i64;
        self.former = Former { until: position.max(reading), law };
        if law.is_some() {
            self.placed_at = self.former.until;
        }
        self.learn_from = position;
        self.job_is_stale = self.learner.is_none();
        self.left = None;
        (self.is_shallow, self.confirmed_to) = (false, 0);
        self.presence.reset();
        self.verdict = Verdict::Present;
        self.schedule.locked(self.now);
        self.bands.recall(&self.learned.bands);
    }

    /// Enters the section of the song that the newest mix belongs to, if that is another one.
    fn enter_section(&mut self) {
        // Never by subtraction from the end, which may be as far away as a number can be.
        if self.mix.end() + self.song_offset <= self.section_end {
            return;
        }
        self.leave_place(self.section_end - self.song_offset, self.law_in_force());
        self.take_place(self.mix.end());
    }

    /// Whether there is a place in force for a position of the mix.
    fn has_place(&self, position: i64) -> bool {
        if position < self.former.until {
            self.former.law.is_some()
        } else {
            self.place.state == Lock::Locked
        }
    }

    /// Processes one host block of any length in place: `mix` comes in and the output goes out.
    ///
    /// `mix` has as many channels as the engine was prepared with, all of one length. `backing` has any number of
    /// channels, of which up to two are used; missing channels and samples count as silence. Real-time safe.
    pub fn process(
        &mut self,
        mix: &mut [&mut [f32]],
        backing: &[&[f32]],
        settings: &Settings,
        worker: &mut impl Worker,
    ) {
        let settings = settings.clamped();
        let len = mix.first().map_or(0, |c| c.len());
        debug_assert!(mix.iter().all(|c| c.len() == len));
        let mut at = 0;
        while at < len {
            let (exchanged, whole) = self.framing.exchange(mix, backing, at, &settings);
            at += exchanged;
            if whole {
                self.hop(worker);
            }
        }
        self.readings.bad_samples = self.framing.bad_samples;
    }

    /// The path of the samples.
    fn hop(&mut self, worker: &mut impl Worker) {
        let hop = self.sizes.hop();
        self.take_in();
        self.enter_section();
        self.learn(worker);
        self.track();
        // A machine's estimate holds rests of the voice: what follows it more closely takes voice away.
        let settings = self.tick(self.align_lag_samples() + self.filter.latency_samples()).settings;
        let cautious = settings.backing_kind == BackingKind::Estimated;
        let tone = if cautious { Tone::Off } else { settings.tone };
        if std::mem::replace(&mut self.tone, tone) != tone {
            self.put_in_force();
            self.schedule.match_soon(self.now);
        }

        // Align: the backing is read at the delay found, plus what the user adds.
        let lag = self.align_lag_samples();
        let start = self.mix.end() - (hop + lag) as i64;
        self.align(start, f64::from(self.tick(lag).settings.nudge_samples));
        self.silence_across_jumps(start);

        // Match level (and tone, once there is more than a level).
        self.filter.process(&self.scratch.aligned, &mut self.scratch.filtered);
        let newest = (self.now as usize) % self.ticks.len();
        let lag = lag + self.filter.latency_samples();
        let placed = self.has_place(self.mix.end() - lag as i64);
        self.ticks[newest].filtered = placed && !self.filter.is_silent();

        // Follow the level as it moves.
        self.mix.read_stereo(self.mix.end() - (hop + lag) as i64, &mut self.scratch.mix);
        let [mix_l, mix_r] = &self.scratch.mix;
        let [filtered_l, filtered_r] = &self.scratch.filtered;
        self.matched.push([filtered_l, filtered_r]);
        let settings = self.tick(self.follow_lag_samples()).settings;
        let follow = settings.follow != Follow::Off
            && settings.backing_kind == BackingKind::Recorded
            && self.learned.following_pays;
        let steady = !self.drift.wander().moves();
        let gain = self.follower.process([mix_l, mix_r], [filtered_l, filtered_r], steady, follow);
        let from = -((hop + self.follower.latency_samples()) as i64);
        self.matched.read_stereo(self.matched.end() + from, &mut self.scratch.matched);
        if gain.from != 1.0 || gain.to != 1.0 {
            let step = (gain.to - gain.from) / hop as f32;
            for side in &mut self.scratch.matched {
                side.iter_mut().enumerate().for_each(|(n, y)| *y *= gain.from + step * (n + 1) as f32);
            }
        }

        // Follow the tone as it moves.
        let lag = self.follow_lag_samples();
        let settings = self.tick(self.subtract_lag_samples()).settings;
        let Scratch { mix, matched, correction, .. } = &mut self.scratch;
        self.mix.read_stereo(self.mix.end() - (hop + lag) as i64, mix);
        let follow =
            settings.follow == Follow::LevelAndTone && settings.backing_kind == BackingKind::Recorded;
        let products =
            (0..2).map(|c| mix[c].iter().zip(&matched[c]).map(|(x, b)| f64::from(x * b)).sum::<f64>());
        let product = products.sum::<f64>() / (2 * hop) as f64;
        let [mix_power, matched_power] = [&*mix, &*matched].map(|[left, right]| mean_square([left, right]));
        self.followed.push([&matched[0], &matched[1]]);
        self.bands.process([&mix[0], &mix[1]], [&matched[0], &matched[1]], follow, correction);
        self.followed.read_stereo(self.followed.end() - (hop + self.bands.latency_samples()) as i64, matched);
        for (side, correction) in matched.iter_mut().zip(correction) {
            side.iter_mut().zip(correction).for_each(|(y, c)| *y += *c);
        }

        // Is the backing there at all?
        if self.now >= (lag / hop) as u64 {
            self.verdict = self.presence.add(product, matched_power, mix_power > AUDIBLE);
            let lost = self.verdict == Verdict::Absent && self.now > self.confirmed_to;
            if lost && self.place.state == Lock::Locked && !settings.hold {
                self.lose();
            }
        }

        // Subtract, but never to make things worse.
        let lag = self.subtract_lag_samples();
        if self.now >= (lag / hop) as u64 {
            self.mix.read_stereo(self.mix.end() - (hop + lag) as i64, &mut self.scratch.mix);
            self.levels.read_stereo(self.levels.end() - (hop + lag) as i64, &mut self.scratch.levels);
            self.subtract(lag);
        }

        // Clean up, cut the lows, choose what is heard.
        let lag = self.lag_samples();
        if !self.schedule.is_unheard() && self.now >= (lag / hop) as u64 {
            self.mix.read_stereo(self.mix.end() - (hop + lag) as i64, &mut self.scratch.mix);
            self.levels.read_stereo(self.levels.end() - (hop + lag) as i64, &mut self.scratch.levels);
            self.finish(lag);
        }
        self.now += 1;
        self.report(gain.to);
    }

    /// Remembers the new hop.
    fn take_in(&mut self) {
        let hop = &self.framing.hop;
        let [mix_l, mix_r] = &hop.mix;
        let [backing_l, backing_r] = &hop.backing;
        self.mix.push([mix_l, mix_r]);
        self.backing.push([backing_l, backing_r]);
        self.levels.push([&hop.trim, &hop.output]);
        let tick = Tick { settings: hop.settings, filtered: false };
        if self.now == 0 {
            // What is set first has always been so.
            self.ticks.fill(tick);
        }
        let newest = self.now as usize % self.ticks.len();
        self.ticks[newest] = tick;
        let backing = mean_square([backing_l, backing_r]);
        self.silent_hops = if backing > AUDIBLE { 0 } else { self.silent_hops.saturating_add(1) };
        let mix = mean_square([mix_l, mix_r]);
        self.guard.hear(&hop.mix);
        self.readings.mix_db = power_to_db(mix) as f32;
        self.readings.backing_db = power_to_db(backing) as f32;
    }

    /// Reads the backing that belongs to one hop of the mix; silence while it has no place.
    fn align(&mut self, start: i64, nudge: f64) {
        let end = start + self.sizes.hop() as i64;
        let Former { until, law } = self.former;
        let tracked = self.drift.delay_at(end);
        let before = law.map(|law| law.at(end));
        let after = (self.place.state == Lock::Locked).then_some(tracked);
        let Scratch { aligned, other, .. } = &mut self.scratch;
        let mut read = |delay: Option<f64>, fresh: bool, out: &mut Stereo| {
            if fresh {
                self.delay_line.reset();
            }
            match delay {
                Some(delay) => self.delay_line.read(&self.backing, start, delay + nudge, out),
                None => out.iter_mut().for_each(|side| side.fill(0.0)),
            }
        };
        let delay = if until >= end {
            read(before, false, aligned);
            before
        } else if until <= start {
            read(after, until == start, aligned);
            after
        } else {
            read(before, false, aligned);
            read(after, true, other);
            let from = (until - start) as usize;
            for (side, other) in aligned.iter_mut().zip(&*other) {
                side[from..].copy_from_slice(&other[from..]);
            }
            after.or(before)
        };
        self.course.push(delay.unwrap_or(tracked));
    }

    /// Tracks the delay as it moves.
    fn track(&mut self) {
        if self.place.state != Lock::Locked {
            return;
        }
        let moved_before = self.drift.wander().moves();
        let end = self.mix.end() - self.sizes.scaled(LATE) as i64;
        let learning = !self.framing.hop.settings.hold;
        self.drift.advance(&self.mix, &self.backing, self.learn_from, end, learning);
        let moves = self.drift.wander().moves();
        if moves {
            self.place.delay_samples = self.drift.delay_at(end).round() as i64;
            self.place.found_samples = self.drift.delay_at(end);
        }
        if moves != moved_before {
            // What was learned under the other assumption is smeared: learn again from here.
            self.learned.learned_s = 0.0;
            self.job_is_stale = self.learner.is_none();
            let before = self.learn_from;
            self.learn_from = self.mix.end() - self.align_lag_samples() as i64;
            self.placed_at = self.learn_from;
            self.schedule.locked(self.now);
            self.bands.recall(&self.learned.bands);
            self.split_section(before);
        }
    }

    /// The delay has begun to move: is it another one than stood still so far?
    fn split_section(&mut self, since: i64) {
        let stood = self.learn_from - since;
        let was_one = stood > self.sizes.samples(STOOD_S) as i64 && self.deepest > WAS_DEEP;
        if !self.drift.wander().moves() || !was_one {
            return;
        }
        let (delay_samples, wander) = self.drift.law(-self.song_offset);
        let law = Law { delay_samples, wander };
        let middle = since + stood / 2 + self.song_offset;
        let Some(stood_at) = self.learned.sections.at(middle).and_then(|s| s.law) else { return };
        if (law.at(middle) - stood_at.at(middle)).abs() > 0.5 {
            let begin = self.learn_from + self.song_offset;
            self.learned.sections.put(begin, begin, Some(law));
        }
    }

    /// What travelled with the hop that arrived `age_samples` before the newest.
    fn tick(&self, age_samples: usize) -> &Tick {
        let len = self.ticks.len();
        &self.ticks[(self.now as usize + len - age_samples / self.sizes.hop()) % len]
    }

    /// Mix and backing on either side of a jump do not belong together.
    fn silence_across_jumps(&mut self, start: i64) {
        let len = self.scratch.aligned[0].len() as i64;
        for &jump in self.jumps.iter().filter(|&&jump| jump != i64::MIN) {
            let other = jump + self.place.delay_samples;
            let from = (jump.min(other) - start).clamp(0, len) as usize;
            let to = (jump.max(other) - start).clamp(0, len) as usize;
            self.scratch.aligned.iter_mut().for_each(|side| side[from..to].fill(0.0));
        }
    }

    /// Takes back the job that is out, hands out the next.
    fn learn(&mut self, worker: &mut impl Worker) {
        let hold = self.framing.hop.settings.hold;
        if self.learner.is_none() && (self.restart_at.is_some() || self.now >= self.back_at) {
            match worker.collect() {
                Some(Job(mut learner)) => {
                    let restart_at = self.restart_at.take();
                    if let Some(at) = restart_at {
                        learner.restart(at);
                    }
                    self.learner = Some(learner);
                    let stale = std::mem::take(&mut self.job_is_stale);
                    if restart_at.is_none() && !stale {
                        self.take_outcome(hold);
                    }
                }
                None if self.restart_at.is_none() => {
                    self.readings.late_jobs += 1;
                    self.back_at = self.now + self.sizes.hops(0.25);
                }
                None => {}
            }
        }
        let Some(learner) = &mut self.learner else { return };
        // The learner hears what it missed a few hops at a time, so that catching up is no lump.
        let hop = self.sizes.hop() as i64;
        if self.mix.begin() > learner.end() {
            learner.restart(self.mix.begin());
        }
        for _ in 0..CATCH_UP_HOPS {
            if learner.end() < self.mix.end() {
                let at = learner.end();
                self.mix.read_stereo(at, &mut self.scratch.mix);
                self.backing.read_stereo(at, &mut self.scratch.matched);
                let [mix_l, mix_r] = &self.scratch.mix;
                let [backing_l, backing_r] = &self.scratch.matched;
                learner.hear([mix_l, mix_r], [backing_l, backing_r]);
            }
        }
        let within_reach = self.silent_hops < self.sizes.hops(EARLY_S);
        learner.hear_course(&self.course);
        if learner.end() < self.mix.end() || !within_reach {
            return;
        }
        let heard = (learner.end() - self.learn_from) / hop;
        let doubt = match self.verdict {
            Verdict::Present if self.is_shallow => Doubt::Shallow,
            Verdict::Present => Doubt::None,
            Verdict::Doubtful | Verdict::Absent => Doubt::Elsewhere,
        };
        let due = match hold {
            true if self.causes_are_given => None,
            true => self.schedule.due_on_hold(self.now, self.place.state),
            false => self.schedule.due(self.now, self.place.state, doubt, heard as u64),
        };
        let Some((due, after)) = due else { return };
        if due == Due::Look && self.drift.wander().moves() {
            return; // The tracker looks more closely.
        }
        let is_locked = self.place.state == Lock::Locked;
        let given = Given {
            delay_samples: self.place.delay_samples,
            moving: self.drift.wander().moves(),
            from: self.learn_from,
            movement: self.follower.movement(),
            tone: self.tone,
            learned_s: self.learned.learned_s,
            following_pays: self.learned.following_pays,
        };
        learner.task = match due {
            Due::Search => Task::Search(Sought {
                before: if is_locked { Some(self.place.delay_samples) } else { self.left },
                in_force: is_locked,
                from: self.learn_from.max(self.jumps[JUMPS - 1]),
                song_offset: self.song_offset,
                sections: self.learned.sections,
            }),
            Due::Look => Task::Look(self.place.delay_samples, self.learn_from),
            Due::Match => Task::Match(given),
            Due::Study => Task::Study(given),
        };
        learner.taps.clone_from(&self.in_force);
        if let Some(learner) = self.learner.take() {
            worker.submit(Job(learner));
            self.back_at = self.now + after;
        }
    }

    /// Acts on what a job found; on hold, nothing that is in force may change.
    fn take_outcome(&mut self, hold: bool) {
        let Some(learner) = &self.learner else { return };
        match learner.outcome {
            // More was known.
            Outcome::Studied if self.readings.knows_causes && !learner.knows_causes() => {}
            Outcome::Studied => self.take_causes(),
            _ if hold => {}
            Outcome::Searched(searched) => self.searched(searched),
            Outcome::Looked(looked) => _ = self.looked(looked),
            Outcome::Matched(matched) => {
                if self.looked(matched.looked) {
                    return; // What was learned round the old place is of no use.
                }
                self.schedule.matched(matched.gained.unwrap_or(0.0));
                self.take_causes();
                let Some(learner) = &self.learner else { return };
                if matched.shifted != 0.0 {
                    self.drift.shift(matched.shifted);
                    self.course.shift(matched.shifted);
                }
                let pays = matched.following_pays.unwrap_or(self.learned.following_pays);
                self.learned.following_pays = pays;
                let movement = self.follower.movement();
                let was_moving = self.learned.movement.moves();
                self.learned.movement = if movement.moves() { movement } else { Movement::STILL };
                self.learned.bands = self.bands.movements();
                let moves = self.drift.wander().moves();
                if moves {
                    let (delay_samples, wander) = self.drift.law(-self.song_offset);
                    let law = Law { delay_samples, wander };
                    self.learned.sections.correct(self.mix.end() + self.song_offset, law);
                }
                if was_moving || movement.moves() || moves || self.learned.leak != *self.cleanup.leak() {
                    self.readings.match_revision += 1;
                }
                if let Some(gained) = matched.gained {
                    self.is_proven |= gained > HOLDS;
                    self.learned.taps.clone_from(&learner.taps);
                    self.learned.learned_s = matched.heard_s;
                    self.put_in_force();
                    self.readings.match_revision += 1;
                    // What was learned of the level through a much shallower null is void.
                    if gained > 0.1 {
                        self.follower.forget_statistics();
                        self.bands.forget_statistics();
                        self.cleanup.relearn();
                    }
                }
                self.learned.leak = *self.cleanup.leak();
            }
        }
    }

    /// A place that never won anything was none.
    fn disown(&mut self) {
        if !self.is_proven {
            self.learned.sections.forget(self.mix.end() + self.song_offset);
        }
    }

    /// Acts on a search.
    fn searched(&mut self, searched: Searched) {
        let Searched { found, confirmed, holds, edge } = searched;
        self.confirm(holds);
        let now = self.mix.end();
        let former = self.law_in_force();
        let near = self.sizes.scaled(NEAR) as f64;
        let distance = |found: Found| (found.delay_samples - self.place.delay_samples as f64).abs();
        if former.is_some() && found.is_some_and(|found| distance(found) <= near) {
            // The place in force, seen less closely than the tracker sees it.
            if !self.drift.wander().moves() && self.place.searched(found, false) == Change::Found {
                self.recentre();
            }
            return;
        }
        let before = self.place.state;
        if self.place.searched(found, confirmed) == Change::Found {
            if before == Lock::Locked {
                self.disown();
            }
            let was_known = self.learned.is_known();
            self.is_proven = false;
            let begin = edge.unwrap_or(now - self.sizes.samples(NEW_PLACE_S) as i64);
            self.leave_place(if was_known { begin } else { self.learn_from }, former);
            self.remember_place(self.learn_from);
            let newest = self.mix.end() - self.sizes.scaled(LATE) as i64;
            self.drift.restart(self.place.delay_samples as f64, Wander::NONE, newest);
            self.put_in_force();
        } else if let (Some(edge), Some(_)) = (edge, self.left.take()) {
            self.learned.sections.put(edge + self.song_offset, now + self.song_offset, None);
            self.learn_from = edge;
            self.readings.match_revision += 1;
        }
    }

    /// Remembers that the null itself has confirmed the place in force.
    fn confirm(&mut self, confirmed: bool) {
        if confirmed {
            self.is_proven = true;
            self.confirmed_to = self.now + self.sizes.hops(CONFIRMED_S);
        }
    }

    /// Acts on a look at the place in force; true if that is given up or moved.
    fn looked(&mut self, looked: Looked) -> bool {
        let Looked { found, gained } = looked;
        let confirmed = gained.is_some_and(|gained| gained > HOLDS);
        self.confirm(confirmed);
        if let Some(gained) = gained {
            self.deepest = self.deepest.max(gained);
            self.is_shallow = gained < SHALLOW * self.deepest;
        }
        if self.drift.wander().moves() {
            return false; // The tracker looks more closely.
        }
        let change = self.place.looked(found, confirmed);
        match change {
            Change::None => {}
            Change::Lost => self.lose(),
            Change::Found => self.recentre(),
        }
        change != Change::None
    }

    /// The place in force turned out to be some samples elsewhere: what the filter made good, the delay does now.
    fn recentre(&mut self) {
        let song = self.mix.end() + self.song_offset;
        let delay = self.place.delay_samples as f64;
        let law = self.learned.sections.at(song).and_then(|section| section.law);
        if let Some(law) = law {
            self.learned.taps.advance((delay - law.at(song)).round() as isize);
        }
        if law.is_some_and(|law| law.wander.moves()) {
            self.remember_place(self.mix.end());
        } else {
            self.learned.sections.correct(song, Law::still(delay));
            self.remember_place(self.learn_from);
        }
        self.drift.recentre(delay);
        self.put_in_force();
        self.schedule.locked(self.now);
    }

    /// The place in force is the learned one from a position of the mix on, and stands still as far as is known.
    fn remember_place(&mut self, begin: i64) {
        let [begin, now] = [begin, self.mix.end()].map(|at| at + self.song_offset);
        let delay = self.place.delay_samples as f64;
        self.learned.sections.put(begin, now, Some(Law::still(delay)));
        self.section_end = self.learned.sections.end(now);
        self.readings.match_revision += 1;
    }

    /// From here on the mix passes until the backing is found again.
    fn lose(&mut self) {
        self.disown();
        self.left = self.is_proven.then_some(self.place.delay_samples);
        if self.is_proven {
            // Part of what was learned may be of whatever displaced the backing.
            self.learned.learned_s *= KEPT_TRUST;
        }
        self.place.lose();
        self.forget_causes();
        self.filter.exchange(&self.silence);
        self.presence.reset();
        self.verdict = Verdict::Present;
    }

    fn take_causes(&mut self) {
        let Some(learner) = &self.learner else { return };
        self.readings.causes = learner.causes();
        self.readings.knows_causes = learner.knows_causes();
    }

    fn forget_causes(&mut self) {
        self.readings.causes = Causes::default();
        self.readings.knows_causes = false;
        self.causes_are_given = false;
    }

    /// Mix minus matched backing, as far as that is not louder than the mix; and what is left of the backing in it.
    fn subtract(&mut self, lag: usize) {
        let settings = self.tick(lag).settings;
        let sign = if self.is_turned(settings.polarity) { -1.0 } else { 1.0 };
        let first = self.now == (lag / self.sizes.hop()) as u64;
        let Scratch { mix, matched, difference, levels, removed, .. } = &mut self.scratch;
        // Whoever turns the backing away from where it was found wants to hear just that.
        let by_hand = settings.nudge_samples != 0.0;
        self.guard.process(mix, matched, by_hand);
        // The clean-up hears what the match leaves of the backing, whatever Trim adds; but none that is not subtracted.
        for ((d, x), b) in difference.iter_mut().zip(&*mix).zip(&mut *matched) {
            for (((d, x), b), gain) in d.iter_mut().zip(x).zip(b).zip(&self.guard.gains) {
                *b *= gain;
                *d = x - *b;
            }
        }
        let amount = settings.cleanup_percent / 50.0;
        let residue = match settings.backing_kind {
            BackingKind::Recorded => Residue::AsHeard,
            BackingKind::Estimated => Residue::Share(ESTIMATED_SHARE),
        };
        self.cleanup.process(difference, matched, amount, residue, removed);

        let glides = &mut self.glides;
        if first {
            // After a reset the first settings hold at once.
            glides.trim.set(levels[0][0]);
            glides.polarity.set(sign);
        }
        for n in 0..mix[0].len() {
            let gain = glides.trim.next(levels[0][n]) * glides.polarity.next(sign);
            for ((d, x), b) in difference.iter_mut().zip(&*mix).zip(&mut *matched) {
                b[n] *= gain;
                d[n] = x[n] - b[n];
            }
        }
        self.difference.push([&difference[0], &difference[1]]);
        self.subtracted.push([&matched[0], &matched[1]]);
    }

    /// Whether the backing is to be turned against the polarity found.
    fn is_turned(&self, polarity: Polarity) -> bool {
        match polarity {
            Polarity::Follow => false,
            Polarity::Keep => self.place.inverted,
            Polarity::Invert => !self.place.inverted,
        }
    }

    /// Takes the residue out of the difference, cuts its lows and chooses what is heard.
    fn finish(&mut self, lag: usize) {
        let settings = self.tick(lag).settings;
        let first = self.now == (lag / self.sizes.hop()) as u64;
        // While nothing is subtracted the mix passes untouched.
        let since_filter = self.lag_samples() - self.align_lag_samples() - self.filter.latency_samples();
        let engaged = f32::from(self.tick(since_filter).filtered);
        let back = (self.cleanup.latency_samples() + self.sizes.hop()) as i64;
        // Position of the mix that is put out now, and how much before it the null depth tells of, with a margin for the
        // length of the filter.
        let output = self.mix.end() - lag as i64;
        let told_of = self.sizes.samples(NULL_DEPTH_S + 1.0) as i64;
        let Scratch { mix, matched, difference, cut, levels, removed, .. } = &mut self.scratch;
        self.difference.read_stereo(self.difference.end() - back, difference);
        self.subtracted.read_stereo(self.subtracted.end() - back, matched);
        for ((difference, removed), cut) in difference.iter_mut().zip(&*removed).zip(&mut *cut) {
            difference.iter_mut().zip(removed).for_each(|(d, r)| *d -= r);
            cut.copy_from_slice(difference);
        }
        let heard = self.null_depth.add([&difference[0], &difference[1]], [&matched[0], &matched[1]]);
        let told = if output < self.placed_at.saturating_add(told_of) {
            Err(Untold::PlaceChanged)
        } else {
            self.readings.told(heard)
        };
        (self.readings.null_depth_db, self.readings.untold) = match told {
            Ok(depth_db) => (Some(depth_db), Untold::default()),
            Err(untold) => (None, untold),
        };
        self.spectrometer.add([&*mix, &*matched, &*difference].map(|[left, right]| [&left[..], &right[..]]));
        self.low_cut.process(cut, settings.low_cut_hz, settings.slope);
        let glides = &mut self.glides;
        if first {
            glides.engaged.set(0.0);
            glides.output.set(levels[1][0]);
            glides.bypass.set(f32::from(settings.bypass));
            for (glide, listen) in glides.listen.iter_mut().zip(LISTENS) {
                glide.set(f32::from(settings.listen == listen));
            }
        }
        for n in 0..mix[0].len() {
            let engaged = glides.engaged.next(engaged);
            let mut weights = [0.0; 3];
            for ((weight, glide), listen) in weights.iter_mut().zip(&mut glides.listen).zip(LISTENS) {
                *weight = glide.next(f32::from(settings.listen == listen));
            }
            let level = glides.output.next(levels[1][n]);
            let bypass = glides.bypass.next(f32::from(settings.bypass));
            for side in 0..2 {
                let x = mix[side][n];
                let d = difference[side][n] + engaged * (cut[side][n] - difference[side][n]);
                let heard = weights[0] * d + weights[1] * matched[side][n] + weights[2] * x;
                let out = level * heard;
                // Exact at the end of the glide; nothing so small that it slows a host down.
                let out = if bypass == 1.0 { x } else { out + bypass * (x - out) };
                self.framing.out[side][n] = if out.abs() < SILENCE { 0.0 } else { out };
            }
        }
    }

    fn report(&mut self, follow: f32) {
        let [left, right] = &self.framing.out;
        let readings = &mut self.readings;
        readings.heard_samples = self.now * self.sizes.hop() as u64;
        // A backing that is early goes on sounding after its input fell silent.
        let sounding_s = self.place.delay_samples.max(0) as f64 / self.sizes.sample_rate_hz + GONE_S;
        let gone = self.silent_hops > self.sizes.hops(sounding_s);
        readings.lock = if gone { Lock::NoBacking } else { self.place.state };
        readings.delay_samples = self.place.found_samples;
        readings.late_samples =
            if self.place.state == Lock::TooLate { -self.place.found_samples } else { 0.0 };
        readings.drift_ppm =
            if self.drift.wander().moves() { (1e6 * self.drift.law(0).1.rate) as f32 } else { 0.0 };
        readings.inverted = self.place.inverted;
        readings.confidence = self.place.confidence;
        readings.level = if self.place.state == Lock::Locked { self.level } else { [0.0; 2] };
        readings.follow_db = 20.0 * follow.max(1e-3).log10();
        readings.output_db = power_to_db(mean_square([left, right])) as f32;
    }

    /// What happened in the last hop. Real-time safe.
    pub fn readings(&self) -> &Readings {
        &self.readings
    }

    /// The last spectra: a new frame about eleven times a second. Real-time safe.
    pub fn spectra(&self) -> &Spectra {
        self.spectrometer.latest()
    }

    /// The match in force. It changes when [`Readings::match_revision`] does. Real-time safe.
    pub fn learned(&self) -> &Match {
        &self.learned
    }

    /// Puts a match in force, as one that was learned; one learned at another rate keeps its delay and its levels.
    /// Returns false, and changes nothing, if it holds unusable values. Real-time safe.
    pub fn recall(&mut self, learned: &Match) -> bool {
        if !learned.is_sound() {
            return false;
        }
        let own = &mut self.learned;
        own.sections = learned.sections;
        let same_rate = learned.sample_rate_hz == own.sample_rate_hz;
        if same_rate && learned.taps.num_taps() == own.taps.num_taps() {
            own.taps.clone_from(&learned.taps);
        } else {
            let ratio = own.sample_rate_hz / learned.sample_rate_hz;
            own.sections = learned.sections.at_rate(ratio);
            own.taps.clone_from(&self.silence);
            for (side, level) in learned.taps.level().into_iter().enumerate() {
                let centre = own.taps.num_taps() / 2;
                own.taps.h[side][side][centre] = level;
            }
        }
        own.movement = learned.movement;
        own.following_pays = learned.following_pays;
        own.bands = learned.bands;
        own.learned_s = if same_rate { learned.learned_s } else { 0.0 };
        own.leak = if same_rate { learned.leak } else { Leak::UNKNOWN };
        self.readings.match_revision += 1;
        self.learn_from = self.mix.end();
        self.forget_heard();
        self.schedule.reset(self.now);
        self.take_up();
        true
    }

    /// Takes what limits the null as known, on hold for as long as the backing is not lost. Real-time safe.
    pub fn recall_causes(&mut self, causes: &Causes) {
        self.readings.causes = *causes;
        self.readings.knows_causes = true;
        self.causes_are_given = true;
    }

    /// Forgets the match and starts over. Real-time safe.
    pub fn relearn(&mut self) {
        self.learned.sections = Sections::default();
        self.learned.taps.clone_from(&self.silence);
        self.learned.movement = Movement::STILL;
        self.learned.following_pays = true;
        self.learned.bands = [BandMovement::STILL; NUM_BANDS];
        self.learned.learned_s = 0.0;
        self.learned.leak = Leak::UNKNOWN;
        self.readings.match_revision += 1;
        self.learn_from = self.mix.end();
        self.follower.forget_statistics();
        self.null_depth.reset();
        self.forget_causes();
        self.forget_heard();
        self.schedule.reset(self.now);
        self.take_up();
    }

    /// Tells where in the song the next sample is, samples: a delay that moves is another one in another place.
    /// Without it the song begins with the first sample after a reset. Real-time safe.
    pub fn song_at(&mut self, position_samples: i64) {
        let at = self.mix.end() + self.framing.filled() as i64;
        // As far again can be played on from there and still be remembered.
        let position_samples = position_samples.clamp(-FURTHEST / 2, FURTHEST / 2);
        self.song_offset = position_samples - at;
        let Some(&Section { law, .. }) = self.learned.sections.at(position_samples) else { return };
        self.section_end = self.learned.sections.end(position_samples);
        let former = self.law_in_force();
        let moves = [law, former].map(|law| law.is_some_and(|law| law.wander.moves()));
        let stays = match law {
            Some(law) => {
                moves == [false; 2]
                    && former.is_some()
                    && law.at(position_samples).round() as i64 == self.place.delay_samples
            }
            None => former.is_none(),
        };
        if !stays {
            // Music from either side of a jump is of one place where the delay is followed anyway.
            let learn_from = if moves == [true; 2] { self.learn_from } else { at };
            self.leave_place(at, former);
            self.learn_from = learn_from;
            self.take_place(at);
        }
    }

    /// Tells that the next sample does not follow the last one: the transport started or jumped. Real-time safe.
    pub fn transport_jumped(&mut self) {
        self.jumps.rotate_left(1);
        self.jumps[JUMPS - 1] = self.mix.end() + self.framing.filled() as i64;
        self.schedule.look_soon(self.now);
    }
}

const LISTENS: [Listen; 3] = [Listen::Difference, Listen::Backing, Listen::Mix];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::causes::Kind;
    use crate::dsp::noise::noise;
    use crate::job::Inline;
    use crate::settings::Slope;

    fn play(engine: &mut Engine, mix: &[f32], backing: &[f32], worker: &mut Inline) -> Vec<f32> {
        let mut out = mix.to_vec();
        engine.process(&mut [&mut out], &[backing], &Settings::default(), worker);
        out
    }

    /// Also while a job is out: what it heard is forgotten, and nothing after the reset is missed.
    #[test]
    fn an_engine_after_reset_equals_a_new_one_that_recalls_the_match() {
        let (song, voice) = (noise(60_000, 1), noise(60_000, 2));
        let mix: Vec<f32> = song.iter().zip(&voice).map(|(b, v)| 0.25 * (0.7 * b + v)).collect();
        let mut tried_with_job_out = false;
        for played in [3_000, 30_000, 30_500, 31_000] {
            let (mut used, mut worker) = (Engine::new(16_000.0, 1).unwrap(), Inline::default());
            play(&mut used, &mix, &song, &mut worker);
            play(&mut used, &mix[..played], &song[..played], &mut worker);
            tried_with_job_out |= used.learner.is_none();
            used.reset();
            let mut fresh = Engine::new(16_000.0, 1).unwrap();
            assert!(fresh.recall(used.learned()));
            let again = play(&mut used, &mix, &song, &mut worker);
            assert!(again == play(&mut fresh, &mix, &song, &mut Inline::default()), "after {played} samples");
        }
        assert!(tried_with_job_out);
    }

    /// From wherever it is promised; and what is learned meanwhile is the same.
    #[test]
    fn what_nobody_hears_is_silence() {
        let (song, voice) = (noise(64_000, 1), noise(64_000, 2));
        let mix: Vec<f32> = song.iter().zip(&voice).map(|(b, v)| 0.25 * (0.7 * b + v)).collect();
        let played = |promised_at: usize| {
            let (mut engine, mut worker) = (Engine::new(16_000.0, 1).unwrap(), Inline::default());
            let mut out = play(&mut engine, &mix[..promised_at], &song[..promised_at], &mut worker);
            if promised_at < mix.len() {
                engine.play_unheard();
            }
            out.extend(play(&mut engine, &mix[promised_at..], &song[promised_at..], &mut worker));
            (out, engine)
        };
        let (heard, engine) = played(mix.len());
        for promised_at in [0, 40_001] {
            let (unheard, other) = played(promised_at);
            assert!(unheard[..promised_at] == heard[..promised_at]);
            assert!(unheard[promised_at..].iter().all(|x| *x == 0.0), "promised at {promised_at}");
            assert!(heard[promised_at..].iter().any(|x| *x != 0.0));
            assert!(other.readings().lock == Lock::Locked && other.learned() == engine.learned());
        }
    }

    /// What was learned from much music is not given up for what a few seconds of it suggest, unless that is far better.
    #[test]
    fn a_match_outlives_what_less_music_suggests() {
        let rate = 16_000;
        let (song, voice) = (noise(10 * rate, 1), noise(10 * rate, 2));
        let under = |level: f32| -> Vec<f32> {
            song.iter().zip(&voice).map(|(b, v)| 0.25 * (level * b + 0.5 * v)).collect()
        };
        let (mut first, mut worker) = (Engine::new(16_000.0, 1).unwrap(), Inline::default());
        play(&mut first, &under(0.7), &song, &mut worker);
        let learned = first.learned().clone();
        assert!((4.0..10.0).contains(&learned.learned_s), "{}", learned.learned_s);
        let is_kept = |level: f32, learned: &Match| {
            let (mut engine, mut worker) = (Engine::new(16_000.0, 1).unwrap(), Inline::default());
            assert!(engine.recall(learned));
            play(&mut engine, &under(level)[..3 * rate], &song[..3 * rate], &mut worker);
            engine.learned().taps == learned.taps
        };
        assert!(is_kept(0.7, &learned));
        assert!(!is_kept(0.7, &Match { learned_s: 0.0, ..learned.clone() }), "nothing was suggested");
        assert!(!is_kept(-0.7, &learned));
    }

    /// Who lost the backing corrects what was learned before sooner than after as much music again.
    #[test]
    fn a_match_is_doubted_once_the_backing_was_lost() {
        let rate = 8_000;
        let (song, voice, other) = (noise(14 * rate, 1), noise(14 * rate, 2), noise(3 * rate, 3));
        let mix = |seconds: [usize; 2], level: f32| -> Vec<f32> {
            (rate * seconds[0]..rate * seconds[1])
                .map(|n| 0.25 * (level * song[n] + 0.5 * voice[n]))
                .collect()
        };
        let (mut first, mut worker) = (Engine::new(8_000.0, 1).unwrap(), Inline::default());
        play(&mut first, &mix([0, 4], 0.7), &song[..4 * rate], &mut worker);
        let learned = Match { learned_s: 12.0, ..first.learned().clone() };
        // Something else is on the sidechain for a while, and then the level in the mix has changed.
        let corrects = |seconds: usize| {
            let (mut engine, mut worker) = (Engine::new(8_000.0, 1).unwrap(), Inline::default());
            assert!(engine.recall(&learned));
            play(&mut engine, &mix([0, 2], 0.7), &song[..2 * rate], &mut worker);
            play(&mut engine, &mix([2, 2 + seconds], 0.7), &other[..seconds * rate], &mut worker);
            assert_eq!(engine.readings().lock == Lock::Lost, seconds > 0);
            play(&mut engine, &mix([5, 14], 0.65), &song[5 * rate..14 * rate], &mut worker);
            assert_eq!(engine.readings().lock, Lock::Locked);
            engine.learned().taps != learned.taps
        };
        assert!(corrects(3) && !corrects(0));
    }

    /// A backing too loud to be subtracted comes and goes over a soft mix: what is not subtracted leaves no residue that
    /// could be taken out.
    #[test]
    fn what_is_not_subtracted_is_not_cleaned_up_either() {
        let rate = 16_000;
        let (song, voice) = (noise(7 * rate, 1), noise(7 * rate, 2));
        let soft = 4 * rate;
        let level = |n: usize| if (n / 800).is_multiple_of(2) { 100.0 } else { 1e-4 };
        let mix = |n: usize| if n < soft { 0.25 * (song[n] + 0.5 * voice[n]) } else { 1e-3 * voice[n] };
        let given = |n: usize| if n < soft { 0.25 * song[n] } else { level(n) * song[n] };
        let mix: Vec<f32> = (0..song.len()).map(mix).collect();
        let given: Vec<f32> = (0..song.len()).map(given).collect();
        let mut engine = Engine::new(rate as f64, 1).unwrap();
        let settings =
            Settings { backing_kind: BackingKind::Estimated, slope: Slope::Off, ..Settings::default() };
        let mut out = mix.clone();
        engine.process(&mut [&mut out], &[&given], &settings, &mut Inline::default());
        let power = |x: &[f32]| -> f32 { x.iter().map(|x| x * x).sum::<f32>() / x.len() as f32 };
        let louder = power(&out[soft + engine.latency_samples()..]) / power(&mix[soft..]);
        assert!(louder < 1.26, "louder by a factor of {louder}");
    }

    /// With Hold on nothing looks at the place: what is told of it is what was recalled.
    #[test]
    fn a_held_delay_is_told_with_its_fraction() {
        let mut engine = Engine::new(16_000.0, 1).unwrap();
        let mut learned = engine.learned().clone();
        let delay_samples = 20.0;
        assert!(learned.sections.push(Section { begin: i64::MIN, law: Some(Law::still(delay_samples)) }));
        learned.taps = Taps::gains(learned.taps.num_taps(), [-0.7; 2], 0.37);
        assert!(engine.recall(&learned));
        let settings = Settings { hold: true, ..Settings::default() };
        let (mut out, song) = (noise(2_000, 1), noise(2_000, 2));
        engine.process(&mut [&mut out], &[&song], &settings, &mut Inline::default());
        let readings = engine.readings();
        // To what the sinc that stands for the fraction is cut off at.
        assert!((readings.delay_samples - 20.37).abs() < 0.01, "{}", readings.delay_samples);
        assert!(readings.inverted);
    }

    /// On hold nothing is learned, but what limits the null is looked for, unless it is given; until it is known, what was
    /// known stands.
    #[test]
    fn causes_are_found_on_hold() {
        let (song, voice) = (noise(160_000, 1), noise(160_000, 2));
        // It rests in every other second: noise that never did would be noise.
        let sung = |n: usize| if (n / 16_000).is_multiple_of(2) { voice[n] } else { 0.0 };
        let mix: Vec<f32> = song.iter().enumerate().map(|(n, b)| 0.25 * (0.5 * b + sung(n))).collect();
        let (mut engine, mut worker) = (Engine::new(16_000.0, 1).unwrap(), Inline::default());
        play(&mut engine, &mix, &song, &mut worker);
        let learned = engine.learned().clone();
        let settings = Settings { hold: true, ..Settings::default() };
        let mut held = |engine: &mut Engine, seconds: usize| {
            let mut out = mix[..16_000 * seconds].to_vec();
            engine.process(&mut [&mut out], &[&song[..16_000 * seconds]], &settings, &mut worker);
            engine.readings().causes
        };
        let known = engine.readings().causes;
        assert!(engine.recall(&learned));
        assert_eq!(held(&mut engine, 4), known);
        assert!(engine.readings().knows_causes);
        engine.reset();
        let revision = engine.readings().match_revision;
        let given = Causes::rank([(Kind::Clipping, 0.01)], 1e-6, 0.0);
        let mut told = Engine::new(16_000.0, 1).unwrap();
        assert!(told.recall(&learned));
        told.recall_causes(&given);
        assert_eq!(held(&mut told, 10), given);
        let found = held(&mut engine, 10);
        told.reset();
        assert_eq!(held(&mut told, 10), found);
        let kinds: Vec<Kind> = found.iter().map(|cause| cause.kind).collect();
        // 20 log10(0.25 * 0.5).
        let is_level =
            |kind: &Kind| matches!(kind, Kind::Level { sides_db } if (sides_db[0] + 18.06).abs() < 0.1);
        assert!(matches!(&kinds[..], [kind] if is_level(kind)), "{kinds:?}");
        assert!(engine.readings().knows_causes);
        assert!(*engine.learned() == learned && engine.readings().match_revision == revision);
    }

    /// Hosts count in before the song starts, and a junk position is not worth a crash.
    #[test]
    fn any_position_in_the_song_is_taken() {
        let (song, voice) = (noise(16_000, 1), noise(16_000, 2));
        let mix: Vec<f32> = song.iter().zip(&voice).map(|(b, v)| 0.25 * (b + v)).collect();
        let (mut engine, mut worker) = (Engine::new(16_000.0, 1).unwrap(), Inline::default());
        for position in [-8_000, i64::MIN, i64::MAX, 0] {
            engine.song_at(position);
            play(&mut engine, &mix, &song, &mut worker);
        }
        assert_eq!(engine.readings().lock, Lock::Locked);
    }

    /// However far from the start of the song a delay drifts, what is learned can be recalled.
    #[test]
    fn what_is_learned_anywhere_in_the_song_can_be_recalled() {
        let (song, silence) = (noise(16_000, 1), vec![0.0; 16_000]);
        for position in [i64::MIN, i64::MAX] {
            let (mut engine, mut worker) = (Engine::new(16_000.0, 1).unwrap(), Inline::default());
            let mut learned = engine.learned().clone();
            let law = Law { delay_samples: 0.0, wander: Wander { process: 1e-9, rate: 1e-2 } };
            assert!(learned.sections.push(Section { begin: i64::MIN, law: Some(law) }));
            learned.taps = Taps::gains(learned.taps.num_taps(), [1.0; 2], 0.0);
            assert!(engine.recall(&learned));
            play(&mut engine, &song, &song, &mut worker);
            engine.song_at(position);
            play(&mut engine, &silence, &silence, &mut worker);
            assert!(engine.learned() != &learned, "nothing was learned");
            assert!(engine.learned().is_sound(), "{:?}", engine.learned().sections.as_slice());
        }
    }

    /// What lies as far in as can be told is entered there and nowhere else, and what is learned from there on is remembered.
    #[test]
    fn places_are_known_as_far_into_the_song_as_can_be_told() {
        let rate = 16_000;
        let (song, voice) = (noise(4 * rate, 1), noise(4 * rate, 2));
        let (mut engine, mut worker) = (Engine::new(16_000.0, 1).unwrap(), Inline::default());
        let mut learned = engine.learned().clone();
        for (begin, delay_samples) in [(i64::MIN, 20.0), (FURTHEST / 2, 60.0)] {
            assert!(learned.sections.push(Section { begin, law: Some(Law::still(delay_samples)) }));
        }
        learned.taps = Taps::gains(learned.taps.num_taps(), [1.0; 2], 0.0);
        assert!(engine.recall(&learned));
        for (position, delay_samples) in [(FURTHEST / 2 - 1_000, 20.0), (i64::MIN, 20.0), (i64::MAX, 60.0)] {
            engine.song_at(position);
            play(&mut engine, &song[..200], &song[..200], &mut worker);
            assert_eq!(engine.readings().delay_samples, delay_samples, "at {position}");
        }
        // From here on the backing lies elsewhere than was known.
        let mix: Vec<f32> =
            (0..song.len()).map(|n| 0.25 * (song[n.saturating_sub(500)] + 0.5 * voice[n])).collect();
        play(&mut engine, &mix, &song, &mut worker);
        assert_eq!(engine.readings().delay_samples.round(), 500.0);
        let sections = engine.learned().sections.as_slice();
        assert!(sections.len() == 3 && engine.learned().is_sound(), "{sections:?}");
    }

    /// How deep the null was is forgotten by a reset, and by whoever has it all learned again.
    #[test]
    fn a_null_depth_is_of_what_was_played_since() {
        let rate = 16_000;
        let (song, hiss) = (noise(14 * rate, 1), noise(14 * rate, 2));
        let mix: Vec<f32> = song.iter().zip(&hiss).map(|(b, h)| 0.25 * b + 1e-3 * h).collect();
        for forget in [Engine::reset, Engine::relearn] {
            let (mut engine, mut worker) = (Engine::new(16_000.0, 1).unwrap(), Inline::default());
            play(&mut engine, &mix, &song, &mut worker);
            assert!(engine.readings().null_depth_db.is_some(), "{:?}", engine.readings().untold);
            forget(&mut engine);
            // On hold, so that the causes stay known; less than a second does not suffice for another depth.
            engine.recall_causes(&Causes::default());
            let settings = Settings { hold: true, ..Settings::default() };
            let (mut out, song) = (mix[..rate * 3 / 4].to_vec(), &song[..rate * 3 / 4]);
            engine.process(&mut [&mut out], &[song], &settings, &mut worker);
            assert_eq!(engine.readings().null_depth_db, None);
        }
    }

    /// A mix that jumps back in the song in its middle: at the first play the new place is found within two seconds, and
    /// a second play changes places where the mix does.
    #[test]
    fn an_edit_is_found_and_remembered_where_it_is() {
        let rate = 16_000;
        let (song, voice) = (noise(20 * rate, 1), noise(20 * rate, 2));
        let (cut, back) = (9 * rate, 4 * rate);
        let in_mix = |n: usize| if n < cut { song[n] } else { song[n - back] };
        let mix: Vec<f32> = (0..20 * rate).map(|n| 0.25 * (0.7 * in_mix(n) + 0.5 * voice[n])).collect();
        let mut engine = Engine::new(rate as f64, 1).unwrap();
        let latency = engine.latency_samples();
        for play in 0..2 {
            engine.reset();
            let out = play_all(&mut engine, &mix, &song);
            // What is left of the song, over its level in the mix.
            let depth_db = |from: usize, to: usize| {
                let left = |n: usize| f64::from(out[n + latency] - 0.125 * voice[n]).powi(2);
                let whole = |n: usize| f64::from(0.175 * in_mix(n)).powi(2);
                10.0 * ((from..to).map(left).sum::<f64>() / (from..to).map(whole).sum::<f64>()).log10()
            };
            let found_by = cut + 2 * rate;
            let depths =
                [(found_by, found_by + rate / 2), (cut + 4 * rate, 18 * rate)].map(|(a, b)| depth_db(a, b));
            assert!(depths[0] < -10.0 && depths[1] < -25.0, "{depths:?} dB in play {play}");
            if play == 1 {
                let around = depth_db(cut - rate / 4, cut + rate / 4);
                assert!(around < -15.0, "{around} dB about the edit");
            }
        }
        let begins: Vec<i64> = engine.learned().sections.as_slice().iter().skip(1).map(|s| s.begin).collect();
        assert!(begins.len() == 1 && (begins[0] - cut as i64).abs() < 160, "{begins:?}, not {cut}");
    }

    /// A backing whose speed wavers by 0.06 % under a loud voice, and one of low notes, in which many lags fit, by 0.13 %.
    #[test]
    fn a_delay_that_wavers_is_followed_within_seconds() {
        let rate = 16_000;
        let (song, voice) = (noise(9 * rate, 1), noise(9 * rate, 2));
        let mut last = 0.0;
        let low = song.iter().map(|x| {
            last = 0.9 * last + 0.3 * x;
            last
        });
        let low: Vec<f32> = low.collect();
        for (song, wow_samples, voice_gain, part, least_db) in
            [(&song, 2.8, 0.375, 3 * rate..4 * rate, 11.0), (&low, 6.0, 0.125, 5 * rate..8 * rate, 15.0)]
        {
            let wow = |n: f64| wow_samples * (n * std::f64::consts::TAU * 0.55 / rate as f64).sin();
            let mix: Vec<f32> = delayed(song, |n| 30.0 + wow(n))
                .zip(&voice)
                .map(|(b, v)| 0.175 * b + voice_gain * v)
                .collect();
            let mut engine = Engine::new(rate as f64, 1).unwrap();
            let out = play_all(&mut engine, &mix, song);
            let out = &out[engine.latency_samples()..];
            let power = |x: &[f32]| -> f64 {
                part.clone().map(|n| f64::from(x[n] - voice_gain * voice[n]).powi(2)).sum()
            };
            let depth_db = 10.0 * (power(&mix) / power(out)).log10();
            assert!(depth_db > least_db, "{depth_db} dB at {wow_samples} samples");
        }
    }

    /// A song at a delay that moves, samples by position.
    fn delayed(song: &[f32], delay: impl Fn(f64) -> f64) -> impl Iterator<Item = f32> {
        let mut source = Ring::new(song.len());
        source.push([song, song]);
        let (mut line, mut read) = (DelayLine::new(64), stereo(64));
        (0..song.len()).step_by(64).flat_map(move |at| {
            line.read(&source, at as i64, delay((at + 64) as f64), &mut read);
            read[0].clone()
        })
    }

    /// Runs jobs when they are asked back, but keeps a match while told to.
    #[derive(Default)]
    struct Slow {
        job: Option<Job>,
        keeps: bool,
        /// What the last match gained, nats.
        gained: Option<f64>,
    }

    impl Worker for Slow {
        fn submit(&mut self, job: Job) {
            self.job = Some(job);
        }

        fn collect(&mut self) -> Option<Job> {
            let is_kept = |Job(learner): &mut Job| self.keeps && matches!(learner.task, Task::Match(_));
            let mut job = self.job.take_if(|job| !is_kept(job))?;
            job.run();
            if let Outcome::Matched(matched) = job.0.outcome {
                self.gained = matched.gained;
            }
            Some(job)
        }
    }

    /// What is being learned of a delay that stands still, as that is seen to move, is smeared; and what is being learned
    /// at a place is of no use once that is left.
    #[test]
    fn a_match_that_comes_back_to_another_place_is_not_used() {
        let rate = 16_000;
        let (song, voice) = (noise(2 * rate, 1), noise(2 * rate, 2));
        for drift in [2e-4, 0.0] {
            let mix = delayed(&song, |n| 20.0 + drift * n).zip(&voice).map(|(b, v)| 0.25 * (b + 0.5 * v));
            let mix: Vec<f32> = mix.collect();
            let (mut engine, mut worker) = (Engine::new(16_000.0, 1).unwrap(), Slow::default());
            let mut learned = engine.learned().clone();
            for (begin, delay_samples) in [(i64::MIN, 20.0), (60 * rate as i64, 100.0)] {
                assert!(learned.sections.push(Section { begin, law: Some(Law::still(delay_samples)) }));
            }
            // Of another level than the mix has it, so that there is something to learn.
            learned.taps = Taps::gains(learned.taps.num_taps(), [0.2; 2], 0.0);
            assert!(engine.recall(&learned));
            let hop = engine.sizes.hop();
            let mut hops = mix.chunks(hop).zip(song.chunks(hop));
            let mut step = |engine: &mut Engine, worker: &mut Slow| {
                let (mix, song) = hops.next().expect("it is long enough");
                engine.process(&mut [&mut mix.to_vec()], &[song], &Settings::default(), worker);
            };
            while engine.readings.late_jobs == 0 || drift != 0.0 && !engine.drift.wander().moves() {
                step(&mut engine, &mut worker);
                // The first match has hardly anything to learn from.
                worker.keeps = engine.readings.heard_samples > rate as u64 / 3;
            }
            if drift == 0.0 {
                engine.song_at(60 * rate as i64);
            }
            worker.keeps = false;
            while engine.learner.is_none() {
                step(&mut engine, &mut worker);
            }
            assert!(worker.gained.is_some(), "there is nothing to refuse");
            assert!(engine.learned.taps == learned.taps, "learned before, at a drift of {drift}");
        }
    }

    /// Bass and treble sway against each other by 5 dB on the mix, as under a multiband compressor.
    #[test]
    fn a_tone_that_moves_is_followed_and_once_known_from_the_start() {
        let rate = 16_000;
        let (song, breath) = (noise(14 * rate, 1), noise(14 * rate, 2));
        let voice = |n: usize| if n / 4_000 % 3 == 2 { 0.0 } else { 0.1 * breath[n] };
        let mut low = 0.0;
        let in_mix: Vec<f32> = (0..song.len())
            .map(|n| {
                low += 0.6 * (song[n] - low);
                let sway = 0.3 * (n as f32 * 4e-4).sin();
                0.2 * ((1.0 - sway) * low + (1.0 + sway) * (song[n] - low))
            })
            .collect();
        let mix: Vec<f32> = in_mix.iter().enumerate().map(|(n, x)| x + voice(n)).collect();
        // What is left of the backing over some seconds, dB, and what was learned by then.
        let play = |follow, known: Option<&Match>, seconds: std::ops::Range<usize>| {
            let settings = Settings { slope: crate::settings::Slope::Off, follow, ..Settings::default() };
            let mut engine = Engine::new(rate as f64, 1).unwrap();
            assert!(known.is_none_or(|known| engine.recall(known)));
            let latency = engine.latency_samples();
            let mut out = mix.clone();
            out.resize(mix.len() + latency, 0.0);
            engine.process(&mut [&mut out], &[&song], &settings, &mut Inline::default());
            let left = |n: usize| f64::from(out[n + latency] - voice(n)).powi(2);
            let whole = |n: usize| f64::from(in_mix[n]).powi(2);
            let heard = seconds.start * rate..seconds.end * rate;
            let left_db =
                10.0 * (heard.clone().map(left).sum::<f64>() / heard.map(whole).sum::<f64>()).log10();
            (left_db, engine.learned().clone())
        };
        let (level_db, _) = play(Follow::Level, None, 9..13);
        let (tone_db, known) = play(Follow::LevelAndTone, None, 9..13);
        assert!(tone_db < level_db - 3.0, "{level_db} dB left, then {tone_db}");
        let (start_db, _) = play(Follow::LevelAndTone, Some(&known), 1..4);
        assert!(start_db < tone_db + 1.0, "{start_db} dB left at the start, {tone_db} later");
    }

    fn play_all(engine: &mut Engine, mix: &[f32], backing: &[f32]) -> Vec<f32> {
        let settings = Settings { slope: crate::settings::Slope::Off, ..Settings::default() };
        let mut worker = Inline::default();
        let mut out = mix.to_vec();
        out.resize(mix.len() + engine.latency_samples(), 0.0);
        engine.process(&mut [&mut out], &[backing], &settings, &mut worker);
        out
    }
}
