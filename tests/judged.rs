//! What people really put in: files that do not belong together, or only in part. Nothing wrong may come out as a success, and
//! what is told of it has to be so.

use std::ops::ControlFlow;

use minuend::match_files::{self, MatchFolder};
use minuend_demo::{Situation, situation};
use minuend_engine::Settings;
use minuend_engine::settings::Slope;
use minuend_files::ending::{Ending, NOT_FOUND};
use minuend_files::passes::Learned;
use minuend_files::read::read_all;
use minuend_files::write::write_all;
use minuend_files::{Passes, Render, Rendered, render};

use crate::signals::{Audio, difference, join, level_db, music, part, scale, silence, sum, voice};

/// A low rate, since everything costs in proportion to it.
const RATE_HZ: u32 = 8_000;

fn seconds(seconds: f64) -> usize {
    (seconds * f64::from(RATE_HZ)) as usize
}

fn song(seed: u64, seconds: f64) -> Audio {
    music(seed, 2, seconds, RATE_HZ.into())
}

fn sung(seed: u64, seconds: f64) -> Audio {
    scale(&voice(seed, 2, seconds, RATE_HZ.into()), 0.7)
}

/// Renders a mix and a backing in two passes, or as `change` has it: what came of it, and what was written if anything.
fn rendered_as(
    mix: &[Vec<f32>],
    backing: &[Vec<f32>],
    change: impl FnOnce(Render) -> Render,
) -> (anyhow::Result<Rendered>, Option<Audio>) {
    rendered_at(RATE_HZ, mix, backing, change)
}

fn rendered_at(
    rate_hz: u32,
    mix: &[Vec<f32>],
    backing: &[Vec<f32>],
    change: impl FnOnce(Render) -> Render,
) -> (anyhow::Result<Rendered>, Option<Audio>) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let [mix_file, backing_file, out] = ["mix.wav", "backing.wav", "out.wav"].map(|n| folder.path().join(n));
    write_all(&mix_file, rate_hz, mix).expect("the mix is written");
    write_all(&backing_file, rate_hz, backing).expect("the backing is written");
    // Without the low-cut, what is left of the backing is the output less the voice.
    let settings = Settings { slope: Slope::Off, ..Settings::default() };
    let request = change(Render { settings, ..Render::new(mix_file, backing_file, &out) });
    let result = render(&request, &mut |_| ControlFlow::Continue(()));
    (result, read_all(&out).ok().map(|(audio, _)| audio))
}

fn rendered(mix: &Audio, backing: &Audio) -> (Rendered, Audio) {
    let (result, written) = rendered_as(mix, backing, |request| request);
    (result.expect("the song is rendered"), written.expect("the output is written"))
}

/// Nothing was written, the program ends with the code for that, and the message says so.
fn assert_refused((result, written): (anyhow::Result<Rendered>, Option<Audio>), says: &str) {
    let error = match result {
        Ok(rendered) => panic!("not refused: {}", rendered.describe()),
        Err(error) => error,
    };
    assert!(error.to_string().contains(says), "{error:#} does not say {says:?}");
    assert_eq!(Ending::code_of(&error), NOT_FOUND, "{error:#}");
    assert!(written.is_none(), "a file was written");
}

#[test]
fn swapped_files_are_told() {
    let backing = song(1, 10.0);
    assert_refused(rendered_as(&backing, &sum(&backing, &sung(2, 10.0)), |request| request), "look swapped");
}

/// No moment of the demo's song is in both files. Its drums come again to the sample, and nothing else does: that is no match.
#[test]
fn files_without_a_common_moment_are_no_match() {
    let Situation { sample_rate_hz, mix, backing, .. } = situation(&minuend_demo::song());
    let at = |s: f64| (s * f64::from(sample_rate_hz)) as usize;
    let mix = part(&mix, 0, at(12.0));
    let backing = part(&backing, at(12.6), backing[0].len());
    assert_refused(rendered_at(sample_rate_hz, &mix, &backing, |request| request), "was not found");
}

/// By 5 cents, 2892 parts in a million, and by 4 %: no clock is as far off, and no voice comes out.
#[test]
fn another_speed_is_another_recording() {
    let sung = sung(2, 12.0);
    for ratio in [2f64.powf(5.0 / 1200.0), 1.04] {
        let played = song(1, 12.0 * ratio + 0.1);
        // Straight lines between the samples of what falls off towards the treble.
        let read = |channel: &Vec<f32>, n: usize| {
            let (at, between) = ((n as f64 * ratio) as usize, (n as f64 * ratio).fract() as f32);
            channel[at] + between * (channel[at + 1] - channel[at])
        };
        let length = sung[0].len();
        let quick = played.iter().map(|c| (0..length).map(|n| read(c, n)).collect()).collect::<Audio>();
        let mix = sum(&part(&played, 0, length), &sung);
        let (result, written) = rendered_as(&mix, &quick, |request| request);
        match result {
            // Where it was followed after all, no more of it may be told than is so: the seconds in which half of the backing is gone.
            Ok(rendered) => {
                let out = written.expect("the output is written");
                let left = difference(&out, &sung);
                let is_gone = |from: &usize| {
                    let second = |audio: &Audio| level_db(&part(audio, *from, *from + seconds(1.0)));
                    second(&left) - second(&quick) < -6.0
                };
                let num_gone = (0..12).map(|second| seconds(second.into())).filter(is_gone).count();
                let told = 12.0 * rendered.subtracted();
                assert!(told < num_gone as f64 + 1.5, "ratio {ratio}: {told:.1} s told, {num_gone} so");
            }
            Err(error) => assert_eq!(Ending::code_of(&error), NOT_FOUND, "{error:#}"),
        }
    }
}

/// A backing that ends early: the place where it ends is told, the song is subtracted up to there as if it went on, and after it
/// the mix passes.
#[test]
fn a_backing_that_ends_early_is_told() {
    let whole = song(1, 20.0);
    let mix = sum(&scale(&whole, 0.8), &sung(2, 20.0));
    let end = seconds(8.0);
    let (rendered, out) = rendered(&mix, &part(&whole, 0, end));
    let told = rendered.describe();
    assert!(told.contains("the backing ends at 0:08, from there the mix passes"), "{told}");
    // To the half second that a block takes at this rate.
    let is_subtracted = (40..=43).any(|percent| told.contains(&format!("over {percent} % of the song")));
    assert!(is_subtracted, "{told}");
    let after = |audio: &Audio| part(audio, end + seconds(1.0), audio[0].len());
    let before = |audio: &Audio| part(audio, seconds(0.5), end - seconds(0.5));
    let left_db =
        level_db(&before(&difference(&out, &sung(2, 20.0)))) - level_db(&before(&scale(&whole, 0.8)));
    assert!(left_db < -18.0, "{left_db:.1} dB of the backing left before its end");
    let passed_db = level_db(&after(&difference(&out, &mix))) - level_db(&after(&mix));
    assert!(passed_db < -60.0, "the mix does not pass after the end: {passed_db:.1} dB");
}

/// The voice was left in 4 s of the backing, louder than in the mix.
#[test]
fn a_voice_left_in_the_backing_is_told_with_its_place() {
    let (backing, sung) = (song(1, 16.0), sung(2, 16.0));
    let mut spoiled = backing.clone();
    for (channel, voice) in spoiled.iter_mut().zip(&sung) {
        for n in seconds(8.0)..seconds(12.0) {
            channel[n] -= 1.2 * voice[n];
        }
    }
    let (rendered, _) = rendered(&sum(&backing, &sung), &spoiled);
    let told = rendered.describe();
    let place = told.split("the backing holds what the mix does not from ").nth(1);
    let place = place.unwrap_or_else(|| panic!("nothing of it in {told:?}"));
    assert!(place.starts_with("0:07 to 0:1") || place.starts_with("0:08 to 0:1"), "{told}");
    // None of a clean pair.
    let (rendered, _) = self::rendered(&sum(&backing, &sung), &backing);
    assert!(!rendered.describe().contains("holds"), "{}", rendered.describe());
    assert!(rendered.describe().contains("subtracted over 100 % of the song"), "{}", rendered.describe());
}

#[test]
fn one_side_upside_down_is_found_in_a_short_file() {
    let (backing, sung) = (song(1, 8.0), scale(&sung(2, 8.0), 0.5));
    let turned = scale(&backing, -1.0);
    let mix = sum(&[backing[0].clone(), turned[1].clone()], &sung);
    let (_, out) = rendered(&mix, &backing);
    let left_db = level_db(&difference(&out, &sung)) - level_db(&backing);
    assert!(left_db < -18.0, "{left_db:.1} dB left");
}

/// A match of this song with the backing of another one.
#[test]
fn a_match_is_held_against_the_music() {
    let (backing, sung) = (song(1, 8.0), sung(2, 8.0));
    let mix = sum(&backing, &sung);
    let (rendered, _) = rendered(&mix, &backing);
    let held = |request| Render { passes: Passes::Held(Box::new(rendered.learned.clone())), ..request };
    assert!(rendered_as(&mix, &backing, held).0.is_ok());
    let held = |request| Render { passes: Passes::Held(Box::new(rendered.learned.clone())), ..request };
    assert_refused(rendered_as(&mix, &song(5, 8.0), held), "the match that was kept does not fit");
}

/// What `--save-match` writes the window takes over, and what the window writes `--match` reads: nothing is lost on the way, and
/// a song sounds as by the first.
#[test]
fn the_files_match_and_the_sessions_are_one() {
    let (backing, sung) = (song(1, 8.0), sung(2, 8.0));
    let mix = sum(&backing, &sung);
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("files.match");
    let kept = rendered_as(&mix, &backing, |request| Render { save_match: Some(file.clone()), ..request });
    let learned = kept.0.unwrap().learned;

    let taken = match_files::read(&file).unwrap();
    let session = MatchFolder::at(folder.path().join("matches")).write(&taken).unwrap();
    let back = Learned::load(&session).unwrap();
    assert_eq!(back, learned);
    let held = |learned| {
        let passes = Passes::Held(Box::new(learned));
        rendered_as(&mix, &backing, |request| Render { passes, ..request }).1.unwrap()
    };
    assert!(held(back) == held(learned));
}

/// A backing that is a part of a song that repeats to the sample: the whole song places it, or the other places are told.
#[test]
fn a_song_that_repeats_is_placed_by_the_whole_of_it() {
    let (bar, end) = (song(1, 4.0), song(3, 4.0));
    let whole = join(&[&bar, &bar, &bar, &end]);
    let mix = sum(&whole, &sung(2, 16.0));
    let (placed, _) = rendered(&mix, &part(&whole, seconds(8.0), seconds(16.0)));
    assert_eq!(placed.delay_samples.round(), seconds(8.0) as f64, "{}", placed.describe());
    assert!(!placed.describe().contains("could also be"), "{}", placed.describe());
    // A bar that comes three times is taken away wherever it comes, or the other places are told.
    let (bars, _) = rendered(&mix, &part(&whole, seconds(4.0), seconds(8.0)));
    let told = bars.describe();
    assert!(bars.subtracted() > 0.7 || told.contains("the song repeats: the delay could also be"), "{told}");
}

/// The backing rests for 3 s and comes again: nothing is told that is not so, and nothing is lost.
#[test]
fn a_backing_that_rests_is_told_as_silent() {
    let mut backing = song(1, 14.0);
    let rest = silence(2, seconds(4.0));
    for (channel, rest) in backing.iter_mut().zip(&rest) {
        channel[seconds(6.0)..seconds(10.0)].copy_from_slice(rest);
    }
    let (rendered, _) = rendered(&sum(&backing, &sung(2, 14.0)), &backing);
    let told = rendered.describe();
    // To the half second that a block takes at this rate.
    assert!(told.contains("the backing is silent from 0:06 to 0:"), "{told}");
    assert!((71..=79).any(|percent| told.contains(&format!("subtracted over {percent} %"))), "{told}");
}
