//! Whether the matched backing is in the mix at all: the share of it that the mix contains, by projection. A voice
//! does not move it, since voice and backing are unrelated; a wrong alignment, or a part that the backing lacks, does.

/// Time over which the share is measured, seconds.
const TAU_S: f64 = 0.4;
/// Share under which the current alignment is doubted and the whole reach searched.
const DOUBT: f64 = 0.7;
/// Share under which the backing is not in the mix. Level movements of 8 dB leave 0.4.
const ABSENT: f64 = 0.25;
/// Time for which it must stay so, seconds.
const PATIENCE_S: f64 = 0.8;
/// Backing below this (mean square; -60 dB re full scale) tells nothing.
const AUDIBLE: f64 = 1e-6;

/// How sure it is that the backing is in the mix.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// It is, or nothing can be told.
    Present,
    /// Only a part of it is.
    Doubtful,
    /// The backing has been resting for a while over a mix that plays.
    Resting,
    /// It is not.
    Absent,
}

/// Watches the share.
pub struct Presence {
    product: f64,
    power: f64,
    decay: f64,
    patience_hops: usize,
    low_hops: usize,
    silent_hops: usize,
}

impl Presence {
    /// Nothing heard yet.
    pub fn new(hop: usize, sample_rate_hz: f64) -> Self {
        let hop_s = hop as f64 / sample_rate_hz;
        Self {
            product: 0.0,
            power: 0.0,
            decay: (-hop_s / TAU_S).exp(),
            patience_hops: (PATIENCE_S / hop_s) as usize,
            low_hops: 0,
            silent_hops: 0,
        }
    }

    /// Forgets what it heard.
    pub fn reset(&mut self) {
        (self.product, self.power, self.low_hops, self.silent_hops) = (0.0, 0.0, 0, 0);
    }

    /// Takes one hop: mean product of mix and matched backing, mean square of the matched backing, and whether the
    /// mix is heard.
    pub fn add(&mut self, product: f64, power: f64, mix_heard: bool) -> Verdict {
        self.product = self.decay * self.product + (1.0 - self.decay) * product;
        self.power = self.decay * self.power + (1.0 - self.decay) * power;
        let silent = power < AUDIBLE;
        self.silent_hops = if silent { self.silent_hops + usize::from(mix_heard) } else { 0 };
        if silent || self.power < AUDIBLE {
            // A backing that rests while the mix plays on may be playing elsewhere.
            let doubt = self.silent_hops > self.patience_hops;
            return if doubt { Verdict::Resting } else { Verdict::Present };
        }
        let share = self.product / self.power;
        self.low_hops = if share < ABSENT { self.low_hops + 1 } else { 0 };
        if self.low_hops > self.patience_hops {
            Verdict::Absent
        } else if share < DOUBT {
            Verdict::Doubtful
        } else {
            Verdict::Present
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tells_a_missing_backing_within_two_seconds_and_keeps_a_present_one() {
        let mut presence = Presence::new(128, 48_000.0);
        for _ in 0..1000 {
            assert_eq!(presence.add(0.1, 0.1, true), Verdict::Present);
        }
        let hops = (0..).take_while(|_| presence.add(0.0, 0.1, true) != Verdict::Absent).count();
        assert!(hops * 128 < 2 * 48_000, "{hops}");
    }

    #[test]
    fn silence_tells_nothing() {
        let mut presence = Presence::new(128, 48_000.0);
        assert!((0..9000).all(|_| presence.add(0.0, 0.0, false) == Verdict::Present));
    }
}
