//! The music that is learned from: mix and backing of the last 27 s, and the delays at which they were heard.

use crate::discontinuities::Discontinuities;
use crate::dsp::delay_line::DelayLine;
use crate::dsp::ring::{Ring, Stereo, stereo};
use crate::dsp::sizes::Sizes;
use crate::dsp::timeline::Timeline;
use crate::learn::heard::{Part, Stretch};
use crate::learn::request::MatchRequest;
use crate::learn::silences::Silences;

/// Music from which a match is learned, seconds.
pub const MEMORY_S: f64 = 27.0;
/// Least music a match is learned from, seconds.
pub const LEAST_S: f64 = 0.4;

/// What was heard.
pub struct Memory {
    sizes: Sizes,
    /// Half the filter: how far the backing must be known beyond the mix.
    margin: i64,
    /// The mix; follows what comes in.
    pub mix: Ring,
    /// The backing, as it came; follows what comes in.
    pub backing: Ring,
    /// The newest hop of the mix.
    newest_hop: Stereo,
    /// Delays at which the backing was heard, by position of the mix.
    pub delays: Timeline<f64>,
    discontinuities: Discontinuities,
    silences: Silences,
    reader: DelayLine,
    /// The backing read at a delay that moves, as far as jobs needed it.
    aligned: Option<Ring>,
    aligned_is_old: bool,
}

impl Memory {
    /// Nothing heard of the mix and the backing that come in; for filters of `num_taps`.
    pub fn new(sizes: Sizes, num_taps: usize, [mix, backing]: [&Ring; 2]) -> Self {
        let (len, hop) = (sizes.samples(MEMORY_S), sizes.hop());
        Self {
            sizes,
            margin: num_taps as i64 / 2,
            mix: mix.follower(len),
            backing: backing.follower(len),
            newest_hop: stereo(hop),
            delays: Timeline::new(len / hop + 1, hop),
            discontinuities: Discontinuities::NONE,
            silences: Silences::new(len / hop + 1, hop),
            reader: DelayLine::new(hop),
            aligned: None,
            aligned_is_old: false,
        }
    }

    /// Forgets everything heard; the next sample has position `at`. Real-time safe: what was allocated in a job is given back
    /// in a job.
    pub fn restart(&mut self, at: i64) {
        self.mix.restart(at);
        self.backing.restart(at);
        self.silences.restart(at);
        let hop = self.sizes.hop() as i64;
        self.delays.restart(at.div_euclid(hop) * hop);
        self.aligned_is_old = true;
    }

    /// Position after the newest sample heard.
    pub fn end(&self) -> i64 {
        self.mix.end()
    }

    /// Hears one hop more of what came in.
    pub fn hear(&mut self) {
        let (at, hop) = (self.end(), self.sizes.hop());
        self.mix.follow(hop);
        self.backing.follow(hop);
        self.mix.read_stereo(at, &mut self.newest_hop);
        let [left, right] = &self.newest_hop;
        self.silences.hear([left, right]);
    }

    /// Hears the delays at which the backing was read, as far as they are known.
    pub fn hear_delays(&mut self, delays: &Timeline<f64>) {
        if self.delays.end() < delays.begin() {
            self.delays.restart(delays.begin());
        }
        while self.delays.end() < delays.end() {
            self.delays.push(delays.at(self.delays.end()));
        }
    }

    /// Whether anything heard is overwritten, now that `end` is the position after the newest sample that came in.
    pub fn is_overwritten(&self, end: i64) -> bool {
        self.mix.is_overwritten(end)
    }

    /// What a job read was overwritten meanwhile. Real-time safe.
    pub fn distrust(&mut self) {
        self.aligned_is_old = true;
    }

    /// Adds to all delays heard. Real-time safe.
    pub fn shift_delays(&mut self, samples: f64) {
        self.delays.change(|delay| *delay += samples);
        self.aligned_is_old = true;
    }

    /// Begins a job: takes where the transport jumped.
    pub fn begin_job(&mut self, discontinuities: &Discontinuities) {
        self.discontinuities = *discontinuities;
        if std::mem::take(&mut self.aligned_is_old) {
            self.aligned = None;
        }
    }

    /// Position after the newest jump of the transport: mix and backing on either side of it do not belong together.
    pub fn since_jump(&self) -> i64 {
        self.discontinuities.last().unwrap_or(i64::MIN)
    }

    /// Position of the mix from which on it stands over the backing of the same place in the song, read at a delay in samples.
    pub fn together_from(&self, delay_samples: i64) -> i64 {
        self.since_jump().saturating_add(delay_samples.max(0))
    }

    /// Position up to which mix and backing at this delay are known, with room for the filter.
    pub fn known_to(&self, delay_samples: i64) -> i64 {
        self.mix.end().min(self.backing.end() + delay_samples - self.margin)
    }

    /// A stretch of the mix, and the backing at a whole delay. Allocates.
    pub fn at_delay(&self, delay_samples: i64, begin: i64, end: i64) -> Stretch {
        let (margin, len) = (self.margin, (end - begin) as usize);
        let backing = Part {
            ring: self.backing.clone(),
            start: begin - delay_samples - margin,
            len: len + 2 * margin as usize,
            delay_samples,
            discontinuities: self.discontinuities,
            silences: Some(self.silences.clone()),
        };
        Stretch::new(Part::of(self.mix.clone(), begin, len), backing, self.sizes.hop())
    }

    /// The newest stretch, at most so long, of which both signals are known, with room for the filter.
    pub fn newest(&mut self, given: &MatchRequest, memory_s: f64) -> Option<Stretch> {
        let (margin, hop) = (self.margin, self.sizes.hop() as i64);
        let (mut begin, mut end) = (self.mix.begin().max(given.from), self.mix.end());
        if given.moving {
            begin = (begin.max(self.delays.begin() + margin) / hop + 1) * hop;
            end = end.min(self.delays.end() - margin) / hop * hop;
        } else {
            begin = begin.max(self.backing.begin() + given.delay_samples + margin);
            end = self.known_to(given.delay_samples);
        }
        begin = begin.max(end - self.sizes.samples(memory_s) as i64 / hop * hop);
        if end - begin < self.sizes.samples(LEAST_S) as i64 {
            return None;
        }
        if !given.moving {
            return Some(self.at_delay(given.delay_samples, begin, end));
        }
        // Jumps and silences are muted where it is read.
        let aligned = self.read_at_delays(begin - margin, end + margin);
        let len = (end - begin) as usize;
        let backing = Part::of(aligned, begin - margin, len + 2 * margin as usize);
        Some(Stretch::new(Part::of(self.mix.clone(), begin, len), backing, hop as usize))
    }

    /// The backing read at the delays that were heard, up to `end`; `start` and `end` are whole hops.
    fn read_at_delays(&mut self, start: i64, end: i64) -> Ring {
        let hop = self.sizes.hop();
        let room = self.sizes.samples(MEMORY_S) + 2 * self.margin as usize + 2 * hop;
        let aligned = self.aligned.get_or_insert_with(|| Ring::new(room));
        // What was heard does not change afterwards, so that only what is new must be read.
        if !(aligned.begin()..=aligned.end()).contains(&start) {
            aligned.restart(start);
            self.reader.reset();
        }
        let mut block = stereo(hop);
        while aligned.end() < end {
            let position = aligned.end();
            let delay = self.delays.at(position);
            self.reader.read(&self.backing, position, delay, &mut block);
            for side in &mut block {
                self.discontinuities.mute(position, delay.round() as i64, side);
                self.silences.mute(position, side);
            }
            aligned.push([&block[0], &block[1]]);
        }
        aligned.clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::ring::Signal;
    use crate::matching::movement::Movement;
    use crate::settings::Tone;

    /// However the backing is read, it is silent where the mix is, and sounds elsewhere.
    #[test]
    fn a_backing_under_silence_is_not_learned_from() {
        const DELAY: i64 = 40;
        let sizes = Sizes::new(8_000.0);
        let hop = sizes.hop();
        let (silent, end) = (500 * hop as i64..510 * hop as i64, 1_000 * hop as i64);
        let mut delays = Timeline::new(1_000, hop);
        let [mut mix, mut backing] = [0; 2].map(|_| Ring::new(sizes.samples(MEMORY_S)));
        let mut memory = Memory::new(sizes, 64, [&mix, &backing]);
        let (ones, zeros) = (vec![1.0; hop], vec![0.0; hop]);
        for at in (0..end).step_by(hop) {
            let heard = if silent.contains(&at) { &zeros } else { &ones };
            mix.push([heard, heard]);
            backing.push([&ones, &ones]);
            memory.hear();
            delays.push(DELAY as f64);
        }
        memory.hear_delays(&delays);
        let is_muted = |backing: &[f32], begin: i64| {
            // At first there is nothing yet to be read at the delay.
            let mut known = backing.iter().zip(begin..).skip_while(|(_, at)| *at < 100);
            known.all(|(x, at)| (*x == 0.0) == silent.contains(&at))
        };
        let short = memory.at_delay(DELAY, silent.start - 100, silent.end + 100).backing;
        let mut backing = vec![0.0; short.num_samples()];
        short.read(0, 0, &mut backing);
        assert!(is_muted(&backing, silent.start - 100 - 32));
        for moving in [false, true] {
            let given = MatchRequest {
                delay_samples: DELAY,
                moving,
                rate: 0.0,
                may_have_jumped: !moving,
                from: 0,
                movement: Movement::STILL,
                learned_s: 0.0,
                tone: Tone::default(),
                following_helps: false,
                is_taken_up: false,
                seeks_bend: false,
            };
            let heard = memory.newest(&given, MEMORY_S).unwrap();
            let mut backing = vec![0.0; heard.backing.num_samples()];
            heard.backing.read(1, 0, &mut backing);
            assert!(heard.mix.start < silent.start);
            assert!(is_muted(&backing, heard.mix.start - 32), "moving: {moving}");
        }
    }
}
