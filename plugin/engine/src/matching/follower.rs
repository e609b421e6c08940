//! Follows the level of the backing in the mix as it moves (bus compressor, limiter), at millisecond resolution.
//!
//! A gain around 1 is read from weighted projections of the mix on the matched backing ([`Projection`]), each region of the
//! spectrum counting by how far it can be trusted ([`RegionTrust`]). How the level moves, and the level itself, follow from
//! that ([`MovementEstimator`]).

use crate::dsp::frame_ring::FrameRing;
use crate::dsp::kalman::decaying_level::DecayingLevel;
use crate::dsp::sizes::Sizes;
use crate::matching::follower_gain::FollowerGain;
use crate::matching::movement::{FOLLOWED_RANGE, Movement};
use crate::matching::movement_estimator::{MeasuredHalves, MovementEstimator, measured_level};
use crate::matching::projection::{Projection, ProjectionSums, runs};
use crate::matching::region_trust::{NUM_REGIONS, RegionTrust, region};
use crate::spectral::halves::halves;
use crate::spectral::lanes::{Lanes, Real};
use crate::spectral::stft::{StereoBins, Stft, silence, stereo_bins};
use multiversion::multiversion;
use std::ops::Range;

/// Frame at 44.1 and 48 kHz, samples; there is one a hop. Chosen by hand; not measured.
const FRAME: usize = 512;
/// Fixed lag of the smoother, frames. Chosen by hand; not measured.
const SMOOTHER_LAG: usize = 32;
/// Frames kept: those being smoothed and one neighbour on either side for the weights.
const FRAMES_KEPT: usize = SMOOTHER_LAG + 3;
/// Ages, in frames, at which a frame is weighted again with the level known by then: for learning how the level moves, and
/// for good. Chosen by hand; not measured.
const LEARNING_AGE: usize = 8;
const LAST_AGE: usize = 16;
/// Least process noise in the bank, variance per frame. Chosen by hand; not measured.
const LEAST_PROCESS_NOISE: f64 = 1e-8;
/// Band in which the level is read, Hz: most codecs end above it. Up to 15 kHz instead of 5, with the regions that this
/// needs, won 4 to 12 dB on four mixes through compressors and limiters.
const BAND_HZ: (f64, f64) = (40.0, 15_000.0);
/// Where it ends while the delay moves, Hz: that is never known to more than a part of a sample, and what is missing looks
/// like a level to the treble. Chosen by hand; not measured.
const MOVING_DELAY_HZ: f64 = 5_000.0;
/// Factor by which the level falls back to 1 at each hop once it is followed no longer, so that letting go never steps; and
/// the movement at which it has arrived. Chosen by hand; not measured.
const RELEASE: f64 = 0.85;
const RELEASED: f64 = 1e-6;

#[derive(Clone)]
struct Frame {
    /// Spectra of mix and matched backing.
    spectra: [StereoBins; 2],
    is_cut: bool,
    /// Movement re 1: assumed for the weights, then smoothed.
    level: f64,
    sums: Sums,
    measured: DecayingLevel,
    halves: MeasuredHalves,
}

/// Projections summed in each region of the spectrum: of the bins of either half, and of those of none.
#[derive(Clone, Default)]
struct Sums {
    regions: [[ProjectionSums; 3]; NUM_REGIONS],
    /// Levels of the frames around that the weights assume, and the bins read: with the same the sums are the same.
    made_for: Option<([f64; 3], usize)>,
}

/// The level follower.
#[derive(Clone)]
pub struct Follower {
    stft: Stft,
    projection: Projection,
    /// Bins, the region that they lie in, and the half, or 2 for none; the first bin is but a neighbour.
    runs: Vec<(Range<usize>, (usize, usize))>,
    num_bins: usize,
    /// Bins read while the delay moves, and now.
    num_read_if_moving: usize,
    num_read: usize,
    trust: RegionTrust,
    frames: FrameRing<Frame>,
    /// What is known before the oldest frame that is smoothed.
    prior: DecayingLevel,
    estimator: MovementEstimator,
    learning: bool,
    latency_samples: usize,
    /// Movement at the end of the last hop, re 1.
    output: f32,
}

impl Follower {
    /// A follower at rest.
    pub fn new(sizes: Sizes) -> Self {
        let (len, hop) = (sizes.scaled(FRAME), sizes.hop());
        let bin_hz = sizes.sample_rate_hz / len as f64;
        let first_bin = ((BAND_HZ.0 / bin_hz).ceil() as usize).max(1) - 1;
        // One neighbour more on either side, for the smoothing of the weights.
        let last_bin = ((BAND_HZ.1 / bin_hz) as usize + 1).min(len / 2);
        let num_bins = last_bin + 1 - first_bin;
        let half_of_bin = halves(first_bin, num_bins);
        let frame = Frame {
            spectra: [stereo_bins(num_bins), stereo_bins(num_bins)],
            is_cut: false,
            level: 0.0,
            sums: Sums::default(),
            measured: DecayingLevel::NONE,
            halves: MeasuredHalves::NONE,
        };
        Self {
            stft: Stft::new(len, first_bin, num_bins),
            projection: Projection::new(num_bins),
            runs: runs(1..num_bins, |bin| {
                (region((first_bin + bin) as f64 * bin_hz), half_of_bin[bin].unwrap_or(2))
            }),
            num_bins,
            num_read_if_moving: ((MOVING_DELAY_HZ / bin_hz) as usize + 1).saturating_sub(first_bin),
            num_read: num_bins,
            trust: RegionTrust::new(hop as f64 / sizes.sample_rate_hz),
            frames: FrameRing::new(frame, FRAMES_KEPT),
            prior: DecayingLevel::default(),
            estimator: MovementEstimator::new(LEAST_PROCESS_NOISE, 1, hop, sizes.sample_rate_hz),
            learning: true,
            latency_samples: len / 2 + (SMOOTHER_LAG + 1) * hop,
            output: 0.0,
        }
    }

    /// How far behind its input the gain is, samples: half a window, one frame for the weights and the lag. At the end of
    /// the hop that far back lies the middle of the oldest frame that is smoothed.
    pub fn latency_samples(&self) -> usize {
        self.latency_samples
    }

    /// Forgets the signals and what was learned from them about the movement.
    pub fn reset(&mut self) {
        self.stft.reset();
        self.frames.reset(|frame| {
            silence(&mut frame.spectra);
            (frame.level, frame.measured, frame.halves) = (0.0, DecayingLevel::NONE, MeasuredHalves::NONE);
        });
        self.trust.reset();
        self.output = 0.0;
        self.prior = DecayingLevel::default();
        self.forget_statistics();
    }

    /// Starts the movement statistics over, for when the match beneath them has changed.
    pub fn forget_statistics(&mut self) {
        self.estimator.forget();
    }

    /// Movement in force.
    pub fn movement(&self) -> Movement {
        self.estimator.movement()
    }

    /// Whether following the movement in force pays.
    pub fn set_pays(&mut self, pays: bool) {
        self.estimator.set_pays(pays);
    }

    /// Takes a movement as known.
    pub fn set_movement(&mut self, movement: Movement) {
        self.estimator.recall(movement);
    }

    /// Whether the movement may be learned further.
    pub fn set_learning(&mut self, learning: bool) {
        self.learning = learning;
    }

    /// Takes one hop of mix and matched backing. `steady` = the delay stands still; `engaged` lets the level move at all.
    pub fn process(
        &mut self,
        mix: [&[f32]; 2],
        matched: [&[f32]; 2],
        steady: bool,
        engaged: bool,
    ) -> FollowerGain {
        self.num_read = if steady { self.num_bins } else { self.num_read_if_moving };
        self.take_frame(mix, matched);
        // A frame needs one neighbour on either side. Where nothing moves and nothing is learned, nobody asks.
        if self.frames.num_frames() >= 3 && (self.learning || self.movement().moves()) {
            measure(self, 1);
            if self.frames.num_frames() > LEARNING_AGE as u64 + 2 {
                measure(self, LEARNING_AGE);
                if self.learning {
                    self.estimator.hear(&self.frames[LEARNING_AGE].halves);
                }
            }
            if self.frames.num_frames() > LAST_AGE as u64 + 2 {
                let sums = measure(self, LAST_AGE);
                self.trust.hear(&sums);
            }
        }
        let target = if engaged && self.movement().moves() { self.smooth() } else { self.release() };
        let from = std::mem::replace(&mut self.output, target as f32);
        FollowerGain { from: 1.0 + from, to: 1.0 + self.output }
    }

    fn take_frame(&mut self, mix: [&[f32]; 2], matched: [&[f32]; 2]) {
        self.frames.advance();
        let predicted = self.frames[1].level * self.estimator.decay();
        let frame = &mut self.frames[0];
        (frame.level, frame.measured, frame.sums.made_for) = (predicted, DecayingLevel::NONE, None);
        self.stft.push([mix, matched]);
        frame.is_cut = self.stft.is_cut();
        self.stft.analyse(&mut frame.spectra);
    }

    /// Fixed-lag smoothing; returns the movement at the oldest frame.
    fn smooth(&mut self) -> f64 {
        let ages = (1..=SMOOTHER_LAG + 1).rev();
        let mut stretch = [DecayingLevel::NONE; SMOOTHER_LAG + 1];
        for (known, age) in stretch.iter_mut().zip(ages.clone()) {
            *known = self.frames[age].measured;
        }
        self.estimator.smooth(&mut self.prior, &mut stretch);
        for (smoothed, age) in stretch.iter().zip(ages) {
            self.frames[age].level = smoothed.level.clamp(FOLLOWED_RANGE.0, FOLLOWED_RANGE.1);
        }
        self.frames[0].level = self.frames[1].level * self.estimator.decay();
        self.frames[SMOOTHER_LAG + 1].level
    }

    /// The movement on its way from the last one back to none.
    fn release(&mut self) -> f64 {
        self.prior = DecayingLevel::default();
        self.frames.iter_mut().for_each(|frame| frame.level = 0.0);
        let level = f64::from(self.output) * RELEASE;
        if level.abs() < RELEASED { 0.0 } else { level }
    }
}

/// Measures the level in the frame of an age, with weights from the residual around it; the sums in each region of the
/// spectrum. Nothing is measured where the music is cut off: each bin holds the edge, and how high that is in either signal is
/// chance.
fn measure(follower: &mut Follower, age: usize) -> [ProjectionSums; NUM_REGIONS] {
    if follower.frames[age].is_cut || follower.frames[age - 1].is_cut {
        let frame = &mut follower.frames[age];
        (frame.measured, frame.halves) = (DecayingLevel::NONE, MeasuredHalves::NONE);
        return Default::default();
    }
    let made_for = Some((follower.frames.around(age).map(|frame| frame.level), follower.num_read));
    if follower.frames[age].sums.made_for != made_for {
        follower.frames[age].sums = Sums { regions: project(follower, age), made_for };
    }
    let trust = &follower.trust;
    let frame = &mut follower.frames[age];
    let regions = frame.sums.regions.map(|parts| [0, 1].map(|i| parts.iter().map(|sums| sums[i]).sum()));
    let half = |half: usize| trust.sum(&frame.sums.regions.map(|parts| parts[half]));
    frame.halves = MeasuredHalves::new([half(0), half(1)]);
    frame.measured = measured_level(trust.sum(&regions));
    regions
}

#[multiversion(targets("x86_64+avx2"))]
fn project(follower: &mut Follower, age: usize) -> [[ProjectionSums; 3]; NUM_REGIONS] {
    let frames = follower.frames.around(age);
    let gains = frames.map(|frame| Lanes::all(1.0 + frame.level as f32));
    follower.projection.project(frames.map(|frame| &frame.spectra), |frame, _| gains[frame]);
    let mut sums = [[[0.0; 2]; 3]; NUM_REGIONS];
    for (bins, (region, part)) in follower.runs.iter().take_while(|(bins, _)| bins.start < follower.num_read)
    {
        let bins = bins.start..bins.end.min(follower.num_read);
        let run = follower.projection.sum(bins);
        (0..2).for_each(|i| sums[*region][*part][i] += run[i]);
    }
    sums
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;

    /// A level that goes up and down four times a second, without a voice: it is followed at the moment it was heard in. One
    /// hop off it would be wrong by 0.014.
    #[test]
    fn a_movement_is_followed_when_it_happens() {
        let (rate, sizes) = (48_000, Sizes::new(48_000.0));
        let gain = |n: usize| 1.0 + 0.3 * (std::f32::consts::TAU * 4.0 * n as f32 / rate as f32).sin();
        let song = noise(4 * rate, 1);
        let mix: Vec<f32> = song.iter().enumerate().map(|(n, b)| gain(n) * b).collect();
        let mut follower = Follower::new(sizes);
        follower.set_movement(Movement { process: 1e-4, tau_s: 0.5, measurement: 2.0 });
        follower.set_learning(false);
        let (hop, mut errors) = (sizes.hop(), Vec::new());
        for at in (0..mix.len() - hop).step_by(hop) {
            let (mix, matched) = (&mix[at..at + hop], &song[at..at + hop]);
            let gain_now = follower.process([mix, mix], [matched, matched], true, true);
            if at > rate {
                errors.push((gain_now.to - gain(at + hop - follower.latency_samples())).powi(2));
            }
        }
        let error = (errors.iter().sum::<f32>() / errors.len() as f32).sqrt();
        assert!(error < 0.004, "{error}");
    }

    /// A song that is cut off where the voice takes three quarters of what the backing is: all that its edge holds says so, and is not
    /// believed.
    #[test]
    fn where_a_song_is_cut_off_nothing_is_measured() {
        let (rate, sizes) = (48_000, Sizes::new(48_000.0));
        let tones = |hz: [f32; 3]| -> Vec<f32> {
            let tone = |n: usize, hz: f32| (std::f32::consts::TAU * hz * n as f32 / rate as f32).cos();
            (0..rate).map(|n| hz.iter().map(|&hz| 0.1 * tone(n, hz)).sum()).collect()
        };
        let (song, voice) = (tones([110.0, 620.0, 1_900.0]), tones([180.0, 410.0, 2_700.0]));
        let mix: Vec<f32> = song.iter().zip(&voice).map(|(b, v)| b - 0.75 * v).collect();
        let mut follower = Follower::new(sizes);
        follower.set_movement(Movement { process: 1e-4, tau_s: 8.0, measurement: 0.5 });
        follower.set_learning(false);
        for at in (0..rate / 5).step_by(sizes.hop()) {
            let part = at..at + sizes.hop();
            let gain = follower.process([&mix[part.clone()]; 2], [&song[part]; 2], true, true);
            assert!((gain.to - 1.0).abs() < 0.02, "{gain:?} at {at}");
        }
    }

    /// A level that stands still, under a voice: what was learned at this delay gives way at once, what is recalled not
    /// before it was listened to for as long as the statistics remember.
    #[test]
    fn a_recalled_movement_is_not_given_up_at_once() {
        let rate = 16_000;
        let (song, voice) = (noise(10 * rate, 1), noise(10 * rate, 2));
        let mix: Vec<f32> = song.iter().zip(&voice).map(|(b, v)| b + v).collect();
        let known = Movement { process: 1e-4, tau_s: 0.5, measurement: 2.0 };
        let moves_after = |seconds: f64, is_recalled: bool| {
            let sizes = Sizes::new(rate as f64);
            let mut follower = Follower::new(sizes);
            follower.set_movement(known);
            if !is_recalled {
                follower.forget_statistics();
            }
            let hop = sizes.hop();
            for at in (0..(seconds * rate as f64) as usize).step_by(hop) {
                let (mix, matched) = (&mix[at..at + hop], &song[at..at + hop]);
                follower.process([mix, mix], [matched, matched], true, true);
            }
            follower.movement().moves()
        };
        let moves =
            [(2.0, true), (9.0, true), (2.0, false)].map(|(seconds, known)| moves_after(seconds, known));
        assert_eq!(moves, [true, false, false]);
    }
}
