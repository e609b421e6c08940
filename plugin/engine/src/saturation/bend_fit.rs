//! Whether and how a pair was bent, by music that the curve was not learned from.

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

/// How much better a curve does, on music that it was not learned from.
struct Gain {
    /// Mean, nats.
    mean: f64,
    /// Its standard error.
    error: f64,
}

impl Gain {
    fn is_clear(&self, least: f64) -> bool {
        self.mean > least && self.mean > SURE * self.error
    }
}

/// One model on trial: the cost of every frame by the curve that was learned from the other half.
struct Trial {
    cells: Cells,
    is_per_side: bool,
    costs: Vec<f64>,
}

impl Trial {
    fn new(cells: Cells, is_per_side: bool, part_samples: i64) -> Self {
        let mut costs = vec![0.0; cells.num_frames()];
        for half in 0..2 {
            let in_half = |&frame: &usize| cells.of(frame).0.div_euclid(part_samples) % 2 == half;
            let curves = curves(&cells, is_per_side, |frame| !in_half(&frame));
            for frame in (0..cells.num_frames()).filter(in_half) {
                costs[frame] = cells.cost(frame, &curves[cells.of(frame).1]);
            }
        }
        Self { cells, is_per_side, costs }
    }

    /// How much it wins against other costs.
    fn gain(&self, other: &[f64], part_samples: i64) -> Option<Gain> {
        let mut parts: Vec<(i64, f64, f64)> = Vec::new();
        for (frame, (cost, other)) in self.costs.iter().zip(other).enumerate() {
            let part = self.cells.of(frame).0.div_euclid(part_samples);
            match parts.last_mut() {
                Some((last, sum, count)) if *last == part => (*sum, *count) = (*sum + other - cost, *count + 1.0),
                _ => parts.push((part, other - cost, 1.0)),
            }
        }
        if parts.len() < LEAST_PARTS {
            return None;
        }
        let count = parts.len() as f64;
        let gains = || parts.iter().map(|(_, sum, count)| sum / count);
        let mean = gains().sum::<f64>() / count;
        let spread = gains().map(|gain| (gain - mean).powi(2)).sum::<f64>() / (count - 1.0);
        Some(Gain { mean, error: (spread / count).sqrt() })
    }
}

/// Logarithms of the slopes of either side, of the frames that are to be learned from.
fn curves(cells: &Cells, is_per_side: bool, is_learned: impl Fn(usize) -> bool) -> [Vec<f64>; 2] {
    let of = |side: Option<usize>| {
        let frames: Vec<usize> = (0..cells.num_frames())
            .filter(|&frame| is_learned(frame) && side.is_none_or(|side| cells.of(frame).1 == side))
            .collect();
        fit(cells, &frames)
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
    if cells.num_frames() == 0 {
        return None;
    }
    let straight = vec![0.0; Symmetry::Odd.num_slopes()];
    let as_it_is: Vec<f64> = (0..cells.num_frames()).map(|frame| cells.cost(frame, &straight)).collect();
    let t0=std::time::Instant::now(); let mut best = Trial::new(cells, false, part_samples);
    if let Some(g)=best.gain(&as_it_is, part_samples) { eprintln!("BEND odd {:.4} t {:.1} frames {} span {:.2} levels {:?} {:?}", g.mean, g.mean/g.error, best.cells.num_frames(), best.cells.span(), backing_levels, t0.elapsed()); }
    if !best.gain(&as_it_is, part_samples)?.is_clear(LEAST_GAIN) {
        return None;
    }
    for is_per_side in [false, true] {
        let cells = Cells::new(pairs, Symmetry::Any, sample_rate_hz);
        let freer = Trial::new(cells, is_per_side, part_samples);
        if let Some(g)=freer.gain(&best.costs, part_samples) { eprintln!("BEND per side {is_per_side} more {:.4} t {:.1} {:?}", g.mean, g.mean/g.error, t0.elapsed()); }
        if !freer.gain(&best.costs, part_samples)?.is_clear(LEAST_MORE) {
            break;
        }
        best = freer;
    }
    let (cells, symmetry) = (&best.cells, best.cells.symmetry());
    let curves = curves(cells, best.is_per_side, |_| true).map(|log_slopes| {
        let slopes = symmetry.at_knots(&log_slopes).map(|log_slope| log_slope.exp() as f32);
        Curve::new(cells.span(), slopes)
    });
    let [Some(left), Some(right)] = curves else { return None };
    let bend = Bend { curves: [left, right], backing_levels };
    eprintln!("BEND slopes {:?}", left.slopes().map(|s| (200.0*(s/left.slopes()[20]).log10()).round()/10.0));
    if bend.is_sound() { levelled(bend, pairs) } else { None }
}

/// The same curves at a level at which none of the frames becomes louder: what is straight swings further, and nothing that is
/// left may be louder than the mix.
fn levelled(bend: Bend, pairs: &FramePairs) -> Option<Bend> {
    let power = |sides: &[Vec<f32>; 2]| sides.iter().flatten().map(|&x| f64::from(x) * f64::from(x)).sum::<f64>();
    let mut most = 0.0f64;
    for pair in pairs.audible() {
        let bent = pair.mix.map(<[f32]>::to_vec);
        let mut straight = bent.clone();
        bend.undo_mix(&mut straight);
        most = most.max(power(&straight) / power(&bent).max(1e-20));
    }
    let gain = (1.0 / most.max(1e-12)).sqrt() as f32;
    let scaled = |curve: &Curve| Curve::new(curve.span(), curve.slopes().map(|slope| gain * slope));
    let [left, right] = [scaled(&bend.curves[0])?, scaled(&bend.curves[1])?];
    Some(Bend { curves: [left, right], ..bend })
}
