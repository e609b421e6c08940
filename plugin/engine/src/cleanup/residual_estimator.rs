//! Learns the residual model from the difference, cell by cell, and gives the share of residue in each bin.

use crate::cleanup::residual_model::{
    BandResidual, LOWEST_CELL, LOWEST_QUANTILE, MAX_GROUPS, MAX_STEPS, MIN_CLASS_STEPS, QUIET_QUANTILE,
    ResidualModel,
};
use realfft::num_complex::Complex32;

/// First bin of the lowest band, and least bins in a band. Chosen by hand; not measured.
const FIRST_BIN: usize = 3;
const MIN_BAND_BINS: usize = 8;
/// Backing under this is silence, natural logarithm of the power in a cell. Chosen by hand; not measured.
const SILENT_LOUDNESS: f32 = -16.0;
/// So is backing this far under its mean, nats of power. Chosen by hand; not measured.
const SILENCE_BELOW_MEAN: f32 = 6.0;
/// Distance of the loud and the soft class from the mean loudness of the backing, nats of power (2 dB). Chosen by hand;
/// not measured.
const CLASS_DISTANCE: f32 = 0.5;
/// Memory of the mean loudness, steps. Chosen by hand; not measured.
const LOUDNESS_MEMORY_STEPS: f32 = 3000.0;
/// Power added to the difference's in a cell, so that it has a logarithm. Chosen by hand; not measured.
const LEAST_CELL_POWER: f32 = 1e-14;
/// Quiet cells this far under the backing, natural logarithm (-59 dB): mix and backing are the same there, bit for bit
/// or nearly, which says nothing of how they differ under a voice (two files by one encoder do so in its rests).
/// At -54 dB files of one encoder gained more, and those where only one file went through a good encoder lost as much.
const IDENTICAL: f32 = -13.5;
/// Slowest that a quantile moves, a step. Ten times as fast, the quantiles fluctuate so far that the classes can no longer
/// be compared: on lossy files that costs 1 to 2 dB.
const MIN_QUANTILE_RATE: f32 = 0.003;
/// Nats that a quantile moves at a step of rate 1 if all cells lie beyond it. Chosen by hand; not measured.
const QUANTILE_STEP: f32 = 4.0;
/// Evidence from which on a band surely has a residue. Where these hear a deeper null than all bands do, it is theirs that
/// counts, for in the others a voice may never rest: of a null of 70 dB, with drift, they heard -43 dB and all bands -32,
/// of which the clean-up left a null of 42 dB. (Beneath a voice with reverberation all bands heard the deeper one: then
/// theirs alone cost 26 dB.)
const SURE_EVIDENCE: f32 = 0.9;
/// Evidence that is needed, median over the bands, at a residue of -20 dB re the backing, and how much more for each dB
/// under it: the deeper the null, the less there is to gain, and the likelier is the floor that of the voice's own
/// reverberation. Half is taken out there, nothing or all `EVIDENCE_RANGE` to either side. Chosen by hand; not measured.
const NEEDED_EVIDENCE: f32 = 0.7;
const NEEDED_EVIDENCE_PER_DB: f32 = 0.02;
const EVIDENCE_RANGE: f32 = 0.05;
const NEEDED_FROM_DB: f32 = -20.0;
/// How much more evidence is needed before anything was heard, and after how many steps of a loud backing no more is (20 s of music):
/// until then the quantiles are on their way, and a voice that does not rest may go with the backing by chance. Of 6 s of it a voice
/// came out at 14 dB that without clean-up came at 31. With 1200 steps songs of 36 s lost 0.7 dB of what there is to gain.
const UNSURE_EVIDENCE: f32 = 0.3;
const SURE_STEPS: f32 = 700.0;

/// The model, and the share of residue that follows from it.
pub struct ResidualEstimator {
    model: ResidualModel,
    /// First bin of each band, and the one after the last.
    edges: Vec<usize>,
    /// Residue re the backing by bin, in mid and side.
    shares: [Vec<f32>; 2],
    /// Room for the cells of a band, and for the bands.
    values: Vec<f32>,
}

/// First bin of each band of spectra of `num_bins` bins, and the one after the last: quarter octaves.
pub fn band_edges(num_bins: usize) -> Vec<usize> {
    let mut edges = vec![FIRST_BIN];
    while let Some(&last) = edges.last().filter(|&&last| last < num_bins - 1) {
        edges.push((last + MIN_BAND_BINS).max(last * 19 / 16).min(num_bins - 1));
    }
    debug_assert!(edges.len() <= MAX_GROUPS + 1);
    edges
}

impl ResidualEstimator {
    /// Nothing heard in spectra of `num_bins` bins.
    pub fn new(num_bins: usize) -> Self {
        Self {
            model: ResidualModel::UNKNOWN,
            edges: band_edges(num_bins),
            shares: std::array::from_fn(|_| vec![0.0; num_bins]),
            values: Vec::with_capacity(num_bins),
        }
    }

    /// What was heard so far.
    pub fn model(&self) -> &ResidualModel {
        &self.model
    }

    /// The same, to be changed.
    pub fn model_mut(&mut self) -> &mut ResidualModel {
        &mut self.model
    }

    /// Residue re the backing's power by bin, in mid and side, as of the last frame.
    pub fn shares(&self) -> &[Vec<f32>; 2] {
        &self.shares
    }

    /// Learns from one frame: spectra of the difference and powers of the backing, in mid and side.
    pub fn learn(&mut self, difference: &[Vec<Complex32>; 2], backing: &[Vec<f32>; 2]) {
        for c in 0..2 {
            for (group, edge) in self.model.groups[c].iter_mut().zip(self.edges.windows(2)) {
                let band = edge[0]..edge[1];
                learn_band(group, &difference[c][band.clone()], &backing[c][band], &mut self.values);
            }
        }
        let evidence = self.evidence();
        for c in 0..2 {
            // Nothing is known of the bins below the lowest band and of the last one.
            self.shares[c].fill(0.0);
            for (group, edge) in self.model.groups[c].iter().zip(self.edges.windows(2)) {
                self.shares[c][edge[0]..edge[1]].fill(evidence * group.share());
            }
        }
    }

    /// 0 unless so many bands follow the backing that there must be a residue, up to 1.
    fn evidence(&mut self) -> f32 {
        let heard = || self.model.groups.iter().flatten().filter(|g| g.loud_steps >= MIN_CLASS_STEPS);
        let Some(evidence) = median(&mut self.values, heard().map(BandResidual::evidence)) else {
            return 0.0;
        };
        let sure = heard().filter(|g| g.evidence() > SURE_EVIDENCE).map(|g| g.lowest);
        let Some(surely_lowest) = median(&mut self.values, sure) else { return 0.0 };
        let Some(lowest) = median(&mut self.values, heard().map(|g| g.lowest)) else { return 0.0 };
        let lowest = lowest.min(surely_lowest);
        let residue_db = 10.0 / std::f32::consts::LN_10 * (lowest - LOWEST_CELL.ln());
        let Some(steps) = median(&mut self.values, heard().map(|g| g.loud_steps as f32)) else { return 0.0 };
        let needed = NEEDED_EVIDENCE
            + NEEDED_EVIDENCE_PER_DB * (NEEDED_FROM_DB - residue_db).max(0.0)
            + UNSURE_EVIDENCE * (1.0 - steps / SURE_STEPS).max(0.0);
        (0.5 + 0.5 * (evidence - needed) / EVIDENCE_RANGE).clamp(0.0, 1.0)
    }
}

/// Updates the quiet floors of one band from the cells of one frame; `ratios` is room for them.
fn learn_band(group: &mut BandResidual, difference: &[Complex32], backing: &[f32], ratios: &mut Vec<f32>) {
    let count = backing.len() as f32;
    let loudness = log_sum(backing) / count;
    if loudness < SILENT_LOUDNESS {
        return;
    }
    count_up(&mut group.steps);
    group.mean += (loudness - group.mean) * (1.0 / group.steps as f32).max(1.0 / LOUDNESS_MEMORY_STEPS);
    let class_idx = match loudness - group.mean {
        above if above > CLASS_DISTANCE => 1,
        above if above < -CLASS_DISTANCE && above > -SILENCE_BELOW_MEAN => 0,
        _ => return,
    };
    ratios.clear();
    ratios.extend(
        difference.iter().zip(backing).map(|(x, backing)| (x.norm_sqr() + LEAST_CELL_POWER) / backing),
    );
    let at = (QUIET_QUANTILE * count) as usize;
    if num_below(ratios, IDENTICAL) > at {
        return;
    }
    let below = |ratios: &[f32], level: f32| num_below(ratios, level) as f32 / count;
    let quiet = |ratios: &mut [f32]| ratios.select_nth_unstable_by(at, f32::total_cmp).1.ln();
    let class = &mut group.classes[class_idx];
    count_up(&mut class.steps);
    if class_idx == 1 {
        count_up(&mut group.loud_steps);
        if group.loud_steps == 1 {
            group.lowest = quiet(ratios);
        }
        let rate = quantile_rate(group.loud_steps);
        group.lowest += QUANTILE_STEP * rate * (LOWEST_QUANTILE - below(ratios, group.lowest));
    }
    if class.steps == 1 {
        (class.floor, class.backing) = (quiet(ratios), loudness);
        return;
    }
    let rate = quantile_rate(class.steps);
    class.floor += QUANTILE_STEP * rate * (QUIET_QUANTILE - below(ratios, class.floor));
    class.backing += rate * (loudness - class.backing);
}

/// Ratios under a level, natural logarithm.
fn num_below(ratios: &[f32], level: f32) -> usize {
    let threshold = level.exp();
    ratios.iter().filter(|&&ratio| ratio < threshold).count()
}

fn count_up(steps: &mut u32) {
    *steps = (*steps + 1).min(MAX_STEPS);
}

/// How far a quantile moves at a step: as the mean of all steps would, but never slower than [`MIN_QUANTILE_RATE`].
fn quantile_rate(steps: u32) -> f32 {
    let steps = steps as f32;
    (4.0 / steps).max(MIN_QUANTILE_RATE).min(1.0 / steps.sqrt())
}

/// Median of some values, with room for them.
fn median(room: &mut Vec<f32>, values: impl Iterator<Item = f32>) -> Option<f32> {
    room.clear();
    room.extend(values);
    let at = room.len() / 2;
    (!room.is_empty()).then(|| *room.select_nth_unstable_by(at, f32::total_cmp).1)
}

/// Sum of natural logarithms, eight powers at a time.
fn log_sum(powers: &[f32]) -> f32 {
    let product = |powers: &[f32]| powers.iter().map(|&p| f64::from(p)).product::<f64>();
    powers.chunks(8).map(|powers| product(powers).ln()).sum::<f64>() as f32
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cleanup::residual_model::tests::band;
    use crate::cleanup::residual_model::{LoudnessClass, QUIET_CELL};

    /// A residue reaches no higher over its lowest cells than so; what does sings whenever the backing is loud.
    #[test]
    fn a_floor_far_over_the_lowest_cells_is_no_residue() {
        let evidence = |over: f32| {
            let mut estimator = ResidualEstimator::new(257);
            let residue = 0.01f32;
            let class = |share: f32, backing| LoudnessClass {
                floor: (share * QUIET_CELL).ln(),
                backing,
                steps: MIN_CLASS_STEPS,
            };
            estimator.model.groups.iter_mut().flatten().take(9).for_each(|group| {
                group.loud_steps = MIN_CLASS_STEPS;
                group.lowest = (residue * LOWEST_CELL).ln();
                group.classes = [class(residue, -1.0), class(over * residue, 1.0)];
            });
            estimator.evidence()
        };
        assert_eq!([1.0, 4.0, 30.0].map(evidence), [1.0, 1.0, 0.0]);
    }

    /// A voice that never rests in most bands, and swells with the backing, hides no deep null that is seen in the others;
    /// nor does reverberation in some bands hide one that most hear.
    #[test]
    fn the_deeper_null_counts() {
        let deep = 10f32.powf(-4.3);
        for (residues, expected) in [([0.003, 0.05], 1.0), ([deep, 0.05], 0.0), ([0.003, deep], 0.0)] {
            assert_eq!(evidence(residues, SURE_STEPS as u32), expected, "{residues:?}");
        }
    }

    /// What is enough of a song is not enough of its first seconds.
    #[test]
    fn little_music_needs_more_evidence() {
        let after = |steps| evidence([0.003, 0.05], steps);
        assert_eq!([MIN_CLASS_STEPS, SURE_STEPS as u32].map(after), [0.0, 1.0]);
    }

    /// Evidence of bands of three kinds, after so many steps of a loud backing: some that are sure of a residue, most that hear
    /// another one beside a voice, some that hear a voice that goes with the backing.
    fn evidence([sure, most]: [f32; 2], steps: u32) -> f32 {
        let mut estimator = ResidualEstimator::new(1025);
        let kinds = [band(sure, 0.0), band(most, 0.14 * most), band(0.05, 0.05)];
        let order = [0, 0, 1, 1, 1, 1, 1, 2, 2].into_iter().cycle();
        for (group, kind) in estimator.model.groups.iter_mut().flatten().zip(order) {
            *group = BandResidual { loud_steps: steps, ..kinds[kind] };
        }
        estimator.evidence()
    }
}
