//! Tracks a delay that moves: clocks that run apart, tape and vinyl that wow.
//!
//! Each frame of the mix is compared with the backing, brought through the learned filter, over lags of some samples
//! (generalised cross-correlation, Knapp & Carter 1976, with the voice's inverse covariance as the weight). A
//! constant-velocity Kalman filter with fixed-lag smoothing (Rauch, Tung, Striebel 1965) turns the lags into a
//! course. Whether the delay moves, and how restlessly, is decided as for the level: by how well the course found in
//! one half of the spectrum predicts the other.

use crate::dsp::ring::Ring;
use crate::dsp::sizes::Sizes;
use crate::matching::Taps;
use crate::matching::taps::bulk_delay_samples;
use crate::spectral::covariance::{Covariance, powers};
use crate::spectral::spectrum::{Spectrum, hann};
use realfft::num_complex::{Complex32, Complex64};

/// Frame and step at 44.1 and 48 kHz, samples.
const FRAME: usize = 2048;
const STEP: usize = 512;
/// Fixed lag of the smoother, steps.
const LOOK: usize = 10;
const KEPT: usize = LOOK + 3;
/// Lags compared on either side of the predicted delay, samples.
const REACH: f64 = 12.0;
/// Band compared.
const BAND_HZ: (f64, f64) = (80.0, 9_000.0);
/// Floor of the voice's power re the backing's in the weights.
const FLOOR: f32 = 1e-2;
/// Share of the correlation that must stand in its peak for the frame to count.
const CLEAR: f32 = 0.15;
/// Restlessness on trial: variance of the change of rate, (samples per step)^2 per step, a decade apart.
const NUM_TRIALS: usize = 8;
const STEADIEST: f64 = 1e-11;
/// Variance of a still delay's own wandering per step, samples^2.
const STILL: f64 = 1e-9;
/// Share of the best trial's win that a steadier one must reach.
const NEARLY: f64 = 0.9;
/// Steps summed into one verdict, and verdicts needed before the first.
const BLOCK: usize = 8;
const ENOUGH_BLOCKS: usize = 6;
/// Memory of the verdicts, seconds.
const MEMORY_S: f64 = 6.0;
/// Most that a frame can say for or against a trial, in units of its variance.
const MOST: f64 = 25.0;
/// Most that a block counts for when it is decided whether the delay moves: it must win often, not high.
const VOTE: f64 = 40.0;
/// Movement, samples, under which following costs more than it wins (-33 dB at 5 kHz).
const LEAST: f64 = 0.03;
/// Standard deviations that a lag may pull the course at most.
const OUTLIER: f64 = 5.0;
/// To how much the delay of another filter is known, samples: codecs gave up to 0.05.
const EXCHANGE_ERROR: f64 = 0.1;
/// Frames that the variance which the weights promise counts for, against how far apart the halves are seen.
const PROMISED_FRAMES: f64 = 3.0;
/// Bounds of the variance seen re the one promised.
const NOISE: (f64, f64) = (1e-4, 100.0);
/// Uncertainty of a place just found: samples, and samples per sample.
const PLACE_ERROR: f64 = 3.0;
const RATE_ERROR: f64 = 4e-4;

/// Quickest drift that is learned, samples a sample.
pub const QUICKEST: f64 = 1e-2;

/// How a delay moves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wander {
    /// Restlessness, (samples per step)^2 per step; 0 = the delay stands still.
    pub process: f64,
    /// Rate at which the delay grows, samples per sample.
    pub rate: f64,
}

impl Wander {
    /// The delay stands still.
    pub const NONE: Self = Self { process: 0.0, rate: 0.0 };

    /// Whether the delay moves.
    pub fn moves(&self) -> bool {
        self.process > 0.0
    }
}

/// Delay and rate per step, with their covariance.
#[derive(Clone, Copy)]
struct State {
    x: [f64; 2],
    p: [f64; 3],
}

impl State {
    fn new(delay: f64, rate: f64, step: f64) -> Self {
        Self { x: [delay, rate * step], p: [PLACE_ERROR.powi(2), 0.0, (RATE_ERROR * step).powi(2)] }
    }

    fn predict(&self, q: f64) -> Self {
        let [d, r] = self.x;
        let [p00, p01, p11] = self.p;
        Self { x: [d + r, r], p: [p00 + 2.0 * p01 + p11 + q / 3.0, p01 + p11 + q / 2.0, p11 + q] }
    }

    fn update(&mut self, z: f64, variance: f64) {
        let [p00, p01, p11] = self.p;
        let s = p00 + variance;
        if !(s.is_finite() && z.is_finite()) {
            return;
        }
        let most = OUTLIER * s.sqrt();
        let e = (z - self.x[0]).clamp(-most, most);
        let k = [p00 / s, p01 / s];
        self.x = [self.x[0] + k[0] * e, self.x[1] + k[1] * e];
        self.p = [p00 - k[0] * p00, p01 - k[0] * p01, p11 - k[1] * p01];
    }

    /// The Rauch-Tung-Striebel step: this state, corrected by the smoothed next one.
    fn smoothed(&self, next: [f64; 2], q: f64) -> [f64; 2] {
        let ahead = self.predict(q);
        let [a00, a01, a11] = ahead.p;
        let [p00, p01, p11] = self.p;
        let det = (a00 * a11 - a01 * a01).max(1e-300);
        // P F^T P'^-1 with F = [1 1; 0 1].
        let pf = [[p00 + p01, p01], [p01 + p11, p11]];
        let inverse = [[a11 / det, -a01 / det], [-a01 / det, a00 / det]];
        let e = [next[0] - ahead.x[0], next[1] - ahead.x[1]];
        let c = |i: usize, j: usize| pf[i][0] * inverse[0][j] + pf[i][1] * inverse[1][j];
        [self.x[0] + c(0, 0) * e[0] + c(0, 1) * e[1], self.x[1] + c(1, 0) * e[0] + c(1, 1) * e[1]]
    }
}

#[derive(Clone, Copy)]
struct Trial {
    tracks: [State; 2],
    /// What it won against a delay that stands still.
    block: f64,
    won: f64,
    /// The same with no block counting for more than [`VOTE`], and the sum of the squares.
    votes: f64,
    squares: f64,
}

/// One measured lag.
#[derive(Clone, Copy)]
struct Lag {
    centre: i64,
    z: f64,
    variance: f64,
    smoothed: [f64; 2],
}

/// A straight line through equally spaced values, of which older ones count less.
#[derive(Clone, Copy, Default)]
struct Line {
    /// Sums of the weights, by powers of the age.
    weights: [f64; 3],
    /// Sums of the values, by powers of the age.
    values: [f64; 2],
}

impl Line {
    /// Steps after which a value counts 1/e.
    const MEMORY: f64 = 3000.0;

    fn add(&mut self, value: f64) {
        let keep = 1.0 - 1.0 / Self::MEMORY;
        let ([w0, w1, w2], [v0, v1]) = (self.weights, self.values);
        // Everything is one step older.
        self.weights = [keep * w0 + 1.0, keep * (w1 + w0), keep * (w2 + 2.0 * w1 + w0)];
        self.values = [keep * v0 + value, keep * (v1 + v0)];
    }

    /// Value at the newest step, and slope per step.
    fn fit(&self) -> (f64, f64) {
        let ([w0, w1, w2], [v0, v1]) = (self.weights, self.values);
        let det = w0 * w2 - w1 * w1;
        if det <= 0.0 {
            return (if w0 > 0.0 { v0 / w0 } else { 0.0 }, 0.0);
        }
        ((w2 * v0 - w1 * v1) / det, -(w0 * v1 - w1 * v0) / det)
    }
}

/// What a lag of `lag` samples does to the bins of a transform of `len` samples, from `first` on: e^(-j 2 pi k lag / len),
/// by steps of one bin (double precision, so that a thousand of them stay exact to a float).
fn turns(first: usize, len: usize, lag: f64) -> impl Iterator<Item = Complex32> {
    let angle = -std::f64::consts::TAU * lag / len as f64;
    let step = Complex64::from_polar(1.0, angle);
    let mut turn = Complex64::from_polar(1.0, angle * first as f64);
    std::iter::repeat_with(move || {
        let now = Complex32::new(turn.re as f32, turn.im as f32);
        turn *= step;
        now
    })
}

/// The tracker.
pub struct Drift {
    sizes: Sizes,
    spectrum: Spectrum,
    lags: Spectrum,
    window: Vec<f32>,
    mix: [Vec<Complex32>; 2],
    backing: [Vec<Complex32>; 2],
    response: [[Vec<Complex32>; 2]; 2],
    has_response: bool,
    filter_delay: f64,
    cross: [Vec<Complex32>; 2],
    correlation: Vec<Complex32>,
    bins: (usize, usize),
    half_of_bin: Vec<Option<usize>>,
    hops: usize,
    delay: f64,
    line: Line,
    wander: Wander,
    prior: State,
    course: [Lag; KEPT],
    num_lags: usize,
    trials: [Trial; NUM_TRIALS],
    still: [(f64, f64); 2],
    /// Sums, of which older frames count less: logarithm of the variance of the lags re what the weights promise, frames.
    noise: (f64, f64),
    moved: f64,
    block_steps: usize,
    num_blocks: usize,
    block_decay: f64,
}

impl Drift {
    /// A tracker of a delay of 0 that stands still.
    pub fn new(sizes: Sizes) -> Self {
        let (frame, step) = (sizes.scaled(FRAME), sizes.scaled(STEP));
        let bin_hz = sizes.sample_rate_hz / frame as f64;
        let bins = ((BAND_HZ.0 / bin_hz).ceil() as usize, ((BAND_HZ.1 / bin_hz) as usize).min(frame / 2 - 3));
        let spectrum = Spectrum::new(frame);
        let lags = Spectrum::new(2 * frame);
        let num_bins = spectrum.num_bins();
        let zeros = || vec![Complex32::default(); num_bins];
        let state = State::new(0.0, 0.0, step as f64);
        Self {
            sizes,
            window: hann(frame),
            mix: std::array::from_fn(|_| zeros()),
            backing: std::array::from_fn(|_| zeros()),
            response: std::array::from_fn(|_| std::array::from_fn(|_| zeros())),
            has_response: false,
            filter_delay: 0.0,
            cross: std::array::from_fn(|_| zeros()),
            correlation: vec![Complex32::default(); lags.num_bins()],
            half_of_bin: crate::matching::follower::halves(0, num_bins),
            bins,
            hops: 0,
            delay: 0.0,
            line: Line::default(),
            wander: Wander::NONE,
            prior: state,
            course: [Lag { centre: 0, z: 0.0, variance: 1e12, smoothed: [0.0; 2] }; KEPT],
            num_lags: 0,
            trials: [Trial { tracks: [state; 2], block: 0.0, won: 0.0, votes: 0.0, squares: 0.0 };
                NUM_TRIALS],
            still: [(0.0, 1.0); 2],
            noise: (0.0, 0.0),
            moved: 0.0,
            block_steps: 0,
            num_blocks: 0,
            block_decay: (-((BLOCK * step) as f64) / sizes.sample_rate_hz / MEMORY_S).exp(),
            spectrum,
            lags,
        }
    }

    /// How far behind the newest music the course is known: half a frame and the smoother's lag.
    pub fn latency_samples(&self) -> usize {
        self.sizes.scaled(FRAME) / 2 + LOOK * self.sizes.scaled(STEP)
    }

    /// Length of the stretch of the mix that is compared at a time, samples.
    pub fn frame_samples(&self) -> usize {
        self.sizes.scaled(FRAME)
    }

    /// Starts at a place: the delay, in samples, where the mix is at position `at`, and how it moves as far as that
    /// is known. Nothing is tracked before a filter is set: the delay is that of this place and no earlier one.
    pub fn restart(&mut self, delay_samples: f64, wander: Wander, at: i64) {
        let step = self.sizes.scaled(STEP);
        self.delay = delay_samples;
        self.line = Line::default();
        self.wander = wander;
        self.has_response = false;
        let state = State::new(delay_samples, wander.rate, step as f64);
        self.prior = state;
        self.prior.x[0] -= KEPT as f64 * state.x[1];
        self.num_lags = 0;
        for (idx, lag) in self.course.iter_mut().enumerate() {
            let steps = idx as i64 - (KEPT as i64 - 1);
            let delay = delay_samples + state.x[1] * steps as f64;
            let centre = at + steps * step as i64;
            *lag = Lag { centre, z: delay, variance: 1e12, smoothed: [delay, state.x[1]] };
        }
        self.trials =
            [Trial { tracks: [state; 2], block: 0.0, won: 0.0, votes: 0.0, squares: 0.0 }; NUM_TRIALS];
        self.still = [(delay_samples, PLACE_ERROR.powi(2)); 2];
        self.noise = (0.0, 0.0);
        (self.moved, self.block_steps, self.num_blocks, self.hops) = (0.0, 0, 0, 0);
    }

    /// Takes the filter through which the backing is compared.
    pub fn set_filter(&mut self, taps: &Taps) {
        let had_response = self.has_response;
        self.has_response = !taps.is_silent();
        // Another filter promises otherwise.
        self.noise = (0.0, 0.0);
        let frame = self.window.len();
        let centre = taps.num_taps() / 2;
        let half = frame.min(taps.num_taps()) / 2;
        for (response, h) in self.response.iter_mut().flatten().zip(taps.h.iter().flatten()) {
            let time = self.spectrum.time();
            time.fill(0.0);
            time[..half].copy_from_slice(&h[centre..centre + half]);
            time[frame - half..].copy_from_slice(&h[centre - half..centre]);
            self.spectrum.forward(response);
        }
        // Lags are seen through the filter: another delay of it is no movement.
        let delay = bulk_delay_samples(&self.response, frame);
        if had_response && self.has_response && !self.wander.moves() {
            self.shift_lags(self.filter_delay - delay);
            self.still.iter_mut().for_each(|still| still.1 += EXCHANGE_ERROR.powi(2));
        }
        self.filter_delay = delay;
    }

    /// Delay of the filter taken, samples.
    pub fn filter_delay_samples(&self) -> f64 {
        self.filter_delay
    }

    /// How the delay moves, as far as is known.
    pub fn wander(&self) -> Wander {
        self.wander
    }

    /// Takes a delay over from the filter: what it was ahead is now in the course.
    pub fn shift(&mut self, samples: f64) {
        self.delay += samples;
        self.shift_lags(samples);
    }

    /// Takes over what the filter to be set next no longer makes good, of a delay that stands still: nothing moves by
    /// that.
    pub fn recentre(&mut self, delay_samples: f64) {
        self.delay = delay_samples;
    }

    fn shift_lags(&mut self, samples: f64) {
        self.prior.x[0] += samples;
        for lag in &mut self.course {
            lag.z += samples;
            lag.smoothed[0] += samples;
        }
        for track in self.trials.iter_mut().flat_map(|trial| &mut trial.tracks) {
            track.x[0] += samples;
        }
        self.still.iter_mut().for_each(|still| still.0 += samples);
    }

    /// What to remember of a delay that moves: the delay that a straight line through its course has at position
    /// `at`, and its slope.
    pub fn law(&self, at: i64) -> (f64, Wander) {
        let step = self.sizes.scaled(STEP) as f64;
        let (offset, slope) = self.line.fit();
        // The slope through a course that was followed by mistake can be any.
        let rate = (slope / step).clamp(-QUICKEST, QUICKEST);
        let newest = self.course[KEPT - 1].centre;
        (self.delay + offset + rate * (at - newest) as f64, Wander { rate, ..self.wander })
    }

    /// Delay at a position of the mix that lies [`Drift::latency_samples`] behind the newest, samples.
    pub fn delay_at(&self, position: i64) -> f64 {
        if !self.wander.moves() {
            return self.delay;
        }
        let step = self.sizes.scaled(STEP) as f64;
        // The last frame centred at or before the position, else the oldest.
        let lag = self.course.iter().rev().find(|lag| lag.centre <= position).unwrap_or(&self.course[0]);
        lag.smoothed[0] + lag.smoothed[1] * (position - lag.centre) as f64 / step
    }

    /// One hop further; mix and backing are known up to `end` of the mix and belong together otherwise before `from`.
    /// `learning` says whether it may be learned how the delay moves.
    pub fn advance(&mut self, mix: &Ring, backing: &Ring, from: i64, end: i64, learning: bool) {
        self.hops += 1;
        if self.hops < self.sizes.scaled(STEP) / self.sizes.hop() {
            return;
        }
        self.hops = 0;
        let predicted = self.predicted();
        let base = predicted.round() as i64;
        // Where a delay stands still and nothing is learned, nobody asks.
        let is_asked = learning || self.wander.moves();
        let known = is_asked && end - self.sizes.scaled(FRAME) as i64 >= from;
        let measured =
            known.then(|| self.measure(mix, backing, end, base, predicted - base as f64)).flatten();
        let newest = end - self.sizes.scaled(FRAME) as i64 / 2;
        let mut lag = Lag { centre: newest, z: predicted, variance: 1e12, smoothed: [predicted, 0.0] };
        if let Some((halves, information)) = measured {
            let total = information[0] + information[1];
            let spread = (halves[0] - halves[1]).powi(2) / (1.0 / information[0] + 1.0 / information[1]);
            let noise = self.noise();
            self.noise = (0.99 * self.noise.0 + spread.clamp(1e-6, 1e4).ln(), 0.99 * self.noise.1 + 1.0);
            let z = halves.map(|tau| base as f64 + tau);
            lag.z = (z[0] * information[0] + z[1] * information[1]) / total;
            // Frames overlap fourfold.
            lag.variance = 4.0 * noise / total + 1e-10;
            if learning {
                self.try_out(z, information.map(|i| 4.0 * noise / i + 1e-10));
            }
        } else if learning {
            self.trials.iter_mut().enumerate().for_each(|(idx, trial)| {
                trial.tracks = trial.tracks.map(|track| track.predict(restlessness(idx)));
            });
        }
        self.smooth(lag);
    }

    /// Variance of the lags re what the weights promise: a filter that is wrong, as one is that was learned from a delay
    /// that moved, promises far too much of it. From the mean logarithm, so that single frames do not count for many.
    fn noise(&self) -> f64 {
        // Mean logarithm of the square of a normal deviate: -1.27 (Euler's constant and ln 2).
        let (sum, frames) = (self.noise.0 + 1.27 * self.noise.1, self.noise.1 + PROMISED_FRAMES);
        (sum / frames).exp().clamp(NOISE.0, NOISE.1)
    }

    /// Where the newest frame's delay is expected.
    fn predicted(&self) -> f64 {
        if !self.wander.moves() {
            // A delay not yet known to move is looked for where the quickest trial sees it.
            return if self.num_blocks > 0 || self.num_lags > 4 {
                let track = &self.trials[NUM_TRIALS - 2].tracks;
                0.5 * (track[0].predict(0.0).x[0] + track[1].predict(0.0).x[0])
            } else {
                self.delay
            };
        }
        let newest = &self.course[KEPT - 1];
        newest.smoothed[0] + newest.smoothed[1]
    }

    /// Lag of the mix behind the filtered backing read at delay `base`, in either half of the spectrum, with the
    /// information on it (inverse variance).
    fn measure(
        &mut self,
        mix: &Ring,
        backing: &Ring,
        end: i64,
        base: i64,
        predicted: f64,
    ) -> Option<([f64; 2], [f64; 2])> {
        if !self.has_response {
            return None;
        }
        let frame = self.window.len();
        let start = end - frame as i64;
        for (signal, start, spectra) in
            [(mix, start, &mut self.mix), (backing, start - base, &mut self.backing)]
        {
            for (side, bins) in spectra.iter_mut().enumerate() {
                let time = self.spectrum.time();
                signal.read(side, start, time);
                time.iter_mut().zip(&self.window).for_each(|(x, w)| *x *= w);
                self.spectrum.forward(bins);
            }
        }
        self.match_backing();
        // Weights that hold the prediction for true confirm it: they are highest where the backing at the predicted lag
        // happens to fit. So the lag is also sought with weights that know nothing of it, and the better fit decides.
        let free = self.peak(predicted, None);
        let mut peak = self.peak(predicted, Some(predicted));
        if let Some(free) = free
            && peak.is_none_or(|peak| (free - peak).abs() > 0.5)
        {
            let fits = self.misfit(predicted).min(peak.map_or(f32::MAX, |peak| self.misfit(peak)));
            if self.misfit(free) < fits {
                peak = self.peak(predicted, Some(free));
            }
        }
        let peak = peak?;
        let (first, last) = self.bins;
        // Newton's method on either half from the common peak.
        let (mut lags, mut information) = ([peak; 2], [0.0; 2]);
        for half in 0..2 {
            for _ in 0..3 {
                let (mut slope, mut curve) = (0.0f64, 0.0f64);
                let cross = &self.cross[half][first..last];
                for ((k, cross), turn) in (first..).zip(cross).zip(turns(first, frame, -lags[half])) {
                    let w = std::f64::consts::TAU * k as f64 / frame as f64;
                    let s = cross * turn;
                    slope -= w * f64::from(s.im);
                    curve += w * w * f64::from(s.re);
                }
                if curve <= 0.0 {
                    return None;
                }
                lags[half] += (slope / curve).clamp(-0.5, 0.5);
                information[half] = curve;
            }
        }
        Some((lags, information))
    }

    /// Brings the newest frame of the backing through the filter.
    fn match_backing(&mut self) {
        let (first, last) = self.bins;
        let [left, right] = &mut self.backing;
        for k in first..=last {
            let y = [left[k], right[k]];
            let side = |side: usize| self.response[side][0][k] * y[0] + self.response[side][1][k] * y[1];
            (left[k], right[k]) = (side(0), side(1));
        }
    }

    /// Powers of what is left per bin, smoothed over five, with the backing at a lag, or with all of the mix.
    fn left_at(&self, lag: Option<f64>, mut each: impl FnMut(usize, [f32; 5])) {
        let (first, last) = self.bins;
        let mut turning = lag.map(|lag| turns(first, self.window.len(), lag));
        let mut column = |k: usize| {
            let turn = turning.as_mut().and_then(Iterator::next).unwrap_or_default();
            let b = [self.backing[0][k], self.backing[1][k]];
            powers(std::array::from_fn(|side| self.mix[side][k] - b[side] * turn), b)
        };
        // The newest of them, each at its bin modulo the room.
        let mut columns = [[0.0; 5]; 8];
        (first..first + 4).for_each(|k| columns[k % 8] = column(k));
        for k in first + 2..last - 2 {
            columns[(k + 2) % 8] = column(k + 2);
            each(k, std::array::from_fn(|i| (k - 2..=k + 2).map(|k| columns[k % 8][i]).sum::<f32>() / 5.0));
        }
    }

    /// How badly the backing at a lag fits: the mean logarithm of what is left.
    fn misfit(&self, lag: f64) -> f32 {
        let mut sum = 0.0;
        self.left_at(Some(lag), |_, mean| sum += (mean[0] + mean[1] + FLOOR * mean[4] + 1e-10).ln());
        sum
    }

    /// Lag of the highest peak about the prediction, samples, with the weights for a backing at `weighed_at`; leaves the
    /// weighted cross spectra behind.
    fn peak(&mut self, predicted: f64, weighed_at: Option<f64>) -> Option<f64> {
        let mut cross = std::mem::take(&mut self.cross);
        let mut totals = [0.0f32; 2];
        cross.iter_mut().for_each(|c| c.fill(Complex32::default()));
        self.left_at(weighed_at, |k, mean| {
            if let Some(half) = self.half_of_bin[k] {
                let (b, x) = ([self.backing[0][k], self.backing[1][k]], [self.mix[0][k], self.mix[1][k]]);
                let weighted = Covariance::new(mean, FLOOR, 1e-10).weigh(b);
                cross[half][k] = weighted[0].conj() * x[0] + weighted[1].conj() * x[1];
                totals[half] += cross[half][k].norm_sqr().sqrt();
            }
        });
        self.cross = cross;
        let (first, last) = self.bins;
        // Correlation at half samples, from a transform of twice the length.
        self.correlation.fill(Complex32::default());
        for (k, sum) in self.correlation.iter_mut().enumerate().take(last).skip(first) {
            *sum = self.cross[0][k] + self.cross[1][k];
        }
        let total = totals[0] + totals[1];
        let scale = self.lags.len() as f32 / 2.0;
        let values = self.lags.inverse(&self.correlation);
        let reach = (2.0 * REACH) as i64;
        let around = (2.0 * predicted).round() as i64;
        let at = |lag: i64| values[lag.rem_euclid(values.len() as i64) as usize] * scale;
        let peak = (around - reach..=around + reach).max_by(|&a, &b| at(a).total_cmp(&at(b)))?;
        (total > 0.0 && at(peak) >= CLEAR * total).then_some(0.5 * peak as f64)
    }

    fn try_out(&mut self, z: [f64; 2], variance: [f64; 2]) {
        let mut still = [0.0; 2];
        for half in 0..2 {
            let (mean, p) = &mut self.still[half];
            *p += STILL;
            let gain = *p / (*p + variance[half]);
            *mean += gain * (z[half] - *mean);
            *p *= 1.0 - gain;
            still[half] = *mean;
        }
        for (idx, trial) in self.trials.iter_mut().enumerate() {
            let q = restlessness(idx);
            for half in 0..2 {
                let other = 1 - half;
                let track = &mut trial.tracks[half];
                *track = track.predict(q);
                track.update(z[half], variance[half]);
                let cost = |predicted: f64| ((z[other] - predicted).powi(2) / variance[other]).min(MOST);
                trial.block += cost(still[half]) - cost(track.x[0]);
            }
        }
        self.block_steps += 1;
        if self.block_steps == BLOCK {
            self.block_steps = 0;
            self.judge(still);
        }
    }

    fn judge(&mut self, still: [f64; 2]) {
        for trial in &mut self.trials {
            let block = std::mem::take(&mut trial.block);
            trial.won = self.block_decay * trial.won + block;
            let vote = block.clamp(-VOTE, VOTE);
            trial.votes = self.block_decay * trial.votes + vote;
            trial.squares = self.block_decay * trial.squares + vote * vote;
        }
        // The steadiest course that wins nearly as much as the best: what wobbles in both halves of the spectrum
        // alike may be the filter's doing.
        let most = self.trials.iter().map(|t| t.won).fold(0.0, f64::max);
        let best = self.trials.iter().position(|t| t.won >= NEARLY * most).unwrap_or(0);
        let trial = &self.trials[best];
        let offset = |half: usize| trial.tracks[half].x[0] - still[half];
        self.moved = (0.5 * (offset(0) + offset(1))).abs().max(self.block_decay * self.moved);
        self.num_blocks += 1;
        if self.num_blocks < ENOUGH_BLOCKS {
            return;
        }
        let moves = trial.votes > 3.0 * trial.squares.sqrt() && self.moved > LEAST;
        if moves && !self.wander.moves() {
            // The smoother takes over where this trial is, going back over the frames kept.
            let track = trial.tracks[0];
            self.prior = track;
            self.prior.x[0] -= KEPT as f64 * track.x[1];
            self.prior.p = [1.0, 0.0, track.p[2].max(1e-6)];
        }
        if moves {
            self.wander.process = restlessness(best);
        } else if self.wander.moves() && trial.won < 0.0 {
            self.delay = self.course[KEPT - 1].smoothed[0].round();
            self.wander = Wander::NONE;
        }
    }

    /// Fixed-lag smoothing over the frames kept.
    fn smooth(&mut self, newest: Lag) {
        self.num_lags += 1;
        let q = self.wander.process;
        // The oldest frame leaves the window into the prior.
        self.course.rotate_left(1);
        self.course[KEPT - 1] = newest;
        if !self.wander.moves() {
            return;
        }
        let mut filtered = [self.prior; KEPT];
        let mut state = self.prior;
        for (lag, filtered) in self.course.iter().zip(&mut filtered) {
            state = state.predict(q);
            state.update(lag.z, lag.variance);
            *filtered = state;
        }
        self.prior = filtered[0];
        let mut smoothed = filtered[KEPT - 1].x;
        for idx in (0..KEPT).rev() {
            if idx < KEPT - 1 {
                smoothed = filtered[idx].smoothed(smoothed, q);
            }
            self.course[idx].smoothed = smoothed;
        }
        self.wander.rate = filtered[KEPT - 1].x[1] / self.sizes.scaled(STEP) as f64;
        self.line.add(filtered[KEPT - 1].x[0] - self.delay);
    }
}

fn restlessness(trial: usize) -> f64 {
    STEADIEST * 10f64.powi(trial as i32)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;

    #[test]
    fn a_line_is_found() {
        let mut line = Line::default();
        (0..500).for_each(|n| line.add(3.0 + 0.25 * f64::from(n)));
        let (newest, slope) = line.fit();
        assert!((newest - (3.0 + 0.25 * 499.0)).abs() < 1e-9 && (slope - 0.25).abs() < 1e-12);
    }

    #[test]
    fn no_course_makes_a_law_that_cannot_be_recalled() {
        for sign in [-1.0, 1.0] {
            let mut drift = Drift::new(Sizes::new(16_000.0));
            let step = drift.sizes.scaled(STEP) as f64;
            (0..500).for_each(|n| drift.line.add(sign * 0.02 * step * f64::from(n)));
            assert_eq!(drift.law(0).1.rate, sign * QUICKEST);
        }
    }

    /// Noise read at a delay that moves by a known law, with another noise of the same level over it.
    fn track(rate: f64, wow_samples: f64, seconds: f64) -> (Drift, impl Fn(f64) -> f64, i64) {
        track_through(None, rate, wow_samples, seconds)
    }

    /// The same through a filter that from the middle on is another one.
    fn track_through(
        filter: Option<Taps>,
        rate: f64,
        wow_samples: f64,
        seconds: f64,
    ) -> (Drift, impl Fn(f64) -> f64, i64) {
        let sizes = Sizes::new(16_000.0);
        let len = (seconds * 16_000.0) as usize;
        let (song, voice) = (noise(len + 400, 1), noise(len, 2));
        let delay = move |n: f64| 20.0 + rate * n + wow_samples * (n * 2.5e-4).sin();
        let (mut mix, mut backing) = (Ring::new(len), Ring::new(len));
        let mut drift = Drift::new(sizes);
        drift.restart(20.0, Wander::NONE, 0);
        drift.set_filter(&Taps::gains(sizes.scaled(4096), [1.0; 2], 0.0));
        let hop = sizes.hop();
        let mut source = Ring::new(len + 400);
        source.push([&song, &song]);
        let mut line = crate::dsp::delay_line::DelayLine::new(hop);
        let mut read = crate::dsp::ring::stereo(hop);
        for at in (0..len - hop).step_by(hop) {
            // The mix holds the song later by the delay; the source starts 200 samples before the backing.
            line.read(&source, at as i64 + 200, delay((at + hop) as f64), &mut read);
            let mixed: Vec<f32> = read[0].iter().zip(&voice[at..]).map(|(b, v)| b + v).collect();
            mix.push([&mixed, &mixed]);
            backing.push([&song[200 + at..200 + at + hop], &song[200 + at..200 + at + hop]]);
            if at == len / 2 / hop * hop
                && let Some(filter) = &filter
            {
                drift.set_filter(filter);
            }
            drift.advance(&mix, &backing, 0, mix.end(), true);
        }
        let at = mix.end() - drift.latency_samples() as i64;
        (drift, delay, at)
    }

    #[test]
    fn a_still_delay_stands_still() {
        let (drift, _, _) = track(0.0, 0.0, 8.0);
        assert!(!drift.wander().moves());
    }

    #[test]
    fn another_delay_of_the_filter_is_no_movement() {
        for samples in [1.0, -0.4] {
            let filter = Taps::gains(Sizes::new(16_000.0).scaled(4096), [1.0; 2], samples);
            let (drift, _, _) = track_through(Some(filter), 0.0, 0.0, 8.0);
            assert!(!drift.wander().moves(), "{samples} samples");
        }
    }

    /// Whoever moves the place by what the filter made good, again and again, does not hide that it moves.
    #[test]
    fn a_place_that_is_moved_keeps_what_was_seen() {
        let sizes = Sizes::new(16_000.0);
        let mut drift = Drift::new(sizes);
        let len = 5 * 16_000;
        let (song, mut mix, mut backing) = (noise(len, 1), Ring::new(len), Ring::new(len));
        let mut source = Ring::new(len);
        source.push([&song, &song]);
        let hop = sizes.hop();
        let (mut line, mut read) =
            (crate::dsp::delay_line::DelayLine::new(hop), crate::dsp::ring::stereo(hop));
        let filter = |samples: f64| Taps::gains(sizes.scaled(4096), [1.0; 2], samples);
        drift.set_filter(&filter(0.0));
        drift.restart(20.0, Wander::NONE, 0);
        for (count, at) in (0..len - hop).step_by(hop).enumerate() {
            line.read(&source, at as i64, 20.0 + 2e-4 * at as f64, &mut read);
            mix.push([&read[0], &read[1]]);
            backing.push([&song[at..at + hop], &song[at..at + hop]]);
            if count % 40 == 39 {
                let other = (count / 40 % 2) as f64;
                drift.recentre(20.0 - other);
                drift.set_filter(&filter(other));
            }
            drift.advance(&mix, &backing, 0, mix.end(), true);
        }
        assert!(drift.wander().moves());
    }

    /// A filter whose delay is another one at every frequency: no one number makes up for it.
    #[test]
    fn a_filter_that_disperses_is_no_movement() {
        let mut filter = Taps::gains(Sizes::new(16_000.0).scaled(4096), [0.6; 2], 0.0);
        let centre = filter.num_taps() / 2;
        (0..2).for_each(|side| filter.h[side][side][centre + 2] = 0.4);
        let (drift, _, _) = track_through(Some(filter), 0.0, 0.0, 8.0);
        assert!(!drift.wander().moves());
    }

    /// A clock error of 100 ppm under a voice as loud as the backing, to 0.02 samples: 40 dB at a tenth of the rate.
    #[test]
    fn clocks_that_run_apart_are_followed() {
        let (drift, delay, at) = track(1e-4, 0.0, 12.0);
        let error = drift.delay_at(at) - delay(at as f64);
        assert!(error.abs() < 0.02, "{error}");
        let (start, wander) = drift.law(0);
        assert!((start - 20.0).abs() < 0.1 && (wander.rate - 1e-4).abs() < 1e-6, "{start} {wander:?}");
    }

    /// Wow of 0.64 Hz and 3 samples either way.
    #[test]
    fn wow_is_followed() {
        let (drift, delay, at) = track(0.0, 3.0, 12.0);
        let error = drift.delay_at(at) - delay(at as f64);
        assert!(error.abs() < 0.06, "{error}");
    }
}
