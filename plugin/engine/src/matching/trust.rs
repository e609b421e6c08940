//! How far the regions of the spectrum can be trusted to tell the level of the backing.
//!
//! The weights say how exactly a bin tells the level if all that disturbs it is the voice. Codecs disturb it as well: they
//! put holes where they have no bits to spend, mostly in the treble, and a hole looks like a fall of the level. So each
//! region is held against the others: the more they disagree, re what the weights predict, the less it counts.

/// Regions of the spectrum.
pub const NUM_REGIONS: usize = 5;
/// Where one gives way to the next, Hz. With edges at 630 Hz and 1.25 kHz as well the null of a mix through a compressor
/// of three bands was 7 dB less deep.
const EDGES_HZ: [f64; NUM_REGIONS - 1] = [2_500.0, 5_000.0, 8_000.0, 11_500.0];
/// Memory, seconds.
const MEMORY_S: f64 = 6.0;
/// Disagreement below which no region is better than another, in units of the variance predicted; 1 cost 0.6 dB on two
/// mixes with codecs, and with no limit one region that agrees by chance would silence all others.
const AGREES: f64 = 0.3;
/// How fast trust falls as disagreement grows. A disagreement also holds the error of the others, so that it grows less
/// than the error of a region does: on four mixes through compressors and codecs 1 was worse by 0.1 to 1.5 dB, 2 about as
/// good.
const STEEPNESS: f64 = 1.5;

/// What a region tells: the weighted projections of the difference and of the backing, summed over its bins. Their ratio
/// is the level's movement, the second is the inverse of its variance.
pub type Told = [f64; 2];

/// Region that a frequency lies in.
pub fn region(frequency_hz: f64) -> usize {
    EDGES_HZ.iter().filter(|&&edge_hz| frequency_hz >= edge_hz).count()
}

/// Trust in each region, 0 to 1.
#[derive(Clone)]
pub struct Trust {
    decay: f64,
    /// Sums of the disagreements with the others, and of their weights.
    sums: [[f64; 2]; NUM_REGIONS],
    /// The most trusted one has 1.
    pub factors: [f64; NUM_REGIONS],
}

impl Trust {
    /// All are trusted, until they disagree in frames `frame_s` seconds apart.
    pub fn new(frame_s: f64) -> Self {
        Self {
            decay: (-frame_s / MEMORY_S).exp(),
            sums: [[0.0; 2]; NUM_REGIONS],
            factors: [1.0; NUM_REGIONS],
        }
    }

    /// Forgets what it heard.
    pub fn reset(&mut self) {
        (self.sums, self.factors) = ([[0.0; 2]; NUM_REGIONS], [1.0; NUM_REGIONS]);
    }

    /// What all regions tell together.
    pub fn sum(&self, told: &[Told; NUM_REGIONS]) -> Told {
        self.sum_without(NUM_REGIONS, told)
    }

    fn sum_without(&self, left_out: usize, told: &[Told; NUM_REGIONS]) -> Told {
        let mut sum = [0.0; 2];
        for (region, (told, trust)) in told.iter().zip(self.factors).enumerate() {
            if region != left_out {
                (0..2).for_each(|i| sum[i] += trust * told[i]);
            }
        }
        sum
    }

    /// Holds the regions against each other.
    pub fn hear(&mut self, told: &[Told; NUM_REGIONS]) {
        for region in 0..NUM_REGIONS {
            let [own, others] = [told[region], self.sum_without(region, told)];
            if own[1] < 1.0 || others[1] < 1.0 {
                continue; // Silence.
            }
            let level = |told: Told| (told[0] / told[1]).clamp(-1.0, 1.0);
            let harmonic = 1.0 / (1.0 / own[1] + 1.0 / others[1]);
            let weight = harmonic.sqrt();
            let disagreement = (level(own) - level(others)).powi(2) * harmonic;
            let sums = &mut self.sums[region];
            *sums = [self.decay * sums[0] + weight * disagreement, self.decay * sums[1] + weight];
        }
        let means = self.sums.map(|[sum, weight]| (sum / weight.max(1e-9)).max(AGREES));
        let least = means.into_iter().fold(f64::INFINITY, f64::min);
        self.factors = means.map(|mean| (least / mean).powf(STEEPNESS));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;

    /// Levels told with a variance of 1/12 (of uniform noise between -0.5 and 0.5), as promised; but in one region more.
    fn after_1000_frames(excess: f64) -> Trust {
        let errors = noise(NUM_REGIONS * 1_000, 1);
        let mut trust = Trust::new(0.003);
        for errors in errors.chunks_exact(NUM_REGIONS) {
            let mut told = [[0.0, 12.0]; NUM_REGIONS];
            told.iter_mut().zip(errors).for_each(|(told, &error)| told[0] = 12.0 * 0.5 * f64::from(error));
            told[3][0] *= excess;
            trust.hear(&told);
        }
        trust
    }

    #[test]
    fn a_region_that_disagrees_counts_less() {
        let agreeing = after_1000_frames(1.0);
        assert!(agreeing.factors.iter().all(|&trust| trust > 0.7), "{:?}", agreeing.factors);
        let disturbed = after_1000_frames(4.0);
        for (region, trust) in disturbed.factors.into_iter().enumerate() {
            assert!(if region == 3 { trust < 0.1 } else { trust > 0.5 }, "{region}: {trust}");
        }
        let mut told = [[0.0, 12.0]; NUM_REGIONS];
        told[3] = [6.0, 12.0];
        let level = |trust: &Trust| trust.sum(&told)[0] / trust.sum(&told)[1];
        assert!(level(&agreeing) > 0.07 && level(&disturbed) < 0.015);
        let mut reset = disturbed;
        reset.reset();
        assert_eq!(reset.factors, [1.0; NUM_REGIONS]);
    }
}
