//! Against numbers and programs from outside the project, each named where it is used.
//!
//! SciPy's numbers stand in `reference/`, beside the scripts that made them. With `MINUEND_PYTHON` naming an
//! interpreter that has `reference/requirements.txt` installed, as under `cargo xtask test`, the scripts run again
//! and must agree with what stands there.

use std::path::Path;
use std::process::Command;

use crate::host::Plugin;
use crate::signals::{
    Audio, Noise, RATE_HZ, Song, difference, level_db, music, part, scale, silence, sines, sum, tone_db,
};
use crate::sound::{HELD, LEARN_S, PLAIN, learned};

/// Output of a script in `reference/`; `None` without Python.
fn run_script(name: &str, arguments: &[&Path]) -> Option<String> {
    let python = std::env::var_os("MINUEND_PYTHON")?;
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("reference").join(name);
    let output = Command::new(&python).arg(script).args(arguments).output();
    let output = output.unwrap_or_else(|error| panic!("MINUEND_PYTHON={python:?} cannot be run: {error}"));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{name} failed; is requirements.txt installed? {said}");
    Some(String::from_utf8(output.stdout).expect("scripts print UTF-8"))
}

/// The rows of a table with commas, header left out.
fn rows(table: &str) -> Vec<Vec<f64>> {
    table
        .lines()
        .skip(1)
        .map(|line| line.split(',').map(|cell| cell.parse().expect("a number")).collect())
        .collect()
}

/// What stands in `reference/`, checked against the script if it can run.
fn checked(checked_in: &str, live: Option<String>, tolerance: f64) -> Vec<Vec<f64>> {
    let table = rows(checked_in);
    if let Some(live) = live {
        let live = rows(&live);
        assert_eq!(table.len(), live.len(), "the checked-in table is not what the script prints");
        for (a, b) in table.iter().flatten().zip(live.iter().flatten()) {
            assert!((a - b).abs() <= tolerance, "checked in {a}, the script says {b}");
        }
    }
    table
}

/// The middle: at the very ends a delayed backing has no counterpart.
fn middle(audio: &Audio) -> Audio {
    let length = audio[0].len();
    part(audio, length / 10, length - length / 10)
}

/// Plays a backing that is its own mix through the held match of an exact copy.
fn residue(backing: &Audio, settings: &[(&str, &str)]) -> Audio {
    let mut all = HELD.to_vec();
    all.extend(settings);
    let out = Plugin::recalled(learned(), &all).bounce(backing, backing);
    middle(&out)
}

/// Law of cosines: subtracting g e^{j phi} times a signal from itself leaves |1 - g e^{j phi}|^2 = 1 + g^2 -
/// 2 g cos phi of its power. Level errors of Trim, dB, with what they leave when too loud and too soft, dB.
const LEVEL_MISMATCH: [(f64, f64, f64); 12] = [
    (0.005, -64.79, -64.80),
    (0.01, -58.77, -58.78),
    (0.02, -52.75, -52.77),
    (0.05, -44.77, -44.82),
    (0.1, -38.73, -38.83),
    (0.2, -32.66, -32.86),
    (0.3, -29.08, -29.38),
    (0.5, -24.55, -25.05),
    (1.0, -18.27, -19.27),
    (2.0, -11.74, -13.74),
    (3.0, -7.69, -10.69),
    (6.0, -0.04, -6.04),
];

#[test]
fn a_level_error_leaves_what_trigonometry_says() {
    let backing = music(31, 2, 0.5, RATE_HZ);
    let all_db = level_db(&middle(&backing));
    assert!(level_db(&residue(&backing, &[])) - all_db < -100.0, "the match is exact to begin with");
    for (error_db, loud_db, soft_db) in LEVEL_MISMATCH {
        for (trim_db, expected_db) in [(error_db, loud_db), (-error_db, soft_db)] {
            let left_db = level_db(&residue(&backing, &[("trim", &format!("{trim_db} dB"))])) - all_db;
            // The table has two decimals; at -65 dB a floor of -100 dB moves the last of them by 0.15.
            let tolerance_db = if error_db < 0.05 { 0.15 } else { 0.02 };
            assert!(
                (left_db - expected_db).abs() <= tolerance_db,
                "Trim {trim_db} dB leaves {left_db:.3} dB, {expected_db} expected"
            );
        }
    }
}

/// The same law at g = 1: a phase error of phi leaves 20 log10(2 sin(phi / 2)) dB. Phase (degrees), the delay and the
/// frequency that make it (degrees = 360 f d / fs), what is left (dB).
const PHASE_MISMATCH: [(f64, f64, f64, f64); 9] = [
    (0.1, 0.01, 4_000.0 / 3.0, -55.16),
    (0.5, 0.05, 4_000.0 / 3.0, -41.18),
    (1.0, 0.1, 4_000.0 / 3.0, -35.16),
    (2.0, 1.0, 800.0 / 3.0, -29.14),
    (5.0, 0.5, 4_000.0 / 3.0, -21.19),
    (10.0, 1.0, 4_000.0 / 3.0, -15.17),
    (30.0, 1.0, 4_000.0, -5.72),
    (60.0, 1.0, 8_000.0, 0.00),
    (90.0, 1.0, 12_000.0, 3.01),
];

#[test]
fn a_phase_error_leaves_what_trigonometry_says() {
    for (degrees, delay, hz, expected_db) in PHASE_MISMATCH {
        let made = 360.0 * hz * delay / RATE_HZ;
        assert!((made - degrees).abs() < 1e-9, "the row contradicts itself: {made} degrees");
        let backing = sines(&[hz], 0.5, 2, 0.5, RATE_HZ);
        for sign in ["", "-"] {
            let left = residue(&backing, &[("nudge", &format!("{sign}{delay}"))]);
            let left_db = level_db(&left) - level_db(&middle(&backing));
            // Two decimals in the table, and the slow start of a sine that is cut off in the middle of a period.
            assert!((left_db - expected_db).abs() <= 0.05, "{sign}{degrees} degrees leave {left_db:.3} dB");
        }
    }
    // 180 degrees: the wrong polarity doubles the backing, +6.02 dB.
    let backing = music(31, 2, 0.5, RATE_HZ);
    let left = residue(&backing, &[("polarity", "Invert")]);
    let left_db = level_db(&left) - level_db(&middle(&backing));
    assert!((left_db - 6.02).abs() <= 0.01, "the wrong polarity leaves {left_db:.3} dB");
}

/// The same law over frequency: a delay of d samples leaves 20 log10(2 |sin(pi f d / fs)|) dB at f. Rows: d, then
/// what is left at [`TONES_HZ`], fs = 48 kHz.
const DELAY_MISMATCH: [(f64, [f64; 5]); 6] = [
    (0.01, [-77.7, -57.7, -43.7, -37.7, -34.1]),
    (0.05, [-63.7, -43.7, -29.7, -23.7, -20.2]),
    (0.1, [-57.7, -37.7, -23.7, -17.7, -14.2]),
    (0.25, [-49.7, -29.7, -15.7, -9.7, -6.3]),
    (0.5, [-43.7, -23.7, -9.7, -3.8, -0.5]),
    (1.0, [-37.7, -17.7, -3.8, 1.7, 4.4]),
];

const TONES_HZ: [f64; 5] = [100.0, 1_000.0, 5_000.0, 10_000.0, 15_000.0];

#[test]
fn a_delay_error_leaves_more_the_higher_the_tone() {
    let backing = sines(&TONES_HZ, 0.1, 1, 1.2, RATE_HZ);
    let backing = vec![backing[0].clone(), backing[0].clone()];
    for (delay, left_db) in DELAY_MISMATCH {
        let out = Plugin::recalled(learned(), &HELD).bounce_with(
            &backing,
            &backing,
            &[(0, "nudge", &format!("{delay}"))],
        );
        for (hz, expected_db) in TONES_HZ.into_iter().zip(left_db) {
            let tone = |audio: &Audio| tone_db(&audio[0][4_800..52_800], hz, RATE_HZ);
            let found_db = tone(&out) - tone(&backing);
            // One decimal in the table; at 0.5 samples the interpolator's own error at 15 kHz is below -70 dB
            // (48-tap Kaiser sinc), so it does not show.
            assert!(
                (found_db - expected_db).abs() <= 0.1,
                "{delay} samples at {hz} Hz leave {found_db:.2} dB"
            );
        }
    }
}

/// The plug-in's low-cut as an impulse response: what an impulse in the mix adds to the difference. Soft, so that the
/// rounding of the song around it stays far below.
fn low_cut_response(order: u32, cutoff_hz: f64, rate_hz: f64, samples: usize) -> Vec<f64> {
    const IMPULSE: f32 = 0.5;
    // By then every fade from the start is over.
    let at = (0.5 * rate_hz) as usize;
    let song = scale(&music(31, 2, 0.5 + (samples as f64 + 1.0) / rate_hz, rate_hz), 1e-3);
    let mut impulse = silence(2, song[0].len());
    impulse[0][at] = IMPULSE;
    let [with, without] = [sum(&song, &impulse), song.clone()].map(|mix| {
        let mut plugin = Plugin::new();
        plugin.host.load_state(learned()).expect("a state that the plug-in saved is accepted");
        let slope = format!("{} dB/oct", 6 * order);
        plugin.set(&[
            ("follow", "Off"),
            ("hold", "On"),
            ("cleanup", "0 %"),
            ("slope", &slope),
            ("lowcut", &format!("{cutoff_hz} Hz")),
        ]);
        plugin.activate(rate_hz);
        plugin.bounce(&mix, &song)
    });
    difference(&with, &without)[0][at..].iter().map(|h| f64::from(h / IMPULSE)).collect()
}

/// Butterworth, |H|^2 = 1 / (1 + (f0/f)^2n) (S. Butterworth, "On the theory of filter amplifiers", Wireless Engineer
/// 7, 1930; from memory), through the bilinear transform with f0 = 100 Hz kept in place: dB at 25, 50, 100, 200 Hz,
/// equal to 0.002 dB at the three rates below.
const LOW_CUT_DB: [(u32, [f64; 4]); 3] = [
    (2, [-24.10, -12.305, -3.010, -0.263]),
    (4, [-48.165, -24.10, -3.010, -0.017]),
    (8, [-96.33, -48.166, -3.010, -0.000]),
];

#[test]
fn the_low_cut_is_butterworth() {
    for rate_hz in [44_100.0, 48_000.0, 96_000.0] {
        for (order, expected_db) in LOW_CUT_DB {
            let response: Vec<_> =
                low_cut_response(order, 100.0, rate_hz, rate_hz as usize).iter().map(|h| *h as f32).collect();
            for (hz, expected_db) in [25.0, 50.0, 100.0, 200.0].into_iter().zip(expected_db) {
                // `tone_db` divides by half the length, which an impulse response is not to be.
                let found_db = tone_db(&response, hz, rate_hz) + 20.0 * (response.len() as f64 / 2.0).log10();
                // Three decimals in the table; at -96 dB a response summed from a second of floats is good to 0.5.
                let tolerance_db = if expected_db < -90.0 { 0.5 } else { 0.02 };
                assert!(
                    (found_db - expected_db).abs() <= tolerance_db,
                    "order {order} at {hz} Hz, {rate_hz} Hz rate: {found_db:.3} dB, {expected_db} expected"
                );
            }
        }
    }
}

/// SciPy's `signal.butter` and `signal.sosfilt` (scipy.org, version in `reference/requirements.txt`).
#[test]
fn the_low_cut_rings_as_in_scipy() {
    let live = run_script("low_cut.py", &[]);
    let table = checked(include_str!("reference/low_cut.csv"), live, 1e-9);
    let mut filters: Vec<_> = table.iter().map(|row| [row[0], row[1], row[2]]).collect();
    filters.dedup();
    assert_eq!(filters.len(), 12, "four filters of three orders");
    for filter in filters {
        let [order, cutoff_hz, rate_hz] = filter;
        let found = low_cut_response(order as u32, cutoff_hz, rate_hz, 2_049);
        for row in table.iter().filter(|row| row[..3] == filter) {
            let (sample, expected) = (row[3] as usize, row[4]);
            // A float of the output, 0.5 at most, is good to 3e-8, and the impulse response is twice that.
            let error = (found[sample] - expected).abs();
            assert!(error <= 2e-7, "{filter:?} at sample {sample}: {} and not {expected}", found[sample]);
        }
    }
}

/// Places that SciPy found: delay and level with which the song was made, then lag and level by `reference/place.py`.
const PLACES: [(i64, f32, i64, f64); 3] =
    [(1_234, -0.8, 1_234, -0.806_553), (-441, 0.5, -441, 0.492_415), (17, 1.0, 17, 0.993_539)];

/// SciPy's `signal.correlate` and least squares against what the plug-in subtracts.
#[test]
fn the_backing_is_found_where_scipy_finds_it() {
    for (delay, gain, lag, level) in PLACES {
        let song = Song::new(2, LEARN_S, RATE_HZ, delay, gain);
        let folder = tempfile::tempdir().expect("a folder for two files");
        let file = |name: &str, audio: &Audio| {
            let path = folder.path().join(name);
            let bytes: Vec<u8> = audio[0].iter().flat_map(|x| x.to_le_bytes()).collect();
            std::fs::write(&path, bytes).expect("temporary files can be written");
            path
        };
        let live =
            run_script("place.py", &[&file("mix.f32", &song.mix), &file("backing.f32", &song.backing)]);
        // The level to 1e-4: sine and exponential of other systems may differ in the last place.
        checked(&format!("lag,level\n{lag},{level}"), live.map(|line| format!("lag,level\n{line}")), 1e-4);

        let mut settings = PLAIN.to_vec();
        settings.push(("listen", "Backing"));
        let subtracted = Plugin::playing(&settings).bounce(&song.mix, &song.backing);
        let (from, to) = ((6.0 * RATE_HZ) as usize, (7.5 * RATE_HZ) as usize);
        let shift = |n: usize| (n as i64 - lag) as usize;
        let expected = scale(&part(&song.backing, shift(from), shift(to)), level as f32);
        let off_db = level_db(&difference(&part(&subtracted, from, to), &expected)) - level_db(&expected);
        // Least squares under a voice is good to its own error, a hundredth or so; half a sample off is -20 dB.
        assert!(off_db <= -30.0, "SciPy has it {off_db:.1} dB elsewhere: delay {delay}, gain {gain}");
    }
}

/// The example that the documentation of torchmetrics prints for `ScaleInvariantSignalDistortionRatio`, 18.4030 dB;
/// the measure is that of Le Roux et al. 2019, arXiv 1811.02508. And its definition: an error at right angles to the
/// reference counts in full, one along it not at all.
#[test]
fn scores_are_si_sdr() {
    let score = |reference: &[f32], estimate: &[f32]| {
        xtask::si_sdr::si_sdr_db(&[reference.to_vec()], &[estimate.to_vec()])
    };
    let published = score(&[3.0, -0.5, 2.0, 7.0], &[2.5, 0.0, 2.0, 8.0]);
    assert!((published - 18.4030).abs() < 5e-5, "{published}");
    assert!((score(&[3.0, 4.0], &[3.0 - 0.4, 4.0 + 0.3]) - 20.0).abs() < 1e-4, "a tenth at right angles");
    let mut noise = Noise::new(3);
    let any: Vec<f32> = (0..100).map(|_| noise.sample() as f32).collect();
    let louder: Vec<f32> = any.iter().map(|x| -4.0 * x).collect();
    assert_eq!(score(&any, &louder), f64::INFINITY, "level and sign do not count");
}
