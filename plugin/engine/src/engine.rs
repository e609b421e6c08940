//! START HERE: the stages in order.
//!
//! ```text
//! mix ────────────┬─ input history ──────────────────────────────(-)─► clean-up ─► low-cut ─► listen, output ─► out
//!                 │                                               ▲
//! backing ► align ┴► match (filter) ► level ► tone ► guard ► trim ┘
//! ```
//!
//! Everything works in hops of a fixed length. A hop carries the position of the mix that it belongs to; each stage owns the
//! delay that it needs, and asks the input history for the mix and the settings of the position it is working on.

mod adoption;
#[cfg(test)]
mod tests;

use crate::align::aligner::Aligner;
use crate::align::song_map::{FURTHEST, Section, SongCursor, SongMap};
use crate::align::supervisor::LockSupervisor;
use crate::causes::diagnosis::Causes;
use crate::cleanup::estimate_model::EstimateModel;
use crate::cleanup::estimate_test::Verdict;
use crate::cleanup::residual_model::ResidualModel;
use crate::dsp::sizes::{MAX_SAMPLE_RATE_HZ, MIN_SAMPLE_RATE_HZ, Sizes};
use crate::dynamics::gathered::Gathered;
use crate::dynamics::model::DynamicsModel;
use crate::framing::{Framing, InputHop};
use crate::input::InputHistory;
use crate::job::Worker;
use crate::learn::schedule::{ANALYSIS_OUT_S, OUT_S};
use crate::learned::Match;
use crate::learning::LearningController;
use crate::matching::band_movement::{BandMovement, NUM_TONE_BANDS};
use crate::matching::level_stage::LevelStage;
use crate::matching::matcher::Matcher;
use crate::matching::movement::Movement;
use crate::matching::tone_stage::ToneStage;
use crate::metering::{Metering, backing_is_gone};
use crate::output::OutputStage;
use crate::saturation::bend::Bend;
use crate::saturation::bend_fit;
use crate::saturation::frame_pairs::FramePairs;
use crate::settings::BackingKind;
use crate::spectra::Spectra;
use crate::subtractor::Subtractor;
use crate::{PrepareError, Readings, Settings};

/// Taps of the learned filter at 44.1 and 48 kHz.
const FILTER_TAPS: usize = 4096;
/// Music of which a model of the dynamics is learned, at most, seconds: the newest, 1.2 MiB a minute; and where nobody hears what is
/// played, so that memory is no matter. Chosen by hand; not measured.
const GATHERED_S: f64 = 75.0;
const ANALYSIS_GATHERED_S: f64 = 360.0;
/// Parts that the work of a hop is done in, evenly spread over the time in which the next one comes in: so a host that gives a
/// part of a hop at a time has to wait for a part of its work only.
const PARTS: usize = 15;

/// Mix minus backing.
pub struct Engine {
    sizes: Sizes,
    framing: Framing,
    input: InputHistory,
    song: SongCursor,
    aligner: Aligner,
    matcher: Matcher,
    level: LevelStage,
    tone: ToneStage,
    supervisor: LockSupervisor,
    subtractor: Subtractor,
    output: OutputStage,
    metering: Metering,
    learning: LearningController,
    learned: Match,
    /// What a curve is learned from, where nobody hears the output.
    pairs: Option<Box<FramePairs>>,
    latency_samples: usize,
    /// Parts of the last whole hop that are done.
    num_done: usize,
    /// The tracker is still to be told of another filter.
    filter_changed: bool,
    /// What is found to be an estimate was learned from as a recording until now.
    learned_freely: bool,
    /// Music that the match was learned from when it was taken up, seconds.
    taken_up_s: f64,
    /// The backing was lost since, or since a model of the dynamics was learned.
    was_lost: bool,
    /// A level was known to move when the match was taken up, and nothing has refuted that since.
    follows_as_taken_up: bool,
}

impl Engine {
    /// Prepares an engine for a mix of 1 or 2 channels; allocates everything it will ever need.
    pub fn new(sample_rate_hz: f64, mix_channels: usize) -> Result<Self, PrepareError> {
        let mut engine = Self::with_jobs_out_for(OUT_S, sample_rate_hz, mix_channels)?;
        engine.tone.bands.predictor.gather(GATHERED_S);
        Ok(engine)
    }

    /// The same of an engine whose output nobody hears: it is silence. Jobs may then be out for longer, so that the audio path
    /// and they are worked on at the same time; and what [`Engine::find_bend`] and
    /// [`Engine::find_dynamics`] need is kept.
    pub fn for_analysis(sample_rate_hz: f64, mix_channels: usize) -> Result<Self, PrepareError> {
        let mut engine = Self::with_jobs_out_for(ANALYSIS_OUT_S, sample_rate_hz, mix_channels)?;
        engine.learning.schedule().analyse_only();
        engine.pairs = Some(Box::new(FramePairs::new(engine.sizes)));
        engine.tone.bands.predictor.gather(ANALYSIS_GATHERED_S);
        Ok(engine)
    }

    fn with_jobs_out_for(out_s: f64, sample_rate_hz: f64, mix_channels: usize) -> Result<Self, PrepareError> {
        if !(MIN_SAMPLE_RATE_HZ..=MAX_SAMPLE_RATE_HZ).contains(&sample_rate_hz) {
            return Err(PrepareError::SampleRate(sample_rate_hz));
        }
        if !(1..=2).contains(&mix_channels) {
            return Err(PrepareError::MixChannels(mix_channels));
        }
        let sizes = Sizes::new(sample_rate_hz);
        let (hop, num_taps) = (sizes.hop(), sizes.scaled(FILTER_TAPS));
        let aligner = Aligner::new(sizes);
        let (level, tone, output) = (LevelStage::new(sizes), ToneStage::new(sizes), OutputStage::new(sizes));
        let to_subtraction =
            aligner.latency_samples() + num_taps / 2 + level.latency_samples() + tone.latency_samples();
        let latency_samples = to_subtraction + output.latency_samples();
        let input = InputHistory::new(sizes, latency_samples, out_s);
        let mut engine = Self {
            framing: Framing::new(hop),
            song: SongCursor::default(),
            matcher: Matcher::new(hop, num_taps, latency_samples),
            supervisor: LockSupervisor::new(sizes),
            subtractor: Subtractor::new(hop, to_subtraction, sample_rate_hz),
            metering: Metering::new(sizes),
            learning: LearningController::new(sizes, num_taps, &input),
            learned: Match::unknown(sample_rate_hz, num_taps),
            pairs: None,
            latency_samples: latency_samples + 2 * hop,
            num_done: PARTS,
            filter_changed: false,
            learned_freely: false,
            taken_up_s: 0.0,
            was_lost: false,
            follows_as_taken_up: false,
            input,
            aligner,
            level,
            tone,
            output,
            sizes,
        };
        engine.reset();
        Ok(engine)
    }

    /// How much later the output is than the mix, samples: one constant for every setting.
    pub fn latency_samples(&self) -> usize {
        self.latency_samples
    }

    /// Forgets all signals, keeps the match: an engine after `reset` equals a new one that recalls the match.
    /// Real-time safe.
    pub fn reset(&mut self) {
        self.num_done = PARTS;
        self.filter_changed = false;
        self.learned_freely = false;
        self.framing.reset();
        self.input.reset();
        let aligned_from = self.aligner.reset();
        let matched_from = self.matcher.reset(aligned_from);
        let levelled_from = self.level.reset(matched_from);
        self.tone.reset(levelled_from);
        self.supervisor.reset();
        self.subtractor.reset();
        self.output.reset();
        self.metering.reset();
        self.learning.reset();
        if let Some(pairs) = &mut self.pairs {
            pairs.reset();
        }
        self.take_up();
    }

    /// Processes one host block of any length in place: `mix` comes in and the output goes out.
    ///
    /// `mix` has as many channels as the engine was prepared with, all of one length. `backing` has any number of
    /// channels, of which up to two are used; missing channels and samples count as silence. A mono backing stands under
    /// both sides of a stereo mix; a mono mix hears the mean of both sides of a stereo backing. Real-time safe.
    pub fn process(
        &mut self,
        mix: &mut [&mut [f32]],
        backing: &[&[f32]],
        settings: &Settings,
        worker: &mut impl Worker,
    ) {
        let settings = settings.clamped();
        let hop = self.sizes.hop();
        let len = mix.first().map_or(0, |c| c.len());
        debug_assert!(mix.iter().all(|c| c.len() == len));
        let mut at = 0;
        while at < len {
            let (exchanged, whole) = self.framing.exchange(mix, backing, at, &settings);
            at += exchanged;
            if whole {
                self.finish();
                self.framing.turn();
                self.begin(worker);
            } else {
                self.work_to(self.framing.filled() * (PARTS + 1) / hop);
            }
        }
        self.metering.readings.bad_samples = self.framing.bad_samples;
    }

    /// Takes in a hop that is whole.
    #[inline(never)]
    fn begin(&mut self, worker: &mut impl Worker) {
        self.take_in();
        self.enter_section();
        self.learn(worker);
        self.num_done = 0;
    }

    /// Works on it until so many parts are done.
    fn work_to(&mut self, num_parts: usize) {
        while self.num_done < num_parts {
            self.work(self.num_done);
            self.num_done += 1;
        }
    }

    /// Works on it to the end: before the next one, and before anything changes from outside, wherever in a hop that is.
    fn finish(&mut self) {
        self.work_to(PARTS);
    }

    /// The path of the samples, part by part. Every stage is never inlined, so that `benches/count` can count it by its name.
    #[inline(never)]
    fn work(&mut self, part: usize) {
        match part {
            0..=3 => self.track(part),                        // where the backing lies
            4 => self.match_backing(),                        // its level, tone and width
            5 => self.follow_level(),                         // its level as it moves
            6..=9 => self.tone.follow(part - 6, &self.input), // its tone as it moves
            10 => {
                self.subtract();
                self.tell_tracker();
            }
            11..=12 => self.output.learn(part - 11), // what is left of it
            13 => self.put_out(),
            _ => self.meter(),
        }
    }

    fn match_backing(&mut self) {
        self.set_freedom();
        let aligned = self.aligner.read(&self.input); // the backing at its delay
        let matched = self.matcher.process(aligned);
        if let Some(pairs) = &mut self.pairs {
            pairs.hear(matched, &self.input, self.aligner.was_aligned(matched.at));
        }
    }

    fn follow_level(&mut self) {
        let (steady, pays) = (!self.aligner.moves(), self.learned.following_helps);
        let levelled = self.level.process(self.matcher.matched(), &self.input, steady, pays);
        self.tone.hear(levelled, &self.input);
        // What neither level nor tone moves in, no compressor worked on.
        let level_moves = pays && self.level.follower.movement().moves();
        let moves = level_moves || self.learned.bands.iter().any(BandMovement::is_followed);
        let predictor = &mut self.tone.bands.predictor;
        predictor.set_gathers(moves || predictor.is_engaged() || self.learning.is_analysis_only());
    }

    fn subtract(&mut self) {
        self.subtractor.process(self.tone.followed(), &self.input, self.aligner.lock().inverted);
        if let Some(subtracted) = self.subtractor.subtracted() {
            if self.is_subtracted(subtracted.at) {
                self.metering.hear_matched(self.tone.followed(), &self.input);
            }
            self.output.hear(subtracted, &self.input, self.learned.learned_s > 0.0);
        }
    }

    /// Whether the backing is taken away at a position of the mix.
    fn is_subtracted(&self, at: i64) -> bool {
        // What was bent passes as it came where the backing is gone; without a curve nothing is taken away from it anyway.
        let (_, is_bent) = self.input.bend();
        let passes = is_bent && backing_is_gone(&self.input, self.aligner.lock(), self.sizes);
        !passes && self.aligner.was_aligned(at) && self.matcher.was_passing(at)
    }

    fn put_out(&mut self) {
        if self.learning.is_analysis_only() {
            return;
        }
        if let Some(subtracted) = self.subtractor.subtracted() {
            let is_subtracted = self.is_subtracted(subtracted.at - self.output.latency_samples() as i64);
            self.output.mix_down(subtracted, &self.input, is_subtracted, &mut self.framing.out);
        }
    }

    /// Reads the meters, the one that tells whether the backing is there at all included.
    fn meter(&mut self) {
        if let Some(output) = self.output.output().filter(|_| !self.learning.is_analysis_only()) {
            self.metering.hear_output(output, &self.input, self.aligner.changed_at());
        }
        let delay_samples = self.aligner.lock().delay_samples;
        let (levelled, lift) = (self.level.levelled(), self.level.lift());
        let is_absent = self.supervisor.is_absent(levelled, lift, delay_samples, &self.input);
        let hold = self.input.settings_at(self.tone.followed().at).hold;
        self.keep_estimate(hold);
        if is_absent && self.aligner.is_locked() && !hold {
            self.lose();
        }
        self.input.finish_hop();
        let (level, follow) = (self.matcher.level(), self.level.level());
        self.metering.report(&self.input, &self.aligner, level, follow, &self.framing.out);
        self.metering.readings.late_jobs = self.learning.num_late();
        self.metering.readings.knows_dynamics = self.tone.bands.predictor.is_engaged();
        let (bend, is_bent) = self.input.bend();
        self.metering.readings.bent_db = is_bent.then(|| bend.peaks_db());
    }

    /// Remembers the new hop.
    #[inline(never)]
    fn take_in(&mut self) {
        let new: &mut InputHop = &mut self.framing.hop;
        self.metering.readings.backing_kind = new.settings.backing_kind;
        if new.settings.backing_kind == BackingKind::Auto {
            // From here on no stage knows but what was decided; what is not decided counts as a recording.
            let decided = match self.learned.verdict {
                Verdict::Undecided => BackingKind::Auto,
                Verdict::Recording => BackingKind::Recorded,
                Verdict::Estimate => BackingKind::Estimated,
            };
            self.metering.readings.backing_kind = decided;
            new.settings.backing_kind =
                if decided == BackingKind::Auto { BackingKind::Recorded } else { decided };
        }
        self.metering.hear_input(new);
        self.subtractor.hear(&new.mix);
        self.input.push(new);
    }

    /// Puts the learned match in force as if from the start.
    fn take_up(&mut self) {
        (self.taken_up_s, self.was_lost) = (self.learned.learned_s, false);
        self.follows_as_taken_up = self.learned.following_helps && self.learned.movement.moves();
        self.input.set_bend(&self.learned.bend);
        self.aligner.forget(&self.input);
        self.put_in_force();
        self.recall_alignment(self.input.song_position());
        self.level.follower.set_movement(self.learned.movement);
        self.tone.bands.recall(&self.learned.bands);
        self.tone.bands.predictor.forget();
        self.tone.bands.predictor.set_model(&self.learned.dynamics);
        self.output.set_residue(&self.learned.residual);
        self.output.set_estimate(self.learned.verdict, &self.learned.estimate);
    }

    fn forget_causes(&mut self) {
        self.metering.forget_causes();
        self.learning.set_causes_given(false);
    }

    /// What happened in the last hop. Real-time safe.
    pub fn readings(&self) -> &Readings {
        &self.metering.readings
    }

    /// The last spectra: a new frame about eleven times a second. Real-time safe.
    pub fn spectra(&self) -> &Spectra {
        self.metering.spectra()
    }

    /// Tells whether anybody reads the spectra: as long as nobody does, there are no new ones. Somebody does at first. Real-time
    /// safe.
    pub fn set_spectra_read(&mut self, are_read: bool) {
        self.metering.set_spectra_read(are_read);
    }

    /// The match in force. It changes when [`Readings::match_revision`] does. Real-time safe.
    pub fn learned(&self) -> &Match {
        &self.learned
    }

    /// How mix and backing were bent, if they clearly were, by all that an engine [for analysis](Engine::for_analysis) has heard; the same again
    /// with a curve in force, seen through a better match. To be recalled in a match that is learned anew. Allocates, and takes
    /// long.
    pub fn find_bend(&self) -> Option<Bend> {
        let pairs = self.pairs.as_ref().filter(|_| self.learned.is_known())?;
        bend_fit::find(pairs, self.learned.taps.level(), self.sizes.sample_rate_hz)
    }

    /// What the chain that mix and backing went through did to the bands, if it clearly did anything, by all that an engine [for
    /// analysis](Engine::for_analysis) has heard; to be recalled in the match that was learned from it. Allocates, and takes long.
    pub fn find_dynamics(&self) -> DynamicsModel {
        let gathered =
            self.tone.bands.predictor.gathered().filter(|_| self.learned.verdict != Verdict::Estimate);
        gathered.and_then(Gathered::find).unwrap_or(DynamicsModel::NONE)
    }

    /// Puts a match in force, as one that was learned; one learned at another rate keeps its delay and its levels.
    /// Returns false, and changes nothing, if it holds unusable values. Real-time safe.
    pub fn recall(&mut self, learned: &Match) -> bool {
        self.finish();
        if !learned.is_sound() {
            return false;
        }
        self.learned.recall(learned);
        self.start_over();
        true
    }

    /// Takes what limits the null as known, on hold for as long as the backing is not lost. Real-time safe.
    pub fn recall_causes(&mut self, causes: &Causes) {
        self.finish();
        self.metering.set_causes(*causes, true);
        self.learning.set_causes_given(true);
    }

    /// Forgets the match and starts over. Real-time safe.
    pub fn relearn(&mut self) {
        self.finish();
        self.learned.sections = SongMap::default();
        self.learned.taps.silence();
        self.forget_movements();
        self.learned.learned_s = 0.0;
        self.learned.verdict = Verdict::Undecided;
        self.learned.estimate = EstimateModel::UNKNOWN;
        self.learned.bend = Bend::NONE;
        self.metering.forget_null_depth();
        self.forget_causes();
        self.start_over();
    }

    /// Forgets how level and tone move, and what is left then.
    fn forget_movements(&mut self) {
        self.learned.movement = Movement::STILL;
        self.learned.following_helps = true;
        self.learned.bands = [BandMovement::STILL; NUM_TONE_BANDS];
        self.learned.dynamics = DynamicsModel::NONE;
        self.learned.residual = ResidualModel::UNKNOWN;
        self.level.follower.forget_statistics();
    }

    /// Another match is in force, and nothing that was heard speaks of it.
    fn start_over(&mut self) {
        self.metering.readings.match_revision += 1;
        self.learned_freely = false;
        self.supervisor.reset();
        self.learning.forget(self.input.end(), self.input.now());
        self.take_up();
    }

    /// Tells where in the song the next sample is, samples: a delay that moves differs from position to position.
    /// Without it the song begins with the first sample after a reset. Real-time safe.
    pub fn song_at(&mut self, position_samples: i64) {
        self.finish();
        let at = self.input.end() + self.framing.filled() as i64;
        // As far again can be played on from there and still be remembered.
        let position_samples = position_samples.clamp(-FURTHEST / 2, FURTHEST / 2);
        let former = self.aligner.model(&self.input);
        self.input.set_song_position(self.framing.filled(), position_samples);
        let Some(&Section { model, .. }) = self.learned.sections.at(position_samples) else { return };
        self.song.enter(&self.learned.sections, position_samples);
        let moves = [model, former].map(|model| model.is_some_and(|model| model.motion.moves()));
        let stays = match model {
            Some(model) => {
                let delay_samples = model.at(position_samples).round() as i64;
                moves == [false; 2] && former.is_some() && delay_samples == self.aligner.lock().delay_samples
            }
            None => former.is_none(),
        };
        if !stays {
            // Music from either side of a jump is of one alignment where the delay is followed anyway.
            let learn_from = if moves == [true; 2] { self.learning.learn_from() } else { at };
            self.cut_at(at, position_samples);
            self.learning.set_learn_from(learn_from);
        }
    }

    /// Tells that the next sample does not follow the last one: the transport started or jumped. Real-time safe.
    pub fn transport_jumped(&mut self) {
        self.finish();
        self.input.discontinuities.add(self.input.end() + self.framing.filled() as i64);
        self.learning.schedule().look_soon(self.input.now());
    }
}
