//! Filters out of the normal equations.

use minuend_fourier::Transform;
use realfft::num_complex::{Complex32, Complex64};

use crate::{normal::Normal, sizes::Sizes};

/// A filter's impulse response, its middle tap that of no delay; linear.
#[derive(Clone, Debug, PartialEq)]
pub struct Taps(pub Vec<f32>);

impl Taps {
    /// Nothing passes.
    pub fn silent(sizes: Sizes) -> Self {
        Self(vec![0.0; 2 * sizes.reach_samples() + 1])
    }

    /// All passes as it is.
    pub fn through(sizes: Sizes) -> Self {
        let mut taps = Self::silent(sizes);
        taps.0[sizes.reach_samples()] = 1.0;
        taps
    }

    /// Whether anything passes.
    pub fn is_any(&self) -> bool {
        self.0.iter().any(|&tap| tap != 0.0)
    }

    /// The middle tap, if there is no other.
    pub fn gain(&self) -> Option<f32> {
        let centre = self.0.len() / 2;
        let is_other = |(n, tap): (usize, &f32)| n != centre && *tap != 0.0;
        let has_other = self.0.iter().enumerate().any(is_other);
        (!has_other).then(|| self.0[centre])
    }

    /// The filter in frequency.
    pub fn response(&self, sizes: Sizes, transform: &mut Transform, response: &mut [Complex32]) {
        let mut time = vec![0.0; sizes.frame_samples];
        let reach = self.0.len() / 2;
        for (n, tap) in self.0.iter().enumerate() {
            time[(n + sizes.frame_samples - reach) % sizes.frame_samples] = *tap;
        }
        transform.forward(&time, response);
    }
}

/// Steps at most, and how far the error has to fall, power: what is left the next pass over the song finds.
const MOST_STEPS: usize = 60;
const ENOUGH: f64 = 1e-11;
/// Share of its own power, bin by bin, by which a change of a part's filter is held back, so that parts of which one is the sum of
/// others have one solution: the nearest. Well above what rounding makes of the sums over a song; what it holds back the next
/// solution finds, as by Levenberg and Marquardt (Marquardt 1963).
const LOADING: f64 = 1e-5;
/// A tap this far from the middle, as a share of a frame, is expected to be half as large, and so on. It is measured in what
/// brings the part to the level of the mix.
const EXPECTED_SHARE: f64 = 1.0 / 1024.0;
const EXPECTED_TAP: f64 = 0.5;

/// What was gathered, and the filters through which the parts went then. All is reckoned by how filters differ from those: where
/// little is left, what parts explain is a difference of numbers that are alike to six digits.
pub struct System<'a> {
    normal: &'a Normal,
    current: &'a [Taps],
    cross: Vec<Taps>,
}

impl<'a> System<'a> {
    /// Of one side, by half or whole.
    pub fn new(normal: &'a Normal, current: &'a [Taps]) -> Self {
        let mut transform = Transform::new(normal.sizes.frame_samples);
        let cross =
            normal.cross.iter().map(|cross| taps_of(normal.sizes, transform.inverse(cross))).collect();
        Self { normal, current, cross }
    }

    /// Weighted energy that filters leave.
    pub fn cost(&self, taps: &[Taps]) -> f64 {
        let mut apart = taps.to_vec();
        add(&mut apart, -1.0, self.current);
        let mut transform = Transform::new(self.normal.sizes.frame_samples);
        let explained = product(self.normal, &apart, &mut transform);
        self.normal.energy - 2.0 * dot(&apart, &self.cross) + dot(&apart, &explained)
    }

    /// The best filters that reach so far to either side; `None` = no filter at all.
    pub fn solve(&self, reaches: &[Option<usize>]) -> Vec<Taps> {
        let start = restricted(self.current.to_vec(), reaches);
        let mut transform = Transform::new(self.normal.sizes.frame_samples);
        // A part that is dropped leaves the others far from where they were.
        let is_far = reaches.iter().zip(self.current).any(|(reach, taps)| reach.is_none() && taps.is_any());
        let mut taps = start;
        for _ in 0..if is_far { 2 } else { 1 } {
            let left = self.left_by(&taps, &mut transform);
            taps = solve_from(self.normal, reaches, taps, left, &mut transform);
        }
        taps
    }

    /// The best single filter through which the sum of some parts goes, all others left out.
    pub fn solve_sum(&self, summed: &[usize], reach: Option<usize>) -> Vec<Taps> {
        let sizes = self.normal.sizes;
        let mut mean = vec![Taps::silent(sizes)];
        for &part in summed {
            add(&mut mean, 1.0 / summed.len() as f64, &self.current[part..=part]);
        }
        let of_all = |one: &Taps| {
            let mut all = vec![Taps::silent(sizes); self.current.len()];
            summed.iter().for_each(|&part| all[part] = one.clone());
            all
        };
        mean = restricted(mean, &[reach]);
        let mut transform = Transform::new(sizes.frame_samples);
        let left = self.left_by(&of_all(&mean[0]), &mut transform);
        let mut left_of_sum = vec![Taps::silent(sizes)];
        summed.iter().for_each(|&part| add(&mut left_of_sum, 1.0, &left[part..=part]));
        let normal = self.normal.of_sum(summed);
        of_all(&solve_from(&normal, &[reach], mean, left_of_sum, &mut transform)[0])
    }

    /// What of the equations filters leave open.
    fn left_by(&self, taps: &[Taps], transform: &mut Transform) -> Vec<Taps> {
        let mut apart = taps.to_vec();
        add(&mut apart, -1.0, self.current);
        let mut left = self.cross.clone();
        add(&mut left, -1.0, &product(self.normal, &apart, transform));
        left
    }
}

/// Solves the equations from filters that leave something open, by conjugate gradients, preconditioned with the solution that
/// leaves the reach out of account, bin by bin (Golub and Van Loan, Matrix Computations, 11.5; from memory).
fn solve_from(
    normal: &Normal,
    reaches: &[Option<usize>],
    mut taps: Vec<Taps>,
    mut left: Vec<Taps>,
    transform: &mut Transform,
) -> Vec<Taps> {
    let extra = Extra::new(normal);
    let factors = Factors::new(normal, reaches, &extra);
    add(&mut left, -1.0, &extra.expected(&taps));
    left = restricted(left, reaches);
    let mut step = restricted(factors.apply(&left, transform), reaches);
    let mut agreement = dot(&left, &step);
    let enough = ENOUGH * agreement;
    for _ in 0..MOST_STEPS {
        if agreement <= enough || agreement <= 0.0 {
            break;
        }
        let mut moved = product(normal, &step, transform);
        add(&mut moved, 1.0, &extra.expected(&step));
        add(&mut moved, 1.0, &loaded(normal, &step, transform));
        moved = restricted(moved, reaches);
        let curvature = dot(&step, &moved);
        if curvature.is_nan() || curvature <= 0.0 {
            break;
        }
        let length = agreement / curvature;
        add(&mut taps, length, &step);
        add(&mut left, -length, &moved);
        let mut next = restricted(factors.apply(&left, transform), reaches);
        let before = std::mem::replace(&mut agreement, dot(&left, &next));
        add(&mut next, agreement / before, &step);
        step = next;
    }
    taps
}

/// Filters without what lies beyond their reach.
fn restricted(mut taps: Vec<Taps>, reaches: &[Option<usize>]) -> Vec<Taps> {
    for (taps, reach) in taps.iter_mut().zip(reaches) {
        let centre = taps.0.len() / 2;
        for (n, tap) in taps.0.iter_mut().enumerate() {
            if reach.is_none_or(|reach| n.abs_diff(centre) > reach) {
                *tap = 0.0;
            }
        }
    }
    taps
}

/// What is added to the power of each tap.
struct Extra {
    expected: Vec<f64>,
    half_at: f64,
}

impl Extra {
    fn new(normal: &Normal) -> Self {
        let mix = normal.mix_energy.max(f64::MIN_POSITIVE);
        let expected = |part| normal.part_energy(part) / mix / EXPECTED_TAP.powi(2);
        Self {
            expected: (0..normal.num_parts()).map(expected).collect(),
            half_at: EXPECTED_SHARE * normal.sizes.frame_samples as f64,
        }
    }

    fn at(&self, part: usize, distance: usize) -> f64 {
        let further = distance as f64 / self.half_at;
        if distance == 0 { 0.0 } else { self.expected[part] * (1.0 + further).powi(2) }
    }

    fn expected(&self, taps: &[Taps]) -> Vec<Taps> {
        let one = |(part, taps): (usize, &Taps)| {
            let centre = taps.0.len() / 2;
            let tap = |(n, tap): (usize, &f32)| (self.at(part, n.abs_diff(centre)) * f64::from(*tap)) as f32;
            Taps(taps.0.iter().enumerate().map(tap).collect())
        };
        taps.iter().enumerate().map(one).collect()
    }
}

/// What holds changes of filters back.
fn loaded(normal: &Normal, taps: &[Taps], transform: &mut Transform) -> Vec<Taps> {
    let sizes = normal.sizes;
    let mut spectrum = vec![Complex32::default(); sizes.num_bins()];
    let one = |(part, taps): (usize, &Taps)| {
        if !taps.is_any() {
            return taps.clone();
        }
        taps.response(sizes, transform, &mut spectrum);
        let own = normal.pair(part, part).0;
        spectrum.iter_mut().zip(own).for_each(|(x, own)| *x *= own.re * LOADING as f32);
        taps_of(sizes, transform.inverse(&spectrum))
    };
    taps.iter().enumerate().map(one).collect()
}

/// The equations of every bin alone, solved beforehand: `L L^H` of Cholesky, row after row.
struct Factors {
    active: Vec<usize>,
    rows: Vec<Complex64>,
}

impl Factors {
    fn new(normal: &Normal, reaches: &[Option<usize>], extra: &Extra) -> Self {
        let active: Vec<usize> = (0..reaches.len()).filter(|&part| reaches[part].is_some()).collect();
        let (size, bins) = (active.len(), normal.sizes.num_bins());
        let mut rows = vec![Complex64::default(); bins * size * size];
        for (bin, l) in rows.chunks_mut((size * size).max(1)).enumerate().take(bins) {
            for i in 0..size {
                for k in 0..=i {
                    let (pair, is_conjugate) = normal.pair(active[i], active[k]);
                    let pair = Complex64::new(pair[bin].re.into(), pair[bin].im.into());
                    let mut sum = if is_conjugate { pair.conj() } else { pair };
                    if i == k {
                        let distance = reaches[active[i]].unwrap_or_default() / 8;
                        sum += LOADING * sum.re
                            + extra.at(active[i], distance) / normal.sizes.frame_samples as f64;
                    }
                    for n in 0..k {
                        sum -= l[i * size + n] * l[k * size + n].conj();
                    }
                    l[i * size + k] = if i == k {
                        Complex64::new(sum.re.max(f64::MIN_POSITIVE).sqrt(), 0.0)
                    } else {
                        sum / l[k * size + k].re
                    };
                }
            }
        }
        Self { active, rows }
    }

    fn apply(&self, taps: &[Taps], transform: &mut Transform) -> Vec<Taps> {
        let size = self.active.len();
        let sizes = Sizes { frame_samples: 8 * (taps[0].0.len() / 2) };
        let mut spectra = spectra_of(sizes, taps, transform);
        let mut x = vec![Complex64::default(); size];
        for (bin, l) in self.rows.chunks((size * size).max(1)).enumerate() {
            for i in 0..size {
                let value = spectra[self.active[i]][bin];
                let mut sum = Complex64::new(value.re.into(), value.im.into());
                for n in 0..i {
                    sum -= l[i * size + n] * x[n];
                }
                x[i] = sum / l[i * size + i].re;
            }
            for i in (0..size).rev() {
                let mut sum = x[i];
                for n in i + 1..size {
                    sum -= l[n * size + i].conj() * x[n];
                }
                x[i] = sum / l[i * size + i].re;
                spectra[self.active[i]][bin] = Complex32::new(x[i].re as f32, x[i].im as f32);
            }
        }
        let time = |spectrum: &Vec<Complex32>| taps_of(sizes, transform.inverse(spectrum));
        let scale = 1.0 / (sizes.frame_samples as f32).powi(2);
        let mut solved: Vec<Taps> = spectra.iter().map(time).collect();
        solved.iter_mut().flat_map(|taps| &mut taps.0).for_each(|tap| *tap *= scale);
        solved
    }
}

/// The spectra of filters; of those that are none, silence.
fn spectra_of(sizes: Sizes, taps: &[Taps], transform: &mut Transform) -> Vec<Vec<Complex32>> {
    let mut spectra = vec![vec![Complex32::default(); sizes.num_bins()]; taps.len()];
    for (taps, spectrum) in taps.iter().zip(&mut spectra).filter(|(taps, _)| taps.is_any()) {
        taps.response(sizes, transform, spectrum);
    }
    spectra
}

/// What filters make of the parts, correlated with the parts.
fn product(normal: &Normal, taps: &[Taps], transform: &mut Transform) -> Vec<Taps> {
    let sizes = normal.sizes;
    let spectra = spectra_of(sizes, taps, transform);
    let mut sum = vec![Complex32::default(); sizes.num_bins()];
    let part = |i: usize| {
        sum.fill(Complex32::default());
        for (l, spectrum) in spectra.iter().enumerate().filter(|&(l, _)| taps[l].is_any()) {
            let (pair, is_conjugate) = normal.pair(i, l);
            if is_conjugate {
                sum.iter_mut().zip(pair).zip(spectrum).for_each(|((sum, pair), x)| *sum += pair.conj() * x);
            } else {
                sum.iter_mut().zip(pair).zip(spectrum).for_each(|((sum, pair), x)| *sum += pair * x);
            }
        }
        taps_of(sizes, transform.inverse(&sum))
    };
    (0..taps.len()).map(part).collect()
}

/// The taps of a circle.
fn taps_of(sizes: Sizes, circle: &[f32]) -> Taps {
    let reach = sizes.reach_samples();
    Taps([&circle[circle.len() - reach..], &circle[..=reach]].concat())
}

fn dot(a: &[Taps], b: &[Taps]) -> f64 {
    let one = |(a, b): (&Taps, &Taps)| {
        a.0.iter().zip(&b.0).map(|(a, b)| f64::from(*a) * f64::from(*b)).sum::<f64>()
    };
    a.iter().zip(b).map(one).sum()
}

fn add(to: &mut [Taps], times: f64, from: &[Taps]) {
    for (to, from) in to.iter_mut().zip(from) {
        to.0.iter_mut().zip(&from.0).for_each(|(to, from)| *to += times as f32 * from);
    }
}
