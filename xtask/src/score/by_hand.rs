//! What a careful person reaches with an editor: the backing moved by whole samples, one fader, one polarity switch.

use realfft::{RealFftPlanner, num_complex::Complex};

/// The mix minus the backing at the whole-sample offset of the highest correlation over both files, and at the gain, with
/// sign, that leaves least there. One offset and one gain for all channels.
pub(super) fn by_hand(mix: &[Vec<f32>], backing: &[Vec<f32>]) -> Vec<Vec<f32>> {
    let in_place = moved(backing, best_offset_samples(mix, backing), mix[0].len());
    let inner = |a: &[Vec<f32>]| -> f64 {
        let pairs = a.iter().flatten().zip(in_place.iter().flatten());
        pairs.map(|(&a, &b)| f64::from(a) * f64::from(b)).sum()
    };
    let energy = inner(&in_place);
    let gain = if energy > 0.0 { inner(mix) / energy } else { 0.0 };
    minus(mix, &in_place, gain)
}

/// How much later than the backing the mix plays the same music: where their correlation is highest, of either sign.
fn best_offset_samples(mix: &[Vec<f32>], backing: &[Vec<f32>]) -> i64 {
    let (mix_length, backing_length) = (mix[0].len(), backing[0].len());
    let length = (mix_length + backing_length).next_power_of_two();
    let mut planner = RealFftPlanner::<f32>::new();
    let (forward, inverse) = (planner.plan_fft_forward(length), planner.plan_fft_inverse(length));
    let spectrum = |channel: &[f32]| {
        let mut input = channel.to_vec();
        input.resize(length, 0.0);
        let mut spectrum = forward.make_output_vec();
        forward.process(&mut input, &mut spectrum).expect("lengths are the plan's");
        spectrum
    };
    let mut cross = vec![Complex::default(); length / 2 + 1];
    for (mix, backing) in mix.iter().zip(backing) {
        for (cross, (mix, backing)) in cross.iter_mut().zip(spectrum(mix).iter().zip(spectrum(backing))) {
            *cross += mix * backing.conj();
        }
    }
    let mut correlation = inverse.make_output_vec();
    inverse.process(&mut cross, &mut correlation).expect("lengths are the plan's");
    let highest = (0..length).max_by(|&a, &b| correlation[a].abs().total_cmp(&correlation[b].abs()));
    let lag = highest.unwrap_or(0);
    if lag < mix_length { lag as i64 } else { lag as i64 - length as i64 }
}

/// A signal so many samples later (earlier, if negative), with silence around it, at a length in samples.
pub(super) fn moved(signal: &[Vec<f32>], later_samples: i64, length: usize) -> Vec<Vec<f32>> {
    let sample = |channel: &Vec<f32>, n: usize| {
        usize::try_from(n as i64 - later_samples).ok().and_then(|n| channel.get(n)).copied().unwrap_or(0.0)
    };
    signal.iter().map(|channel| (0..length).map(|n| sample(channel, n)).collect()).collect()
}

/// The mix minus a backing of the same shape, at a linear gain.
pub(super) fn minus(mix: &[Vec<f32>], backing: &[Vec<f32>], gain: f64) -> Vec<Vec<f32>> {
    let channel = |(mix, backing): (&Vec<f32>, &Vec<f32>)| {
        mix.iter().zip(backing).map(|(&m, &b)| (f64::from(m) - gain * f64::from(b)) as f32).collect()
    };
    mix.iter().zip(backing).map(channel).collect()
}

#[cfg(test)]
mod tests {
    use super::{best_offset_samples, by_hand, moved};
    use minuend_files::noise::samples;

    /// Known offsets and gains, either way round, to files of any length: nothing is left.
    #[test]
    fn undoes_a_move_and_a_gain() {
        let backing = [samples(1, 6_000), samples(48_271, 6_000)];
        for (offset, gain, length) in
            [(0, 1.0, 6_000), (700, -0.3, 7_000), (-1_234, 2.5, 4_000), (-3, -1.0, 6_000)]
        {
            let mut mix = moved(&backing, offset, length);
            mix.iter_mut().flatten().for_each(|x| *x *= gain);
            assert_eq!(best_offset_samples(&mix, &backing), offset);
            let left = by_hand(&mix, &backing);
            assert!(left.iter().flatten().all(|x| x.abs() < 1e-6));
        }
    }

    /// Silence has no place.
    #[test]
    fn leaves_the_mix_when_there_is_no_backing() {
        let mix = [samples(1, 1_000)];
        assert_eq!(by_hand(&mix, &[vec![0.0; 500]]), mix);
    }
}
