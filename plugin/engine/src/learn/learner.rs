//! Does the jobs: searches, learns the match, and finds out what limits the null.

use crate::causes::analysis::Study;
use crate::causes::chain::Chain;
use crate::dsp::at_once::Both;
use crate::dsp::ring::Ring;
use crate::dsp::sizes::Sizes;
use crate::dynamics::gathered::Gathered;
use crate::dynamics::model::DynamicsModel;
use crate::learn::heard::Stretch;
use crate::learn::level_test::{Judged, LevelTest};
use crate::learn::locate::Locator;
use crate::learn::memory::{MEMORY_S, Memory};
use crate::learn::model_selection::{JUDGED_S, ModelSelection};
use crate::learn::request::{
    CausesReport, JobReport, JobRequest, LocalSearchReport, MatchReport, MatchRequest, Task,
};
use crate::matching::prepared::PreparedFilter;
use crate::matching::taps::Taps;
use crate::saturation::bend::Bend;
use crate::saturation::bend_fit;
use crate::saturation::frame_pairs::FramePairs;

/// Music in which is looked what limits the null, with as much again for the level to settle, seconds.
const STUDIED_S: f64 = 2.0 * JUDGED_S;
/// Delay of the whole filter that is let be where the delay moves, samples (-50 dB at 1 kHz).
const SETTLED_SAMPLES: f64 = 0.02;
/// Cost reduction, nats (0.4 dB), from which what a new filter leaves is not what was left before: what was learned through the
/// old one of movements and of what leaks is void.
pub const OTHER_RESIDUE: f64 = 0.1;

/// The learning side: what was heard, and what is made of it from job to job.
pub struct Learner {
    sizes: Sizes,
    /// What was heard.
    pub memory: Memory,
    models: ModelSelection,
    level_test: LevelTest,
    study: Study,
    /// Delay that the models were fitted at; `None` = one that moves.
    alignment: Option<i64>,
    to_do: ToDo,
}

/// What a later job has to do first, since it takes memory and time that the audio thread has not.
#[derive(Clone, Copy, Default)]
struct ToDo {
    /// Forget everything that was made of what was heard.
    forget: bool,
    /// Take this delay, samples, out of the models: it is in the delay that moves now.
    take_out_samples: f64,
    /// Forget what was found out with a filter that was not taken.
    forget_study: bool,
}

/// A job on its way: what is asked, and what came of it.
pub struct Work {
    /// What is asked.
    pub request: JobRequest,
    /// Filter in force.
    pub filter: Taps,
    /// What was found.
    pub report: JobReport,
    /// The better filter, if [`MatchReport::cost_reduction`] says that there is one.
    pub better: PreparedFilter,
    /// What a model of the dynamics is to be learned from with it, if anything is.
    pub gathered: Option<Box<Gathered>>,
    /// The model that was learned from it.
    pub dynamics: DynamicsModel,
    /// The curve that bent both, if one was sought and clearly did.
    pub bend: Option<Bend>,
    /// Who does it.
    pub learner: Learner,
}

impl Work {
    /// Nothing asked yet; what is learned from is the mix and the backing that come in. Allocates.
    pub fn new(sizes: Sizes, num_taps: usize, input: [&Ring; 2]) -> Self {
        Self {
            request: JobRequest {
                task: Task::LocalSearch { delay_samples: 0, rate: 0.0, from: 0 },
                discontinuities: crate::discontinuities::Discontinuities::NONE,
                song_offset: 0,
            },
            filter: Taps::silent(num_taps),
            report: JobReport::LocalSearch(LocalSearchReport::default()),
            better: PreparedFilter::new(sizes, num_taps),
            gathered: None,
            dynamics: DynamicsModel::NONE,
            bend: None,
            learner: Learner::new(sizes, num_taps, input),
        }
    }

    /// Does what is asked. Allocates and takes long.
    pub fn run(&mut self, both: Both) {
        let Self { request, filter, better, learner, .. } = self;
        self.report = learner.run(request, filter, better, both);
        if let Some(gathered) = &self.gathered {
            self.dynamics = gathered.find().unwrap_or(DynamicsModel::NONE);
        }
        self.bend = match &request.task {
            Task::Match(given) if given.seeks_bend => learner.seek_bend(given, filter),
            _ => None,
        };
    }
}

impl Learner {
    /// A learner that has heard nothing, of filters of `num_taps`. Allocates.
    pub fn new(sizes: Sizes, num_taps: usize, input: [&Ring; 2]) -> Self {
        Self {
            sizes,
            memory: Memory::new(sizes, num_taps, input),
            models: ModelSelection::new(sizes),
            level_test: LevelTest::default(),
            study: Study::new(sizes),
            alignment: None,
            to_do: ToDo::default(),
        }
    }

    /// Forgets everything heard; the next sample has position `at`. Real-time safe.
    pub fn restart(&mut self, at: i64) {
        self.memory.restart(at);
        self.alignment = None;
        self.to_do = ToDo { forget: true, ..ToDo::default() };
    }

    /// Forgets what was learned, not what was heard. Real-time safe.
    pub fn forget_matches(&mut self) {
        self.to_do.forget = true;
    }

    /// What was heard was overwritten while a job read it: all that was made of it is void. Real-time safe.
    pub fn distrust(&mut self) {
        self.memory.distrust();
        self.forget_matches();
    }

    /// The match reported last is in force now. Real-time safe.
    pub fn adopted(&mut self, report: &MatchReport) {
        if report.shifted != 0.0 {
            self.memory.shift_delays(report.shifted);
            self.to_do.take_out_samples += report.shifted;
        }
    }

    /// The match reported last was not taken: nothing may hang on it. Real-time safe.
    pub fn dropped(&mut self, report: &MatchReport) {
        self.to_do.forget_study |= report.cost_reduction.is_some();
    }

    fn run(
        &mut self,
        request: &JobRequest,
        filter: &Taps,
        better: &mut PreparedFilter,
        both: Both,
    ) -> JobReport {
        self.catch_up();
        self.memory.begin_job(&request.discontinuities);
        match request.task {
            Task::GlobalSearch(search) => {
                JobReport::GlobalSearch(self.locator(filter, both).global(&search, request.song_offset))
            }
            Task::LocalSearch { delay_samples, rate, from } => {
                JobReport::LocalSearch(self.locator(filter, both).local(delay_samples, rate, from))
            }
            Task::Match(given) => {
                JobReport::Match(self.learn(&given, request.song_offset, filter, better, both))
            }
            Task::Study(given) => JobReport::Study(self.look_on(&given, request.song_offset, filter)),
        }
    }

    fn catch_up(&mut self) {
        let ToDo { forget, take_out_samples, forget_study } = std::mem::take(&mut self.to_do);
        if forget {
            self.forget_models();
        } else if take_out_samples != 0.0 {
            self.models.take_out(take_out_samples);
        }
        if forget_study {
            self.level_test.forget();
            self.study.hear_anew();
        }
    }

    fn locator<'a>(&'a self, filter: &'a Taps, both: Both) -> Locator<'a> {
        Locator { memory: &self.memory, filter, sizes: self.sizes, both }
    }

    fn learn(
        &mut self,
        given: &MatchRequest,
        song_offset: i64,
        filter: &Taps,
        better: &mut PreparedFilter,
        both: Both,
    ) -> MatchReport {
        let mut report = MatchReport::default();
        // A delay that moves is tracked more closely than by searches.
        if given.may_have_jumped {
            report.local = self.locator(filter, both).local(given.delay_samples, given.rate, given.from);
        }
        self.enter(given);
        let heard = self.memory.newest(given, MEMORY_S).filter(|heard| self.sounds(heard));
        if let Some(mut heard) = heard {
            report.heard_s = heard.mix.len as f64 / self.sizes.sample_rate_hz;
            let mut judged = Judged::default();
            if given.movement.moves() {
                (report.following_helps, judged) =
                    self.level_test.follow(&mut heard, filter, given, self.sizes);
            }
            let improved = self.models.improve(&heard, filter, judged, given, both);
            report.cost_reduction = improved.as_ref().map(|(_, cost_reduction)| *cost_reduction);
            if report.cost_reduction.is_some_and(|cost_reduction| cost_reduction > OTHER_RESIDUE) {
                self.level_test.forget();
                self.study.hear_anew();
            }
            let taps = improved.as_ref().map_or(filter, |(taps, _)| taps);
            self.study(&heard, given, song_offset, taps);
            if let Some((mut taps, _)) = improved {
                if given.moving {
                    report.shifted = settle(&mut taps);
                }
                better.prepare(taps, given.tone);
            }
        }
        report.causes = self.causes();
        report
    }

    /// Learns nothing.
    fn look_on(&mut self, given: &MatchRequest, song_offset: i64, filter: &Taps) -> CausesReport {
        self.enter(given);
        let heard = self.memory.newest(given, STUDIED_S).filter(|heard| self.sounds(heard));
        if let Some(mut heard) = heard {
            if given.movement.moves() {
                self.level_test.follow(&mut heard, filter, given, self.sizes);
            }
            self.study(&heard, given, song_offset, filter);
        }
        self.causes()
    }

    /// How both were bent, by all that is remembered: see [`bend_fit::find`].
    fn seek_bend(&mut self, given: &MatchRequest, filter: &Taps) -> Option<Bend> {
        let heard = self.memory.newest(given, MEMORY_S)?;
        let pairs = FramePairs::of(&heard.mix, &heard.backing, filter, self.sizes);
        bend_fit::find(&pairs, filter.level(), self.sizes.sample_rate_hz)
    }

    /// Whether the backing was heard in what is judged by. Where it was not, nobody can tell what helps, nor what limits the null.
    fn sounds(&self, heard: &Stretch) -> bool {
        heard.newest(self.sizes.samples(JUDGED_S)).sounds()
    }

    /// Models are fitted at one alignment; a delay that moves is one alignment.
    fn enter(&mut self, given: &MatchRequest) {
        let alignment = (!given.moving).then_some(given.delay_samples);
        if alignment != self.alignment && self.models.move_to(self.alignment, alignment) {
            self.forget_models();
        }
        self.alignment = alignment;
    }

    fn forget_models(&mut self) {
        self.models.forget();
        self.level_test.forget();
        self.study.forget();
    }

    /// Looks at what limits the null in what was heard since the last time.
    fn study(&mut self, heard: &Stretch, given: &MatchRequest, song_offset: i64, filter: &Taps) {
        let fresh = self.study.fresh(heard.end()).min(self.sizes.samples(JUDGED_S));
        if fresh == 0 {
            return;
        }
        let newest = heard.newest(fresh);
        // Delays from before this alignment are of another one.
        let delays = &self.memory.delays;
        let course_from = delays.begin().max(given.from);
        let hop = self.sizes.hop();
        let course: Vec<f64> = if given.moving { delays.from(course_from).collect() } else { Vec::new() };
        let chain = Chain {
            taps: filter,
            delay_samples: given.delay_samples,
            course: &course,
            course_from: (course_from + song_offset).div_euclid(hop as i64),
            hop,
            gains: heard.backing.gains.as_deref(),
        };
        let matched = filter.apply(&newest.backing());
        self.study.hear_tops(&newest.mix(), &newest.backing_as_it_came(), &matched);
        self.study.look(&newest.mix(), &newest.backing_under_mix(), &matched, heard.end(), &chain);
    }

    fn causes(&self) -> CausesReport {
        CausesReport { causes: self.study.causes(), is_known: self.study.has_told() }
    }
}

/// A delay that moves and the delay of the filter are one: what the filter has of it is taken out, so that what is learned
/// from now on and what was heard before agree. How much that was, samples.
fn settle(filter: &mut Taps) -> f64 {
    let delay = filter.bulk_delay_samples();
    if delay.abs() < SETTLED_SAMPLES {
        return 0.0;
    }
    filter.delay(-delay);
    delay
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::causes::diagnosis::Kind;
    use crate::discontinuities::Discontinuities;
    use crate::dsp::at_once::in_turn;
    use crate::dsp::noise::noise;
    use crate::dsp::timeline::Timeline;
    use crate::matching::movement::Movement;
    use crate::settings::Tone;

    fn request(given: MatchRequest, song_offset: i64) -> JobRequest {
        JobRequest { task: Task::Match(given), discontinuities: Discontinuities::NONE, song_offset }
    }

    /// The delay jumps by 3000 samples in the middle and stands still on either side: no clock is wrong, and none was
    /// found by a straight line through both delays.
    #[test]
    fn a_cut_is_no_clock_error() {
        const DELAYS: [i64; 2] = [3_020, 20];
        let (sizes, len) = (Sizes::new(16_000.0), 160_000);
        let song = noise(len, 1);
        let cut = len / 2 / sizes.hop() * sizes.hop();
        let at = |n: usize| n as i64 - DELAYS[usize::from(n >= cut)];
        let mix: Vec<f32> = (0..len).map(|n| usize::try_from(at(n)).map_or(0.0, |n| 0.1 * song[n])).collect();
        let song: Vec<f32> = song.iter().map(|x| 0.1 * x).collect();
        let mut input = [0; 2].map(|_| Ring::new(sizes.samples(MEMORY_S)));
        let mut work = Work::new(sizes, sizes.scaled(4096), input.each_ref());
        let mut delays = Timeline::new(len / sizes.hop() + 1, sizes.hop());
        for n in (0..len - sizes.hop()).step_by(sizes.hop()) {
            for (ring, signal) in input.iter_mut().zip([&mix, &song]) {
                ring.push([&signal[n..n + sizes.hop()]; 2]);
            }
            work.learner.memory.hear();
            delays.push(DELAYS[usize::from(n >= cut)] as f64);
        }
        work.learner.memory.hear_delays(&delays);
        work.filter = Taps::gains(work.filter.num_taps(), [1.0; 2], 0.0);
        let given = MatchRequest {
            delay_samples: DELAYS[1],
            moving: true,
            rate: 0.0,
            may_have_jumped: false,
            from: cut as i64,
            movement: Movement::STILL,
            learned_s: 0.0,
            tone: Tone::default(),
            following_helps: false,
            is_taken_up: false,
            seeks_bend: false,
        };
        work.request = request(given, 0);
        work.run(in_turn);
        let JobReport::Match(report) = work.report else { panic!("{:?}", work.report) };
        let causes: Vec<Kind> = report.causes.causes.iter().map(|cause| cause.kind).collect();
        let is_delay = |kind: &Kind| matches!(kind, Kind::Delay { samples } if (samples - 20.0).abs() < 0.1);
        assert!(matches!(&causes[..], [kind] if is_delay(kind)), "{causes:?}");
    }

    /// A learner at 16 kHz that has heard a song at a delay, in samples by position, which is known up to a fraction.
    fn heard(len: usize, delay: impl Fn(f64) -> f64, known: impl Fn(f64) -> f64) -> Work {
        heard_of(&noise(len, 1), delay, known)
    }

    /// The same of a given song.
    fn heard_of(song: &[f32], delay: impl Fn(f64) -> f64, known: impl Fn(f64) -> f64) -> Work {
        let len = song.len();
        let sizes = Sizes::new(16_000.0);
        let hop = sizes.hop();
        let song: Vec<f32> = song.iter().map(|x| 0.1 * x).collect();
        let mut source = Ring::new(len);
        source.push([&song, &song]);
        let (mut line, mut read) =
            (crate::dsp::delay_line::DelayLine::new(hop), crate::dsp::ring::stereo(hop));
        let [mut mix, mut backing] = [0; 2].map(|_| Ring::new(sizes.samples(MEMORY_S)));
        let mut work = Work::new(sizes, sizes.scaled(4096), [&mix, &backing]);
        let mut delays = Timeline::new(len / hop + 1, hop);
        for at in (0..len / hop * hop).step_by(hop) {
            line.read(&source, at as i64, delay((at + hop) as f64), &mut read);
            mix.push([&read[0], &read[1]]);
            backing.push([&song[at..at + hop]; 2]);
            work.learner.memory.hear();
            delays.push(known((at + hop) as f64));
        }
        work.learner.memory.hear_delays(&delays);
        work.filter = Taps::gains(work.filter.num_taps(), [1.0; 2], 0.0);
        work
    }

    fn moving(delay_samples: i64) -> MatchRequest {
        MatchRequest {
            delay_samples,
            moving: true,
            rate: 0.0,
            may_have_jumped: false,
            from: 0,
            movement: Movement::STILL,
            learned_s: 0.0,
            tone: Tone::default(),
            following_helps: false,
            is_taken_up: false,
            seeks_bend: false,
        }
    }

    /// From a backing that ended long ago nothing is learned, and what was known of it stays.
    #[test]
    fn silence_teaches_nothing() {
        let learns = |sounding: usize| {
            let mut song = noise(96_000, 1);
            song[sounding..].fill(0.0);
            let mut work = heard_of(&song, |_| 20.0, |_| 20.0);
            work.request = request(MatchRequest { moving: false, ..moving(20) }, 0);
            work.run(in_turn);
            let JobReport::Match(report) = work.report else { panic!("{:?}", work.report) };
            report.heard_s > 0.0
        };
        assert_eq!([96_000, 48_000, 16_000].map(learns), [true, true, false]);
    }

    /// The delay of the filter goes to the delay that moves only if the match is taken; a report that is dropped leaves nothing
    /// behind.
    #[test]
    fn a_dropped_report_moves_no_delay() {
        let drift = |n: f64| 30.0 + 1e-4 * n;
        let mut work = heard(32_000, |n| drift(n) + 0.3, drift);
        let known = work.learner.memory.delays.at(20_000);
        for taken in [false, true] {
            work.request = request(moving(30), 0);
            work.run(in_turn);
            let JobReport::Match(report) = work.report else { panic!("{:?}", work.report) };
            assert!((report.shifted - 0.3).abs() < 0.02, "{report:?}");
            assert!(work.better.learned.bulk_delay_samples().abs() < 0.01);
            assert_eq!(work.learner.memory.delays.at(20_000), known);
            if taken {
                work.learner.adopted(&report);
                assert_eq!(work.learner.memory.delays.at(20_000), known + report.shifted);
            } else {
                work.learner.dropped(&report);
            }
        }
        // Read at the delays that are known now, there is nothing left to be shifted.
        work.filter.clone_from(&work.better.learned);
        work.run(in_turn);
        assert!(
            matches!(work.report, JobReport::Match(report) if report.shifted == 0.0),
            "{:?}",
            work.report
        );
    }

    /// A delay that drifts is told as it is at the start of the song, wherever in the song playing began.
    #[test]
    fn a_drifting_delay_is_told_for_the_start_of_the_song() {
        let drift = |n: f64| 500.0 + 1e-3 * n;
        let mut work = heard(96_000, drift, drift);
        let mut start = |song_offset: i64| {
            work.learner.restart(0);
            work = heard(96_000, drift, drift);
            work.request = request(moving(500), song_offset);
            work.run(in_turn);
            let JobReport::Match(report) = work.report else { panic!("{:?}", work.report) };
            let delay = |kind: Kind| match kind {
                Kind::Delay { samples } => Some(samples),
                _ => None,
            };
            report.causes.causes.iter().find_map(|cause| delay(cause.kind)).unwrap()
        };
        let [here, later] = [0, 160_000].map(&mut start);
        assert!((here - 500.0).abs() < 0.5 && (later - 340.0).abs() < 0.5, "{here}, {later}");
    }
}
