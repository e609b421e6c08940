//! Tracks a delay that moves: clocks that run apart, tape and vinyl that wow.
//!
//! Each frame of the mix is compared with the backing ([`LagMeter`]). A test decides from the lags whether the delay moves
//! ([`MotionTest`]); one that does is followed by a Kalman filter with fixed-lag smoothing ([`DelaySmoother`]).

use crate::align::delay_smoother::{DelaySmoother, DelayStep, NOTHING_MEASURED, SMOOTHER_LAG_STEPS};
use crate::align::lag_filter::LagFilter;
use crate::align::lag_meter::{self, LagMeter, MeasuredLag};
use crate::align::lag_variance::LagVariance;
use crate::align::motion::{DelayMotion, QUICKEST};
use crate::align::motion_test::{MotionTest, Verdict};
use crate::dsp::kalman::constant_velocity::ConstantVelocity;
use crate::dsp::line_fit::LineFit;
use crate::dsp::ring::Ring;
use crate::dsp::sizes::Sizes;
use crate::matching::taps::Taps;

/// Frame and step at 44.1 and 48 kHz, samples. Chosen by hand; not measured.
pub const FRAME: usize = 2048;
const STEP: usize = 512;
/// Uncertainty of a delay just found: samples, and samples per sample. Chosen by hand; not measured.
const START_ERROR: f64 = 3.0;
const START_RATE_ERROR: f64 = 4e-4;
/// Memory of the line that is drawn through the delays, steps. Chosen by hand; not measured.
const LINE_MEMORY_STEPS: f64 = 3000.0;
/// Steps without a measurement after which the delay is drawn towards that line (1 s): a speed that wanders does not go on as it
/// went last. Chosen by hand; not measured.
const LOST_AFTER_STEPS: usize = 86;
/// Frames that overlap in one sample: their errors are alike, so that one in so many counts.
const OVERLAP: f64 = (FRAME / STEP) as f64;
/// Least variance of a lag, samples^2, so that a perfect copy does not weigh without bound. Chosen by hand; not measured.
const MIN_LAG_VARIANCE: f64 = 1e-10;
/// Steps after which a delay that still stands still is measured at every other one alone (30 s). Chosen by hand: a clock error or wow
/// shows sooner.
const STOOD_STILL_STEPS: usize = 2600;
/// Steps after which the motion test has seen enough to say where a delay is expected. Chosen by hand; not measured.
const EXPECTED_AFTER_STEPS: usize = 4;

/// Parts that the work of a hop is done in.
pub const PARTS: usize = lag_meter::PARTS;

/// What may be learned of how the delay moves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MotionLearning {
    /// Nothing.
    Nothing,
    /// How it moves, but not whether it does.
    How,
    /// All.
    All,
}

/// The tracker.
pub struct DelayTracker {
    frame: usize,
    step: usize,
    hops_per_step: usize,
    sample_rate_hz: f64,
    /// Hops since the last step.
    hops: usize,
    /// Steps since the last restart.
    num_steps: usize,
    /// Steps since the delay was measured last.
    unmeasured_steps: usize,
    meter: LagMeter,
    variance: LagVariance,
    test: MotionTest,
    smoother: DelaySmoother,
    /// The delay as long as it stands still, samples.
    delay_samples: f64,
    motion: DelayMotion,
    /// Line through the smoothed delays, re `delay_samples`.
    line: LineFit,
}

impl DelayTracker {
    /// A tracker of a delay of 0 that stands still.
    pub fn new(sizes: Sizes) -> Self {
        let (frame, step) = (sizes.scaled(FRAME), sizes.scaled(STEP));
        let start = start(0.0, 0.0, step);
        Self {
            frame,
            step,
            hops_per_step: step / sizes.hop(),
            sample_rate_hz: sizes.sample_rate_hz,
            hops: 0,
            num_steps: 0,
            unmeasured_steps: 0,
            meter: LagMeter::new(frame, sizes.sample_rate_hz),
            variance: LagVariance::default(),
            test: MotionTest::new(start, step as f64 / sizes.sample_rate_hz),
            smoother: DelaySmoother::new(start, 0, step as i64),
            delay_samples: 0.0,
            motion: DelayMotion::NONE,
            line: LineFit::new(LINE_MEMORY_STEPS),
        }
    }

    /// How far behind the newest music the delay is known: half a frame and the smoother's lag.
    pub fn latency_samples(&self) -> usize {
        self.frame / 2 + SMOOTHER_LAG_STEPS * self.step
    }

    /// Length of the stretch of the mix that is compared at a time, samples.
    pub fn frame_samples(&self) -> usize {
        self.frame
    }

    /// Starts at a delay, in samples, where the mix is at position `at`, and at what is known of how it moves.
    pub fn restart(&mut self, delay_samples: f64, motion: DelayMotion, at: i64) {
        let start = start(delay_samples, motion.rate, self.step);
        self.meter.restart();
        self.variance = LagVariance::default();
        self.test = MotionTest::new(start, self.step as f64 / self.sample_rate_hz);
        self.smoother = DelaySmoother::new(start, at, self.step as i64);
        self.line = LineFit::new(LINE_MEMORY_STEPS);
        (self.delay_samples, self.motion) = (delay_samples, motion);
        (self.hops, self.num_steps, self.unmeasured_steps) = (0, 0, 0);
    }

    /// Takes the filter through which the backing is compared.
    pub fn set_filter(&mut self, taps: &Taps) {
        let before = (self.meter.filter.is_silent(), self.meter.filter.delay_samples());
        self.meter.filter.set(taps);
        self.filter_changed(before);
    }

    /// Exchanges the filter through which the backing is compared for one that was prepared.
    pub fn exchange_filter(&mut self, prepared: &mut LagFilter) {
        let before = (self.meter.filter.is_silent(), self.meter.filter.delay_samples());
        std::mem::swap(&mut self.meter.filter, prepared);
        self.filter_changed(before);
    }

    fn filter_changed(&mut self, (was_silent, delay_before): (bool, f64)) {
        // Another filter promises otherwise.
        self.variance = LagVariance::default();
        // Lags are seen through the filter: another delay of it is no movement.
        if !was_silent && !self.meter.filter.is_silent() && !self.motion.moves() {
            self.shift_lags(delay_before - self.meter.filter.delay_samples());
            self.test.exchange_filter();
        }
    }

    /// Delay of the filter taken last, samples.
    pub fn filter_delay_samples(&self) -> f64 {
        self.meter.filter.delay_samples()
    }

    /// Whether the backing was where it was expected since the last restart.
    pub fn was_there(&self) -> bool {
        self.meter.was_there()
    }

    /// Whether it is there no longer.
    pub fn has_lost_it(&self) -> bool {
        self.meter.has_lost_it()
    }

    /// How the delay moves, as far as is known.
    pub fn motion(&self) -> DelayMotion {
        self.motion
    }

    /// Takes a delay over from the filter: what was the filter's is now part of the delay tracked.
    pub fn shift(&mut self, samples: f64) {
        self.delay_samples += samples;
        self.shift_lags(samples);
    }

    /// Takes over what the filter to be set next no longer compensates, of a delay that stands still: nothing moves by
    /// that.
    pub fn recentre(&mut self, delay_samples: f64) {
        self.delay_samples = delay_samples;
    }

    fn shift_lags(&mut self, samples: f64) {
        self.smoother.shift(samples);
        self.test.shift(samples);
    }

    /// What to remember of a delay that moves: the delay that a straight line through it has at position `at`, and how it
    /// moves, with the slope of that line.
    pub fn model(&self, at: i64) -> (f64, DelayMotion) {
        let (offset, slope) = self.line.fit();
        // The slope through a delay that was followed by mistake can be any.
        let rate = (slope / self.step as f64).clamp(-QUICKEST, QUICKEST);
        let newest = self.smoother.newest().position;
        (self.delay_samples + offset + rate * (at - newest) as f64, DelayMotion { rate, ..self.motion })
    }

    /// Delay at a position of the mix that lies [`DelayTracker::latency_samples`] behind the newest, samples.
    pub fn delay_at(&self, position: i64) -> f64 {
        if self.motion.moves() {
            self.smoother.delay_at(position, self.step as f64)
        } else {
            self.delay_samples
        }
    }

    /// Does a part of what one hop further takes; mix and backing are known up to `end` of the mix and belong together otherwise
    /// before `from`. `learning` says what may be learned of how the delay moves.
    pub fn advance(
        &mut self,
        part: usize,
        mix: &Ring,
        backing: &Ring,
        from: i64,
        end: i64,
        learning: MotionLearning,
    ) {
        self.hops += usize::from(part == 0);
        if self.hops < self.hops_per_step {
            return;
        }
        let expected = self.expected();
        let base = expected.round() as i64;
        // Where a delay stands still and nothing is learned, no measurement is needed; where it has stood still for long, half of
        // them will do, since frames overlap.
        let is_turn = self.num_steps < STOOD_STILL_STEPS || self.num_steps.is_multiple_of(2);
        let is_needed = self.motion.moves() || learning != MotionLearning::Nothing && is_turn;
        let is_whole = end - self.frame as i64 >= from;
        let measured = (is_needed && is_whole)
            .then(|| self.meter.measure(part, mix, backing, end, base, expected - base as f64))
            .flatten();
        if part + 1 == PARTS {
            self.hops = 0;
            self.take_step(end - self.frame as i64 / 2, expected, base, measured, learning);
        }
    }

    fn take_step(
        &mut self,
        position: i64,
        expected: f64,
        base: i64,
        measured: Option<MeasuredLag>,
        learning: MotionLearning,
    ) {
        let mut newest =
            DelayStep { position, measured: expected, variance: NOTHING_MEASURED, smoothed: [expected, 0.0] };
        self.unmeasured_steps = if measured.is_some() { 0 } else { self.unmeasured_steps + 1 };
        if let Some(lag) = measured {
            let information = lag.information;
            let noise = self.variance.ratio();
            self.variance.add(lag.samples, information);
            let delays = lag.samples.map(|lag| base as f64 + lag);
            let total = information[0] + information[1];
            newest.measured = (delays[0] * information[0] + delays[1] * information[1]) / total;
            newest.variance = OVERLAP * noise / total + MIN_LAG_VARIANCE;
            if learning != MotionLearning::Nothing {
                let variance = information.map(|i| OVERLAP * noise / i + MIN_LAG_VARIANCE);
                let verdict = self.test.hear(delays, variance);
                let moves = matches!(verdict, Some(Verdict::Moves { .. }));
                if learning == MotionLearning::All || moves == self.motion.moves() {
                    self.take_verdict(verdict);
                }
            }
        } else if learning != MotionLearning::Nothing {
            self.test.pass();
        }
        self.smooth(newest);
    }

    /// Where the newest delay is expected.
    fn expected(&self) -> f64 {
        if self.motion.moves() {
            let [delay, rate] = self.smoother.newest().smoothed;
            delay + rate
        } else if self.test.has_judged() || self.num_steps > EXPECTED_AFTER_STEPS {
            // A delay that is not known to move yet may do so.
            self.test.expected()
        } else {
            self.delay_samples
        }
    }

    fn take_verdict(&mut self, verdict: Option<Verdict>) {
        match verdict {
            Some(Verdict::Moves { process_noise, track }) => {
                if !self.motion.moves() {
                    self.smoother.take_over(&track);
                }
                self.motion.process = process_noise;
            }
            Some(Verdict::StandsStill) if self.motion.moves() => {
                self.delay_samples = self.smoother.newest().smoothed[0].round();
                self.motion = DelayMotion::NONE;
            }
            _ => {}
        }
    }

    fn smooth(&mut self, mut newest: DelayStep) {
        self.num_steps += 1;
        if self.motion.moves() && self.unmeasured_steps > LOST_AFTER_STEPS {
            (newest.measured, newest.variance) =
                (self.delay_samples + self.line.fit().0, START_ERROR * START_ERROR);
        }
        self.smoother.push(newest);
        if self.motion.moves() {
            let [delay, rate] = self.smoother.smooth(self.motion.process);
            self.motion.rate = rate / self.step as f64;
            if self.unmeasured_steps == 0 {
                self.line.add(delay - self.delay_samples);
            } else {
                self.line.pass();
            }
        }
    }
}

/// A delay just found, samples, that grows at a rate, samples per sample.
fn start(delay_samples: f64, rate: f64, step: usize) -> ConstantVelocity {
    let step = step as f64;
    ConstantVelocity::new([delay_samples, rate * step], [START_ERROR, START_RATE_ERROR * step])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::delay_line::DelayLine;
    use crate::dsp::noise::noise;
    use crate::dsp::ring::stereo;

    #[test]
    fn no_line_gives_a_drift_that_cannot_be_recalled() {
        for sign in [-1.0, 1.0] {
            let mut tracker = DelayTracker::new(Sizes::new(16_000.0));
            let step = tracker.step as f64;
            (0..500).for_each(|n| tracker.line.add(sign * 0.02 * step * f64::from(n)));
            assert_eq!(tracker.model(0).1.rate, sign * QUICKEST);
        }
    }

    /// Noise read at a delay that moves in a known way, with another noise of the same level over it.
    fn track(rate: f64, wow_samples: f64, seconds: f64) -> (DelayTracker, impl Fn(f64) -> f64, i64) {
        track_through(None, rate, wow_samples, seconds, f64::INFINITY)
    }

    /// The same through a filter that from the middle on is another one, of a backing that ends after so many seconds.
    fn track_through(
        filter: Option<Taps>,
        rate: f64,
        wow_samples: f64,
        seconds: f64,
        heard_s: f64,
    ) -> (DelayTracker, impl Fn(f64) -> f64, i64) {
        let sizes = Sizes::new(16_000.0);
        let len = (seconds * 16_000.0) as usize;
        let (mut song, voice) = (noise(len + 400, 1), noise(len, 2));
        song.iter_mut().skip((heard_s * 16_000.0) as usize).for_each(|x| *x = 0.0);
        let delay = move |n: f64| 20.0 + rate * n + wow_samples * (n * 2.5e-4).sin();
        let (mut mix, mut backing) = (Ring::new(len), Ring::new(len));
        let mut tracker = DelayTracker::new(sizes);
        tracker.restart(20.0, DelayMotion::NONE, 0);
        tracker.set_filter(&Taps::gains(sizes.scaled(4096), [1.0; 2], 0.0));
        let hop = sizes.hop();
        let mut source = Ring::new(len + 400);
        source.push([&song, &song]);
        let mut line = DelayLine::new(hop);
        let mut read = stereo(hop);
        for at in (0..len - hop).step_by(hop) {
            // The mix holds the song later by the delay; the source starts 200 samples before the backing.
            line.read(&source, at as i64 + 200, delay((at + hop) as f64), &mut read);
            let mixed: Vec<f32> = read[0].iter().zip(&voice[at..]).map(|(b, v)| b + v).collect();
            mix.push([&mixed, &mixed]);
            backing.push([&song[200 + at..200 + at + hop], &song[200 + at..200 + at + hop]]);
            if at == len / 2 / hop * hop
                && let Some(filter) = &filter
            {
                tracker.set_filter(filter);
            }
            (0..PARTS)
                .for_each(|part| tracker.advance(part, &mix, &backing, 0, mix.end(), MotionLearning::All));
        }
        let at = mix.end() - tracker.latency_samples() as i64;
        (tracker, delay, at)
    }

    #[test]
    fn a_still_delay_stands_still() {
        let (tracker, _, _) = track(0.0, 0.0, 8.0);
        assert!(!tracker.motion().moves());
    }

    #[test]
    fn another_delay_of_the_filter_is_no_movement() {
        for samples in [1.0, -0.4] {
            let filter = Taps::gains(Sizes::new(16_000.0).scaled(4096), [1.0; 2], samples);
            let (tracker, _, _) = track_through(Some(filter), 0.0, 0.0, 8.0, f64::INFINITY);
            assert!(!tracker.motion().moves(), "{samples} samples");
        }
    }

    /// Moving the delay by what the filter compensated, again and again, does not hide that it moves; unless
    /// whether it does is known.
    #[test]
    fn a_delay_that_is_recentred_keeps_what_was_seen() {
        let moves =
            [MotionLearning::All, MotionLearning::How].map(|learning| recentred(learning).motion().moves());
        assert_eq!(moves, [true, false]);
    }

    fn recentred(learning: MotionLearning) -> DelayTracker {
        let sizes = Sizes::new(16_000.0);
        let mut tracker = DelayTracker::new(sizes);
        let len = 5 * 16_000;
        let (song, mut mix, mut backing) = (noise(len, 1), Ring::new(len), Ring::new(len));
        let mut source = Ring::new(len);
        source.push([&song, &song]);
        let hop = sizes.hop();
        let (mut line, mut read) = (DelayLine::new(hop), stereo(hop));
        let filter = |samples: f64| Taps::gains(sizes.scaled(4096), [1.0; 2], samples);
        tracker.set_filter(&filter(0.0));
        tracker.restart(20.0, DelayMotion::NONE, 0);
        for (count, at) in (0..len - hop).step_by(hop).enumerate() {
            line.read(&source, at as i64, 20.0 + 2e-4 * at as f64, &mut read);
            mix.push([&read[0], &read[1]]);
            backing.push([&song[at..at + hop], &song[at..at + hop]]);
            if count % 40 == 39 {
                let other = (count / 40 % 2) as f64;
                tracker.recentre(20.0 - other);
                tracker.set_filter(&filter(other));
            }
            (0..PARTS).for_each(|part| tracker.advance(part, &mix, &backing, 0, mix.end(), learning));
        }
        tracker
    }

    /// A filter whose delay is another one at every frequency: no one number makes up for it.
    #[test]
    fn a_filter_that_disperses_is_no_movement() {
        let mut filter = Taps::gains(Sizes::new(16_000.0).scaled(4096), [0.6; 2], 0.0);
        let centre = filter.num_taps() / 2;
        (0..2).for_each(|side| filter.h[side][side][centre + 2] = 0.4);
        let (tracker, _, _) = track_through(Some(filter), 0.0, 0.0, 8.0, f64::INFINITY);
        assert!(!tracker.motion().moves());
    }

    /// A clock error of 100 ppm under a voice as loud as the backing, to 0.02 samples: 40 dB at a tenth of the rate.
    #[test]
    fn clocks_that_run_apart_are_followed() {
        let (tracker, delay, at) = track(1e-4, 0.0, 12.0);
        let error = tracker.delay_at(at) - delay(at as f64);
        assert!(error.abs() < 0.02, "{error}");
        let (start, motion) = tracker.model(0);
        assert!((start - 20.0).abs() < 0.1 && (motion.rate - 1e-4).abs() < 1e-6, "{start} {motion:?}");
    }

    /// After a long while at every other step alone.
    #[test]
    fn a_delay_that_begins_to_move_late_is_followed() {
        let sizes = Sizes::new(16_000.0);
        let (hop, len) = (sizes.hop(), 40 * 16_000);
        let (song, start) = (noise(len, 1), STOOD_STILL_STEPS * sizes.scaled(STEP));
        let [mut source, mut mix, mut backing] = [0; 3].map(|_| Ring::new(len));
        source.push([&song, &song]);
        let (mut line, mut read) = (DelayLine::new(hop), stereo(hop));
        let mut tracker = DelayTracker::new(sizes);
        tracker.restart(20.0, DelayMotion::NONE, 0);
        tracker.set_filter(&Taps::gains(sizes.scaled(4096), [1.0; 2], 0.0));
        let delay = |at: usize| 20.0 + 1e-4 * at.saturating_sub(start) as f64;
        let mut moved_at = None;
        for at in (0..len - hop).step_by(hop) {
            line.read(&source, at as i64, delay(at + hop), &mut read);
            mix.push([&read[0], &read[1]]);
            backing.push([&song[at..at + hop], &song[at..at + hop]]);
            (0..PARTS)
                .for_each(|part| tracker.advance(part, &mix, &backing, 0, mix.end(), MotionLearning::All));
            moved_at = moved_at.or(tracker.motion().moves().then_some(at));
        }
        assert!(
            moved_at.is_some_and(|at| (start..start + 4 * 16_000).contains(&at)),
            "{moved_at:?}, {start}"
        );
        let at = mix.end() - tracker.latency_samples() as i64;
        let error = tracker.delay_at(at) - delay(at as usize);
        assert!(error.abs() < 0.02, "{error}");
    }

    /// The same wow, of a backing that ends where the delay grows fastest: from then on it would grow by 96 samples.
    #[test]
    fn a_delay_does_not_run_away_where_nothing_is_heard() {
        let (tracker, _, at) = track_through(None, 0.0, 3.0, 16.0, 7.86);
        assert!(tracker.motion().moves());
        let error = tracker.delay_at(at) - 20.0;
        let (start, motion) = tracker.model(0);
        assert!(
            error.abs() < 3.0 && (start - 20.0).abs() < 3.0 && motion.rate.abs() < 5e-5,
            "{error} {start} {motion:?}"
        );
    }

    /// Wow of 0.64 Hz and 3 samples either way.
    #[test]
    fn wow_is_followed() {
        let (tracker, delay, at) = track(0.0, 3.0, 12.0);
        let error = tracker.delay_at(at) - delay(at as f64);
        assert!(error.abs() < 0.06, "{error}");
    }
}
