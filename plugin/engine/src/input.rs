//! What came in: mix, backing and settings of the recent past, by position of the mix. Whoever needs the mix or the settings
//! that belong to a hop asks here for the hop's position.

use crate::align::search::{EARLY_S, LATE_S};
use crate::discontinuities::Discontinuities;
use crate::dsp::ring::{OwnRing, Ring, Stereo, sides_mut};
use crate::dsp::sizes::Sizes;
use crate::dsp::timeline::Timeline;
use crate::dsp::units::mean_square;
use crate::framing::InputHop;
use crate::learn::memory::MEMORY_S;
use crate::saturation::bend::Bend;
use crate::settings::Settings;

/// A backing quieter than this (mean square; -70 dB re full scale) counts as none.
pub const SILENT_BACKING: f64 = 1e-7;

/// The input of the recent past.
pub struct InputHistory {
    hop: usize,
    /// See [`InputHistory::now`].
    now: u64,
    /// The mix; as far back as a backing may be late. Kept for as long as the learner needs it, who follows this ring.
    pub mix: Ring,
    /// The backing; as far back as it may be early, and a second more. Kept as the mix is.
    pub backing: Ring,
    /// The mix as it came, as far back as the output reaches.
    mix_as_it_came: OwnRing,
    /// How both were bent, and the position from which on they are made straight.
    bend: Bend,
    is_bent: bool,
    straight_from: i64,
    /// Targets of trim and output level, sample by sample.
    levels: OwnRing,
    settings: Timeline<Settings>,
    /// Jumps of the host's transport.
    pub discontinuities: Discontinuities,
    /// Position in the song less position since the last reset, and the position from which on that holds.
    song_offset: i64,
    song_from: i64,
    /// Hops since a backing was last heard.
    silent_hops: u64,
}

impl InputHistory {
    /// Nothing came in. The output comes `latency_samples` after the newest hop, and what a job reads is kept until it has been
    /// out for `out_s` seconds.
    pub fn new(sizes: Sizes, latency_samples: usize, out_s: f64) -> Self {
        let hop = sizes.hop();
        let kept_for_learner = |remembered_s| {
            let remembered = sizes.samples(remembered_s);
            Ring::with_spare(remembered, sizes.samples(MEMORY_S + out_s) - remembered)
        };
        Self {
            hop,
            now: 0,
            mix: kept_for_learner(LATE_S),
            backing: kept_for_learner(EARLY_S + 1.0),
            mix_as_it_came: OwnRing::new(latency_samples + hop),
            bend: Bend::NONE,
            is_bent: false,
            straight_from: 0,
            levels: OwnRing::new(latency_samples + hop),
            settings: Timeline::new(latency_samples / hop + 1, hop),
            discontinuities: Discontinuities::NONE,
            song_offset: 0,
            song_from: i64::MIN,
            silent_hops: u64::MAX,
        }
    }

    /// Forgets everything but how both were bent.
    pub fn reset(&mut self) {
        [&mut self.mix, &mut self.backing].into_iter().for_each(|ring| ring.restart(0));
        [&mut self.mix_as_it_came, &mut self.levels].into_iter().for_each(|ring| ring.restart(0));
        self.now = 0;
        self.settings.restart(0);
        self.discontinuities = Discontinuities::NONE;
        (self.song_offset, self.song_from) = (0, i64::MIN);
        self.silent_hops = u64::MAX;
    }

    /// From the next hop on both are made straight that were bent so.
    pub fn set_bend(&mut self, bend: &Bend) {
        (self.bend, self.is_bent, self.straight_from) = (*bend, !bend.is_none(), self.end());
    }

    /// How both were bent, and whether they were.
    pub fn bend(&self) -> (&Bend, bool) {
        (&self.bend, self.is_bent)
    }

    /// Makes a backing that was read for a position of the mix, at a delay in samples, straight where the mix is, and bent where
    /// it is not: when a curve is put in force, one of them is still as it came where the other is straight.
    pub fn suit_to_mix(&self, at: i64, delay_samples: i64, backing: &mut Stereo) {
        if !self.is_bent {
            return;
        }
        let straight_from = |from: i64| (from - at).clamp(0, self.hop as i64) as usize;
        let [mix, read] = [0, delay_samples].map(|delay| straight_from(self.straight_from + delay));
        if mix < read {
            self.bend.undo_backing(backing.each_mut().map(|side| &mut side[mix..read]));
        } else {
            self.bend.redo_backing(backing.each_mut().map(|side| &mut side[read..mix]));
        }
    }

    /// Takes in the next hop, and makes it straight.
    pub fn push(&mut self, new: &mut InputHop) {
        self.mix_as_it_came.push([&new.mix[0], &new.mix[1]]);
        if self.is_bent {
            self.bend.undo_mix(sides_mut(&mut new.mix));
            self.bend.undo_backing(sides_mut(&mut new.backing));
        }
        self.mix.push([&new.mix[0], &new.mix[1]]);
        self.backing.push([&new.backing[0], &new.backing[1]]);
        self.levels.push([&new.trim, &new.output]);
        self.settings.push(new.settings);
        let is_heard = mean_square([&new.backing[0], &new.backing[1]]) > SILENT_BACKING;
        self.silent_hops = if is_heard { 0 } else { self.silent_hops.saturating_add(1) };
    }

    /// Position at which the oldest hop begins of which all of the mix is remembered.
    pub fn first_whole_hop(&self) -> i64 {
        let hop = self.hop as i64;
        -(-self.mix.begin()).div_euclid(hop) * hop
    }

    /// Position after the newest sample.
    pub fn end(&self) -> i64 {
        self.mix.end()
    }

    /// Hops that were worked on whole: the clock of everything that happens now and then.
    pub fn now(&self) -> u64 {
        self.now
    }

    /// The newest hop has been worked on.
    pub fn finish_hop(&mut self) {
        self.now += 1;
    }

    /// The settings that came with the newest hop.
    pub fn newest_settings(&self) -> Settings {
        self.settings_at(self.end() - 1)
    }

    /// The settings that came with a position. What was set first has always been so.
    pub fn settings_at(&self, position: i64) -> Settings {
        self.settings.at(position)
    }

    /// Reads the mix as it came, bent or not, from a position on.
    pub fn read_mix_as_it_came(&self, at: i64, out: &mut Stereo) {
        self.mix_as_it_came.read_stereo(at, out);
    }

    /// Reads the mix from a position on.
    pub fn read_mix(&self, at: i64, out: &mut Stereo) {
        self.mix.read_stereo(at, out);
    }

    /// Reads the targets of trim and output level from a position on, linear.
    pub fn read_levels(&self, at: i64, out: &mut Stereo) {
        self.levels.read_stereo(at, out);
    }

    /// Hops since a backing was last heard; without end if there was none.
    pub fn silent_hops(&self) -> u64 {
        self.silent_hops
    }

    /// Tells that the next sample to come, `filled` samples after the newest hop, is at this position in the song.
    pub fn set_song_position(&mut self, filled: usize, position: i64) {
        self.song_from = self.end() + filled as i64;
        self.song_offset = position - self.song_from;
    }

    /// Position in the song after the newest sample.
    pub fn song_position(&self) -> i64 {
        self.end() + self.song_offset
    }

    /// Position in the song of a position of the mix: what came before the newest jump is not placed in the song any more, and
    /// gives the position of the jump.
    pub fn in_song(&self, position: i64) -> i64 {
        position.max(self.song_from) + self.song_offset
    }

    /// Position in the song less position since the last reset.
    pub fn song_offset(&self) -> i64 {
        self.song_offset
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::ring::stereo;
    use crate::framing::Framing;
    use crate::saturation::curve::Curve;

    /// What was heard before the transport jumped lies elsewhere in the song than the same count of samples before now.
    #[test]
    fn positions_before_a_jump_are_not_placed_in_the_song() {
        let sizes = Sizes::new(16_000.0);
        let (hop, mut input) = (sizes.hop(), InputHistory::new(sizes, 0, 1.0));
        let mut framing = Framing::new(hop);
        (0..10).for_each(|_| input.push(&mut framing.hop));
        assert_eq!((input.song_position(), input.in_song(100)), (10 * hop as i64, 100));
        input.set_song_position(5, 1_000_000);
        let jump = 10 * hop as i64 + 5;
        (0..10).for_each(|_| input.push(&mut framing.hop));
        assert_eq!([0, jump, jump + 7].map(|at| input.in_song(at)), [1_000_000, 1_000_000, 1_000_007]);
        assert_eq!(input.song_position(), 1_000_000 + 10 * hop as i64 - 5);
    }

    /// When a curve is put in force, a late backing is still as it came under a mix that is straight, and an early one is straight
    /// under a mix as it came.
    #[test]
    fn the_backing_suits_the_mix_when_a_curve_is_put_in_force() {
        const LEVEL: f32 = 0.5;
        let sizes = Sizes::new(16_000.0);
        let curve = Curve::new(1.0, std::array::from_fn(|knot| 1.0 + (knot as f32 - 20.0).abs())).unwrap();
        let bend = Bend { curves: [curve; 2], backing_levels: [1.0, -1.0] };
        let hop = sizes.hop();
        let (mut input, mut framing) = (InputHistory::new(sizes, 20 * hop, 1.0), Framing::new(hop));
        for n in 0..20 {
            for side in framing.hop.mix.iter_mut().chain(&mut framing.hop.backing) {
                side.fill(LEVEL);
            }
            if n == 10 {
                input.set_bend(&bend);
            }
            input.push(&mut framing.hop);
        }
        let [mut mix, mut backing] = [stereo(hop), stereo(hop)];
        for delay_samples in [-70, 0, 70] {
            for at in (3 * hop as i64..17 * hop as i64).step_by(hop) {
                input.read_mix(at, &mut mix);
                input.backing.read_stereo(at - delay_samples, &mut backing);
                input.suit_to_mix(at, delay_samples, &mut backing);
                for (x, y) in mix.iter().flatten().zip(backing.iter().flatten()) {
                    assert!((x - y).abs() < 1e-5, "{at}, {delay_samples}: {x} {y}");
                }
            }
        }
        assert!(mix[0][0] > 2.0 * LEVEL, "{}", mix[0][0]);
    }
}
