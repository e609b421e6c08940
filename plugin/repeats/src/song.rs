//! The song, as middle and side.

/// A whole song. Of stereo, middle and side are treated apart throughout: a voice is mostly in the one, and most of what
/// repeats is in both.
#[derive(Clone, Debug, PartialEq)]
pub struct Song {
    channels: Vec<Vec<f32>>,
    sample_rate_hz: f64,
}

impl Song {
    /// Of one channel, or of left and right of equal length, at a sample rate in Hz. What is not a number counts as silence.
    pub fn new(mut channels: Vec<Vec<f32>>, sample_rate_hz: f64) -> Self {
        debug_assert!(channels.len() == 1 || channels.len() == 2 && channels[0].len() == channels[1].len());
        channels.iter_mut().flatten().filter(|x| !x.is_finite()).for_each(|x| *x = 0.0);
        if let [left, right] = &mut channels[..] {
            for (left, right) in left.iter_mut().zip(right) {
                (*left, *right) = (0.5 * (*left + *right), 0.5 * (*left - *right));
            }
        }
        Self { channels, sample_rate_hz }
    }

    /// The middle and, of stereo, the side.
    pub fn channels(&self) -> &[Vec<f32>] {
        &self.channels
    }

    /// Hz.
    pub fn sample_rate_hz(&self) -> f64 {
        self.sample_rate_hz
    }

    /// Length, samples.
    pub fn num_samples(&self) -> usize {
        self.channels[0].len()
    }

    /// Mean square of a part, channels added.
    pub fn power(&self, from: usize, to: usize) -> f64 {
        let to = to.min(self.num_samples());
        let squares =
            |channel: &Vec<f32>| channel[from.min(to)..to].iter().map(|&x| f64::from(x * x)).sum::<f64>();
        self.channels.iter().map(squares).sum::<f64>() / (to.saturating_sub(from)).max(1) as f64
    }

    /// Makes middle and side left and right again; one channel stays.
    pub fn to_sides(channels: &mut [Vec<f32>]) {
        if let [middle, side] = channels {
            for (middle, side) in middle.iter_mut().zip(side) {
                (*middle, *side) = (*middle + *side, *middle - *side);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn middle_and_side_become_left_and_right_again() {
        let song = Song::new(vec![vec![1.0, 0.5], vec![-1.0, f32::NAN]], 8_000.0);
        assert_eq!(song.channels(), [vec![0.0, 0.25], vec![1.0, 0.25]]);
        assert_eq!(song.power(0, 2), 0.5 * (1.0 + 2.0 * 0.0625));
        let mut channels = song.channels().to_vec();
        Song::to_sides(&mut channels);
        assert_eq!(channels, [vec![1.0, 0.5], vec![-1.0, 0.0]]);
    }
}
