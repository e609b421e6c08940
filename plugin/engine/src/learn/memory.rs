//! The music that is learned from: mix and backing of the last half minute, and the delays at which they were heard.

use crate::discontinuities::Discontinuities;
use crate::dsp::delay_line::DelayLine;
use crate::dsp::ring::{Ring, stereo};
use crate::dsp::sizes::Sizes;
use crate::dsp::timeline::Timeline;
use crate::learn::heard::{Heard, Part, Stretch};
use crate::learn::request::MatchRequest;
use crate::learn::silences::Silences;

/// Music from which a match is learned, seconds.
pub const MEMORY_S: f64 = 30.0;
/// Least music a match is learned from, seconds.
pub const LEAST_S: f64 = 0.4;

/// What was heard.
pub struct Memory {
    sizes: Sizes,
    /// Half the filter: how far the backing must be known beyond the mix.
    margin: i64,
    /// The mix.
    pub mix: Ring,
    /// The backing, as it came.
    pub backing: Ring,
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
    /// Nothing heard; for filters of `num_taps`.
    pub fn new(sizes: Sizes, num_taps: usize) -> Self {
        let (len, hop) = (sizes.samples(MEMORY_S), sizes.hop());
        Self {
            sizes,
            margin: num_taps as i64 / 2,
            mix: Ring::new(len),
            backing: Ring::new(len),
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

    /// Hears one hop more.
    pub fn hear(&mut self, mix: [&[f32]; 2], backing: [&[f32]; 2]) {
        self.mix.push(mix);
        self.backing.push(backing);
        self.silences.hear(mix);
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

    /// A short stretch of the mix, and the backing at a whole delay. Allocates.
    pub fn at_delay(&self, delay_samples: i64, begin: i64, end: i64) -> Heard {
        let mut mix = stereo((end - begin) as usize);
        self.mix.read_stereo(begin, &mut mix);
        let mut backing = stereo((end - begin + 2 * self.margin) as usize);
        let start = begin - self.margin;
        self.backing.read_stereo(start - delay_samples, &mut backing);
        for side in &mut backing {
            self.discontinuities.mute(start, delay_samples, side);
            self.silences.mute(start, side);
        }
        Heard::new(mix, backing)
    }

    /// The newest stretch, at most so long, of which both signals are known, with room for the filter; to be given to
    /// [`Memory::take_back`].
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
        let len = (end - begin) as usize;
        let (ring, delay_samples, jumps, silences) = if given.moving {
            // Jumps and silences are muted where it is read.
            (self.read_at_delays(begin - margin, end + margin), 0, Discontinuities::NONE, None)
        } else {
            let silences = Some(self.silences.clone());
            (std::mem::take(&mut self.backing), given.delay_samples, self.discontinuities, silences)
        };
        let mix = Part::of(std::mem::take(&mut self.mix), begin, len);
        let backing = Part {
            ring,
            start: begin - delay_samples - margin,
            len: len + 2 * margin as usize,
            delay_samples,
            discontinuities: jumps,
            silences,
        };
        Some(Stretch::new(mix, backing, hop as usize))
    }

    /// Takes back what [`Memory::newest`] gave out.
    pub fn take_back(&mut self, heard: Stretch, given: &MatchRequest) {
        self.mix = heard.mix.ring;
        let backing = heard.backing.part.ring;
        if given.moving {
            self.aligned = Some(backing);
        } else {
            self.backing = backing;
        }
    }

    /// The backing read at the delays that were heard, up to `end`; `start` and `end` are whole hops.
    fn read_at_delays(&mut self, start: i64, end: i64) -> Ring {
        let hop = self.sizes.hop();
        let room = self.sizes.samples(MEMORY_S) + 2 * self.margin as usize + 2 * hop;
        let mut aligned = self.aligned.take().unwrap_or_else(|| Ring::new(room));
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
        aligned
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
        let mut memory = Memory::new(sizes, 64);
        let (ones, zeros) = (vec![1.0; hop], vec![0.0; hop]);
        for at in (0..end).step_by(hop) {
            let mix = if silent.contains(&at) { &zeros } else { &ones };
            memory.hear([mix, mix], [&ones, &ones]);
            delays.push(DELAY as f64);
        }
        memory.hear_delays(&delays);
        let is_muted = |backing: &[f32], begin: i64| {
            // At first there is nothing yet to be read at the delay.
            let mut known = backing.iter().zip(begin..).skip_while(|(_, at)| *at < 100);
            known.all(|(x, at)| (*x == 0.0) == silent.contains(&at))
        };
        let short = memory.at_delay(DELAY, silent.start - 100, silent.end + 100);
        assert!(is_muted(&short.backing()[0], silent.start - 100));
        for moving in [false, true] {
            let given = MatchRequest {
                delay_samples: DELAY,
                moving,
                from: 0,
                movement: Movement::STILL,
                learned_s: 0.0,
                tone: Tone::default(),
                following_helps: false,
            };
            let heard = memory.newest(&given, MEMORY_S).unwrap();
            let mut backing = vec![0.0; heard.backing.num_samples()];
            heard.backing.read(1, 0, &mut backing);
            assert!(heard.mix.start < silent.start);
            assert!(is_muted(&backing, heard.mix.start - 32), "moving: {moving}");
            memory.take_back(heard, &given);
        }
    }
}
