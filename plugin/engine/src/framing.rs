//! Host blocks of any length in, fixed hops out: whatever follows never sees the host's block size.

use crate::Settings;
use crate::dsp::ring::{Stereo, stereo};
use crate::dsp::units::db_to_gain;

/// Samples below this count as silence: far under the noise of any converter (-300 dB), far above where float
/// arithmetic becomes slow or depends on the host's processor mode.
pub const SILENCE: f32 = 1e-15;

/// Samples beyond this are held to it: 80 dB over full scale, where powers of powers still fit a float.
pub const LOUDEST: f32 = 1e4;

/// One hop of input with the settings it arrived with.
pub struct InputHop {
    /// Mix, left and right.
    pub mix: Stereo,
    /// Backing, left and right.
    pub backing: Stereo,
    /// Target of the trim, linear, per sample.
    pub trim: Vec<f32>,
    /// Target of the output level, linear, per sample.
    pub output: Vec<f32>,
    /// Everything else as set at the first sample of the hop.
    pub settings: Settings,
}

/// Collects hops. Adds two hops of latency: one in which a hop is collected, and one in which it is worked on.
pub struct Framing {
    /// The hop being collected; whole when [`Framing::exchange`] says so.
    pub hop: InputHop,
    /// The output of the hop that is worked on, to be filled by the engine.
    pub out: Stereo,
    /// The output of the hop before, on its way to the host.
    leaving: Stereo,
    /// Samples that were not finite and were counted as silence.
    pub bad_samples: u64,
    filled: usize,
}

impl Framing {
    /// Framing into hops of `hop` samples.
    pub fn new(hop: usize) -> Self {
        Self {
            hop: InputHop {
                mix: stereo(hop),
                backing: stereo(hop),
                trim: vec![1.0; hop],
                output: vec![1.0; hop],
                settings: Settings::default(),
            },
            out: stereo(hop),
            leaving: stereo(hop),
            bad_samples: 0,
            filled: 0,
        }
    }

    /// Forgets the signals.
    pub fn reset(&mut self) {
        self.out.iter_mut().chain(&mut self.leaving).for_each(|side| side.fill(0.0));
        self.bad_samples = 0;
        self.filled = 0;
    }

    /// Samples of the present hop already collected.
    pub fn filled(&self) -> usize {
        self.filled
    }

    /// Exchanges samples from `at` on: input in, output out. Returns how many were exchanged and whether a hop
    /// is now whole; if so, [`Framing::turn`] must be called before the next.
    pub fn exchange(
        &mut self,
        mix: &mut [&mut [f32]],
        backing: &[&[f32]],
        at: usize,
        settings: &Settings,
    ) -> (usize, bool) {
        let hop = self.out[0].len();
        let from = self.filled;
        let len = (mix[0].len() - at).min(hop - from);
        if from == 0 {
            self.hop.settings = *settings;
        }
        let mut bad = 0;
        let mut clean = |x: f32| {
            bad += u64::from(!x.is_finite());
            if x.is_finite() && x.abs() >= SILENCE { x.clamp(-LOUDEST, LOUDEST) } else { 0.0 }
        };
        let under_both = |[left, right]: &mut Stereo| {
            right[from..from + len].copy_from_slice(&left[from..from + len]);
        };
        for channel in 0..2 {
            // A mono mix runs as two equal sides, a mono backing stands under both.
            if let Some(source) = mix.get(channel) {
                for (to, &x) in self.hop.mix[channel][from..from + len].iter_mut().zip(&source[at..]) {
                    *to = clean(x);
                }
            } else {
                under_both(&mut self.hop.mix);
            }
            if channel < backing.len().max(1) {
                let source = backing.get(channel).and_then(|c| c.get(at..)).unwrap_or(&[]);
                let to = &mut self.hop.backing[channel][from..from + len];
                to.fill(0.0);
                for (to, &x) in to.iter_mut().zip(source) {
                    *to = clean(x);
                }
            } else {
                under_both(&mut self.hop.backing);
            }
        }
        if let ([_], [_, _, ..]) = (&*mix, backing) {
            // A mono mix hears the mean of both sides of the backing: of all that fold a song to mono it differs by a level,
            // which is matched.
            let [left, right] = &mut self.hop.backing;
            for (left, right) in left.iter_mut().zip(right).skip(from).take(len) {
                *left = 0.5 * (*left + *right);
                *right = *left;
            }
        }
        self.bad_samples += bad;
        self.hop.trim[from..from + len].fill(db_to_gain(settings.trim_db));
        self.hop.output[from..from + len].fill(db_to_gain(settings.output_db));
        for (channel, out) in mix.iter_mut().zip(&self.leaving) {
            channel[at..at + len].copy_from_slice(&out[from..from + len]);
        }
        self.filled = (from + len) % hop;
        (len, from + len == hop)
    }

    /// The hop before is worked on: its output begins to leave.
    pub fn turn(&mut self) {
        std::mem::swap(&mut self.out, &mut self.leaving);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mono_mix_hears_the_mean_of_both_sides() {
        let [left, right] = [[0.5, -0.25, f32::NAN, 1.0], [0.25, 0.25, 0.5, 0.0]];
        let heard = |mix_channels: usize, backing: &[&[f32]]| {
            let mut framing = Framing::new(4);
            let mut mix = vec![[0.0; 4]; mix_channels];
            // In two parts, so that a part of a hop is left alone.
            for at in [0, 2] {
                let mut mix: Vec<&mut [f32]> =
                    mix.iter_mut().map(|channel| &mut channel[at..at + 2]).collect();
                let backing: Vec<&[f32]> = backing.iter().map(|channel| &channel[at..at + 2]).collect();
                framing.exchange(&mut mix, &backing, 0, &Settings::default());
            }
            framing.hop.backing
        };
        let mean = vec![0.375, 0.0, 0.25, 0.5];
        assert_eq!(heard(1, &[&left, &right]), [mean.clone(), mean.clone()]);
        assert_eq!(heard(1, &[&left, &right, &left]), [mean.clone(), mean], "more than two channels");
        assert_eq!(heard(1, &[&right]), [right.to_vec(), right.to_vec()]);
        assert_eq!(heard(2, &[&left, &right]), [vec![0.5, -0.25, 0.0, 1.0], right.to_vec()]);
    }

    /// One channel stands for both, and what is wrong with it is told once.
    #[test]
    fn a_broken_sample_counts_once() {
        let given = [0.5, f32::NAN, 0.25, f32::INFINITY];
        let wanted = vec![0.5, 0.0, 0.25, 0.0];
        for (mix_channels, backing_channels, bad) in [(1, 1, 4), (2, 1, 6), (2, 2, 8), (2, 0, 4)] {
            let mut framing = Framing::new(4);
            let mut mix = vec![given; mix_channels];
            let mut mix: Vec<&mut [f32]> = mix.iter_mut().map(|channel| &mut channel[..]).collect();
            let backing: Vec<&[f32]> = (0..backing_channels).map(|_| &given[..]).collect();
            assert_eq!(framing.exchange(&mut mix, &backing, 0, &Settings::default()), (4, true));
            assert_eq!(framing.bad_samples, bad);
            assert_eq!(framing.hop.mix, [wanted.clone(), wanted.clone()]);
            let backing = if backing_channels > 0 { wanted.clone() } else { vec![0.0; 4] };
            assert_eq!(framing.hop.backing, [backing.clone(), backing]);
        }
    }
}
