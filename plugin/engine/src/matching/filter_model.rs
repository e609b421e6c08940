//! The models of a filter, from simple to free, and which of them is used: so free a model as there is evidence for, by what
//! is heard after the fit.

use crate::dsp::units::mean;
use crate::settings::Tone;

/// A model ties with the best while its mean loss is within so many paired standard errors. Chosen by hand; not measured.
const TIE_ERRORS: f64 = 2.0;
/// Mean losses, nats: from which a model is worse whatever the errors, and under which it ties. Chosen by hand; not
/// measured.
const CLEARLY_WORSE: f64 = 0.02;
const SURELY_EQUAL: f64 = 1e-4;

/// Models of the filter, simplest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum FilterModel {
    /// The backing as it is, either polarity.
    Unit,
    /// One gain.
    Gain,
    /// A gain per side.
    PerSide,
    /// A gain per side and a fraction of a sample.
    PerSideDelayed,
    /// A filter per side of coarse or fine resolution.
    Filters(Resolution),
    /// Filters per side and across sides.
    Across(Resolution),
}

impl FilterModel {
    /// Whether a freedom of the tone allows this model.
    pub fn within(self, tone: Tone) -> bool {
        match tone {
            Tone::Off => self <= Self::Gain,
            Tone::PerSide => self <= Self::Filters(Resolution::Fine),
            Tone::AcrossSides => true,
        }
    }
}

/// Resolution of a filter in frequency.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Resolution {
    /// Down to a sixth of the frequency.
    Coarse,
    /// Down to a twenty-fourth.
    Fine,
}

/// All models in order.
pub const FILTER_MODELS: [FilterModel; 8] = [
    FilterModel::Unit,
    FilterModel::Gain,
    FilterModel::PerSide,
    FilterModel::PerSideDelayed,
    FilterModel::Filters(Resolution::Coarse),
    FilterModel::Filters(Resolution::Fine),
    FilterModel::Across(Resolution::Coarse),
    FilterModel::Across(Resolution::Fine),
];

/// The simplest model that is not clearly worse, out of sample, than the best. `costs` are by frame, over the same frames
/// for every model.
pub fn choose(costs: &[(FilterModel, Vec<f64>)]) -> Option<FilterModel> {
    let best = costs.iter().min_by(|a, b| mean(&a.1).total_cmp(&mean(&b.1)))?;
    let ties = |candidate: &[f64]| {
        let loss: Vec<f64> = candidate.iter().zip(&best.1).map(|(a, b)| a - b).collect();
        let mean_loss = mean(&loss);
        let variance = mean(&loss.iter().map(|d| (d - mean_loss).powi(2)).collect::<Vec<_>>());
        // Half-overlapping frames: two count as one.
        let error = variance.sqrt() / (loss.len() as f64 / 2.0).max(1.0).sqrt();
        mean_loss <= (if mean_loss < CLEARLY_WORSE { TIE_ERRORS * error } else { 0.0 }).max(SURELY_EQUAL)
    };
    costs.iter().find(|(_, candidate)| ties(candidate)).map(|(model, _)| *model)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_simplest_of_equals_wins() {
        let noise = |offset: f64| -> Vec<f64> { (0..50).map(|n| offset + (n as f64 * 1.7).sin()).collect() };
        let choice = |a, b| choose(&[(FilterModel::Gain, noise(a)), (FilterModel::PerSide, noise(b))]);
        assert_eq!(choice(0.0, 0.0), Some(FilterModel::Gain));
        assert_eq!(choice(0.5, 0.0), Some(FilterModel::PerSide));
        assert_eq!(choice(0.0, 0.5), Some(FilterModel::Gain));
    }

    /// A loss of 0.01 that is the same in every frame is worse; one that scatters by 0.1 may be none.
    #[test]
    fn a_loss_within_its_error_is_none() {
        let choice = |scatter: f64| {
            let loss = |n: usize| 0.01 + if n.is_multiple_of(2) { scatter } else { -scatter };
            choose(&[(FilterModel::Gain, (0..50).map(loss).collect()), (FilterModel::PerSide, vec![0.0; 50])])
        };
        assert_eq!(choice(0.0), Some(FilterModel::PerSide));
        assert_eq!(choice(0.1), Some(FilterModel::Gain));
    }
}
