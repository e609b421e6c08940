//! Whether and how a pair was bent, by music that the curve was not learned from.

use crate::dsp::part_mean::PartMean;
use crate::dsp::ring::sides_mut;
use crate::saturation::bend::Bend;
use crate::saturation::cells::{Cells, Symmetry};
use crate::saturation::curve::Curve;
use crate::saturation::frame_pairs::FramePairs;
use crate::saturation::slope_fit::fit;

/// Least that a curve must win, nats of power (3 dB). Of 41 pairs none that is not bent wins more than 0.03; tapes win 1.1
/// to 4; a clipper that holds down the loudest samples by 5 dB, whose products lie 30 dB below the voice, wins 0.4 and is let
/// be.
const LEAST_GAIN: f64 = 0.7;
/// Least that a freer curve must win on top of it, nats.
const LEAST_MORE: f64 = 0.03;
/// Least gain re its standard error. Bent pairs reach 7 to 50.
const SURE: f64 = 4.0;
/// Music goes to one half or the other in parts of this length, s, and so many parts are wanted.
const PART_S: f64 = 2.0;
const LEAST_PARTS: usize = 6;

/// One model on trial: the cost of every frame by the curve that was learned from the other half.
struct Trial {
    cells: Cells,
    is_per_side: bool,
    costs: Vec<f64>,
}

impl Trial {
    fn new(cells: Cells, is_per_side: bool, start: &[f64], part_samples: i64) -> Self {
        let mut costs = vec![0.0; cells.num_frames()];
        for half in 0..2 {
            let in_half = |&frame: &usize| cells.of(frame).0.div_euclid(part_samples) % 2 == half;
            let curves = curves(&cells, is_per_side, start, |frame| !in_half(&frame));
            for frame in (0..cells.num_frames()).filter(in_half) {
                costs[frame] = cells.cost(frame, &curves[cells.of(frame).1]);
            }
        }
        Self { cells, is_per_side, costs }
    }

    /// Whether it clearly wins more than `least` against other costs; `None` if that cannot be told.
    fn clearly_wins(&self, other: &[f64], least: f64, part_samples: i64) -> Option<bool> {
        let part = |frame: usize| self.cells.of(frame).0.div_euclid(part_samples);
        let won = self.costs.iter().zip(other).enumerate();
        let gain = PartMean::of(won.map(|(frame, (cost, other))| (part(frame), other - cost)), LEAST_PARTS)?;
        Some(gain.is_clear(least, SURE))
    }
}

/// Logarithms of the slopes of either side, sought from `start` on, of the frames that are to be learned from.
fn curves(
    cells: &Cells,
    is_per_side: bool,
    start: &[f64],
    is_learned: impl Fn(usize) -> bool,
) -> [Vec<f64>; 2] {
    let of = |side: Option<usize>| {
        let frames: Vec<usize> = (0..cells.num_frames())
            .filter(|&frame| is_learned(frame) && side.is_none_or(|side| cells.of(frame).1 == side))
            .collect();
        fit(cells, &frames, start)
    };
    if is_per_side {
        [of(Some(0)), of(Some(1))]
    } else {
        let both = of(None);
        [both.clone(), both]
    }
}

/// How the pair was bent, whose backing has some levels in the mix; `None` if no curve wins clearly. Models are tried from simple
/// to free: an odd curve, any curve, any curve of either side. Allocates, and takes long.
pub fn find(pairs: &FramePairs, backing_levels: [f32; 2], sample_rate_hz: f64) -> Option<Bend> {
    let part_samples = (PART_S * sample_rate_hz) as i64;
    let cells = Cells::new(pairs, Symmetry::Odd, sample_rate_hz);
    let straight = vec![0.0; Symmetry::Odd.num_slopes()];
    let odd = worthwhile(&cells, &straight, LEAST_GAIN)?;
    let as_it_is: Vec<f64> = (0..cells.num_frames()).map(|frame| cells.cost(frame, &straight)).collect();
    let mut best = Trial::new(cells, false, &straight, part_samples);
    if !best.clearly_wins(&as_it_is, LEAST_GAIN, part_samples)? {
        return None;
    }
    let mut start = odd;
    let any = Cells::new(pairs, Symmetry::Any, sample_rate_hz);
    if let Some(found) = worthwhile(&any, &Symmetry::Odd.at_knots(&start), LEAST_MORE) {
        let freer = Trial::new(any, false, &found, part_samples);
        if freer.clearly_wins(&best.costs, LEAST_MORE, part_samples)? {
            (best, start) = (freer, found);
            let any = Cells::new(pairs, Symmetry::Any, sample_rate_hz);
            let freer = Trial::new(any, true, &start, part_samples);
            if freer.clearly_wins(&best.costs, LEAST_MORE, part_samples)? {
                best = freer;
            }
        }
    }
    let (cells, symmetry) = (&best.cells, best.cells.symmetry());
    let curves = curves(cells, best.is_per_side, &start, |_| true).map(|log_slopes| {
        let slopes = symmetry.at_knots(&log_slopes).map(|log_slope| log_slope.exp() as f32);
        Curve::new(cells.span(), slopes)
    });
    let [Some(left), Some(right)] = curves else { return None };
    let bend = Bend { curves: [left, right], backing_levels };
    if bend.is_sound() { levelled(bend, pairs) } else { None }
}

/// The curve that leaves least of all frames, if it wins so much there: on other music it wins less.
fn worthwhile(cells: &Cells, start: &[f64], least: f64) -> Option<Vec<f64>> {
    let all: Vec<usize> = (0..cells.num_frames()).collect();
    let found = fit(cells, &all, start);
    (cells.mean_cost(&all, start) - cells.mean_cost(&all, &found) > least).then_some(found)
}

/// The same curves at a level at which none of the frames becomes louder: what is straight swings further, and nothing that is
/// left may be louder than the mix.
fn levelled(bend: Bend, pairs: &FramePairs) -> Option<Bend> {
    let power =
        |sides: &[Vec<f32>; 2]| sides.iter().flatten().map(|&x| f64::from(x) * f64::from(x)).sum::<f64>();
    let mut most = 0.0f64;
    for pair in pairs.audible() {
        let bent = pair.mix.map(<[f32]>::to_vec);
        let mut straight = bent.clone();
        bend.undo_mix(sides_mut(&mut straight));
        most = most.max(power(&straight) / power(&bent).max(1e-20));
    }
    let gain = (1.0 / most.max(1e-12)).sqrt() as f32;
    let scaled = |curve: &Curve| Curve::new(curve.span(), curve.slopes().map(|slope| gain * slope));
    let [left, right] = [scaled(&bend.curves[0])?, scaled(&bend.curves[1])?];
    Some(Bend { curves: [left, right], ..bend })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;
    use crate::dsp::sizes::Sizes;

    const RATE_HZ: f64 = 8_000.0;

    /// Frames of 24 s of backing and of a mix, as `bend` makes of them; the voice is two tones that come and go.
    fn frames(bend: impl Fn(f64) -> f64) -> FramePairs {
        let mut pairs = FramePairs::new(Sizes::new(RATE_HZ));
        let len = 24 * RATE_HZ as usize;
        let backing = noise(len, 1);
        let voice = |n: usize| {
            let swell = 0.5 - 0.5 * (n as f64 * 1e-3).cos();
            0.15 * swell * ((n as f64 * 0.3).sin() + (n as f64 * 0.71).sin())
        };
        let bent = |x: f64| bend(x) as f32;
        let mix: Vec<f32> = (0..len).map(|n| bent(1.4 * f64::from(backing[n]) + voice(n))).collect();
        let backing: Vec<f32> = backing.iter().map(|&b| bent(1.4 * f64::from(b))).collect();
        pairs.fill(&[mix.clone(), mix], &[backing.clone(), backing]);
        pairs
    }

    /// A tape's bend is odd, a tube's is not; what is not bent, or merely noisy, is let be. The curves are known by formula.
    #[test]
    fn bends_are_found_and_nothing_else() {
        for (what, undo, bend) in [
            ("tape", (|y: f64| y.atanh()) as fn(f64) -> f64, (|x: f64| (x).tanh()) as fn(f64) -> f64),
            ("tube", |y| y + 0.5 * y * y + 2.0 * y.powi(3), tube),
        ] {
            let bend = find(&frames(bend), [1.0; 2], RATE_HZ).expect(what);
            let curve = bend.curves[0];
            let is_odd = (curve.undo(0.3) + curve.undo(-0.3)).abs() < 1e-6;
            assert_eq!(is_odd, what == "tape");
            let gain = f64::from(curve.undo(0.2) - curve.undo(-0.2)) / (undo(0.2) - undo(-0.2));
            for y in [-0.5f32, -0.3, 0.1, 0.4, 0.5] {
                let expected = gain * undo(f64::from(y));
                let error = (f64::from(curve.undo(y)) - expected).abs();
                assert!(error < 0.02 * gain, "{what} at {y}: {} {expected}", curve.undo(y));
            }
        }
        assert!(find(&frames(|x| x), [1.0; 2], RATE_HZ).is_none());
        assert!(find(&frames(|x| (x * 256.0).round() / 256.0), [1.0; 2], RATE_HZ).is_none(), "9 bits");
    }

    /// The inverse of `y + y^2 / 2 + 2 y^3`, which rises everywhere, by bisection.
    fn tube(x: f64) -> f64 {
        let (mut low, mut high) = (-2.0f64, 2.0f64);
        for _ in 0..50 {
            let y = 0.5 * (low + high);
            if y + 0.5 * y * y + 2.0 * y.powi(3) < x { low = y } else { high = y }
        }
        low
    }
}
