//! How each part lies in a mix: START HERE for the order of the work.

use std::{
    path::{Path, PathBuf},
    sync::atomic::{AtomicBool, AtomicUsize, Ordering::Relaxed},
    thread,
};

use anyhow::Result;
use minuend_parts::{Choice, Correlation, Frame, Normal, Residue, Sizes, Weights, choose, peaks, places};

use super::{
    fit::{Fit, Found},
    streams::{Side, Streams, open_parts},
};
use crate::{
    parallel::{in_parallel, jobs_at_a_time},
    passes::{coarse, coarse_step},
    progress::{Progress, tell},
    read::AudioReader,
};

/// How often the song is gone over to gather what parts and mix have in common: what a pass leaves is what the next one weighs
/// by. After three a known mix is nulled as deep as it gets.
const PASSES: usize = 3;
/// Frames that belong to one half of the song before the other has its turn: 1.4 s.
const TURN: usize = 16;
/// In a song of fewer frames, 3 s, nothing is judged.
const LEAST_FRAMES: u64 = 32;
/// What is this far from where most parts lie still belongs there, s.
const NEAR_S: f64 = 0.04;
/// A part is where most of them are unless it agrees so many times better elsewhere: loops agree in several places. A loop in the
/// wrong one of these reached 1.25, and parts that were moved 6.
const ELSEWHERE: f32 = 2.0;
/// Peaks are told apart from this distance on, s.
const APART_S: f64 = 0.01;

/// Finds out how each part lies in a mix. `progress` is told how much is done, 0 to 1, and can break off.
pub fn fit(mix: &Path, parts: &[PathBuf], progress: &mut Progress) -> Result<Found> {
    let reader = AudioReader::open(mix)?;
    let (rate_hz, num_sides) = (reader.sample_rate_hz(), reader.num_channels());
    let sizes = Sizes::new(f64::from(rate_hz));
    let mut fit = Fit::as_they_came(parts, sizes, num_sides)?;
    let audible = parts.iter().zip(&fit.parts).filter(|(_, part)| !part.is_silent);
    let audible: Vec<PathBuf> = audible.map(|(path, _)| path.clone()).collect();
    let mut song = Song { mix, delays: vec![0; audible.len()], parts: audible, rate_hz, sizes, num_sides };
    let mut steps = Steps { progress, done: 0 };
    let agrees = song.place(&mut steps)?;
    let mut choice = Choice::nothing(sizes, num_sides, song.parts.len());
    for pass in 1..=PASSES {
        let sides = song.gather(&choice, &mut steps)?;
        if sides.iter().any(|(_, num_frames)| *num_frames < LEAST_FRAMES) {
            choice = Choice::as_they_came(sizes, num_sides, song.parts.len());
            break;
        }
        let sides: Vec<[Normal; 2]> = sides.into_iter().map(|(halves, _)| halves).collect();
        choice = choose(&sides, &choice, pass == PASSES, &of_each);
    }
    let audible = fit.parts.iter_mut().filter(|part| !part.is_silent);
    for (idx, part) in audible.enumerate() {
        part.model = choice.models[idx];
        part.delay_samples = song.delays[idx];
        part.agrees = agrees[idx];
        part.taps = choice.taps.iter().map(|side| side[idx].clone()).collect();
    }
    Ok(Found { fit, wins: choice.wins })
}

/// Takes a frame into what is gathered: by its number, with the weights of its bins.
type EachFrame<'a, T> = dyn Fn(&mut T, usize, &Frame, &[f32]) + Sync + 'a;

/// A mix and its parts, and where these lie by now.
struct Song<'a> {
    mix: &'a Path,
    parts: Vec<PathBuf>,
    /// How much later the mix has each part, samples.
    delays: Vec<i64>,
    rate_hz: u32,
    sizes: Sizes,
    num_sides: usize,
}

impl Song<'_> {
    /// Where the parts may lie, roughly, by the whole of the song: of each where most of them are first, samples.
    fn places(&self, steps: &mut Steps) -> Result<Vec<Vec<i64>>> {
        let rate_hz = self.rate_hz;
        let step = coarse_step(rate_hz);
        let is_wanted = AtomicBool::new(true);
        let mix = coarse(AudioReader::open(self.mix)?, step, &is_wanted)?;
        let samples = |s: f64| (s * f64::from(rate_hz / step)) as usize;
        let peaks = |part: &PathBuf, _: &mut Progress| {
            let part = coarse(AudioReader::open_at(part, rate_hz)?, step, &is_wanted)?;
            Ok(peaks(&mix, &part, samples(APART_S)))
        };
        let found = steps.on_all(&self.parts, &peaks)?;
        let places = places(&found, samples(NEAR_S) as i64);
        let fine = |places: Vec<i64>| places.into_iter().map(|place| place * i64::from(step)).collect();
        Ok(places.into_iter().map(fine).collect())
    }

    /// Places the parts to the sample, each in one of its places; which of them agree with the mix.
    fn place(&mut self, steps: &mut Steps) -> Result<Vec<bool>> {
        let places = self.places(steps)?;
        let all = || {
            places
                .iter()
                .enumerate()
                .flat_map(|(part, places)| places.iter().map(move |&place| (part, place)))
        };
        // As if each place were a part.
        let tried = Song {
            mix: self.mix,
            parts: all().map(|(part, _)| self.parts[part].clone()).collect(),
            delays: all().map(|(_, place)| place).collect(),
            ..*self
        };
        let nothing = Choice::nothing(self.sizes, self.num_sides, tried.parts.len());
        let new = || Correlation::new(self.sizes, tried.parts.len());
        let sides = tried.go_over(&nothing, steps, &new, &|correlation, _, frame, weights| {
            correlation.add(frame, weights);
        })?;
        let sides: Vec<Correlation> = sides.into_iter().map(|(correlation, _)| correlation).collect();
        let mut heights = vec![0.0; self.parts.len()];
        for (idx, (part, place)) in all().enumerate() {
            if let Some(peak) = Correlation::peak(&sides, idx)
                && peak.height > ELSEWHERE * heights[part]
            {
                heights[part] = peak.height;
                self.delays[part] = place + peak.lag;
            }
        }
        let agrees: Vec<bool> = heights.into_iter().map(|height| height > 0.0).collect();
        self.place_together(&agrees);
        Ok(agrees)
    }

    /// Puts parts that lie hardly apart where most of them do: exported together, and a fraction of a sample beside a whole one, they
    /// are found on either side. So does what agrees nowhere.
    fn place_together(&mut self, agrees: &[bool]) {
        let near = |a: i64, b: i64| a.abs_diff(b) <= self.sizes.short_samples() as u64 / 8;
        let agreeing =
            || self.delays.iter().zip(agrees).filter(|(_, agrees)| **agrees).map(|(&delay, _)| delay);
        let count = |is: &dyn Fn(i64) -> bool| agreeing().filter(|&delay| is(delay)).count();
        let most = agreeing()
            .max_by_key(|&delay| (count(&|other| near(other, delay)), count(&|other| other == delay)));
        let Some(common) = most else { return };
        for (delay, agrees) in self.delays.iter_mut().zip(agrees) {
            if !agrees || near(*delay, common) {
                *delay = common;
            }
        }
    }

    /// Gathers what mix and parts have in common, in two halves of the song that take turns, through filters.
    fn gather(&self, choice: &Choice, steps: &mut Steps) -> Result<Vec<([Normal; 2], u64)>> {
        let new = || [0; 2].map(|_| Normal::new(self.sizes, self.parts.len()));
        self.go_over(choice, steps, &new, &|halves, idx, frame, weights| {
            halves[idx / TURN % 2].add(frame, weights);
        })
    }

    /// Goes over the song once, both sides at a time: what came of each, and how many frames it had.
    fn go_over<T: Send>(
        &self,
        choice: &Choice,
        steps: &mut Steps,
        new: &(dyn Fn() -> T + Sync),
        each: &EachFrame<T>,
    ) -> Result<Vec<(T, u64)>> {
        let hop = self.sizes.hop_samples();
        let one = |&idx: &usize, progress: &mut Progress| {
            let side = Side { idx, of: self.num_sides };
            let mix = AudioReader::open(self.mix)?;
            let num_hops = mix.promised_samples().unwrap_or(u64::MAX).div_ceil(hop as u64).max(1);
            let mut mix = Streams::new(vec![mix], side, hop);
            let parts = open_parts(&self.parts, self.rate_hz, 0, self.delays.iter().copied())?;
            let mut parts = Streams::new(parts, side, hop);
            let mut residue = Residue::new(self.sizes, &choice.taps[idx]);
            let mut weights = Weights::default();
            let (mut gathered, mut num_frames) = (new(), 0);
            // What comes out is a frame late; where the mix is over, nothing is learned.
            while mix.read()? == hop {
                parts.read()?;
                let hops: Vec<&[f32]> = parts.hops().collect();
                let frame = residue.hear(mix.hops().next().unwrap_or_default(), &hops);
                each(&mut gathered, num_frames as usize, &frame, weights.of(frame.mix, frame.residue));
                num_frames += 1;
                _ = tell(progress, (num_frames as f64 / num_hops as f64).min(1.0))?;
            }
            Ok((gathered, num_frames))
        };
        steps.on_all(&(0..self.num_sides).collect::<Vec<_>>(), &one)
    }
}

/// A number for each of so many, on all processors.
fn of_each(count: usize, of: &(dyn Fn(usize) -> f64 + Sync)) -> Vec<f64> {
    let next = AtomicUsize::new(0);
    let one = || {
        let mut found = Vec::new();
        loop {
            let idx = next.fetch_add(1, Relaxed);
            if idx >= count {
                return found;
            }
            found.push((idx, of(idx)));
        }
    };
    let mut found: Vec<(usize, f64)> = thread::scope(|scope| {
        let others: Vec<_> = (1..jobs_at_a_time(None).min(count)).map(|_| scope.spawn(one)).collect();
        let ours = one();
        let theirs = others.into_iter().flat_map(|other| other.join().unwrap_or_default());
        theirs.chain(ours).collect()
    });
    found.sort_by_key(|&(idx, _)| idx);
    found.into_iter().map(|(_, value)| value).collect()
}

/// Steps of one length.
struct Steps<'a, 'b> {
    progress: &'a mut Progress<'b>,
    done: usize,
}

impl Steps<'_, '_> {
    /// Does the next step, one thing to every item on all processors; the first error if there is any.
    fn on_all<I: Sync, T: Send>(
        &mut self,
        items: &[I],
        one: &(dyn Fn(&I, &mut Progress) -> Result<T> + Sync),
    ) -> Result<Vec<T>> {
        let before = self.done as f64;
        let mut progress = |done: &[f64]| {
            let part = done.iter().sum::<f64>() / done.len().max(1) as f64;
            (self.progress)((before + part) / (PASSES + 2) as f64)
        };
        let results = in_parallel(items, jobs_at_a_time(None), one, &mut |_, _| (), &mut progress)?;
        self.done += 1;
        results.into_iter().collect()
    }
}
