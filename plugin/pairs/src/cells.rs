//! Energies of two recordings by moment and band, and what they have in common there.

use minuend_fourier::{Transform, hann};
use realfft::num_complex::Complex32;

use crate::RATE_HZ;

/// Samples a cell: 2 s.
pub const CELL: usize = 2 * RATE_HZ as usize;
/// Samples a frame, and from one to the next: as long as a room rings with most of its energy.
const FRAME: usize = 1024;
const HOP: usize = 512;
/// Bands to the octave, and the lowest edge, Hz: thirds, where voices and most instruments are.
const BANDS_AN_OCTAVE: f64 = 3.0;
const LOWEST_HZ: f64 = 100.0;
/// Number of bands, up to 3.2 kHz.
pub const NUM_BANDS: usize = 15;

/// Two seconds of a band.
#[derive(Clone, Copy, Debug, Default)]
pub struct Cell {
    /// Energy of either recording.
    pub energies: [f64; 2],
    /// Share of their energies that one has in common with the other through a filter, 0 to 1: magnitude-squared coherence
    /// (Carter, Knapp and Nuttall 1973), less what chance gives.
    pub coherence: f64,
}

/// Makes cells of pairs of stretches.
pub struct Cells {
    transform: Transform,
    window: Vec<f32>,
    rooms: [Vec<Complex32>; 2],
}

impl Cells {
    /// Ready to.
    pub fn new() -> Self {
        let transform = Transform::new(FRAME);
        let room = vec![Complex32::default(); transform.num_bins()];
        Self { rooms: [room.clone(), room], window: hann(FRAME), transform }
    }

    /// The bands of two stretches of [`CELL`] samples that belong together.
    pub fn of(&mut self, stretches: [&[f32]; 2]) -> [Cell; NUM_BANDS] {
        let num_bins = self.rooms[0].len();
        let mut energies = vec![[0.0; 2]; num_bins];
        let mut cross = vec![Complex32::default(); num_bins];
        let mut num_frames = 0.0;
        for (first, second) in stretches[0].windows(FRAME).zip(stretches[1].windows(FRAME)).step_by(HOP) {
            for (stretch, room) in [first, second].into_iter().zip(&mut self.rooms) {
                self.transform.forward_under(&self.window, stretch, room);
            }
            for bin in 0..num_bins {
                let [first, second] = [self.rooms[0][bin], self.rooms[1][bin]];
                energies[bin][0] += f64::from(first.norm_sqr());
                energies[bin][1] += f64::from(second.norm_sqr());
                cross[bin] += first * second.conj();
            }
            num_frames += 1.0;
        }
        // What recordings that have nothing in common come to on average (Carter, Knapp and Nuttall 1973); frames overlap by half.
        let chance = 1.0 / (0.9 * num_frames);
        let edge = |band: usize| {
            let hz = LOWEST_HZ * (band as f64 / BANDS_AN_OCTAVE).exp2();
            (hz * FRAME as f64 / f64::from(RATE_HZ)).round() as usize
        };
        std::array::from_fn(|band| {
            let bins = edge(band)..edge(band + 1);
            let mut cell = Cell::default();
            let mut common = [0.0; 2];
            for ([first, second], cross) in energies[bins.clone()].iter().zip(&cross[bins]) {
                let product = f64::from(cross.norm_sqr());
                cell.energies[0] += first;
                cell.energies[1] += second;
                common[0] += product / (second + f64::MIN_POSITIVE);
                common[1] += product / (first + f64::MIN_POSITIVE);
            }
            // By either energy, whose means differ where bins differ.
            let shares = [0, 1].map(|side| common[side] / (cell.energies[side] + f64::MIN_POSITIVE));
            let share = (shares[0] * shares[1]).sqrt();
            cell.coherence = ((share - chance) / (1.0 - chance)).clamp(0.0, 1.0);
            cell
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::made::noise;

    /// Noise and the same with as much, or a third as much, of other noise: half and three quarters in common. Of the same at
    /// another level, all; of other noise, nothing.
    #[test]
    fn coherence_is_the_share_in_common() {
        let (noise, other) = (noise(1, CELL), noise(77_777, CELL));
        let mut cells = Cells::new();
        let mut mean = |gain: f32, added: f32| {
            let sum: Vec<f32> = noise.iter().zip(&other).map(|(x, y)| gain * x + added * y).collect();
            cells.of([&sum, &noise]).iter().map(|cell| cell.coherence).sum::<f64>() / NUM_BANDS as f64
        };
        for (gain, added, expected) in
            [(1.0, 1.0, 0.5), (1.0, 0.333_f32.sqrt(), 0.75), (-0.1, 0.0, 1.0), (0.0, 1.0, 0.0)]
        {
            let found = mean(gain, added);
            assert!((found - expected).abs() < 0.05, "{found}, not {expected}");
        }
    }
}
