//! Of what is left, what is not in the middle.
//!
//! That a voice mostly stands in the middle, where left and right agree, and can be told by it from what does not, is the
//! idea of Barry, Lawlor and Coyle: ADRess (DAFx 2004). They search the pan of each bin; here middle and side are at hand.

use crate::{cells::Cells, local_mean::LocalMean};

/// Least part of the middle that is kept.
const LEAST: f32 = 0.05;
/// Powers are compared over so many bins and frames to each side.
const NEAR: (usize, usize) = (1, 2);

/// Puts back into the backing what of the difference is not in the middle. `share` is from 0, nothing, to 1: all of its side,
/// and of its middle as much power as the side has, since what is spread over both sides is in the middle, too.
pub fn keep_centre(song: &[&Cells; 2], backing: &mut [Cells; 2], num_bins: usize, share: f32) {
    let num_cells = backing[0].len();
    let mut local = LocalMean::new(num_bins, NEAR.0, NEAR.1);
    let mut power = vec![0.0; num_cells];
    let mut mean = |idx: usize, backing: &Cells| {
        let mut mean = vec![0.0; num_cells];
        song[idx].distance(backing, &mut power);
        local.of(&power, &mut mean);
        mean
    };
    let (middle, side) = (mean(0, &backing[0]), mean(1, &backing[1]));
    for cell in 0..num_cells {
        let of_middle = (1.0 - share * side[cell] / (middle[cell] + 1e-12)).clamp(LEAST, 1.0);
        for ((song, backing), gain) in song.iter().zip(&mut *backing).zip([of_middle, 1.0 - share]) {
            let kept = |song: f32, backing: f32| song - gain * (song - backing);
            backing.re[cell] = kept(song.re[cell], backing.re[cell]);
            backing.im[cell] = kept(song.im[cell], backing.im[cell]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cells(value: f32) -> Cells {
        Cells { re: vec![value; 20], im: vec![0.0; 20] }
    }

    /// A difference in the middle alone is a voice; one at the side alone goes by the share; one on the left is both.
    #[test]
    fn what_is_at_the_sides_is_backing() {
        for (middle, side, share, left) in [
            (1.0, 0.0, 1.0, (1.0, 0.0)),
            (0.0, 1.0, 1.0, (0.0, 0.0)),
            (0.0, 1.0, 0.5, (0.0, 0.5)),
            (1.0, 0.5, 0.5, (0.875, 0.25)),
            (1.0, 1.0, 1.0, (0.05, 0.0)),
            (1.0, 1.0, 0.0, (1.0, 1.0)),
        ] {
            let song = [cells(3.0 + middle), cells(2.0 + side)];
            let mut backing = [cells(3.0), cells(2.0)];
            keep_centre(&[&song[0], &song[1]], &mut backing, 10, share);
            let found = [0, 1].map(|channel| song[channel].re[7] - backing[channel].re[7]);
            assert!(
                (found[0] - left.0).abs() < 1e-5 && (found[1] - left.1).abs() < 1e-5,
                "{middle} {side}: {found:?}"
            );
        }
    }
}
