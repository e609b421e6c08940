//! Learns the model of the dynamics from a song, and whether there is anything to learn.

use crate::dsp::cholesky::solve;
use crate::dsp::part_mean::PartMean;
use crate::dsp::units::mean;
use crate::dynamics::band_powers::{BandPower, FramePowers, NUM_BANDS};
use crate::dynamics::levels::{BandLevels, Levels, NUM_DETECTORS};
use crate::dynamics::model::{BandDynamics, DynamicsModel, NUM_KNEES, features, within_range};
use crate::dynamics::predictor::trusted;
use multiversion::multiversion;
use realfft::num_complex::{Complex32, Complex64};
use std::collections::VecDeque;

/// Shares of the frames in which the mix is below the knees: under nearly all of them, and amid the louder ones. With a third knee
/// nothing was won, with the first alone 0.3 dB lost (three multiband masters).
const KNEES_AT: [f64; NUM_KNEES] = [0.05, 0.6];
/// Weights, and the constant.
const NUM_WEIGHTS: usize = 2 * NUM_KNEES * NUM_DETECTORS + 1;
/// The same in whole fours, as vector registers take them; what is too many is 0.
const NUM_FOURS: usize = NUM_WEIGHTS.div_ceil(4);
type Row = [[f64; 4]; NUM_FOURS];
/// Cost of weights, re the mean of what the data say of them: lets nothing grow that hardly anything tells.
const RIDGE: f64 = 1e-3;
/// Steps of Gauss and Newton.
const NUM_STEPS: usize = 4;
/// What is left counts down to this power re the backing, -30 dB: what lies below is told by the followers.
const AUDIBLE: f64 = 1e-3;
/// Least that the model must win in the mean of the bands on music that it was not learned from, nats of power. Nine masters with
/// bands that moved won 0.04 to 0.26, one whose movement the followers had taken up 0.01; of 36 other pairs of recordings 34 won no
/// more than 0.02, one with wow and one that was cut 0.03.
const LEAST_GAIN: f64 = 0.04;
/// Least gain re its standard error. Masters reached 4 to 15.
const SURE: f64 = 3.0;
/// Music goes to one half or the other in parts of this length, s, and so many parts are wanted.
const PART_S: f64 = 2.0;
const LEAST_PARTS: usize = 5;

/// The model, if it clearly leaves less than none. Allocates, and takes long.
pub fn find(frames: &VecDeque<FramePowers>, step_s: f64) -> Option<DynamicsModel> {
    let heard = Heard::new(frames, step_s);
    if heard.parts.last().is_none_or(|&part| part + 1 < LEAST_PARTS) {
        return None;
    }
    let mut model = DynamicsModel::NONE;
    let mut won_there = 0.0;
    for (number, found) in model.bands.iter_mut().enumerate() {
        let band = heard.band(number);
        let fit = Fit::of(&band, |_| true);
        won_there += mean(&band.won(|frame| fit.log_gain(&band, frame)));
        *found = fit.model(&band);
    }
    // On the music that it was learned from a model wins more than on other music.
    if won_there < LEAST_GAIN * NUM_BANDS as f64 {
        return None;
    }
    let won: [_; NUM_BANDS] = std::array::from_fn(|number| heard.band(number).won_elsewhere(&heard.parts));
    for (found, won) in model.bands.iter_mut().zip(&won) {
        if mean(won) <= 0.0 {
            *found = BandDynamics::STILL;
        }
    }
    let in_all = |frame: usize| won.iter().map(|band| band[frame]).sum::<f64>() / NUM_BANDS as f64;
    let won = heard.parts.iter().enumerate().map(|(frame, &part)| (part as i64, in_all(frame)));
    PartMean::of(won, LEAST_PARTS).filter(|won| won.is_clear(LEAST_GAIN, SURE)).map(|_| model)
}

/// What was heard of all bands, without frames in which there is no backing.
struct Heard<'a> {
    powers: Vec<&'a FramePowers>,
    levels_db: Vec<[BandLevels; NUM_BANDS]>,
    /// Part of the song that each frame belongs to.
    parts: Vec<usize>,
}

impl<'a> Heard<'a> {
    fn new(frames: &'a VecDeque<FramePowers>, step_s: f64) -> Self {
        let part_frames = ((PART_S / step_s) as usize).max(1);
        let mut levels = Levels::new(step_s);
        let mut heard = Self { powers: Vec::new(), levels_db: Vec::new(), parts: Vec::new() };
        for (at, frame) in frames.iter().enumerate() {
            levels.hear(frame);
            if frame.iter().any(|band| band.backing > 0.0) {
                heard.powers.push(frame);
                heard.levels_db.push(std::array::from_fn(|band| levels.levels_db(band)));
                heard.parts.push(at / part_frames);
            }
        }
        heard
    }

    fn band(&self, number: usize) -> Band {
        let powers = self.powers.iter().map(|frame| frame[number]).collect();
        let levels_db: Vec<BandLevels> = self.levels_db.iter().map(|frame| frame[number]).collect();
        Band::new(powers, &levels_db)
    }
}

/// What was heard of a band, frame by frame.
struct Band {
    powers: Vec<BandPower>,
    knees_db: [[f32; NUM_KNEES]; NUM_DETECTORS],
    /// Values that the weights belong to, less their mean and over their spread, frame by frame; the first of them is 1.
    values: Vec<Row>,
    means: [f64; NUM_WEIGHTS],
    spreads: [f64; NUM_WEIGHTS],
}

impl Band {
    fn new(powers: Vec<BandPower>, levels_db: &[BandLevels]) -> Self {
        let knees_db = std::array::from_fn(|detector| {
            let mut mix_db: Vec<f32> = levels_db.iter().map(|levels_db| levels_db[detector][0]).collect();
            let num = mix_db.len() as f64;
            let mut at =
                |share: f64| *mix_db.select_nth_unstable_by((share * num) as usize, f32::total_cmp).1;
            if num > 0.0 { KNEES_AT.map(&mut at) } else { [0.0; NUM_KNEES] }
        });
        let values_of = |levels_db: &BandLevels| {
            let mut row = Row::default();
            let heard = levels_db.iter().zip(&knees_db).flat_map(|(&db, knees_db)| features(db, knees_db));
            row.as_flattened_mut()
                .iter_mut()
                .zip([1.0].into_iter().chain(heard.map(f64::from)))
                .for_each(|(value, heard)| *value = heard);
            row
        };
        let mut values: Vec<Row> = levels_db.iter().map(values_of).collect();
        let (mut means, mut spreads) = ([0.0; NUM_WEIGHTS], [0.0; NUM_WEIGHTS]);
        let count = powers.len().max(1) as f64;
        for frame in values.iter().map(|row| row.as_flattened()) {
            // The first of them stays.
            means.iter_mut().zip(frame).skip(1).for_each(|(mean, value)| *mean += value / count);
        }
        for frame in values.iter_mut().map(|row| row.as_flattened_mut()) {
            for k in 0..NUM_WEIGHTS {
                frame[k] -= means[k];
                spreads[k] += frame[k] * frame[k] / count;
            }
        }
        for spread in &mut spreads {
            *spread = if *spread > 0.0 { spread.sqrt() } else { 1.0 };
        }
        for frame in values.iter_mut().map(|row| row.as_flattened_mut()) {
            frame.iter_mut().zip(&spreads).for_each(|(value, spread)| *value /= spread);
        }
        Self { powers, knees_db, values, means, spreads }
    }

    /// What a model wins frame by frame, nats, on the music of either half by what was learned from the other.
    fn won_elsewhere(&self, parts: &[usize]) -> Vec<f64> {
        let halves = [0, 1].map(|half| Fit::of(self, |frame| parts[frame] % 2 == half));
        self.won(|frame| halves[1 - parts[frame] % 2].log_gain(self, frame))
    }

    /// What gains win frame by frame, nats.
    fn won(&self, log_gain: impl Fn(usize) -> Complex32) -> Vec<f64> {
        let floor = |power: &BandPower| AUDIBLE * f64::from(power.backing) + f64::from(f32::MIN_POSITIVE);
        let won = |(frame, power): (usize, &BandPower)| {
            let gain = trusted(log_gain(frame), power).exp();
            let left = |gain: Complex32| f64::from(power.left(gain)) + floor(power);
            (left(Complex32::new(1.0, 0.0)) / left(gain)).ln()
        };
        self.powers.iter().enumerate().map(won).collect()
    }
}

/// Weights of one band, real and imaginary parts.
struct Fit([Row; 2]);

/// What all frames say of the weights, up to the diagonal of the matrix, and its right sides.
struct Sums {
    matrix: [Row; NUM_WEIGHTS],
    slopes: [Row; 2],
}

/// Adds what a frame says, that counts by a weight.
#[multiversion(targets("x86_64+avx2"))]
fn add(sums: &mut Sums, values: &Row, weight: f64, slope: [f64; 2]) {
    for (number, (row, value)) in sums.matrix.iter_mut().zip(values.as_flattened()).enumerate() {
        let scaled = weight * value;
        for (sum, values) in row[..=number / 4].iter_mut().zip(values) {
            sum.iter_mut().zip(values).for_each(|(sum, value)| *sum += scaled * value);
        }
    }
    for (row, slope) in sums.slopes.iter_mut().zip(slope) {
        for (sum, values) in row.iter_mut().zip(values) {
            sum.iter_mut().zip(values).for_each(|(sum, value)| *sum += slope * value);
        }
    }
}

/// Values times weights.
#[multiversion(targets("x86_64+avx2"))]
fn weighed(weights: &[Row; 2], values: &Row) -> [f64; 2] {
    weights.each_ref().map(|weights| {
        let mut sums = [0.0; 4];
        for (weights, values) in weights.iter().zip(values) {
            sums.iter_mut()
                .zip(weights.iter().zip(values))
                .for_each(|(sum, (weight, value))| *sum += weight * value);
        }
        sums.iter().sum()
    })
}

impl Fit {
    /// Least squares over some frames, with the weights that they came with ([`BandShares::weigh`]). Heard again with the model that
    /// it tells in force, they are reweighted (Daubechies, DeVore, Fornasier and Güntürk 2010, from memory).
    ///
    /// [`BandShares::weigh`]: crate::dynamics::band_powers::BandShares::weigh
    fn of(band: &Band, is_learned_from: impl Fn(usize) -> bool) -> Self {
        let mut fit = Self([Row::default(); 2]);
        for _ in 0..NUM_STEPS {
            let mut sums = Sums { matrix: [Row::default(); NUM_WEIGHTS], slopes: [Row::default(); 2] };
            for frame in (0..band.powers.len()).filter(|&frame| is_learned_from(frame)) {
                let power = &band.powers[frame];
                let gain = fit.log_gain(band, frame).exp();
                // How far the mix is from the backing with its gain, along the backing.
                let missing = power.pull + (Complex32::new(1.0, 0.0) - gain) * power.weight;
                let slope = gain.conj() * missing;
                let slope = [slope.re, slope.im].map(f64::from);
                add(&mut sums, &band.values[frame], f64::from(power.weight * gain.norm_sqr()), slope);
            }
            let rows = sums.matrix.iter().map(|row| &row.as_flattened()[..NUM_WEIGHTS]);
            let mut matrix: Vec<f64> = rows.flatten().copied().collect();
            let trace: f64 = (0..NUM_WEIGHTS).map(|k| matrix[k * (NUM_WEIGHTS + 1)]).sum();
            let ridge = RIDGE * trace / NUM_WEIGHTS as f64;
            for k in 0..NUM_WEIGHTS {
                matrix[k * (NUM_WEIGHTS + 1)] += ridge;
            }
            let weights = fit.0.each_mut().map(|weights| &mut weights.as_flattened_mut()[..NUM_WEIGHTS]);
            let mut changes = sums.slopes.each_mut().map(|row| &mut row.as_flattened_mut()[..NUM_WEIGHTS]);
            for (changes, weights) in changes.iter_mut().zip(&weights) {
                changes.iter_mut().zip(&**weights).for_each(|(change, weight)| *change -= ridge * weight);
            }
            let [real, imaginary] = changes;
            solve(&mut matrix, [&mut *real, &mut *imaginary]);
            for (weights, changes) in weights.into_iter().zip([real, imaginary]) {
                weights.iter_mut().zip(&*changes).for_each(|(weight, change)| *weight += change);
            }
        }
        fit
    }

    fn weight(&self, k: usize) -> Complex64 {
        let [re, im] = self.0.each_ref().map(|weights| weights.as_flattened()[k]);
        Complex64::new(re, im)
    }

    fn log_gain(&self, band: &Band, frame: usize) -> Complex32 {
        let [re, im] = weighed(&self.0, &band.values[frame]);
        within_range(Complex32::new(re as f32, im as f32))
    }

    /// The weights of the values as they are heard.
    fn model(&self, band: &Band) -> BandDynamics {
        let mut found = BandDynamics { knees_db: band.knees_db, ..BandDynamics::STILL };
        let mut constant = self.weight(0);
        for (k, weight) in found.weights.iter_mut().flatten().enumerate() {
            let raw = self.weight(k + 1) / band.spreads[k + 1];
            constant -= raw * band.means[k + 1];
            *weight = Complex32::new(raw.re as f32, raw.im as f32);
        }
        found.constant = Complex32::new(constant.re as f32, constant.im as f32);
        found
    }
}

#[cfg(test)]
pub mod tests {
    use super::*;
    use crate::dsp::noise::noise;
    use crate::dsp::ring::Stereo;
    use crate::dynamics::band_powers::BandShares;
    use crate::dynamics::predictor::Predictor;
    use crate::spectral::lanes::{Lanes, Real};
    use crate::spectral::stft::{Stft, stereo_bins};

    /// Hz.
    pub const RATE: usize = 8_000;
    const LEN: usize = 14 * RATE;
    const FRAME: usize = 256;
    const STEP: usize = 64;

    /// A song that swells and fades, and a low voice with rests, whose syllables press on all that lies below the crossover.
    fn song_and_voice() -> [Vec<f32>; 2] {
        let swell = |n: usize| 0.4 + 0.3 * (n as f32 / 1_500.0).sin();
        let voice = |n: usize| {
            let sings = if n / 5_000 % 3 == 2 { 0.0 } else { 0.4 * (1.0 + (n as f32 / 300.0).sin()) };
            sings * (n as f32 * 0.12).sin()
        };
        let song = noise(LEN, 1);
        [(0..LEN).map(|n| swell(n) * song[n]).collect(), (0..LEN).map(voice).collect()]
    }

    /// Parts below and above a crossover at 400 Hz.
    fn split(signal: &[f32]) -> [Vec<f32>; 2] {
        let mut low = 0.0;
        let lows: Vec<f32> = signal
            .iter()
            .map(|x| {
                low += 0.27 * (x - low);
                low
            })
            .collect();
        let highs = signal.iter().zip(&lows).map(|(x, low)| x - low).collect();
        [lows, highs]
    }

    /// A feed-forward compressor of 8:1 with an attack of 5 and a release of 60 ms: gains by sample (Giannoulis, Massberg and Reiss
    /// 2012, "Digital dynamic range compressor design", from memory).
    fn gains(heard: &[f32], threshold: f32) -> Vec<f32> {
        let stays = |time_s: f32| (-1.0 / (time_s * RATE as f32)).exp();
        let (attack, release) = (stays(0.005), stays(0.06));
        let mut power = 0.0f32;
        let gain = |x: &f32| {
            let stays = if x * x > power { attack } else { release };
            power = stays * power + (1.0 - stays) * x * x;
            (power / threshold.powi(2)).max(1.0).powf(-7.0 / 16.0)
        };
        heard.iter().map(gain).collect()
    }

    /// Mix and backing, each through one chain of two bands, and what the backing is in the mix.
    pub fn mastered(threshold: f32) -> [Vec<f32>; 3] {
        let [song, voice] = song_and_voice();
        let sum: Vec<f32> = song.iter().zip(&voice).map(|(b, v)| b + v).collect();
        let [mut mix, mut backing, mut within] = [vec![0.0; LEN], vec![0.0; LEN], vec![0.0; LEN]];
        for (sum, song) in split(&sum).iter().zip(split(&song)) {
            let (of_sum, of_song) = (gains(sum, threshold), gains(&song, threshold));
            for n in 0..LEN {
                mix[n] += of_sum[n] * sum[n];
                within[n] += of_sum[n] * song[n];
                backing[n] += of_song[n] * song[n];
            }
        }
        [mix, backing, within]
    }

    /// Plays mix and backing through a predictor; powers of what the backing in the mix is away from the backing, as it is and with
    /// the gains that are told.
    fn play(predictor: &mut Predictor, [mix, backing, within]: &[Vec<f32>; 3]) -> [f32; 2] {
        let spectra = || [stereo_bins(FRAME / 2 + 1), stereo_bins(FRAME / 2 + 1)];
        let stft = || Stft::new(FRAME, 0, FRAME / 2 + 1);
        let (mut heard, mut truth) = ((stft(), spectra()), (stft(), spectra()));
        let mut shares = BandShares::new(FRAME, RATE as f64);
        let mut away = [0.0; 2];
        for at in (0..LEN).step_by(STEP) {
            let cut = |x: &[f32]| -> Stereo { [x[at..at + STEP].to_vec(), x[at..at + STEP].to_vec()] };
            let [mix, backing, within] = [cut(mix), cut(backing), cut(within)];
            heard.0.push([[&mix[0], &mix[1]], [&backing[0], &backing[1]]]);
            heard.0.analyse(&mut heard.1);
            truth.0.push([[&within[0], &within[1]], [&backing[0], &backing[1]]]);
            truth.0.analyse(&mut truth.1);
            let told = predictor.hear(&heard.1, |_| Lanes::all(1.0));
            for (band, power) in shares.measure(&truth.1, |_| Lanes::all(1.0)).iter().enumerate() {
                away[0] += power.difference;
                away[1] += told.map_or(power.difference, |gains| power.left(gains[band]));
            }
        }
        away
    }

    fn predictor() -> Predictor {
        let mut predictor = Predictor::new(FRAME, STEP, RATE as f64);
        predictor.gather(LEN as f64 / RATE as f64);
        predictor
    }

    fn found(predictor: &Predictor) -> Option<DynamicsModel> {
        predictor.gathered()?.find()
    }

    #[test]
    fn a_compressor_in_each_band_is_found_and_told() {
        let song = mastered(0.03);
        let mut predictor = predictor();
        play(&mut predictor, &song);
        let model = found(&predictor).expect("it moves");
        assert!(model.is_sound());
        predictor.reset();
        predictor.set_model(&model);
        let [as_is, told] = play(&mut predictor, &song);
        let better_db = 10.0 * (as_is / told).log10();
        assert!(better_db > 6.0, "{better_db}");
        // It was heard once more meanwhile, as it is: that tells the whole movement again, and weighs it by what the model left.
        let again = found(&predictor).expect("it still moves");
        predictor.reset();
        predictor.set_model(&again);
        let [_, told_again] = play(&mut predictor, &song);
        assert!(told_again < told, "{told_again} {told}");
    }

    /// Weights of values as they are heard tell what the weights of the standardised ones told.
    #[test]
    fn a_model_tells_what_its_fit_told() {
        let mut predictor = predictor();
        play(&mut predictor, &mastered(0.03));
        let (frames, step_s) = predictor.gathered().unwrap().frames();
        let heard = Heard::new(frames, step_s);
        let band = heard.band(3);
        let fit = Fit::of(&band, |_| true);
        let model = fit.model(&band);
        for (frame, levels_db) in heard.levels_db.iter().enumerate() {
            let error = (model.log_gain(&levels_db[3]) - fit.log_gain(&band, frame)).norm();
            assert!(error < 1e-4, "{frame}: {error}");
        }
    }

    #[test]
    fn where_nothing_moves_nothing_is_found() {
        let mut predictor = predictor();
        play(&mut predictor, &mastered(10.0));
        assert_eq!(found(&predictor), None);
    }
}
