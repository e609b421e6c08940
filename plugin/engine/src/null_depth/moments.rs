//! What is measured of one moment: powers, and how difference and matched backing go together.

use crate::dsp::sizes::Sizes;
use crate::dsp::units::{power_to_db, range_of_nine_tenths};
use crate::null_depth::rests::MIN_MOMENTS;

/// Length of one moment, seconds. Chosen by hand; not measured.
pub const MOMENT_S: f64 = 0.05;
/// Backing this much below the mean of its moment is silent (power ratio). Chosen by hand; not measured.
const SILENT_RE_MEAN: f64 = 1e-4;
/// Standard errors by which a correlation must be beyond chance. Chosen by hand; not measured.
const CHANCE_ERRORS: f64 = 3.0;
/// Share of what is left that two neighbouring samples of the backing explain, from which it is made of the backing. Of
/// what voices have of their own in their rests it was 0.05 at most, of what gains, filters and delays leave 0.1 to 0.6
/// (28 recordings).
const EXPLAINED_SHARE: f64 = 0.1;
/// Range of the levels of steady noise in moments of 50 ms, dB, for nine tenths of them: dither showed 0.5, the least of
/// anything else was 3 (28 recordings). By the chi-squared distribution white noise has 0.3.
const STEADY_RANGE_DB: f64 = 1.5;

/// One moment.
#[derive(Clone, Copy, Default)]
pub struct Moment {
    /// Powers of the difference and of the matched backing.
    pub powers: [f64; 2],
    /// Power of the part of the difference that two neighbouring samples of the matched backing explain: a gain and a
    /// fraction of a sample.
    coherent: f64,
    /// Sums over the hops, of the logarithms of both powers about their means in this moment: squares and product.
    squares: [f64; 2],
    product: f64,
    /// Hops in these sums, less one for the means.
    freedom: f64,
}

impl Moment {
    /// Whether what is left in some moments is made of the backing.
    pub fn are_of_the_backing(moments: &[Self]) -> bool {
        let sum = |of: fn(&Self) -> f64| moments.iter().map(of).sum::<f64>();
        let difference = sum(|m| m.powers[0]);
        // Do its levels rise and fall with those of the backing, more than by chance? By Fisher's transform atanh r has
        // a standard error of 1 / sqrt(n - 3) (R. A. Fisher, Metron 1, 1921), n being the values less their means.
        let correlation =
            sum(|m| m.product) / (sum(|m| m.squares[0]) * sum(|m| m.squares[1])).sqrt().max(1e-20);
        let errors = correlation.min(0.999).atanh() * (sum(|m| m.freedom) - 3.0).max(0.0).sqrt();
        errors > CHANCE_ERRORS || sum(|m| m.coherent) > EXPLAINED_SHARE * difference || difference == 0.0
    }

    /// Whether what is left in some moments is noise: the same level in all of them. `levels_db` is room for the levels.
    pub fn are_steady(moments: &[Self], levels_db: &mut Vec<f64>) -> bool {
        levels_db.clear();
        levels_db.extend(moments.iter().map(|m| power_to_db(m.powers[0])));
        // A few moments are alike by chance.
        moments.len() >= MIN_MOMENTS && range_of_nine_tenths(levels_db) < STEADY_RANGE_DB
    }
}

/// Collects hops until they are a moment.
pub struct MomentMeter {
    /// Powers of the hops of the moment that is heard.
    hops: Vec<[f64; 2]>,
    hops_per_moment: usize,
    sides: [Side; 2],
}

impl MomentMeter {
    /// Nothing heard.
    pub fn new(sizes: Sizes) -> Self {
        let hops_per_moment = sizes.hops(MOMENT_S) as usize;
        Self { hops: Vec::with_capacity(hops_per_moment), hops_per_moment, sides: [Side::default(); 2] }
    }

    /// Forgets what it heard.
    pub fn reset(&mut self) {
        self.hops.clear();
        self.sides = [Side::default(); 2];
    }

    /// Takes difference and matched backing of one hop, left and right; the moment that ends with it.
    pub fn add(&mut self, difference: [&[f32]; 2], matched: [&[f32]; 2]) -> Option<Moment> {
        let mut powers = [0.0; 2];
        for ((side, difference), matched) in self.sides.iter_mut().zip(difference).zip(matched) {
            let [d, m] = side.add(difference, matched);
            powers[0] += d;
            powers[1] += m;
        }
        self.hops.push(powers);
        (self.hops.len() == self.hops_per_moment).then(|| self.take())
    }

    fn take(&mut self) -> Moment {
        let sum = |i: usize| self.hops.iter().map(|powers| powers[i]).sum::<f64>();
        let mut moment = Moment { powers: [sum(0), sum(1)], ..Moment::default() };
        // Where the backing is silent, what is left cannot be of it; and no logarithm of nothing.
        let audible = SILENT_RE_MEAN * moment.powers[1] / self.hops.len() as f64;
        let logs = self.hops.iter().filter(|powers| powers[1] > audible);
        let logs = logs.map(|powers| [(powers[0] + 1e-16 * powers[1]).ln(), powers[1].ln()]);
        let count = logs.clone().count() as f64;
        let means = [0, 1].map(|i| logs.clone().map(|log| log[i]).sum::<f64>() / count.max(1.0));
        for log in logs {
            let [d, m] = [0, 1].map(|i| log[i] - means[i]);
            moment.squares[0] += d * d;
            moment.squares[1] += m * m;
            moment.product += d * m;
        }
        moment.freedom = (count - 1.0).max(0.0);
        self.hops.clear();
        moment.coherent = self.sides.iter_mut().map(Side::take_coherent).sum();
        moment
    }
}

/// Sums over one side of a moment: of the difference with the matched backing now and a sample ago, and of these two.
#[derive(Clone, Copy, Default)]
struct Side {
    with_now: f64,
    with_before: f64,
    now: f64,
    before: f64,
    both: f64,
    last: f32,
}

impl Side {
    /// Takes a hop; its powers.
    fn add(&mut self, difference: &[f32], matched: &[f32]) -> [f64; 2] {
        let (mut power, mut matched_power) = (0.0, 0.0);
        for (&d, &m) in difference.iter().zip(matched) {
            let (d, now, before) = (f64::from(d), f64::from(m), f64::from(self.last));
            self.last = m;
            power += d * d;
            matched_power += now * now;
            self.with_now += d * now;
            self.with_before += d * before;
            self.before += before * before;
            self.both += now * before;
        }
        self.now += matched_power;
        [power, matched_power]
    }

    /// Power of the difference that the two samples explain, by least squares (the normal equations of two unknowns);
    /// starts over.
    fn take_coherent(&mut self) -> f64 {
        let Self { with_now: a, with_before: b, now: p, before: q, both: s, last } = *self;
        *self = Self { last, ..Self::default() };
        let determinant = p * q - s * s;
        if determinant > 1e-9 * p * q {
            (a * a * q - 2.0 * a * b * s + b * b * p) / determinant
        } else {
            a * a / p.max(1e-30)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;

    /// Moments of a backing, and of what is left of it, by sample.
    fn moments(left: impl Fn(usize, &[f32]) -> f32) -> Vec<Moment> {
        let sizes = Sizes::new(8_000.0);
        let (hop, mut meter) = (sizes.hop(), MomentMeter::new(sizes));
        let backing = noise(hop * 13 * 40, 1);
        let left: Vec<f32> = (0..backing.len()).map(|n| left(n, &backing)).collect();
        let hops = left.chunks(hop).zip(backing.chunks(hop));
        hops.filter_map(|(left, backing)| meter.add([left; 2], [backing; 2])).collect()
    }

    /// A gain and a fraction of a sample are of the backing, by coherence; noise is steady; noise whose level moves is
    /// neither.
    #[test]
    fn what_is_left_tells_what_it_is_made_of() {
        let hiss = noise(40_000, 2);
        let made = moments(|n, b| 0.01 * b[n] + 0.01 * b[n.saturating_sub(1)]);
        assert_eq!(made.len(), 40);
        let level = |n: usize| 0.01 * 10f32.powf((n as f32 / 3_000.0).sin());
        let (noise, breath) = (moments(|n, _| 0.01 * hiss[n]), moments(|n, _| level(n) * hiss[n]));
        let found = |moments: &[Moment]| {
            (Moment::are_of_the_backing(moments), Moment::are_steady(moments, &mut Vec::new()))
        };
        assert!(found(&made).0);
        assert_eq!((found(&noise), found(&breath)), ((false, true), (false, false)));
        assert!(!found(&noise[..MIN_MOMENTS - 1]).1);
    }
}
