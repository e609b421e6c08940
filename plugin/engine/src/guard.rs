//! The rule "never worse": no half second of the difference, counted in whole hops, is louder than the mix by more than
//! 1 dB, and nothing is subtracted from silence.
//!
//! Each half second is measured by the mix in all of it, which is known ahead: an onset by the music it starts, and a
//! backing that goes on when the mix falls by what the mix falls to. Silence is no measure: none begins in it, and one
//! that would end in it is measured by the last sound before.

use crate::dsp::ring::Stereo;
use crate::dsp::units::sum_of_products;
use std::collections::VecDeque;

/// Length of a window, seconds, as far as the mix is known ahead.
const WINDOW_S: f64 = 0.5;
/// Energy by which the difference may exceed the mix in a window, as a share of the energy of the mix, before the backing
/// is faded out; and at most, while it fades. 1 dB would be 0.2589.
const EXCESS: f64 = 0.2;
const MOST_EXCESS: f64 = 0.25;
/// Mean square below which nothing counts: the first ring of a filter before the music starts (-80 dB re full scale).
const INAUDIBLE: f64 = 1e-8;
/// Once it has stepped in, the difference must not exceed the mix for this long, seconds.
const RELEASE_S: f64 = 0.03;

/// Says how much of the matched backing may be subtracted. It fades over one hop.
pub struct Guard {
    /// Energies of the hops of the mix from the one that is about to leave to the newest.
    ahead: VecDeque<f64>,
    /// Energies of the hops of the mix in the window that begins with the one that is about to leave: those that sound.
    following: VecDeque<f64>,
    /// The windows that the hop is part of that is about to leave, oldest first.
    windows: VecDeque<Window>,
    /// Gain at the end of the last hop: open or shut.
    gain: f32,
    /// Gains of the last hop, sample by sample.
    pub gains: Vec<f32>,
    closed_hops: usize,
    was_silent: bool,
    release_hops: usize,
    /// Energy of a hop that is not heard.
    inaudible: f64,
}

impl Guard {
    /// A guard that lets everything pass; the mix is heard `ahead_samples`, whole hops, before it leaves.
    pub fn new(hop: usize, ahead_samples: usize, sample_rate_hz: f64) -> Self {
        let hops = |s: f64| (s * sample_rate_hz / hop as f64).round() as usize;
        let ahead_hops = ahead_samples / hop;
        Self {
            ahead: VecDeque::from(vec![0.0; ahead_hops + 1]),
            following: VecDeque::from(vec![0.0; hops(WINDOW_S).min(ahead_hops)]),
            windows: VecDeque::from(vec![Window::SILENT; hops(WINDOW_S).min(ahead_hops)]),
            gain: 1.0,
            gains: vec![1.0; hop],
            closed_hops: 0,
            was_silent: true,
            release_hops: hops(RELEASE_S),
            inaudible: INAUDIBLE * (2 * hop) as f64,
        }
    }

    /// Forgets what it heard.
    pub fn reset(&mut self) {
        self.ahead.iter_mut().chain(&mut self.following).for_each(|x| *x = 0.0);
        self.windows.iter_mut().for_each(|window| *window = Window::SILENT);
        (self.gain, self.closed_hops, self.was_silent) = (1.0, 0, true);
    }

    /// Hears the newest hop of the mix.
    pub fn hear(&mut self, mix: &Stereo) {
        let energy = mix.iter().map(|side| sum_of_products(side, side)).sum();
        self.ahead.pop_front();
        self.ahead.push_back(energy);
        let last = self.ahead[self.following.len() - 1];
        if last > self.inaudible {
            self.following.pop_front();
            self.following.push_back(last);
        }
    }

    /// Takes the hop that is about to leave and finds the backing's gains. `by_hand`: all of it shall be subtracted,
    /// whatever comes of that.
    pub fn process(&mut self, mix: &Stereo, matched: &Stereo, by_hand: bool) {
        // The last hop before a sound is its beginning.
        let is_silent = self.ahead.iter().take(2).all(|&energy| energy <= self.inaudible);
        let with_all = excess(mix, matched, 1.0, 1.0);
        // Mostly it stays open.
        let excess =
            |from, to| if (from, to) == (1.0, 1.0) { with_all } else { excess(mix, matched, from, to) };
        let is_louder = with_all > self.inaudible;
        self.begin_window(is_silent);
        if by_hand {
            self.windows.iter_mut().for_each(|window| window.excess = 0.0);
            self.closed_hops = 0;
        } else if !is_silent {
            // A hop that is not louder than the mix can only make good.
            let is_too_loud = excess(self.gain, 1.0) > self.room(EXCESS);
            if is_louder && (is_too_loud || self.closed_hops > 0) {
                self.closed_hops = self.release_hops;
            } else {
                self.closed_hops = self.closed_hops.saturating_sub(1);
            }
        }
        let is_shut = !by_hand && (self.closed_hops > 0 || is_silent && is_louder);
        let target = if is_shut { 0.0 } else { 1.0 };
        let mut fading = excess(self.gain, target);
        let fades = !(is_silent && self.was_silent) && fading <= self.room(MOST_EXCESS);
        if is_shut && !fades {
            // Even a fade would be too loud.
            (self.gain, fading) = (0.0, 0.0);
        }
        self.was_silent = is_silent;
        self.windows.iter_mut().for_each(|window| window.excess += fading);
        let len = self.gains.len();
        if self.gain == target {
            self.gains.fill(target);
        } else {
            self.gains.iter_mut().zip(ramp(self.gain, target, len)).for_each(|(to, gain)| *to = gain);
        }
        self.gain = target;
    }

    /// A window begins with the hop that is about to leave, and the oldest one is over.
    fn begin_window(&mut self, in_silence: bool) {
        let energy = self.following.iter().sum::<f64>().max(self.inaudible * self.following.len() as f64);
        self.windows.pop_front();
        self.windows.push_back(if in_silence { Window::SILENT } else { Window { energy, excess: 0.0 } });
    }

    /// Energy that the output may still have over the mix, in every window, for so large a share of the mix.
    fn room(&self, share: f64) -> f64 {
        self.windows.iter().map(|window| share * window.energy - window.excess).fold(f64::INFINITY, f64::min)
    }
}

/// Half a second of which a part has left.
#[derive(Clone, Copy)]
struct Window {
    /// Energy of the mix in all of it.
    energy: f64,
    /// By how much the output exceeds the mix in it so far, energy; negative where it is softer.
    excess: f64,
}

impl Window {
    /// One that begins in silence, which is no measure of anything.
    const SILENT: Self = Self { energy: f64::INFINITY, excess: 0.0 };
}

/// Gains of a hop that lead from one to another.
fn ramp(from: f32, to: f32, len: usize) -> impl Iterator<Item = f32> {
    (1..=len).map(move |n| from + (to - from) * (n as f32 / len as f32))
}

/// By how much the energy of the difference exceeds that of the mix while the backing's gain goes from one to another:
/// (x - b)^2 - x^2.
fn excess(mix: &Stereo, matched: &Stereo, from: f32, to: f32) -> f64 {
    let mut sum = 0.0;
    for (mix, matched) in mix.iter().zip(matched) {
        if from == to {
            let gain = f64::from(to);
            sum += gain * (gain * sum_of_products(matched, matched) - 2.0 * sum_of_products(mix, matched));
            continue;
        }
        for ((&x, &b), gain) in mix.iter().zip(matched).zip(ramp(from, to, mix.len())) {
            let (x, b) = (f64::from(x), f64::from(b * gain));
            sum += b * (b - 2.0 * x);
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;
    use std::ops::Range;

    const HOP: usize = 128;
    /// Longer than the window.
    const AHEAD: usize = 208;
    const LEN: usize = 1000 * HOP;
    /// Where something happens; not where a hop ends.
    const CUT: usize = 500 * HOP + 37;

    /// Runs a guard at 48 kHz over mix and backing, both sides alike; what is subtracted.
    fn run(mix: &[f32], backing: &[f32]) -> Vec<f32> {
        let mut guard = Guard::new(HOP, AHEAD * HOP, 48_000.0);
        let hop = |x: &[f32], at: usize| -> Stereo {
            let at = (at * HOP).min(x.len());
            let mut hop = x[at..(at + HOP).min(x.len())].to_vec();
            hop.resize(HOP, 0.0);
            [hop.clone(), hop]
        };
        (0..AHEAD).for_each(|at| guard.hear(&hop(mix, at)));
        let mut out = Vec::new();
        for at in 0..mix.len() / HOP {
            guard.hear(&hop(mix, at + AHEAD));
            let matched = hop(backing, at);
            guard.process(&hop(mix, at), &matched, false);
            out.extend(matched[0].iter().zip(&guard.gains).map(|(b, gain)| b * gain));
        }
        out
    }

    /// Noise at a level from the cut on, at full scale before.
    fn falling(seed: u32, level: f32) -> Vec<f32> {
        noise(LEN, seed).into_iter().enumerate().map(|(n, x)| if n < CUT { x } else { level * x }).collect()
    }

    /// Largest excess of the difference over the mix in any half second of whole hops, dB.
    fn louder_db(mix: &[f32], subtracted: &[f32]) -> f64 {
        let energies = |x: &dyn Fn(usize) -> f32| -> Vec<f64> {
            (0..subtracted.len() / HOP)
                .map(|hop| (HOP * hop..HOP * (hop + 1)).map(|n| f64::from(x(n)).powi(2)).sum())
                .collect()
        };
        let (mix, out) = (energies(&|n| mix[n]), energies(&|n| mix[n] - subtracted[n]));
        let window = 24_000 / HOP;
        (0..mix.len() - window)
            .map(|at| {
                let sum = |x: &[f64]| x[at..at + window].iter().sum::<f64>() + 24_000.0 * INAUDIBLE;
                10.0 * (sum(&out) / sum(&mix)).log10()
            })
            .fold(f64::MIN, f64::max)
    }

    /// A mix that holds so many times the backing for some hops, and otherwise the backing.
    fn mix_of(backing: &[f32], gain: f32, hops: Range<usize>) -> Vec<f32> {
        let mut mix = backing[..LEN].to_vec();
        mix[HOP * hops.start..HOP * hops.end].iter_mut().for_each(|x| *x *= gain);
        mix
    }

    /// A moment that was too loud is not held against the quiet after it.
    #[test]
    fn opens_again_after_a_loud_moment() {
        let backing = noise(LEN, 1);
        let mix = mix_of(&backing, -19.0, 100..107);
        assert!(run(&mix, &backing)[150 * HOP..] == backing[150 * HOP..]);
    }

    /// What a half second has room for is no reason to shut: 27 hops' energy over 172 of the mix.
    #[test]
    fn what_keeps_the_rule_is_subtracted() {
        let backing = noise(LEN, 1);
        let mix = mix_of(&backing, -0.3, 500..517);
        assert!(run(&mix, &backing) == backing[..LEN]);
    }

    /// Nor is a wrong backing in a loud part held against the right one in a soft part later.
    #[test]
    fn forgets_a_loud_part_in_half_a_second() {
        let (loud, other) = (noise(LEN, 1), falling(2, 0.05));
        // Now and then the voice cancels most of the backing for a hop.
        let rest = |n: usize| if (n / HOP).is_multiple_of(50) { 0.4 } else { 1.0 };
        let mix: Vec<f32> = (0..LEN).map(|n| if n < CUT { loud[n] } else { rest(n) * other[n] }).collect();
        let subtracted = run(&mix, &other);
        assert!(subtracted[450 * HOP..500 * HOP].contains(&0.0), "it must shut over the loud part");
        let later = CUT + 24_000 + HOP;
        assert!(subtracted[later..] == other[later..]);
    }

    /// Whatever the backing does, the output keeps the rule over every half second.
    #[test]
    fn no_half_second_is_louder_by_1_db() {
        let len = 4000 * HOP;
        let level = |n: usize| [0.01, 30.0, 2.0, 0.7, 0.0, 1.0, 3.0][n / (61 * HOP) % 7];
        let backing: Vec<f32> = noise(len, 2).iter().enumerate().map(|(n, x)| level(n) * x).collect();
        let mix_level = |n: usize| [1.0, 0.3, 2.0, 0.1][n / (83 * HOP) % 4];
        let mix: Vec<f32> = noise(len, 1).iter().enumerate().map(|(n, x)| mix_level(n) * x).collect();
        let subtracted = run(&mix, &backing);
        let louder_db = louder_db(&mix, &subtracted);
        assert!(louder_db < 1.0, "{louder_db} dB");
        assert!(subtracted.iter().any(|&b| b != 0.0), "it must open as well");
    }

    /// A loud song gives way to a quiet mix of which the backing knows nothing, and the backing plays on.
    #[test]
    fn a_backing_that_outlives_its_counterpart_is_shut_at_once() {
        let backing = noise(LEN, 1);
        for level in [1e-3, 1e-2, 0.1] {
            let other = falling(2, level);
            let mix: Vec<f32> = (0..LEN).map(|n| if n < CUT { backing[n] } else { other[n] }).collect();
            let subtracted = run(&mix, &backing);
            let louder_db = louder_db(&mix, &subtracted);
            assert!(louder_db < 1.0, "{louder_db} dB over a mix at {level}");
            assert!(subtracted[..500 * HOP] == backing[..500 * HOP], "shut before it had to be");
        }
    }

    /// Music that begins after the half second is no excuse for an excess in it.
    #[test]
    fn a_loud_part_that_is_yet_to_come_allows_nothing() {
        let mix: Vec<f32> =
            noise(LEN, 1).into_iter().enumerate().map(|(n, x)| if n < CUT { 0.1 * x } else { x }).collect();
        // A burst while the loud part is known already, but lies further ahead than half a second.
        let burst = 500 - AHEAD + 12..500 - 24_000 / HOP - 1;
        let is_loud = |n: usize| burst.contains(&(n / HOP));
        let backing: Vec<f32> =
            noise(LEN, 2).into_iter().enumerate().map(|(n, x)| if is_loud(n) { x } else { 0.0 }).collect();
        let subtracted = run(&mix, &backing);
        let louder_db = louder_db(&mix[..500 * HOP], &subtracted[..500 * HOP]);
        assert!(louder_db < 1.0, "{louder_db} dB");
    }

    /// The mix falls silent over the backing: from the end of the next hop on nothing is subtracted, and all of it before.
    #[test]
    fn nothing_is_subtracted_from_silence() {
        let (mix, backing) = (falling(1, 0.0), falling(1, 1.0));
        let subtracted = run(&mix, &backing);
        assert!(subtracted[..501 * HOP] == backing[..501 * HOP]);
        assert!(subtracted[502 * HOP - 1..].iter().all(|&b| b == 0.0));
        // As it goes, it comes.
        let [mix, backing] = [mix, backing].map(|x| x.into_iter().rev().collect::<Vec<f32>>());
        let subtracted = run(&mix, &backing);
        assert!(subtracted[..498 * HOP].iter().all(|&b| b == 0.0));
        assert!(subtracted[499 * HOP..] == backing[499 * HOP..]);
    }

    /// Where the mix falls silent a backing far too loud does not fade, it stops: the fade alone would be a blast.
    #[test]
    fn silence_is_no_room_for_a_blast() {
        let is_sounding = |n: usize| n < 500 * HOP;
        let song = noise(LEN, 1);
        let mix: Vec<f32> = (0..LEN).map(|n| if is_sounding(n) { song[n] } else { 0.0 }).collect();
        let backing: Vec<f32> = (0..LEN).map(|n| if is_sounding(n) { song[n] } else { 1e4 }).collect();
        assert!(run(&mix, &backing) == mix);
    }

    /// What a filter lets ring ahead of the music is no reason to let its first moments pass.
    #[test]
    fn an_onset_after_silence_is_subtracted_whole() {
        let backing: Vec<f32> =
            noise(LEN, 1).iter().enumerate().map(|(n, x)| if n < CUT { 1e-3 * x } else { *x }).collect();
        let mix: Vec<f32> = backing.iter().enumerate().map(|(n, x)| if n < CUT { 0.0 } else { *x }).collect();
        assert!(run(&mix, &backing)[500 * HOP..] == backing[500 * HOP..]);
    }

    /// In the last moments before silence a voice and a backing may cancel: what is left of the song is not worse for that.
    #[test]
    fn the_end_of_a_song_is_no_excess() {
        let (backing, voice) = (falling(1, 0.0), falling(2, 0.0));
        let mix: Vec<f32> =
            (0..LEN).map(|n| backing[n] + if n + 40 < CUT { voice[n] } else { -0.8 * backing[n] }).collect();
        assert!(run(&mix, &backing)[..CUT] == backing[..CUT]);
    }
}
