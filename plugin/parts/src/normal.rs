//! The normal equations of one side, gathered over the song.

use realfft::num_complex::Complex32;

use crate::{residue::Frame, sizes::Sizes};

/// Weighted power and cross spectra of the parts, and of the parts with what is not explained yet.
#[derive(Clone)]
pub struct Normal {
    /// Lengths.
    pub sizes: Sizes,
    /// Cross spectra of part `i` conjugate with part `l`, `l` from `i` on, row after row.
    pairs: Vec<Vec<Complex32>>,
    /// Of each part, conjugate, with what is not explained.
    pub cross: Vec<Vec<Complex32>>,
    /// Weighted energy of what is not explained, over the whole circle.
    pub energy: f64,
    /// Weighted energy of the mix, likewise.
    pub mix_energy: f64,
    weighted: Vec<Complex32>,
}

impl Normal {
    /// Nothing heard, of so many parts.
    pub fn new(sizes: Sizes, num_parts: usize) -> Self {
        let spectra = |count| vec![vec![Complex32::default(); sizes.num_bins()]; count];
        Self {
            sizes,
            pairs: spectra(num_parts * (num_parts + 1) / 2),
            cross: spectra(num_parts),
            energy: 0.0,
            mix_energy: 0.0,
            weighted: vec![Complex32::default(); sizes.num_bins()],
        }
    }

    /// How many parts there are.
    pub fn num_parts(&self) -> usize {
        self.cross.len()
    }

    /// Adds a frame, each bin with its weight.
    pub fn add(&mut self, frame: &Frame, weights: &[f32]) {
        let mut pairs = self.pairs.iter_mut();
        for (i, part) in frame.parts.iter().enumerate() {
            for ((to, part), weight) in self.weighted.iter_mut().zip(part).zip(weights) {
                *to = part.conj() * weight;
            }
            for other in &frame.parts[i..] {
                add_products(pairs.next().expect("a pair each"), &self.weighted, other);
            }
            add_products(&mut self.cross[i], &self.weighted, frame.residue);
        }
        let energy = |spectrum: &[Complex32]| {
            circle(spectrum.iter().zip(weights).map(|(bin, weight)| f64::from(bin.norm_sqr() * weight)))
        };
        self.energy += energy(frame.residue);
        self.mix_energy += energy(frame.mix);
    }

    /// The cross spectrum of part `i` conjugate with part `l`, and whether it is to be conjugated.
    pub fn pair(&self, i: usize, l: usize) -> (&[Complex32], bool) {
        let (first, second) = (i.min(l), i.max(l));
        let row = first * self.num_parts() - first * (first + 1) / 2;
        (&self.pairs[row + second], i > l)
    }

    /// Weighted energy of a part, over the whole circle.
    pub fn part_energy(&self, part: usize) -> f64 {
        circle(self.pair(part, part).0.iter().map(|bin| f64::from(bin.re)))
    }

    /// Both halves together.
    pub fn plus(&self, other: &Self) -> Self {
        let mut sum = self.clone();
        let to = sum.pairs.iter_mut().chain(&mut sum.cross);
        for (to, from) in to.zip(other.pairs.iter().chain(&other.cross)) {
            to.iter_mut().zip(from).for_each(|(to, from)| *to += from);
        }
        sum.energy += other.energy;
        sum.mix_energy += other.mix_energy;
        sum
    }

    /// Of the sum of some parts as if it were one.
    pub fn of_sum(&self, summed: &[usize]) -> Self {
        let mut sum = Self::new(self.sizes, 1);
        (sum.energy, sum.mix_energy) = (self.energy, self.mix_energy);
        for &i in summed {
            for &l in summed {
                let (pair, is_conjugate) = self.pair(i, l);
                for (to, from) in sum.pairs[0].iter_mut().zip(pair) {
                    *to += if is_conjugate { from.conj() } else { *from };
                }
            }
            sum.cross[0].iter_mut().zip(&self.cross[i]).for_each(|(to, from)| *to += from);
        }
        sum
    }
}

/// The sum over a circle of what is given for its upper half.
fn circle(upper: impl Iterator<Item = f64> + Clone) -> f64 {
    let ends = upper.clone().next().unwrap_or_default() + upper.clone().last().unwrap_or_default();
    2.0 * upper.sum::<f64>() - ends
}

fn add_products(sums: &mut [Complex32], a: &[Complex32], b: &[Complex32]) {
    for ((sum, a), b) in sums.iter_mut().zip(a).zip(b) {
        sum.re += a.re * b.re - a.im * b.im;
        sum.im += a.re * b.im + a.im * b.re;
    }
}
