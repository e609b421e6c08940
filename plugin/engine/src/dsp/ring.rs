//! The recent past of a stereo signal, addressed by absolute position.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};

/// Two channels of equal length.
pub type Stereo = [Vec<f32>; 2];

/// A stereo signal that is read piece by piece.
pub trait Signal {
    /// Length, samples.
    fn num_samples(&self) -> usize;
    /// Reads one channel from sample `from` on, not beyond the end.
    fn read(&self, channel: usize, from: usize, out: &mut [f32]);
}

impl Signal for Stereo {
    fn num_samples(&self) -> usize {
        self[0].len()
    }

    fn read(&self, channel: usize, from: usize, out: &mut [f32]) {
        out.copy_from_slice(&self[channel][from..from + out.len()]);
    }
}

/// Two silent channels of `len` samples.
pub fn stereo(len: usize) -> Stereo {
    [vec![0.0; len], vec![0.0; len]]
}

/// Both channels, to be changed.
pub fn sides_mut(signal: &mut Stereo) -> [&mut [f32]; 2] {
    signal.each_mut().map(Vec::as_mut_slice)
}

/// Lets the first `step` samples leave; as many silent ones follow the last.
pub fn advance(signal: &mut Stereo, step: usize) {
    for side in signal {
        side.copy_within(step.., 0);
        let keep = side.len() - step;
        side[keep..].fill(0.0);
    }
}

/// Keeps the last samples of a stereo signal.
#[derive(Clone)]
pub struct RingOf<S> {
    samples: [S; 2],
    len: i64,
    begin: i64,
    end: i64,
}

/// A ring that others may follow, also on another thread: they read the samples that it keeps, so that these are there but once. If
/// a follower is too slow, what it remembers is overwritten; it then reads newer samples, and [`Ring::is_overwritten`] tells. Hence
/// the samples are atomic, two by two, in the weakest order, and nobody ever waits. No order is needed, since a follower is handed
/// from thread to thread, and what was pushed before comes along with it.
pub type Ring = RingOf<Arc<[AtomicU64]>>;

/// A ring that nobody follows: its samples are moved many at a time, which atomic ones cannot be.
pub type OwnRing = RingOf<Vec<f32>>;

/// One channel of a ring.
pub trait Kept {
    /// So many silent samples.
    fn silent(len: usize) -> Self;
    /// How many there are.
    fn capacity(&self) -> usize;
    /// Keeps samples from `at` on.
    fn keep(&mut self, at: usize, new: &[f32]);
    /// Reads them back.
    fn recall(&self, at: usize, out: &mut [f32]);
}

/// Two samples that follow each other, as they are kept, and back.
fn joined([first, second]: [f32; 2]) -> u64 {
    u64::from(first.to_bits()) | u64::from(second.to_bits()) << 32
}

fn parted(kept: &AtomicU64) -> [f32; 2] {
    let bits = kept.load(Relaxed);
    [bits as u32, (bits >> 32) as u32].map(f32::from_bits)
}

impl Kept for Arc<[AtomicU64]> {
    fn silent(len: usize) -> Self {
        (0..len.div_ceil(2)).map(|_| AtomicU64::new(0)).collect()
    }

    fn capacity(&self) -> usize {
        2 * self.len()
    }

    fn keep(&mut self, at: usize, new: &[f32]) {
        let (odd, even) = new.split_at(new.len().min(at % 2));
        let (pairs, last) = even.as_chunks();
        let kept = &self[at.div_ceil(2)..];
        kept.iter().zip(pairs).for_each(|(kept, &pair)| kept.store(joined(pair), Relaxed));
        // One alone leaves the other one as it is; nobody else writes.
        if let &[second] = odd {
            let kept = &self[at / 2];
            kept.store(joined([parted(kept)[0], second]), Relaxed);
        }
        if let &[first] = last {
            let kept = &kept[pairs.len()];
            kept.store(joined([first, parted(kept)[1]]), Relaxed);
        }
    }

    fn recall(&self, at: usize, out: &mut [f32]) {
        let (odd, even) = out.split_at_mut(out.len().min(at % 2));
        let (pairs, last) = even.as_chunks_mut();
        let kept = &self[at.div_ceil(2)..];
        pairs.iter_mut().zip(kept).for_each(|(pair, kept)| *pair = parted(kept));
        if let [second] = odd {
            *second = parted(&self[at / 2])[1];
        }
        if let [first] = last {
            *first = parted(&kept[pairs.len()])[0];
        }
    }
}

impl Kept for Vec<f32> {
    fn silent(len: usize) -> Self {
        vec![0.0; len]
    }

    fn capacity(&self) -> usize {
        self.len()
    }

    fn keep(&mut self, at: usize, new: &[f32]) {
        self[at..at + new.len()].copy_from_slice(new);
    }

    fn recall(&self, at: usize, out: &mut [f32]) {
        out.copy_from_slice(&self[at..at + out.len()]);
    }
}

impl Ring {
    /// A ring that remembers `len` samples, and keeps `spare` more for who follows it.
    pub fn with_spare(len: usize, spare: usize) -> Self {
        Self { len: len as i64, ..Self::new(len + spare) }
    }

    /// A follower that remembers up to `len` samples of what is pushed to this ring from now on.
    pub fn follower(&self, len: usize) -> Self {
        debug_assert!(len <= self.samples[0].capacity());
        Self { samples: self.samples.clone(), len: len as i64, begin: self.end, end: self.end }
    }

    /// Remembers so many samples more that were pushed to the ring that this one follows.
    pub fn follow(&mut self, num_samples: usize) {
        self.end += num_samples as i64;
    }

    /// Whether anything that this one remembers is overwritten, now that `end` is the position after the newest sample of the
    /// ring that it follows.
    pub fn is_overwritten(&self, end: i64) -> bool {
        self.begin() < end - self.samples[0].capacity() as i64
    }
}

impl<S: Kept> RingOf<S> {
    /// A ring that remembers `len` samples.
    pub fn new(len: usize) -> Self {
        Self { samples: [S::silent(len), S::silent(len)], len: len as i64, begin: 0, end: 0 }
    }

    /// Forgets everything; the next sample pushed has position `at`.
    pub fn restart(&mut self, at: i64) {
        self.begin = at;
        self.end = at;
    }

    /// Position of the oldest sample remembered.
    pub fn begin(&self) -> i64 {
        self.begin.max(self.end - self.len)
    }

    /// Position after the newest sample.
    pub fn end(&self) -> i64 {
        self.end
    }

    /// Appends a block, not longer than the ring.
    pub fn push(&mut self, block: [&[f32]; 2]) {
        let (capacity, len) = (self.samples[0].capacity(), block[0].len());
        debug_assert!(len <= capacity && block[1].len() == len);
        let at = self.end.rem_euclid(capacity as i64) as usize;
        let first = len.min(capacity - at);
        for (ring, new) in self.samples.iter_mut().zip(block) {
            ring.keep(at, &new[..first]);
            ring.keep(0, &new[first..]);
        }
        self.end += len as i64;
    }

    /// Reads one channel from `start` on; what is not remembered, or not yet there, reads as silence.
    pub fn read(&self, channel: usize, start: i64, out: &mut [f32]) {
        let ring = &self.samples[channel];
        let capacity = ring.capacity();
        let from = start.clamp(self.begin(), self.end);
        let to = (start + out.len() as i64).clamp(from, self.end);
        if from == to {
            out.fill(0.0);
            return;
        }
        let (before, out) = out.split_at_mut((from - start) as usize);
        let (out, after) = out.split_at_mut((to - from) as usize);
        before.fill(0.0);
        after.fill(0.0);
        let at = from.rem_euclid(capacity as i64) as usize;
        let first = out.len().min(capacity - at);
        ring.recall(at, &mut out[..first]);
        ring.recall(0, &mut out[first..]);
    }

    /// Reads both channels from `start` on, as [`Ring::read`].
    pub fn read_stereo(&self, start: i64, out: &mut Stereo) {
        for (channel, out) in out.iter_mut().enumerate() {
            self.read(channel, start, out);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{Kept, OwnRing, Ring, RingOf, advance};

    #[test]
    fn what_an_overlapping_sum_advances_to_is_silent() {
        let mut sums = [0.0, 1.0].map(|from| (0..5).map(|n| from + n as f32).collect());
        advance(&mut sums, 2);
        assert_eq!(sums, [vec![2.0, 3.0, 4.0, 0.0, 0.0], vec![3.0, 4.0, 5.0, 0.0, 0.0]]);
    }

    #[test]
    fn reads_back_what_is_remembered_and_silence_elsewhere() {
        reads_back(Ring::new(8));
        reads_back(OwnRing::new(8));
    }

    fn reads_back(mut ring: RingOf<impl Kept>) {
        for block in 0..5 {
            let samples: Vec<f32> = (0..3).map(|i| (block * 3 + i + 1) as f32).collect();
            ring.push([&samples, &samples]);
        }
        let mut out = [9.0; 12];
        ring.read(0, 5, &mut out);
        // Fifteen samples were pushed; the last eight, 8 to 15, are remembered at positions 7 to 14.
        assert_eq!(out, [0.0, 0.0, 8.0, 9.0, 10.0, 11.0, 12.0, 13.0, 14.0, 15.0, 0.0, 0.0]);
        ring.read(1, -30, &mut out);
        assert_eq!(out, [0.0; 12]);
    }
    /// Up to where it follows, however far the other one is; until that comes round to what it remembers.
    #[test]
    fn a_follower_reads_what_is_kept_once() {
        let mut ring = Ring::with_spare(2, 6);
        let push = |ring: &mut Ring, samples: std::ops::Range<u8>| {
            samples.for_each(|n| ring.push([&[f32::from(n)], &[-f32::from(n)]]));
        };
        push(&mut ring, 0..3);
        let mut follower = ring.follower(4);
        push(&mut ring, 3..9);
        follower.follow(5);
        let read = |ring: &Ring| {
            let mut out = [9.0; 10];
            ring.read(1, 0, &mut out);
            out
        };
        assert_eq!(read(&follower), [0.0, 0.0, 0.0, 0.0, -4.0, -5.0, -6.0, -7.0, 0.0, 0.0]);
        assert_eq!(read(&ring), [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, -7.0, -8.0, 0.0]);
        push(&mut ring, 9..12);
        assert!(!follower.is_overwritten(ring.end()));
        push(&mut ring, 12..13);
        assert!(follower.is_overwritten(ring.end()));
        assert_eq!(read(&follower)[4..6], [-12.0, -5.0]);
    }
}
