//! What the null depth beneath the voice is estimated by: which of the causes limits it, and the figure that goes with it.

use crate::causes::cells::CellHistory;
use crate::causes::diagnosis::{Causes, Kind};
use crate::dsp::units::power_to_db;
use crate::matching::follower_gain::FollowerGain;
use crate::null_depth::estimate::{Evidence, Limit};

/// One in so many frames, those first of which a third-order bend makes most, that are peaks. At one in five as at one in
/// twenty the correlations below were within 0.1 of these, but for one soft clipper (-0.34 to -0.51).
const PEAKS_ONE_IN: usize = 10;
/// Correlation of what is left in the peaks with a third-order bend beyond which they are bent: soft clippers had -0.44 to -0.83,
/// but one, which the rests show, -0.14; anything else -0.04 to 0.45, codecs the most (85 training songs). A hard clipper, of
/// which the higher orders turn the sign, had 0.68; but so has a voice that reaches into these bands, so it is not told by this.
const SOFTLY_BENT: f64 = -0.25;
/// Null depth that a bend leaves which is heard in the peaks alone, dB: 25 to 33 (three training songs).
const RARELY_BENT_DB: f64 = 28.0;
/// Null depths of a speed that wanders (nine training songs, 34 to 52) and of a clock that runs apart (six, 39 to 66), dB; of
/// neither do the lowest cells tell more.
const WANDERING_SPEED_DB: f64 = 47.0;
const CLOCK_APART_DB: f64 = 54.0;
/// A delay that goes to and fro by less, standard deviation in samples, and gets nowhere, is no speed that wanders but the phases of
/// filters whose levels move, as those of a multi-band compressor do: 0.01 to 0.5 samples and 1.6 ppm at most, where tapes and vinyl
/// had 1.1 samples at least and clocks 5 ppm (30 songs, and 20 that were cut short).
const LEAST_WANDERING_SAMPLES: f64 = 0.5;
const LEAST_CLOCK_PPM: f64 = 2.0;
/// It does get somewhere if what goes on leaves so much more than what goes to and fro (power ratio): a clock of 1 ppm. Chosen by
/// hand; not measured.
const CLEARLY_GOES_ON: f64 = 10.0;
/// Null depth that a level leaves which moves, dB: of the mean squares of its steps and of its way from the mean, dB, so much of
/// either and so much more. Fitted to 38 training songs, of which it left 4 dB RMS where the song was left out (the steps alone: 6).
const MOVING_LEVEL_DB: f64 = 1.5;
const STEPS_COUNT: f64 = 1.4;
const SPREAD_COUNTS: f64 = 0.9;
/// Mean square of the steps of a level that does not move; and the least level, so that it has a logarithm.
const LEAST_STEP: f64 = 1e-12;
const LEAST_LEVEL: f64 = 1e-6;

/// Of these causes, of what is corrected, and of what was heard; `gains` = the level as it is followed, if it is, and `clipped` = hard clipping, if
/// there is any.
pub fn evidence(
    causes: &Causes,
    corrected: &[(Kind, f64)],
    cells: &CellHistory,
    gains: Option<&[FollowerGain]>,
    clipped: Option<Evidence>,
) -> Option<Evidence> {
    let lowest_db = -power_to_db(cells.lowest()?);
    let depth_of = |is_it: fn(&Kind) -> bool| {
        causes.iter().find(|cause| is_it(&cause.kind)).map(|cause| f64::from(cause.depth_db))
    };
    let clipping_db = depth_of(|kind| matches!(kind, Kind::Clipping));
    let (limit, figure_db) = if clipping_db.is_some() || are_peaks_bent(cells) {
        (Limit::Bend, clipping_db.unwrap_or(RARELY_BENT_DB))
    } else if let Some(depth_db) = depth_of(|kind| matches!(kind, Kind::Codec { .. })) {
        (Limit::Codec, 0.5 * (lowest_db + depth_db))
    } else if are_phases_moved(corrected) {
        (Limit::Tone, Evidence::MOVING_TONE.figure_db.into())
    } else if depth_of(|kind| matches!(kind, Kind::Wow { .. })).is_some() {
        (Limit::Speed, WANDERING_SPEED_DB)
    } else if depth_of(|kind| matches!(kind, Kind::Clock { .. })).is_some() {
        (Limit::Clock, CLOCK_APART_DB)
    } else if let Some(depth_db) = gains.and_then(moving_level_db) {
        (Limit::Level, depth_db)
    } else {
        (Limit::Nothing, lowest_db)
    };
    let found = Evidence { limit, figure_db: figure_db as f32 };
    // What leaves most limits most.
    let is_less = |clipped: &Evidence| clipped.estimate().depth_db < found.estimate().depth_db;
    Some(clipped.filter(is_less).unwrap_or(found))
}

/// Whether what seems to be a delay that moves is the phases of filters.
fn are_phases_moved(corrected: &[(Kind, f64)]) -> bool {
    let wanders = corrected.iter().find_map(|&(kind, left)| match kind {
        Kind::Wow { samples } if samples < LEAST_WANDERING_SAMPLES => Some(left),
        _ => None,
    });
    let goes_on = |to_and_fro: f64| {
        let is_clock = |kind: &Kind| matches!(kind, Kind::Clock { ppm } if ppm.abs() > LEAST_CLOCK_PPM);
        let is_line = |kind: &Kind| matches!(kind, Kind::Clock { .. });
        corrected
            .iter()
            .any(|(kind, left)| is_clock(kind) || is_line(kind) && *left > CLEARLY_GOES_ON * to_and_fro)
    };
    wanders.is_some_and(|to_and_fro| !goes_on(to_and_fro))
}

/// Whether the loudest moments are bent, in the bands where voices are rare: those few of which clipping makes most, and which
/// are no rests.
fn are_peaks_bent(cells: &CellHistory) -> bool {
    let (mut sum, mut count) = (0.0, 0.0);
    for band in cells.bright(usize::MAX) {
        let all: Vec<usize> = (0..cells.num_frames()).collect();
        let frames = cells.lowest_of(band, &all, PEAKS_ONE_IN, |cell| -cell.bend);
        if let Some(correlation) = cells.bend_correlation(band, &frames) {
            (sum, count) = (sum + correlation, count + 1.0);
        }
    }
    sum < SOFTLY_BENT * count
}

/// Null depth that a level leaves which moves like this, hop by hop, dB: the smaller its steps, the better it is followed, and the
/// more so the further it goes in such steps. Limiters and compressors alike.
fn moving_level_db(gains: &[FollowerGain]) -> Option<f64> {
    let level = |gain: &FollowerGain| f64::from(gain.to.abs()).max(LEAST_LEVEL).ln();
    let count = gains.len().max(1) as f64;
    let mean = gains.iter().map(level).sum::<f64>() / count;
    let spread = gains.iter().map(|gain| (level(gain) - mean).powi(2)).sum::<f64>() / count;
    let steps = gains.windows(2).map(|pair| (level(&pair[1]) - level(&pair[0])).powi(2)).sum::<f64>() / count;
    (steps > LEAST_STEP)
        .then(|| MOVING_LEVEL_DB + SPREAD_COUNTS * power_to_db(spread) - STEPS_COUNT * power_to_db(steps))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;
    use crate::dsp::ring::Stereo;
    use crate::dsp::sizes::Sizes;
    use crate::dsp::units::db_to_power;

    const RATE_HZ: f64 = 16_000.0;
    const LEN: usize = 64_000;

    /// Of a backing and what is made of it in the mix, sample by sample, under a voice that sings in every second stretch.
    fn found(made: impl Fn(f32) -> f32, gains: Option<&[FollowerGain]>) -> Evidence {
        found_under(0.2, made, gains)
    }

    /// The same under a voice that reaches up the further, the nearer `brightness` is to 1.
    fn found_under(brightness: f32, made: impl Fn(f32) -> f32, gains: Option<&[FollowerGain]>) -> Evidence {
        let loudness = |n: usize| if (n / 3_000).is_multiple_of(4) { 0.6 } else { 0.2 };
        let noises = [1, 2].map(|seed| noise(LEN, seed));
        let backing: Stereo = noises.map(|x| (0..LEN).map(|n| loudness(n) * x[n]).collect());
        // At 0.2 up to 1 kHz or so, where voices are.
        let (breath, mut low) = (noise(LEN, 3), [0.0f32; 4]);
        let voice: Vec<f32> = (0..LEN)
            .map(|n| {
                let mut x = if (n / 5_000).is_multiple_of(2) { breath[n] } else { 0.0 };
                for y in &mut low {
                    *y += brightness * (x - *y);
                    x = *y;
                }
                x
            })
            .collect();
        let mix = backing.each_ref().map(|x| x.iter().zip(&voice).map(|(b, v)| made(b + v)).collect());
        let matched = backing.each_ref().map(|x| x.iter().map(|&b| made(b)).collect());
        let mut cells = CellHistory::new(Sizes::new(RATE_HZ));
        cells.hear(&mix, &backing, &matched);
        evidence(&Causes::default(), &[], &cells, gains, None).unwrap()
    }

    /// The loudest samples alone are bent; and none.
    #[test]
    fn bent_peaks_are_heard() {
        let none = found(|x| x, None);
        assert_eq!(none.limit, Limit::Nothing);
        // What is left in the peaks then goes with a bend of them, but adds to them.
        let bright = found_under(1.0, |x| x, None);
        assert_eq!(bright.limit, Limit::Nothing);
        let soft = found(|x| (1.5 * x).tanh() / 1.5, None);
        assert_eq!(soft.limit, Limit::Bend);
        assert_eq!(f64::from(soft.figure_db), RARELY_BENT_DB);
    }

    /// What goes to and fro by a fraction of a sample are phases; what goes on, or further, is a clock or a speed.
    #[test]
    fn phases_are_no_moving_delay() {
        let mut cells = CellHistory::new(Sizes::new(RATE_HZ));
        let x: Stereo = [noise(LEN, 1), noise(LEN, 2)];
        cells.hear(&x, &x, &x);
        // What either leaves alone.
        let limit = |(samples, wanders): (f64, f64), (ppm, goes_on): (f64, f64)| {
            let found = [(Kind::Wow { samples }, wanders), (Kind::Clock { ppm }, goes_on)];
            evidence(&Causes::rank(found, 1e-6, 0.0), &found, &cells, None, None).unwrap().limit
        };
        let limits = [
            limit((0.2, 1e-3), (-0.5, 1e-3)),
            limit((0.2, 1e-3), (-5.0, 1e-3)),
            limit((1.5, 1e-3), (0.1, 1e-3)),
            limit((0.1, 1e-6), (1.0, 1e-3)),
        ];
        assert_eq!(limits, [Limit::Tone, Limit::Speed, Limit::Speed, Limit::Clock]);
    }

    /// Clipping counts where it leaves more than what else was found.
    #[test]
    fn what_leaves_most_limits_the_null() {
        let mut cells = CellHistory::new(Sizes::new(RATE_HZ));
        let x: Stereo = [noise(LEN, 1), noise(LEN, 2)];
        cells.hear(&x, &x, &x);
        let limit = |clipped_db: f32| {
            let clipped = Evidence { limit: Limit::Clipped, figure_db: clipped_db };
            let codec = [(Kind::Codec { edge: None }, db_to_power(-20.0))];
            evidence(&Causes::rank(codec, 1e-6, 0.0), &[], &cells, None, Some(clipped)).unwrap().limit
        };
        // The lowest cells are 59 dB down.
        assert_eq!([limit(20.0), limit(50.0)], [Limit::Clipped, Limit::Codec]);
    }

    /// A level that goes to and fro by steps of 1 % is 40 dB down in them. In smaller steps it is followed better, and so it is
    /// if it goes further in steps of one size.
    #[test]
    fn a_level_is_told_by_its_steps_and_by_how_far_it_goes() {
        // Down and up again by so many steps.
        let gains = |steps: i32, size: f64| -> Vec<FollowerGain> {
            let level = |hop: i32| (size * f64::from((hop.rem_euclid(2 * steps) - steps).abs())).exp() as f32;
            (0..1_000).map(|hop| FollowerGain { from: level(hop - 1), to: level(hop) }).collect()
        };
        let told = |steps, size| found(|x| x, Some(&gains(steps, size)));
        let one = told(1, 0.01);
        assert_eq!(one.limit, Limit::Level);
        // Half of a step from the mean, 46 dB down.
        let expected_db = MOVING_LEVEL_DB + STEPS_COUNT * 40.0 - SPREAD_COUNTS * 46.0;
        assert!((f64::from(one.figure_db) - expected_db).abs() < 0.1, "{one:?}");
        assert!(told(10, 0.01).figure_db > one.figure_db && told(1, 0.005).figure_db > one.figure_db);
        assert_eq!(told(1, 0.0).limit, Limit::Nothing);
    }

    /// What is left everywhere at -30 dB is read there.
    #[test]
    fn the_lowest_cells_are_of_the_backing() {
        let left = db_to_power(-30.0).sqrt() as f32;
        let x: Stereo = [noise(LEN, 1), noise(LEN, 2)];
        let y = x.each_ref().map(|x| x.iter().map(|x| x * (1.0 - left)).collect());
        let mut cells = CellHistory::new(Sizes::new(RATE_HZ));
        cells.hear(&x, &x, &y);
        let lowest_db = power_to_db(cells.lowest().unwrap());
        assert!((lowest_db + 30.0).abs() < 0.5, "{lowest_db}");
    }

    /// Next to no cell is known to differ, so all that is known is that none does by more than what counts as the same.
    #[test]
    fn a_song_that_is_the_same_throughout_is_no_less_down_than_that() {
        let x: Stereo = [noise(LEN, 1), noise(LEN, 2)];
        let mut cells = CellHistory::new(Sizes::new(RATE_HZ));
        assert_eq!(cells.lowest(), None);
        cells.hear(&x, &x, &x);
        let lowest_db = power_to_db(cells.lowest().unwrap());
        assert!((lowest_db + 59.0).abs() < 0.5, "{lowest_db}");
    }
}
