//! How far the backing is down where the voice rests, and where it sings.

use std::ops::Range;

use super::inner_products;

/// Length of a frame, s: short enough to fit between two words, long enough for a period of the lowest bass.
const FRAME_S: f64 = 0.05;
/// The voice rests where its energy is below this part of the backing's: 30 dB under it.
const RESTING: f64 = 1e-3;
/// Part of the energy of the backing's loudest frame below which there is nothing to null: 50 dB under it.
const AUDIBLE: f64 = 1e-5;
/// Fewer frames than this say nothing.
const MIN_FRAMES: usize = 4;

/// Null depth of an estimate of the vocal, dB: how far what remains of the backing lies under the backing as it sits in
/// the mix, where the voice rests. Higher is deeper.
///
/// With the energies `v` of the vocal, `b` of the backing in the mix and `r` of the estimate less the vocal, each over
/// all channels of a frame of 50 ms:
///
/// ```text
/// 10 log10(sum b / sum r)   over the frames where v < 1e-3 b and b > 1e-5 max b
/// ```
///
/// A definition of our own. All signals are `[channel_idx][sample_idx]` of equal shape. `None` with fewer than 4 such
/// frames, infinity when nothing remains.
pub fn null_depth_db(
    vocal: &[Vec<f32>],
    backing_in_mix: &[Vec<f32>],
    estimate: &[Vec<f32>],
    sample_rate_hz: u32,
) -> Option<f64> {
    let rests = Rests::new(vocal, backing_in_mix, estimate, sample_rate_hz);
    rests.depth_db(0..rests.frames.len() * rests.frame_samples)
}

/// The same where the voice sings: over the frames where v >= 1e-3 b and b > 1e-5 max b.
pub fn depth_under_voice_db(
    vocal: &[Vec<f32>],
    backing_in_mix: &[Vec<f32>],
    estimate: &[Vec<f32>],
    sample_rate_hz: u32,
) -> Option<f64> {
    let frames = audible_frames(vocal, backing_in_mix, estimate, sample_rate_hz);
    depth_db(frames.into_iter().flatten().filter(|frame| !rests(frame)).map(|[_, b, r]| [b, r]))
}

/// The frames from which [`null_depth_db`] is made, for the depth over parts of a signal.
pub struct Rests {
    /// Energies of the backing and of what remains of it, where the voice rests over a backing.
    frames: Vec<Option<[f64; 2]>>,
    frame_samples: usize,
}

impl Rests {
    /// See [`null_depth_db`].
    pub fn new(
        vocal: &[Vec<f32>],
        backing_in_mix: &[Vec<f32>],
        estimate: &[Vec<f32>],
        sample_rate_hz: u32,
    ) -> Self {
        let frames = audible_frames(vocal, backing_in_mix, estimate, sample_rate_hz)
            .into_iter()
            .map(|frame| frame.filter(rests).map(|[_, b, r]| [b, r]))
            .collect();
        Self { frames, frame_samples: frame_samples(sample_rate_hz) }
    }

    /// Null depth over the whole frames within some samples, dB.
    pub fn depth_db(&self, samples: Range<usize>) -> Option<f64> {
        let end = (samples.end / self.frame_samples).min(self.frames.len());
        depth_db(
            self.frames[samples.start.div_ceil(self.frame_samples).min(end)..end].iter().copied().flatten(),
        )
    }
}

fn frame_samples(sample_rate_hz: u32) -> usize {
    (FRAME_S * f64::from(sample_rate_hz)) as usize
}

/// Energies of voice, backing and what remains of it, of those frames in which there is something to null.
fn audible_frames(
    vocal: &[Vec<f32>],
    backing_in_mix: &[Vec<f32>],
    estimate: &[Vec<f32>],
    sample_rate_hz: u32,
) -> Vec<Option<[f64; 3]>> {
    let remainder: Vec<Vec<f64>> = estimate
        .iter()
        .zip(vocal)
        .map(|(e, v)| e.iter().zip(v).map(|(&e, &v)| f64::from(e) - f64::from(v)).collect())
        .collect();
    let frame_samples = frame_samples(sample_rate_hz);
    let v = inner_products(vocal, vocal, frame_samples);
    let b = inner_products(backing_in_mix, backing_in_mix, frame_samples);
    let r = inner_products(&remainder, &remainder, frame_samples);
    let loudest = b.iter().copied().fold(0.0, f64::max);
    (0..b.len()).map(|i| (b[i] > AUDIBLE * loudest).then_some([v[i], b[i], r[i]])).collect()
}

/// Whether the voice rests in a frame.
fn rests([v, b, _]: &[f64; 3]) -> bool {
    *v < RESTING * b
}

/// Energy of the backing re that of what remains, dB, over frames that are enough.
fn depth_db(frames: impl Iterator<Item = [f64; 2]>) -> Option<f64> {
    let (count, b, r) =
        frames.fold((0, 0.0, 0.0), |(count, sum_b, sum_r), [b, r]| (count + 1, sum_b + b, sum_r + r));
    (count >= MIN_FRAMES).then(|| 10.0 * (b / r).log10())
}

#[cfg(test)]
mod tests {
    use super::{Rests, depth_under_voice_db, null_depth_db};

    const RATE_HZ: u32 = 8_000;
    const FRAME: usize = 400;

    /// A square wave, which has the same energy in every frame.
    fn wave(frames: &[f32]) -> Vec<Vec<f32>> {
        let frame = |&level: &f32| (0..FRAME).map(move |n| if n % 20 < 10 { level } else { -level });
        vec![frames.iter().flat_map(frame).collect()]
    }

    /// What remains of a backing after taking away `g` of it is `20 log10|1 - g|` of it: textbook arithmetic.
    #[test]
    fn is_what_remains_of_the_backing() {
        let vocal = wave(&[0.0; 6]);
        let backing = wave(&[0.5; 6]);
        for (remaining, depth_db) in [(0.1, 20.0), (-0.01, 40.0), (1.0, 0.0), (2.0, -6.0206)] {
            let estimate = wave(&[0.5 * remaining; 6]);
            let found = null_depth_db(&vocal, &backing, &estimate, RATE_HZ).unwrap();
            // The samples are in single precision.
            assert!((found - depth_db).abs() < 1e-4, "{found}");
        }
        assert_eq!(null_depth_db(&vocal, &backing, &vocal, RATE_HZ), Some(f64::INFINITY));
    }

    /// From the definition: frames with voice do not count, nor those in which the backing is next to silent.
    #[test]
    fn counts_only_where_the_voice_rests_over_a_backing() {
        //                  -29.9 dB, -30.1 dB re backing                        no backing
        let vocal = wave(&[0.016, 0.015625, 0.0, 0.0, 0.0, 0.5, 0.0]);
        let backing = wave(&[0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.0005]);
        let remainder = [0.5, 0.05, 0.05, 0.05, 0.05, 0.5, 0.5];
        let estimate: Vec<_> = vocal[0].iter().zip(&wave(&remainder)[0]).map(|(v, r)| v + r).collect();
        let estimate = [estimate];
        let found = null_depth_db(&vocal, &backing, &estimate, RATE_HZ).unwrap();
        assert!((found - 20.0).abs() < 1e-4, "{found}");
        // Of the others too few have a voice.
        assert_eq!(depth_under_voice_db(&vocal, &backing, &estimate, RATE_HZ), None);
    }

    /// From the definition: where the voice sings, and only there.
    #[test]
    fn the_depth_under_the_voice_leaves_its_rests_out() {
        let vocal = wave(&[0.5, 0.5, 0.5, 0.016, 0.0, 0.0, 0.0, 0.0, 0.5]);
        let backing = wave(&[0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.0005]);
        let remainder = wave(&[0.05, 0.05, 0.05, 0.05, 0.005, 0.005, 0.005, 0.005, 0.5]);
        let estimate = [vocal[0].iter().zip(&remainder[0]).map(|(v, r)| v + r).collect()];
        for (depth, depth_db) in
            [(depth_under_voice_db as fn(&_, &_, &_, u32) -> _, 20.0), (null_depth_db, 40.0)]
        {
            let found: f64 = depth(&vocal[..], &backing[..], &estimate[..], RATE_HZ).unwrap();
            // The samples are in single precision.
            assert!((found - depth_db).abs() < 1e-3, "{found}");
        }
    }

    /// Of a part, only the frames that lie whole within it.
    #[test]
    fn parts_have_depths_of_their_own() {
        let vocal = wave(&[0.0; 12]);
        let backing = wave(&[0.5; 12]);
        let estimate = wave(&[[0.05; 6], [0.005; 6]].concat());
        let rests = Rests::new(&vocal, &backing, &estimate, RATE_HZ);
        for (part, depth_db) in [(0..6, 20.0), (6..12, 40.0)] {
            let (from, to) = ((part.start * FRAME).saturating_sub(FRAME - 1), part.end * FRAME + FRAME - 1);
            let within = rests.depth_db(from..to).unwrap();
            assert!((within - depth_db).abs() < 1e-4, "{within}");
        }
        assert_eq!(rests.depth_db(0..3 * FRAME), None);
        assert_eq!(rests.depth_db(40 * FRAME..50 * FRAME), None);
    }

    /// A voice without rests tells no depth.
    #[test]
    fn needs_four_frames() {
        let [vocal, backing] = [wave(&[0.0, 0.0, 0.0, 0.5]), wave(&[0.5; 4])];
        assert_eq!(null_depth_db(&vocal, &backing, &backing, RATE_HZ), None);
        assert_eq!(null_depth_db(&backing, &wave(&[0.0; 4]), &backing, RATE_HZ), None);
    }
}
