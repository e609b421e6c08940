//! Where the mix is silence. A backing that sounds there is of no use to whoever learns: a host that stops silences the mix at
//! once, while a backing that is early is read on for as long as it is early.

use crate::dsp::timeline::Timeline;
use crate::dsp::units::is_silence;

/// Hops of the mix that hold nothing at all.
#[derive(Clone)]
pub struct Silences {
    hops: Timeline<bool>,
    hop: i64,
}

impl Silences {
    /// Remembers the last `num_hops` hops of `hop` samples.
    pub fn new(num_hops: usize, hop: usize) -> Self {
        Self { hops: Timeline::new(num_hops, hop), hop: hop as i64 }
    }

    /// Forgets everything; the next hop begins at a position of the mix.
    pub fn restart(&mut self, at: i64) {
        self.hops.restart(at.div_euclid(self.hop) * self.hop);
    }

    /// Hears the next hop of the mix.
    pub fn hear(&mut self, mix: [&[f32]; 2]) {
        self.hops.push(is_silence(mix));
    }

    /// Silences what stands under silence in a block of the backing, one side of it, that begins at a position of the mix.
    pub fn mute(&self, start: i64, block: &mut [f32]) {
        let mut at = start;
        let end = start + block.len() as i64;
        while at < end {
            let next = ((at.div_euclid(self.hop) + 1) * self.hop).min(end);
            if self.hops.at(at) {
                block[(at - start) as usize..(next - start) as usize].fill(0.0);
            }
            at = next;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of three hops the middle one is silent; one with a single sample is not, on either side.
    #[test]
    fn what_stands_under_silence_is_muted() {
        let mut silences = Silences::new(8, 4);
        silences.restart(-4);
        let sound = [0.0, 0.0, 1e-9, 0.0];
        for [left, right] in [[sound, [0.0; 4]], [[0.0; 4]; 2], [[0.0; 4], sound]] {
            silences.hear([&left, &right]);
        }
        let muted = |start: i64| {
            let mut block = [1.0; 6];
            silences.mute(start, &mut block);
            block
        };
        assert_eq!(muted(-3), [1.0, 1.0, 1.0, 0.0, 0.0, 0.0]);
        assert_eq!(muted(2), [0.0, 0.0, 1.0, 1.0, 1.0, 1.0]);
        assert_eq!(muted(-4)[..4], [1.0; 4]);
    }
}
