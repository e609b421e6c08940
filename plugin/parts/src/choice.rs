//! How freely each part is fitted.

use crate::{
    normal::Normal,
    sizes::Sizes,
    solver::{System, Taps},
};

/// What is simpler is taken unless it leaves more by a share of what is left and by so many cells.
const WORTH_CELLS: f64 = 10.0;
/// That share, of a simpler model of a part.
const WORTH_OF_A_MODEL: f64 = 1e-5;
/// That share, of doing without a part: one that wins less is not in the mix. The right parts, of mixes that are coded or
/// compressed, left 5 % more at least, and a part of another song that shares sounds 0.5 % at most.
const WORTH_OF_A_PART: f64 = 0.01;

/// How a part is brought to what it is in the mix, from simple to free.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Model {
    /// It adds nothing: it is not in the mix, or other parts hold it already.
    Nothing,
    /// As it came: what moves all parts alike is no matter of a part.
    AsItCame,
    /// At a level of its own on each side.
    Level,
    /// With a short filter: a fraction of a sample, a gentle slope.
    Short,
    /// With a long filter: an equaliser.
    Long,
}

/// The models that are fitted.
const FITTED: [Model; 3] = [Model::Level, Model::Short, Model::Long];

impl Model {
    /// How far a filter reaches to either side, samples.
    fn reach(self, sizes: Sizes) -> Option<usize> {
        match self {
            Self::Nothing => None,
            Self::AsItCame | Self::Level => Some(0),
            Self::Short => Some(sizes.short_samples()),
            Self::Long => Some(sizes.reach_samples()),
        }
    }
}

/// What was chosen.
#[derive(Clone, Debug, PartialEq)]
pub struct Choice {
    /// Of each part.
    pub models: Vec<Model>,
    /// The filters, by side of the mix and part.
    pub taps: Vec<Vec<Taps>>,
    /// How much less is left than by the sum of the parts as they came, out of sample, weighted energy; 1 of that sum itself, and
    /// until it was compared.
    pub wins: f64,
}

/// Tells a number for each of so many, in their order; at a time, if whoever calls has processors for it.
pub type OfEach<'a> = dyn Fn(usize, &(dyn Fn(usize) -> f64 + Sync)) -> Vec<f64> + 'a;

impl Choice {
    /// Nothing of any part.
    pub fn nothing(sizes: Sizes, num_sides: usize, num_parts: usize) -> Self {
        Self {
            models: vec![Model::Nothing; num_parts],
            taps: vec![vec![Taps::silent(sizes); num_parts]; num_sides],
            wins: 1.0,
        }
    }

    /// The sum of the parts as they came.
    pub fn as_they_came(sizes: Sizes, num_sides: usize, num_parts: usize) -> Self {
        Self {
            models: vec![Model::AsItCame; num_parts],
            taps: vec![vec![Taps::through(sizes); num_parts]; num_sides],
            wins: 1.0,
        }
    }
}

/// Filters for all parts, from what was gathered over both halves of the song, by side, through the filters in force. What is
/// chosen leaves least of the half that it was not fitted to (two-fold cross-validation; Stone 1974): all parts are as free as
/// wins. `is_last`: each for itself, then, or not at all.
pub fn choose(sides: &[[Normal; 2]], current: &Choice, is_last: bool, of_each: &OfEach) -> Choice {
    let sizes = sides[0][0].sizes;
    let num_parts = current.models.len();
    let judge = Judge::new(sides, current, of_each);
    let all = FITTED.map(|model| {
        let models = vec![model; num_parts];
        (judge.cost(&models), models)
    });
    let best = all.into_iter().min_by(|a, b| a.0.total_cmp(&b.0));
    let Some((mut cost, mut models)) = best else { return current.clone() };
    let mut wins = 1.0;
    if is_last {
        judge.drop_parts(&mut cost, &mut models);
        judge.simplify(&mut cost, &mut models);
        let cost_of_sum = judge.cost_of_sum(&models);
        wins = cost_of_sum / cost.max(f64::MIN_POSITIVE);
        if is_enough(cost, cost_of_sum, WORTH_OF_A_MODEL) {
            let models: Vec<Model> = models.iter().map(|&model| model.min(Model::AsItCame)).collect();
            let taps = |model: &Model| match model {
                Model::Nothing => Taps::silent(sizes),
                _ => Taps::through(sizes),
            };
            let taps = models.iter().map(taps).collect();
            return Choice { models, taps: vec![taps; sides.len()], wins: 1.0 };
        }
    }
    let reaches: Vec<Option<usize>> = models.iter().map(|model| model.reach(sizes)).collect();
    let taps = sides.iter().zip(&current.taps).map(|([a, b], current)| {
        let both = a.plus(b);
        System::new(&both, current).solve(&reaches)
    });
    Choice { taps: taps.collect(), models, wins }
}

/// Judges models by what they leave of the half that they were not fitted to.
struct Judge<'a> {
    sizes: Sizes,
    /// By side and half.
    systems: Vec<[System<'a>; 2]>,
    of_each: &'a OfEach<'a>,
}

impl<'a> Judge<'a> {
    fn new(sides: &'a [[Normal; 2]], current: &'a Choice, of_each: &'a OfEach<'a>) -> Self {
        let systems = |(halves, taps): (&'a [Normal; 2], &'a Vec<Taps>)| {
            halves.each_ref().map(|half| System::new(half, taps))
        };
        let systems = sides.iter().zip(&current.taps).map(systems).collect();
        Self { sizes: sides[0][0].sizes, systems, of_each }
    }

    fn cost(&self, models: &[Model]) -> f64 {
        let reaches: Vec<Option<usize>> = models.iter().map(|model| model.reach(self.sizes)).collect();
        self.crossed(&|half| half.solve(&reaches))
    }

    /// Of the sum of the parts that are not dropped, as they came, through one filter as free as wins: what all of them have
    /// alike the engine finds.
    fn cost_of_sum(&self, models: &[Model]) -> f64 {
        let summed: Vec<usize> = (0..models.len()).filter(|&part| models[part] != Model::Nothing).collect();
        let reaches = FITTED.map(|model| model.reach(self.sizes));
        let costs = reaches.map(|reach| self.crossed(&|half| half.solve_sum(&summed, reach)));
        costs.into_iter().fold(f64::INFINITY, f64::min)
    }

    /// Fitted to either half, judged by the other.
    fn crossed(&self, solve: &(dyn Fn(&System) -> Vec<Taps> + Sync)) -> f64 {
        let systems = &self.systems;
        let cost = |idx: usize| {
            let halves = &systems[idx / 2];
            halves[1 - idx % 2].cost(&solve(&halves[idx % 2]))
        };
        (self.of_each)(2 * systems.len(), &cost).into_iter().sum()
    }

    /// Drops the parts that add nothing, one after the other: of two that hold the same one has to stay.
    fn drop_parts(&self, cost: &mut f64, models: &mut [Model]) {
        let mut candidates: Vec<usize> = (0..models.len()).collect();
        loop {
            let mut without: Vec<(f64, usize)> = Vec::new();
            for &part in &candidates {
                let cost_without = self.cost(&changed(models, part, Model::Nothing));
                if is_enough(*cost, cost_without, WORTH_OF_A_PART) {
                    without.push((cost_without, part));
                }
            }
            let Some(&(least, part)) = without.iter().min_by(|a, b| a.0.total_cmp(&b.0)) else { break };
            models[part] = Model::Nothing;
            *cost = cost.min(least);
            candidates = without.into_iter().map(|(_, part)| part).filter(|&other| other != part).collect();
        }
    }

    /// Takes the simplest model that is enough, part by part.
    fn simplify(&self, cost: &mut f64, models: &mut Vec<Model>) {
        for part in 0..models.len() {
            for simpler in [Model::Level, Model::Short] {
                if simpler < models[part] && models[part] != Model::Nothing {
                    let simplified = changed(models, part, simpler);
                    let found = self.cost(&simplified);
                    if is_enough(*cost, found, WORTH_OF_A_MODEL) {
                        *models = simplified;
                        *cost = cost.min(found);
                    }
                }
            }
        }
    }
}

/// Whether what is simpler may stand for what leaves `cost`: it leaves no more beyond that than a share of it, and some cells.
fn is_enough(cost: f64, simpler: f64, worth: f64) -> bool {
    simpler <= cost + worth * cost.abs() + WORTH_CELLS
}

fn changed(models: &[Model], part: usize, to: Model) -> Vec<Model> {
    let mut changed = models.to_vec();
    changed[part] = to;
    changed
}
