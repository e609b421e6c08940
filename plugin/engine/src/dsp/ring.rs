//! The recent past of a stereo signal, addressed by absolute position.

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

/// Lets the first `step` samples leave; as many silent ones follow the last.
pub fn advance(signal: &mut Stereo, step: usize) {
    for side in signal {
        side.copy_within(step.., 0);
        let keep = side.len() - step;
        side[keep..].fill(0.0);
    }
}

/// Keeps the last samples of a stereo signal.
#[derive(Default)]
pub struct Ring {
    samples: Stereo,
    begin: i64,
    end: i64,
}

impl Ring {
    /// A ring that remembers `len` samples.
    pub fn new(len: usize) -> Self {
        Self { samples: stereo(len), begin: 0, end: 0 }
    }

    /// Forgets everything; the next sample pushed has position `at`.
    pub fn restart(&mut self, at: i64) {
        self.begin = at;
        self.end = at;
    }

    /// Position of the oldest sample remembered.
    pub fn begin(&self) -> i64 {
        self.begin.max(self.end - self.samples[0].len() as i64)
    }

    /// Position after the newest sample.
    pub fn end(&self) -> i64 {
        self.end
    }

    /// Appends a block, not longer than the ring.
    pub fn push(&mut self, block: [&[f32]; 2]) {
        let (capacity, len) = (self.samples[0].len(), block[0].len());
        debug_assert!(len <= capacity && block[1].len() == len);
        let at = self.end.rem_euclid(capacity as i64) as usize;
        let first = len.min(capacity - at);
        for (ring, new) in self.samples.iter_mut().zip(block) {
            ring[at..at + first].copy_from_slice(&new[..first]);
            ring[..len - first].copy_from_slice(&new[first..]);
        }
        self.end += len as i64;
    }

    /// Reads one channel from `start` on; what is not remembered, or not yet there, reads as silence.
    pub fn read(&self, channel: usize, start: i64, out: &mut [f32]) {
        let ring = &self.samples[channel];
        let capacity = ring.len();
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
        let rest = out.len() - first;
        out[..first].copy_from_slice(&ring[at..at + first]);
        out[first..].copy_from_slice(&ring[..rest]);
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
    use super::{Ring, advance};

    #[test]
    fn what_an_overlapping_sum_advances_to_is_silent() {
        let mut sums = [0.0, 1.0].map(|from| (0..5).map(|n| from + n as f32).collect());
        advance(&mut sums, 2);
        assert_eq!(sums, [vec![2.0, 3.0, 4.0, 0.0, 0.0], vec![3.0, 4.0, 5.0, 0.0, 0.0]]);
    }

    #[test]
    fn reads_back_what_is_remembered_and_silence_elsewhere() {
        let mut ring = Ring::new(8);
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
}
