//! A backing that comes in parts.

use super::*;

/// Seeds far apart, or their noises are alike.
const SEEDS: [u64; 12] = [
    77_777,
    987_654_321,
    123_456_789,
    555_444_333,
    1_357_924_680,
    246_813_579,
    1_999_999_973,
    31_415_926,
    271_828_182,
    1_618_033_988,
    141_421_356,
    1_732_050_807,
];

/// Notes of noise that die away, lower or higher.
fn part(idx: usize, len: usize) -> Vec<f32> {
    let pole = [0.9, -0.4, 0.2, 0.7][idx % 4];
    let beat = 1_500 + 700 * idx;
    let mut last = 0.0;
    let note = |(n, x): (usize, f32)| {
        last = x + pole * last;
        last * (1.0 - pole.abs()) * (-((n % beat) as f32) / (0.3 * beat as f32)).exp()
    };
    samples(SEEDS[idx], len).into_iter().enumerate().map(note).collect()
}

/// A voice that sings two seconds and rests half a second.
fn voice(len: usize) -> Vec<f32> {
    let sound = samples(1, len);
    (0..len).map(|n| if n % 20_000 < 16_000 { 0.1 * sound[n] } else { 0.0 }).collect()
}

fn later(signal: &[f32], samples: usize) -> Vec<f32> {
    [&vec![0.0; samples], &signal[..signal.len() - samples]].concat()
}

fn sum(signals: &[(&[f32], f32)]) -> Vec<f32> {
    (0..signals[0].0.len()).map(|n| signals.iter().map(|(signal, gain)| gain * signal[n]).sum()).collect()
}

fn write(folder: &Path, name: &str, signal: &[f32]) {
    write_all(&folder.join(name), RATE_HZ, &[signal.to_vec()]).unwrap();
}

fn read(folder: &Path, name: &str) -> Vec<f32> {
    read_all(&folder.join(name)).unwrap().0.remove(0)
}

/// Scale-invariant SDR, dB (Le Roux et al. 2019).
fn si_sdr_db(voice: &[f32], found: &[f32]) -> f64 {
    let dot = |a: &[f32], b: &[f32]| a.iter().zip(b).map(|(a, b)| f64::from(*a) * f64::from(*b)).sum::<f64>();
    let gain = dot(voice, found) / dot(voice, voice);
    let signal = gain * gain * dot(voice, voice);
    10.0 * (signal / (dot(found, found) - signal).max(1e-12 * signal)).log10()
}

/// What is compared is not cleaned up nor cut.
const PLAIN: [&str; 5] = ["--low-cut-slope", "off", "--clean-up", "0", "--force"];

/// The voice that a render leaves, dB.
fn rendered_db(folder: &Path, voice: &[f32], backing: &[&str]) -> f64 {
    let (code, _, errors) = run(folder, &[&["mix.wav"], backing, &["-o", "out.wav"], &PLAIN[..]].concat());
    assert_eq!((code, errors.as_str()), (0, ""));
    si_sdr_db(voice, &read(folder, "out.wav"))
}

/// Three parts at other levels, one of them later and one through an equaliser, one that is not in the mix and one that is silent.
#[test]
fn every_part_is_taken_away_as_it_is_in_the_mix() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let len = 12 * RATE_HZ as usize;
    let [bass, drums, keys, pad] = [0, 1, 2, 3].map(|idx| part(idx, len));
    let voice = voice(len);
    // A resonance of two poles at 600 Hz.
    let (mut a, mut b) = (0.0, 0.0);
    let equalised: Vec<f32> = keys
        .iter()
        .map(|x| {
            let y = x + 1.6 * a - 0.8 * b;
            (b, a) = (a, y);
            0.2 * y + 0.5 * x
        })
        .collect();
    write(
        folder,
        "mix.wav",
        &sum(&[(&later(&bass, 480), 0.35), (&drums, 1.0), (&equalised, 0.7), (&voice, 1.0)]),
    );
    fs::create_dir(folder.join("set")).unwrap();
    let silence = vec![0.0; 8_000];
    let parts = [("bass", &bass), ("drums", &drums), ("keys", &keys), ("pad", &pad), ("quiet", &silence)];
    for (name, signal) in parts {
        write(folder, &format!("set/{name}.wav"), signal);
    }
    write(folder, "sum.wav", &sum(&[(&bass, 1.0), (&drums, 1.0), (&keys, 1.0), (&pad, 1.0)]));

    let of_sum_db = rendered_db(folder, &voice, &["sum.wav"]);
    let more = ["--also", "parts", "--report", "page.html", "--save-match", "song.match", "--json"];
    let (code, lines, errors) =
        run(folder, &[&["mix.wav", "set", "-o", "out.wav"], &PLAIN[..], &more].concat());
    assert_eq!((code, errors.as_str()), (0, ""));
    let left = read(folder, "out.wav");
    let of_parts_db = si_sdr_db(&voice, &left);
    assert!(of_parts_db > of_sum_db + 20.0, "{of_parts_db} dB, and {of_sum_db} of the sum");
    assert!(of_parts_db > 40.0, "{of_parts_db} dB");

    let line: Value = serde_json::from_str(&lines[0]).unwrap();
    every_field_is_told(&line);
    let found = |idx: usize, key: &str| line["parts"][idx][key].clone();
    let db = |idx| found(idx, "level_db")[0].as_f64().unwrap();
    assert!((db(0) + 9.12).abs() < 0.05 && db(1).abs() < 0.05, "{line}");
    assert_eq!(
        (found(0, "delay_samples").as_f64().map(f64::round), found(2, "tone")),
        (Some(480.0), "filtered".into())
    );
    assert_eq!(found(3, "nothing"), "is not in the mix: level nothing");
    assert_eq!(found(4, "nothing"), "is silent");
    let page = fs::read_to_string(folder.join("page.html")).unwrap();
    for row in [
        "<td>drums.wav</td><td>",
        "<td>pad.wav</td><td colspan=\"3\">Is not in the mix",
        "mix.wav <span>minus",
    ] {
        assert!(page.contains(row), "{row:?} not in the page");
    }

    // What was taken away adds up, and each part is what it is in the mix.
    assert_eq!(
        listing(&folder.join("out parts")),
        ["bass.wav", "drums.wav", "keys.wav", "pad.wav", "quiet.wav"]
    );
    let backing = read(folder, "out backing.wav");
    let taken: Vec<Vec<f32>> = ["bass", "drums", "keys", "pad", "quiet"]
        .map(|name| read(folder, &format!("out parts/{name}.wav")))
        .to_vec();
    let mix = read(folder, "mix.wav");
    for n in 0..len {
        assert!((taken.iter().map(|part| part[n]).sum::<f32>() - backing[n]).abs() < 1e-5, "sample {n}");
        assert!((backing[n] + left[n] - mix[n]).abs() < 1e-5, "sample {n}");
    }
    assert!(si_sdr_db(&drums, &taken[1]) > 40.0 && si_sdr_db(&equalised, &taken[2]) > 40.0);

    // A kept match is for these parts, in whatever order, and none else.
    let held = ["-o", "again.wav", "--match", "song.match"];
    let [bass, drums, keys, pad, quiet] = parts.map(|(name, _)| format!("set/{name}.wav"));
    let in_order = ["mix.wav", &quiet, &keys, &drums, &bass, &pad];
    let (code, _, errors) = run(folder, &[&in_order, &held[..], &PLAIN].concat());
    assert_eq!((code, errors.as_str()), (0, ""));
    let again_db = si_sdr_db(&voice, &read(folder, "again.wav"));
    assert!(again_db > of_sum_db + 20.0, "{again_db} dB with the match");
    for (files, says) in [
        (&["mix.wav", &bass, &drums, &keys, &pad][..], "learned with the parts bass.wav, drums.wav"),
        (&["mix.wav", "sum.wav"], "learned with a backing in parts"),
    ] {
        let (code, _, errors) = run(folder, &[files, &["-o", "no.wav", "--match", "song.match"]].concat());
        assert!(code == 1 && errors.contains(says), "{errors}");
    }
}

/// Parts that make up the mix as they are: no worse than their sum, be they two, five or twelve.
#[test]
fn equal_parts_are_as_good_as_their_sum() {
    let len = 8 * RATE_HZ as usize;
    let voice = voice(len);
    for count in [2, 5, 12] {
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path();
        let parts: Vec<Vec<f32>> = (0..count).map(|idx| part(idx, len)).collect();
        let all: Vec<(&[f32], f32)> = parts.iter().map(|part| (&part[..], 1.0)).collect();
        let backing = sum(&all);
        write(folder, "sum.wav", &backing);
        write(folder, "mix.wav", &sum(&[(&later(&backing, 37), 0.7), (&voice, 1.0)]));
        fs::create_dir(folder.join("parts")).unwrap();
        for (idx, part) in parts.iter().enumerate() {
            // In the order in which they were summed, or the last bits differ.
            write(folder, &format!("parts/{idx:02}.wav"), part);
        }
        let [of_sum_db, of_parts_db] =
            ["sum.wav", "parts"].map(|backing| rendered_db(folder, &voice, &[backing]));
        assert!(of_parts_db > of_sum_db - 0.1, "{count} parts: {of_parts_db} dB, and {of_sum_db} of the sum");
    }
}

/// As a host gets them: summed on the sidechain.
#[test]
fn one_pass_takes_the_plain_sum() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let len = 6 * RATE_HZ as usize;
    let [a, b, c] = [0, 1, 2].map(|idx| part(idx, len));
    for (name, signal) in [("a.wav", &a), ("b.wav", &b), ("c.wav", &c)] {
        write(folder, name, signal);
    }
    write(folder, "sum.wav", &sum(&[(&a, 1.0), (&b, 1.0), (&c, 1.0)]));
    write(folder, "mix.wav", &sum(&[(&a, 0.5), (&b, 1.0), (&c, 1.0), (&voice(len), 1.0)]));
    for (out, backing) in [("one.wav", &["sum.wav"][..]), ("two.wav", &["a.wav", "b.wav", "c.wav"])] {
        let (code, _, errors) = run(folder, &[&["mix.wav"], backing, &["-o", out, "--one-pass"]].concat());
        assert_eq!((code, errors.as_str()), (0, ""));
    }
    assert!(read(folder, "one.wav") == read(folder, "two.wav"));
}

#[test]
fn what_parts_cannot_be_is_said() {
    let folder = song_folder(12);
    let folder = folder.path();
    fs::create_dir(folder.join("empty")).unwrap();
    write(folder, "silent.wav", &vec![0.0; 8_000]);
    write(folder, "mute.wav", &vec![0.0; 9_000]);
    write_song(&folder.join("other mix.wav"), &folder.join("other.wav"), 12_345, 12);
    write_song(&folder.join("else mix.wav"), &folder.join("else.wav"), 987_654, 12);
    for (arguments, code, says) in [
        (&["mix.wav", "empty"][..], 1, "empty: holds no audio files"),
        (&["empty", "backing.wav", "other.wav"], 2, "the first file is the mix"),
        (&["mix.wav", "backing.wav", "./backing.wav"], 1, "named twice"),
        (&["mix.wav", "backing.wav", "mix.wav"], 1, "as the mix and as the backing"),
        (&["mix.wav", "backing.wav", "--also", "parts"], 1, "is for a backing in parts"),
        (&["mix.wav", "silent.wav", "mute.wav"], 3, "so are the other parts"),
        (&["mix.wav", "other.wav", "else.wav"], 3, "none of the parts was found"),
    ] {
        let before = listing(folder);
        let (found, lines, errors) = run(folder, &[arguments, &["-o", "out.wav"]].concat());
        assert_eq!((found, lines.len()), (code, 0), "{arguments:?}: {errors}");
        assert!(errors.contains(says), "{arguments:?}: {errors}");
        assert_eq!(listing(folder), before, "{arguments:?}");
    }

    // The voice itself among the parts goes with them.
    let [mix, backing] = ["mix.wav", "backing.wav"].map(|name| read(folder, name));
    let voice: Vec<f32> =
        (0..mix.len()).map(|n| mix[n] - n.checked_sub(100).map_or(0.0, |n| 0.5 * backing[n])).collect();
    write(folder, "voice.wav", &voice);
    let (code, lines, errors) = run(folder, &["mix.wav", "backing.wav", "voice.wav", "-o", "out.wav"]);
    assert_eq!((code, errors.as_str()), (0, ""));
    assert!(lines[0].contains("one of the parts is the voice itself"), "{lines:?}");
}
