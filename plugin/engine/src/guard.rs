//! The rule "never worse": no half second of the difference is louder than the mix by more than 1 dB.

/// Window of the rule, seconds.
const WINDOW_S: f64 = 0.5;
/// Energy by which the difference may exceed the mix, as a share of the mix's energy in the window. 1 dB would be
/// 0.26; the rest is room for the fade.
const EXCESS: f64 = 0.18;
/// Mean square below which nothing counts: the first ring of a filter before the music starts (-80 dB re full scale).
const INAUDIBLE: f64 = 1e-8;
/// Once it has stepped in, the difference must stay below the mix for this long, seconds.
const RELEASE_S: f64 = 0.03;

/// Watches the energies of mix and difference hop by hop and says how much may be subtracted.
pub struct Guard {
    energies: Vec<f64>,
    at: usize,
    sum: f64,
    /// Largest excess of any stretch of the output that ends here, over the mix.
    excess: f64,
    closed_hops: usize,
    release_hops: usize,
}

impl Guard {
    /// A guard that lets everything pass.
    pub fn new(hop: usize, sample_rate_hz: f64) -> Self {
        let hops = |s: f64| (s * sample_rate_hz / hop as f64).round() as usize;
        Self {
            energies: vec![0.0; hops(WINDOW_S)],
            at: 0,
            sum: 0.0,
            excess: 0.0,
            closed_hops: 0,
            release_hops: hops(RELEASE_S),
        }
    }

    /// Forgets what it heard.
    pub fn reset(&mut self) {
        self.energies.fill(0.0);
        (self.at, self.sum, self.excess, self.closed_hops) = (0, 0.0, 0.0, 0);
    }

    /// Hears the energy of the newest hop of the mix, ahead of the one that is about to leave: the window reaches
    /// from there into the past, so that an onset is measured against the music it starts.
    pub fn hear(&mut self, mix: f64) {
        self.sum += mix - std::mem::replace(&mut self.energies[self.at], mix);
        self.at = (self.at + 1) % self.energies.len();
    }

    /// Takes the energies of the hop that is about to leave; true if the backing may be subtracted from it.
    pub fn allows(&mut self, mix: f64, difference: f64) -> bool {
        let limit = EXCESS * self.sum.max(INAUDIBLE * self.energies.len() as f64);
        let excess = (self.excess + difference - mix).max(0.0);
        // A hop that is quieter than the mix can only make good.
        if difference > mix && (excess > limit || self.closed_hops > 0) {
            self.closed_hops = self.release_hops;
            return false;
        }
        if self.closed_hops > 0 {
            self.closed_hops -= 1;
            return false;
        }
        self.excess = excess;
        true
    }
}

#[cfg(test)]
mod tests {
    use super::Guard;

    /// A moment that was too loud is not held against the quiet after it.
    #[test]
    fn opens_again_after_a_loud_moment() {
        let mut guard = Guard::new(128, 48_000.0);
        let mut allowed = false;
        for hop in 0..400 {
            let loud = (100..107).contains(&hop);
            let mix = if loud { 361.0 } else { 1.0 };
            guard.hear(mix);
            allowed = guard.allows(mix, if loud { 400.0 } else { 1e-6 });
        }
        assert!(allowed);
    }

    /// Whatever the difference does, the output keeps the rule over every half second.
    #[test]
    fn no_half_second_is_louder_by_1_db() {
        let mut guard = Guard::new(128, 48_000.0);
        let mut seed = 1u32;
        let (mut mixes, mut outputs) = (Vec::new(), Vec::new());
        for hop in 0..20_000 {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let mix = 0.5 + f64::from(seed >> 16) / 65_536.0;
            let difference = mix * [0.01, 4.0, 1.5, 1.0, 0.0, 9.0][hop / 61 % 6];
            guard.hear(mix);
            let output = if guard.allows(mix, difference) { difference } else { mix };
            mixes.push(mix);
            outputs.push(output);
        }
        let window = 188;
        for at in 0..mixes.len() - window {
            let sum = |x: &[f64]| x[at..at + window].iter().sum::<f64>();
            let louder_db = 10.0 * (sum(&outputs) / sum(&mixes)).log10();
            assert!(louder_db < 1.0, "{louder_db} dB at hop {at}");
        }
        assert!(outputs.iter().zip(&mixes).any(|(o, m)| o < m), "it must open as well");
    }
}
