//! How far the level of the backing as read in the regions of the spectrum can be trusted.
//!
//! The weights say how exact the level in a bin is if all that disturbs it is the voice. Codecs disturb it as well: they
//! put holes where they have no bits to spend, mostly in the treble, and a hole looks like a fall of the level. So each
//! region is held against the others: the more they disagree, re what the weights predict, the less it counts.

use crate::matching::projection::ProjectionSums;

/// Regions of the spectrum.
pub const NUM_REGIONS: usize = 5;
/// Where one gives way to the next, Hz. With edges at 630 Hz and 1.25 kHz as well the null of a mix through a compressor
/// of three bands was 7 dB less deep.
const EDGES_HZ: [f64; NUM_REGIONS - 1] = [2_500.0, 5_000.0, 8_000.0, 11_500.0];
/// Memory of the disagreements, seconds. Chosen by hand; not measured.
const DISAGREEMENT_MEMORY_S: f64 = 6.0;
/// Disagreement below which no region is better than another, in units of the variance predicted; 1 cost 0.6 dB on two
/// mixes with codecs, and with no limit one region that agrees by chance would silence all others.
const LEAST_DISAGREEMENT: f64 = 0.3;
/// How fast trust falls as disagreement grows. A disagreement also holds the error of the others, so that it grows less
/// than the error of a region does: on four mixes through compressors and codecs 1 was worse by 0.1 to 1.5 dB, 2 about as
/// good.
const STEEPNESS: f64 = 1.5;
/// Information, inverse variance, under which a region is silent. Chosen by hand; not measured.
const MIN_INFORMATION: f64 = 1.0;

/// Region that a frequency lies in.
pub fn region(frequency_hz: f64) -> usize {
    EDGES_HZ.iter().filter(|&&edge_hz| frequency_hz >= edge_hz).count()
}

/// Trust in each region, 0 to 1.
#[derive(Clone)]
pub struct RegionTrust {
    decay: f64,
    /// Sums of the disagreements with the others, and of their weights.
    sums: [[f64; 2]; NUM_REGIONS],
    /// The most trusted one has 1.
    pub factors: [f64; NUM_REGIONS],
}

impl RegionTrust {
    /// All are trusted, until they disagree in frames `frame_s` seconds apart.
    pub fn new(frame_s: f64) -> Self {
        Self {
            decay: (-frame_s / DISAGREEMENT_MEMORY_S).exp(),
            sums: [[0.0; 2]; NUM_REGIONS],
            factors: [1.0; NUM_REGIONS],
        }
    }

    /// Forgets what it heard.
    pub fn reset(&mut self) {
        (self.sums, self.factors) = ([[0.0; 2]; NUM_REGIONS], [1.0; NUM_REGIONS]);
    }

    /// The sums of all regions, each by its trust.
    pub fn sum(&self, regions: &[ProjectionSums; NUM_REGIONS]) -> ProjectionSums {
        self.sum_without(NUM_REGIONS, regions)
    }

    fn sum_without(&self, left_out: usize, regions: &[ProjectionSums; NUM_REGIONS]) -> ProjectionSums {
        let mut sum = [0.0; 2];
        for (region, (sums, trust)) in regions.iter().zip(self.factors).enumerate() {
            if region != left_out {
                (0..2).for_each(|i| sum[i] += trust * sums[i]);
            }
        }
        sum
    }

    /// Holds the regions of one frame against each other.
    pub fn hear(&mut self, regions: &[ProjectionSums; NUM_REGIONS]) {
        for region in 0..NUM_REGIONS {
            let [own, others] = [regions[region], self.sum_without(region, regions)];
            if own[1] < MIN_INFORMATION || others[1] < MIN_INFORMATION {
                continue;
            }
            let level = |sums: ProjectionSums| (sums[0] / sums[1]).clamp(-1.0, 1.0);
            let harmonic = 1.0 / (1.0 / own[1] + 1.0 / others[1]);
            let weight = harmonic.sqrt();
            let disagreement = (level(own) - level(others)).powi(2) * harmonic;
            let sums = &mut self.sums[region];
            *sums = [self.decay * sums[0] + weight * disagreement, self.decay * sums[1] + weight];
        }
        let means = self.sums.map(|[sum, weight]| (sum / weight.max(1e-9)).max(LEAST_DISAGREEMENT));
        let least = means.into_iter().fold(f64::INFINITY, f64::min);
        self.factors = means.map(|mean| (least / mean).powf(STEEPNESS));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;

    /// Levels measured with a variance of 1/12 (of uniform noise between -0.5 and 0.5), as promised; but in one region more.
    fn after_1000_frames(excess: f64) -> RegionTrust {
        let errors = noise(NUM_REGIONS * 1_000, 1);
        let mut trust = RegionTrust::new(0.003);
        for errors in errors.chunks_exact(NUM_REGIONS) {
            let mut regions = [[0.0, 12.0]; NUM_REGIONS];
            regions
                .iter_mut()
                .zip(errors)
                .for_each(|(regions, &error)| regions[0] = 12.0 * 0.5 * f64::from(error));
            regions[3][0] *= excess;
            trust.hear(&regions);
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
        let mut regions = [[0.0, 12.0]; NUM_REGIONS];
        regions[3] = [6.0, 12.0];
        let level = |trust: &RegionTrust| trust.sum(&regions)[0] / trust.sum(&regions)[1];
        assert!(level(&agreeing) > 0.07 && level(&disturbed) < 0.015);
        let mut reset = disturbed;
        reset.reset();
        assert_eq!(reset.factors, [1.0; NUM_REGIONS]);
    }
}
