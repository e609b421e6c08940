//! The engine as a whole.

use super::*;
use crate::align::search::{Found, LATE_S};
use crate::align::song_map::DelayModel;
use crate::causes::diagnosis::Kind;
use crate::cleanup::machine;
use crate::dsp::delay_line::DelayLine;
use crate::dsp::noise::noise;
use crate::dsp::ring::{Ring, stereo};
use crate::dsp::units::{mean_square, power_to_db};
use crate::dynamics::fit::tests::{RATE, mastered};
use crate::job::Inline;
use crate::learn::memory::MEMORY_S;
use crate::learn::request::{GlobalSearchReport, JobReport, LocalSearchReport, MatchReport, Task};
use crate::readings::Lock;
use crate::settings::Slope;
use crate::settings::{BackingKind, Follow, Listen};
use crate::{DelayMotion, Job, Taps};

fn play(engine: &mut Engine, mix: &[f32], backing: &[f32], worker: &mut Inline) -> Vec<f32> {
    let mut out = mix.to_vec();
    engine.process(&mut [&mut out], &[backing], &Settings::default(), worker);
    out
}

/// Also while a job is out: what it heard is forgotten, and nothing after the reset is missed.
#[test]
fn an_engine_after_reset_equals_a_new_one_that_recalls_the_match() {
    let (song, voice) = (noise(60_000, 1), noise(60_000, 2));
    let mix: Vec<f32> = song.iter().zip(&voice).map(|(b, v)| 0.25 * (0.7 * b + v)).collect();
    let mut tried_with_job_out = false;
    for played in [3_000, 30_000, 30_500, 31_000] {
        let (mut used, mut worker) = (Engine::new(16_000.0, 1).unwrap(), Inline::default());
        play(&mut used, &mix, &song, &mut worker);
        play(&mut used, &mix[..played], &song[..played], &mut worker);
        tried_with_job_out |= used.learning.heard().is_none();
        used.reset();
        let mut fresh = Engine::new(16_000.0, 1).unwrap();
        assert!(fresh.recall(used.learned()));
        let again = play(&mut used, &mix, &song, &mut worker);
        assert!(again == play(&mut fresh, &mix, &song, &mut Inline::default()), "after {played} samples");
    }
    assert!(tried_with_job_out);
}

/// What is learned meanwhile is the same.
#[test]
fn what_nobody_hears_is_silence() {
    let (song, voice) = (noise(64_000, 1), noise(64_000, 2));
    let mix: Vec<f32> = song.iter().zip(&voice).map(|(b, v)| 0.25 * (0.7 * b + v)).collect();
    let [mut heard, mut unheard] = [Engine::new, Engine::for_analysis].map(|new| new(16_000.0, 1).unwrap());
    let out = play(&mut heard, &mix, &song, &mut Inline::default());
    assert!(out.iter().any(|x| *x != 0.0));
    let out = play(&mut unheard, &mix, &song, &mut Inline::default());
    assert!(out.iter().all(|x| *x == 0.0));
    assert!(unheard.readings().lock == Lock::Locked && unheard.learned() == heard.learned());
}

/// What was learned from much music is not given up for what a few seconds of it suggest, unless that is far better.
#[test]
fn a_match_outlives_what_less_music_suggests() {
    let rate = 16_000;
    let (song, voice) = (noise(10 * rate, 1), noise(10 * rate, 2));
    let under = |level: f32| -> Vec<f32> {
        song.iter().zip(&voice).map(|(b, v)| 0.25 * (level * b + 0.5 * v)).collect()
    };
    let (mut first, mut worker) = (Engine::new(16_000.0, 1).unwrap(), Inline::default());
    play(&mut first, &under(0.7), &song, &mut worker);
    let learned = first.learned().clone();
    assert!((4.0..10.0).contains(&learned.learned_s), "{}", learned.learned_s);
    let is_kept = |level: f32, learned: &Match| {
        let (mut engine, mut worker) = (Engine::new(16_000.0, 1).unwrap(), Inline::default());
        assert!(engine.recall(learned));
        play(&mut engine, &under(level)[..3 * rate], &song[..3 * rate], &mut worker);
        engine.learned().taps == learned.taps
    };
    assert!(is_kept(0.7, &learned));
    assert!(!is_kept(0.7, &Match { learned_s: 0.0, ..learned.clone() }), "nothing was suggested");
    assert!(!is_kept(-0.7, &learned));
    // Of a level that moves the first seconds say little.
    let movement = Movement { process: 1e-4, tau_s: 1.0, measurement: 2.0 };
    assert!(is_kept(-0.7, &Match { movement, ..learned }));
}

/// A delay that moved over six seconds and more is not taken for one that stands still after five: it may do so for a while.
#[test]
fn a_motion_outlives_what_less_music_suggests() {
    let rate = 8_000;
    let (song, voice) = (noise(5 * rate, 1), noise(5 * rate, 2));
    let mix: Vec<f32> = song.iter().zip(&voice).map(|(b, v)| 0.25 * (b + 0.2 * v)).collect();
    let moves = [6.0, 1.0].map(|learned_s| {
        let mut engine = Engine::new(rate as f64, 1).unwrap();
        play(&mut engine, &mix, &song, &mut Inline::default());
        let motion = DelayMotion { rate: 0.0, process: 1e-9 };
        let mut learned = Match { learned_s, sections: SongMap::default(), ..engine.learned().clone() };
        assert!(
            learned
                .sections
                .push(Section { begin: i64::MIN, model: Some(DelayModel { delay_samples: 0.0, motion }) })
        );
        engine.reset();
        assert!(engine.recall(&learned));
        play(&mut engine, &mix, &song, &mut Inline::default());
        engine.aligner.moves()
    });
    assert_eq!(moves, [true, false]);
}

/// Through one compressor of 8:1 in either of two bands, mix and backing tell what it does within two plays of 14 s, and nothing on
/// hold; where it does nothing, nothing is told. What was told stays in force when the song starts over.
#[test]
fn a_compressor_in_each_band_is_learned_while_it_plays() {
    let told = |threshold: f32, hold: bool| {
        let [mix, backing, _] = mastered(threshold);
        let (mut engine, mut worker) = (Engine::new(RATE as f64, 1).unwrap(), Inline::default());
        for hold in [false, hold] {
            let settings = Settings { hold, ..Settings::default() };
            engine.process(&mut [&mut mix.clone()], &[&backing], &settings, &mut worker);
        }
        let told = engine.learned().clone();
        engine.reset();
        play(&mut engine, &mix, &backing, &mut worker);
        assert_eq!(engine.learned().dynamics, told.dynamics);
        assert_eq!(engine.readings().knows_dynamics, !told.dynamics.is_none());
        // It was learned through this filter.
        assert!(told.dynamics.is_none() || engine.learned().taps == told.taps);
        if !told.dynamics.is_none() {
            // Another song's match has no use for it.
            let [other, voice] = [noise(mix.len(), 7), noise(mix.len(), 8)];
            let sum: Vec<f32> = (0..mix.len())
                .map(|n| 0.5 * (other[n] - 0.95 * other[n.saturating_sub(1)]) + 0.1 * voice[n])
                .collect();
            engine.reset();
            play(&mut engine, &sum, &other, &mut worker);
            assert!(engine.learned().dynamics.is_none() && engine.readings().lock == Lock::Locked);
        }
        !told.dynamics.is_none()
    };
    assert_eq!(
        [(0.03, false), (0.03, true), (10.0, false)].map(|(at, hold)| told(at, hold)),
        [true, false, false]
    );
}

/// While no model of the dynamics is in force, what is gathered for one outlives better filters, also once the backing was lost; and a
/// loss forgets it.
#[test]
fn what_is_gathered_outlives_a_better_filter() {
    let [mix, backing, _] = mastered(0.03);
    let mut engine = Engine::new(RATE as f64, 1).unwrap();
    play(&mut engine, &mix, &backing, &mut Inline::default());
    engine.finish();
    let num_frames = |engine: &Engine| engine.tone.bands.predictor.gathered().unwrap().frames().0.len();
    let before = num_frames(&engine);
    engine.was_lost = true;
    let report = MatchReport { cost_reduction: Some(0.5), ..MatchReport::default() };
    engine.adopt(&JobReport::Match(report));
    assert!(before > 100 && num_frames(&engine) == before, "{before}");
    engine.lose();
    assert_eq!(num_frames(&engine), 0);
}

/// What was learned as freely as from a recording does not outlive the verdict that the backing is an estimate.
#[test]
fn an_estimate_is_learned_anew_once_it_is_known_to_be_one() {
    let len = 14 * machine::RATE_HZ;
    let (voice, backing) = (machine::voice(len), machine::backing(len, 1));
    let mix: Vec<f32> = voice.iter().zip(&backing).map(|(v, b)| v + b).collect();
    let estimate = machine::estimate(&voice, &backing, 0.2);
    let learned = |known: Option<&Match>, backing_kind| {
        let mut engine = Engine::new(machine::RATE_HZ as f64, 1).unwrap();
        assert!(known.is_none_or(|known| engine.recall(known)));
        let settings = Settings { backing_kind, ..Settings::default() };
        engine.process(&mut [&mut mix.clone()], &[&estimate], &settings, &mut Inline::default());
        engine.learned().clone()
    };
    let cautious = learned(None, BackingKind::Estimated);
    let mut free = cautious.clone();
    (free.verdict, free.learned_s) = (Verdict::Undecided, 60.0);
    free.taps.h.iter_mut().flatten().flatten().for_each(|tap| *tap *= 0.8);
    let again = learned(Some(&free), BackingKind::Auto);
    assert_eq!(again.verdict, Verdict::Estimate);
    let [cautious_level, level] = [&cautious, &again].map(|learned| learned.taps.level()[0]);
    assert!((level / cautious_level - 1.0).abs() < 0.02, "{level}, cautious {cautious_level}");
}

/// Who lost the backing corrects what was learned before sooner than after as much music again.
#[test]
fn a_match_is_doubted_once_the_backing_was_lost() {
    let rate = 8_000;
    let (song, voice, other) = (noise(14 * rate, 1), noise(14 * rate, 2), noise(3 * rate, 3));
    let mix = |seconds: [usize; 2], level: f32| -> Vec<f32> {
        (rate * seconds[0]..rate * seconds[1]).map(|n| 0.25 * (level * song[n] + 0.5 * voice[n])).collect()
    };
    let (mut first, mut worker) = (Engine::new(8_000.0, 1).unwrap(), Inline::default());
    play(&mut first, &mix([0, 4], 0.7), &song[..4 * rate], &mut worker);
    let learned = Match { learned_s: 12.0, ..first.learned().clone() };
    // Something else is on the sidechain for a while, and then the level in the mix has changed.
    let corrects = |seconds: usize| {
        let (mut engine, mut worker) = (Engine::new(8_000.0, 1).unwrap(), Inline::default());
        assert!(engine.recall(&learned));
        play(&mut engine, &mix([0, 2], 0.7), &song[..2 * rate], &mut worker);
        play(&mut engine, &mix([2, 2 + seconds], 0.7), &other[..seconds * rate], &mut worker);
        assert_eq!(engine.readings().lock == Lock::Lost, seconds > 0);
        play(&mut engine, &mix([5, 14], 0.65), &song[5 * rate..14 * rate], &mut worker);
        assert_eq!(engine.readings().lock, Lock::Locked);
        engine.learned().taps != learned.taps
    };
    assert!(corrects(3) && !corrects(0));
}

/// A backing too loud to be subtracted comes and goes over a soft mix: what is not subtracted leaves no residue that
/// could be taken out.
#[test]
fn what_is_not_subtracted_is_not_cleaned_up_either() {
    let rate = 16_000;
    let (song, voice) = (noise(7 * rate, 1), noise(7 * rate, 2));
    let soft = 4 * rate;
    let level = |n: usize| if (n / 800).is_multiple_of(2) { 100.0 } else { 1e-4 };
    let mix = |n: usize| if n < soft { 0.25 * (song[n] + 0.5 * voice[n]) } else { 1e-3 * voice[n] };
    let given = |n: usize| if n < soft { 0.25 * song[n] } else { level(n) * song[n] };
    let mix: Vec<f32> = (0..song.len()).map(mix).collect();
    let given: Vec<f32> = (0..song.len()).map(given).collect();
    let mut engine = Engine::new(rate as f64, 1).unwrap();
    let settings =
        Settings { backing_kind: BackingKind::Estimated, slope: Slope::Off, ..Settings::default() };
    let mut out = mix.clone();
    engine.process(&mut [&mut out], &[&given], &settings, &mut Inline::default());
    let power = |x: &[f32]| -> f32 { x.iter().map(|x| x * x).sum::<f32>() / x.len() as f32 };
    // A frame that begins in the loud part may be spread over all its length.
    let from = soft + 512;
    let louder = power(&out[from + engine.latency_samples()..]) / power(&mix[from..]);
    assert!(louder < 1.26, "louder by a factor of {louder}");
}

/// A recording is played under Auto as under Recorded, to the bit. What was decided is part of the match: with one that says
/// that the backing is an estimate, Auto is as Estimated from the start.
#[test]
fn auto_is_what_was_decided() {
    let (song, voice) = (noise(160_000, 1), noise(160_000, 2));
    let sung = |n: usize| if (n / 16_000).is_multiple_of(2) { voice[n] } else { 0.0 };
    let mix: Vec<f32> = song.iter().enumerate().map(|(n, b)| 0.25 * (0.5 * b + sung(n))).collect();
    let played = |backing_kind: BackingKind, learned: Option<&Match>| {
        let mut engine = Engine::new(16_000.0, 1).unwrap();
        assert!(learned.is_none_or(|learned| engine.recall(learned)));
        let settings = Settings { backing_kind, ..Settings::default() };
        let mut out = mix.clone();
        engine.process(&mut [&mut out], &[&song], &settings, &mut Inline::default());
        (out, engine)
    };
    let (auto, engine) = played(BackingKind::Auto, None);
    assert_eq!(engine.readings().lock, Lock::Locked);
    assert!(engine.learned().verdict != Verdict::Estimate);
    assert!(auto == played(BackingKind::Recorded, None).0);

    let estimate = Match { verdict: Verdict::Estimate, ..engine.learned().clone() };
    let again = |kind| played(kind, Some(&estimate)).0[..48_000].to_vec();
    let auto = again(BackingKind::Auto);
    assert!(auto == again(BackingKind::Estimated) && auto != again(BackingKind::Recorded));
}

/// With Hold on nothing looks at the alignment: what is reported of it is what was recalled.
#[test]
fn a_held_delay_is_told_with_its_fraction() {
    let mut engine = Engine::new(16_000.0, 1).unwrap();
    let mut learned = engine.learned().clone();
    let delay_samples = 20.0;
    assert!(
        learned.sections.push(Section { begin: i64::MIN, model: Some(DelayModel::still(delay_samples)) })
    );
    learned.taps = Taps::gains(learned.taps.num_taps(), [-0.7; 2], 0.37);
    assert!(engine.recall(&learned));
    let settings = Settings { hold: true, ..Settings::default() };
    let (mut out, song) = (noise(2_000, 1), noise(2_000, 2));
    engine.process(&mut [&mut out], &[&song], &settings, &mut Inline::default());
    let readings = engine.readings();
    // To what the sinc that stands for the fraction is cut off at.
    assert!((readings.delay_samples - 20.37).abs() < 0.01, "{}", readings.delay_samples);
    assert!(readings.inverted);
}

/// On hold nothing is learned, but what limits the null is looked for, unless it is given; until it is known, what was
/// known stands.
#[test]
fn causes_are_found_on_hold() {
    let (song, voice) = (noise(160_000, 1), noise(160_000, 2));
    // It rests in every other second: noise that never did would be noise.
    let sung = |n: usize| if (n / 16_000).is_multiple_of(2) { voice[n] } else { 0.0 };
    let mix: Vec<f32> = song.iter().enumerate().map(|(n, b)| 0.25 * (0.5 * b + sung(n))).collect();
    let (mut engine, mut worker) = (Engine::new(16_000.0, 1).unwrap(), Inline::default());
    play(&mut engine, &mix, &song, &mut worker);
    let learned = engine.learned().clone();
    let settings = Settings { hold: true, ..Settings::default() };
    let mut held = |engine: &mut Engine, seconds: usize| {
        let mut out = mix[..16_000 * seconds].to_vec();
        engine.process(&mut [&mut out], &[&song[..16_000 * seconds]], &settings, &mut worker);
        engine.readings().causes
    };
    let known = engine.readings().causes;
    assert!(engine.recall(&learned));
    assert_eq!(held(&mut engine, 4), known);
    assert!(engine.readings().knows_causes);
    engine.reset();
    let revision = engine.readings().match_revision;
    let given = Causes::rank([(Kind::Clipping, 0.01)], 1e-6, 0.0);
    let mut told = Engine::new(16_000.0, 1).unwrap();
    assert!(told.recall(&learned));
    told.recall_causes(&given);
    assert_eq!(held(&mut told, 10), given);
    let found = held(&mut engine, 10);
    told.reset();
    assert_eq!(held(&mut told, 10), found);
    let kinds: Vec<Kind> = found.iter().map(|cause| cause.kind).collect();
    // 20 log10(0.25 * 0.5).
    let is_level =
        |kind: &Kind| matches!(kind, Kind::Level { sides_db } if (sides_db[0] + 18.06).abs() < 0.1);
    assert!(matches!(&kinds[..], [kind] if is_level(kind)), "{kinds:?}");
    assert!(engine.readings().knows_causes);
    assert!(*engine.learned() == learned && engine.readings().match_revision == revision);
}

/// Hosts count in before the song starts, and a junk position is not worth a crash.
#[test]
fn any_position_in_the_song_is_taken() {
    let (song, voice) = (noise(16_000, 1), noise(16_000, 2));
    let mix: Vec<f32> = song.iter().zip(&voice).map(|(b, v)| 0.25 * (b + v)).collect();
    let (mut engine, mut worker) = (Engine::new(16_000.0, 1).unwrap(), Inline::default());
    for position in [-8_000, i64::MIN, i64::MAX, 0] {
        engine.song_at(position);
        play(&mut engine, &mix, &song, &mut worker);
    }
    assert_eq!(engine.readings().lock, Lock::Locked);
}

/// However far from the start of the song a delay drifts, what is learned can be recalled.
#[test]
fn what_is_learned_anywhere_in_the_song_can_be_recalled() {
    let (song, silence) = (noise(16_000, 1), vec![0.0; 16_000]);
    for position in [i64::MIN, i64::MAX] {
        let (mut engine, mut worker) = (Engine::new(16_000.0, 1).unwrap(), Inline::default());
        let mut learned = engine.learned().clone();
        let model = DelayModel { delay_samples: 0.0, motion: DelayMotion { process: 1e-9, rate: 1e-2 } };
        assert!(learned.sections.push(Section { begin: i64::MIN, model: Some(model) }));
        learned.taps = Taps::gains(learned.taps.num_taps(), [1.0; 2], 0.0);
        assert!(engine.recall(&learned));
        play(&mut engine, &song, &song, &mut worker);
        engine.song_at(position);
        play(&mut engine, &silence, &silence, &mut worker);
        assert!(engine.learned() != &learned, "nothing was learned");
        assert!(engine.learned().is_sound(), "{:?}", engine.learned().sections.as_slice());
    }
}

/// What lies as far in as can be told is entered there and nowhere else, and what is learned from there on is remembered.
#[test]
fn places_are_known_as_far_into_the_song_as_can_be_told() {
    let rate = 16_000;
    let (song, voice) = (noise(4 * rate, 1), noise(4 * rate, 2));
    let (mut engine, mut worker) = (Engine::new(16_000.0, 1).unwrap(), Inline::default());
    let mut learned = engine.learned().clone();
    for (begin, delay_samples) in [(i64::MIN, 20.0), (FURTHEST / 2, 60.0)] {
        assert!(learned.sections.push(Section { begin, model: Some(DelayModel::still(delay_samples)) }));
    }
    learned.taps = Taps::gains(learned.taps.num_taps(), [1.0; 2], 0.0);
    assert!(engine.recall(&learned));
    for (position, delay_samples) in [(FURTHEST / 2 - 1_000, 20.0), (i64::MIN, 20.0), (i64::MAX, 60.0)] {
        engine.song_at(position);
        play(&mut engine, &song[..200], &song[..200], &mut worker);
        assert_eq!(engine.readings().delay_samples, delay_samples, "at {position}");
    }
    // From here on the backing lies elsewhere than was known.
    let mix: Vec<f32> =
        (0..song.len()).map(|n| 0.25 * (song[n.saturating_sub(500)] + 0.5 * voice[n])).collect();
    play(&mut engine, &mix, &song, &mut worker);
    assert_eq!(engine.readings().delay_samples.round(), 500.0);
    let sections = engine.learned().sections.as_slice();
    assert!(sections.len() == 3 && engine.learned().is_sound(), "{sections:?}");
}

/// How deep the null was is forgotten by a reset, and by whoever has it all learned again.
#[test]
fn a_null_depth_is_of_what_was_played_since() {
    let rate = 16_000;
    let (song, hiss) = (noise(14 * rate, 1), noise(14 * rate, 2));
    let mix: Vec<f32> = song.iter().zip(&hiss).map(|(b, h)| 0.25 * b + 1e-3 * h).collect();
    for forget in [Engine::reset, Engine::relearn] {
        let (mut engine, mut worker) = (Engine::new(16_000.0, 1).unwrap(), Inline::default());
        play(&mut engine, &mix, &song, &mut worker);
        assert!(engine.readings().null_depth_db.is_some(), "{:?}", engine.readings().withheld);
        forget(&mut engine);
        // On hold, so that the causes stay known; less than a second does not suffice for another depth.
        engine.recall_causes(&Causes::default());
        let settings = Settings { hold: true, ..Settings::default() };
        let (mut out, song) = (mix[..rate * 3 / 4].to_vec(), &song[..rate * 3 / 4]);
        engine.process(&mut [&mut out], &[song], &settings, &mut worker);
        assert_eq!(engine.readings().null_depth_db, None);
    }
}

/// A mix that jumps back in the song in its middle: at the first play the new alignment is found within two seconds,
/// and a second play changes alignments where the mix does.
#[test]
fn an_edit_is_found_and_remembered_where_it_is() {
    let rate = 16_000;
    let (song, voice) = (noise(20 * rate, 1), noise(20 * rate, 2));
    let (cut, back) = (9 * rate, 4 * rate);
    let in_mix = |n: usize| if n < cut { song[n] } else { song[n - back] };
    let mix: Vec<f32> = (0..20 * rate).map(|n| 0.25 * (0.7 * in_mix(n) + 0.5 * voice[n])).collect();
    let mut engine = Engine::new(rate as f64, 1).unwrap();
    let latency = engine.latency_samples();
    for play in 0..2 {
        engine.reset();
        let out = play_all(&mut engine, &mix, &song);
        // What is left of the song, over its level in the mix.
        let depth_db = |from: usize, to: usize| {
            let left = |n: usize| f64::from(out[n + latency] - 0.125 * voice[n]).powi(2);
            let whole = |n: usize| f64::from(0.175 * in_mix(n)).powi(2);
            10.0 * ((from..to).map(left).sum::<f64>() / (from..to).map(whole).sum::<f64>()).log10()
        };
        let found_by = cut + 2 * rate;
        let depths =
            [(found_by, found_by + rate / 2), (cut + 4 * rate, 18 * rate)].map(|(a, b)| depth_db(a, b));
        assert!(depths[0] < -10.0 && depths[1] < -25.0, "{depths:?} dB in play {play}");
        if play == 1 {
            let around = depth_db(cut - rate / 4, cut + rate / 4);
            assert!(around < -15.0, "{around} dB about the edit");
        }
    }
    let begins: Vec<i64> = engine.learned().sections.as_slice().iter().skip(1).map(|s| s.begin).collect();
    assert!(begins.len() == 1 && (begins[0] - cut as i64).abs() < 160, "{begins:?}, not {cut}");
}

/// A mix of which some samples were lost on the way, as a sound card loses a buffer: found where it happened, whether the clocks agree or
/// not, though the song repeats so that it would fit as well a few bars away.
#[test]
fn lost_samples_are_found_where_they_were_lost() {
    let (rate, len) = (16_000, 17 * 16_000);
    let (bar, voice) = (dull(&noise(2 * rate, 1)), noise(len, 2));
    let song: Vec<f32> = (0..len).map(|n| bar[n % bar.len()]).collect();
    // Where in the mix, and how many are gone from there on.
    let lost = [(6 * rate, 25), (12 * rate, 160)];
    let gone = |n: usize| lost.iter().rev().find(|(from, _)| n >= *from).map_or(0, |(_, gone)| *gone);
    // Where a delay grows by two samples between two looks, the moment is known to a twentieth of a second.
    for (drift, least_db) in [(0.0, 15.0), (1e-4, 15.0), (2.5e-4, 5.0)] {
        let whole: Vec<f32> =
            delayed(&song, |n| 40.0 + drift * n).zip(&voice).map(|(b, v)| 0.175 * b + 0.06 * v).collect();
        let cut = |x: &[f32]| -> Vec<f32> { (0..len - 200).map(|n| x[n + gone(n)]).collect() };
        let [mix, sung] = [cut(&whole), cut(&voice)];
        let mut engine = Engine::new(rate as f64, 1).unwrap();
        for play in 0..2 {
            engine.reset();
            let out = play_all(&mut engine, &mix, &song[..mix.len()]);
            let out = &out[engine.latency_samples()..];
            let power = |x: &[f32], part: std::ops::Range<usize>| -> f64 {
                part.map(|n| f64::from(x[n] - 0.06 * sung[n]).powi(2)).sum()
            };
            let depth_db =
                |part: std::ops::Range<usize>| 10.0 * (power(&mix, part.clone()) / power(out, part)).log10();
            let afterwards = lost.map(|(from, _)| depth_db(from + 2 * rate..from + 3 * rate));
            assert!(afterwards.iter().all(|db| *db > 20.0), "{afterwards:?} dB at {drift} in play {play}");
            let around = lost.map(|(from, _)| depth_db(from - rate / 4..from + rate / 4));
            assert!(play == 0 || around.iter().all(|db| *db > least_db), "{around:?} dB at {drift}");
        }
        let sections = engine.learned().sections;
        let [first, rest @ ..] = sections.as_slice() else { panic!("no section") };
        let delay = |section: &Section| section.model.map_or(f64::NAN, |model| model.delay_samples);
        let found: Vec<(i64, f64)> = rest.iter().map(|s| (s.begin, delay(first) - delay(s))).collect();
        let is_found = |((at, by), (from, gone)): (&(i64, f64), &(usize, usize))| {
            (at - *from as i64).abs() < 1_000 && (by - *gone as f64).abs() < 1.0
        };
        assert!(found.len() == 2 && found.iter().zip(&lost).all(is_found), "{found:?} at {drift}");
    }
}

/// A song of bars that share a beat is known at the wrong bar, where the beat alone is taken away: the right one, from which much more
/// can be taken, is found all the same.
#[test]
fn a_wrong_place_of_a_song_that_repeats_is_left_for_the_right_one() {
    let (rate, bar) = (16_000, 16_000);
    let (beat, tune, voice) = (noise(bar, 3), noise(7 * rate, 1), noise(7 * rate, 2));
    let song: Vec<f32> = tune.iter().enumerate().map(|(n, x)| 0.1 * x + 0.2 * beat[n % bar]).collect();
    let mix: Vec<f32> = (0..song.len()).map(|n| song[n.saturating_sub(20)] + 0.03 * voice[n]).collect();
    let mut engine = knowing(&[(i64::MIN, Some(20 + bar as i64))], 1.0);
    let out = heard(&mut engine, &mix, &song, &Settings { slope: Slope::Off, ..Settings::default() });
    let delay_samples = engine.readings().delay_samples;
    assert!((delay_samples - 20.0).abs() < 0.01, "{delay_samples}");
    let left: f32 = (5 * rate..out.len()).map(|n| (out[n] - 0.03 * voice[n]).powi(2)).sum();
    let whole: f32 = song[5 * rate..].iter().map(|x| x * x).sum();
    assert!(left < 1e-2 * whole, "{} dB", 10.0 * (left / whole).log10());
}

/// A mix that fades out by 24 dB, and a backing that fades by 10 dB: each stays where it is, and is subtracted at the level it has by then.
#[test]
fn a_song_that_fades_is_followed_down() {
    let (rate, len) = (16_000, 10 * 16_000);
    let (song, voice) = (noise(len, 1), noise(len, 2));
    let faded = |n: usize, most_db: f32| {
        let part = ((n as f32 / rate as f32 - 3.0) / 6.0).clamp(0.0, 1.0);
        10.0f32.powf(-most_db * part / 20.0)
    };
    for (mix_db, backing_db) in [(24.0, 0.0), (0.0, 10.0)] {
        let mix: Vec<f32> = (0..len).map(|n| faded(n, mix_db) * (0.2 * song[n] + 0.1 * voice[n])).collect();
        let backing: Vec<f32> = (0..len).map(|n| 0.2 * faded(n, backing_db) * song[n]).collect();
        let mut engine = knowing(&[(i64::MIN, Some(0))], 1.0);
        let settings = Settings { slope: Slope::Off, cleanup_percent: 0.0, ..Settings::default() };
        let out = heard(&mut engine, &mix, &backing, &settings);
        assert_eq!(engine.readings().lock, Lock::Locked);
        for second in 3..9 {
            let db = |left: &dyn Fn(usize) -> f32| {
                (second * rate..(second + 1) * rate).map(|n| left(n).powi(2)).sum::<f32>().log10() * 10.0
            };
            let whole_db = db(&|n| 0.2 * faded(n, mix_db) * song[n]);
            let left_db = db(&|n| out[n] - 0.1 * faded(n, mix_db) * voice[n]);
            assert!(whole_db - left_db > 7.0, "{} dB at {second} s", whole_db - left_db);
        }
    }
}

/// A backing whose speed wavers by 0.06 % under a loud voice, and one of low notes, in which many lags fit, by 0.13 %.
#[test]
fn a_delay_that_wavers_is_followed_within_seconds() {
    let rate = 16_000;
    let (song, voice) = (noise(9 * rate, 1), noise(9 * rate, 2));
    let low = dull(&song);
    for (song, wow_samples, voice_gain, part, least_db) in
        [(&song, 2.8, 0.375, 3 * rate..4 * rate, 11.0), (&low, 6.0, 0.125, 5 * rate..8 * rate, 15.0)]
    {
        let wow = |n: f64| wow_samples * (n * std::f64::consts::TAU * 0.55 / rate as f64).sin();
        let mix: Vec<f32> =
            delayed(song, |n| 30.0 + wow(n)).zip(&voice).map(|(b, v)| 0.175 * b + voice_gain * v).collect();
        let mut engine = Engine::new(rate as f64, 1).unwrap();
        let out = play_all(&mut engine, &mix, song);
        let out = &out[engine.latency_samples()..];
        let power = |x: &[f32]| -> f64 {
            part.clone().map(|n| f64::from(x[n] - voice_gain * voice[n]).powi(2)).sum()
        };
        let depth_db = 10.0 * (power(&mix) / power(out)).log10();
        assert!(depth_db > least_db, "{depth_db} dB at {wow_samples} samples");
    }
}

/// The low notes of a sound.
fn dull(sound: &[f32]) -> Vec<f32> {
    let mut last = 0.0;
    let low = sound.iter().map(|x| {
        last = 0.9 * last + 0.3 * x;
        last
    });
    low.collect()
}

/// A song at a delay that moves, samples by position.
fn delayed(song: &[f32], delay: impl Fn(f64) -> f64) -> impl Iterator<Item = f32> {
    let mut source = Ring::new(song.len());
    source.push([song, song]);
    let (mut line, mut read) = (DelayLine::new(64), stereo(64));
    (0..song.len()).step_by(64).flat_map(move |at| {
        line.read(&source, at as i64, delay((at + 64) as f64), &mut read);
        read[0].clone()
    })
}

/// Runs jobs when they are asked back, but keeps a match while told to.
#[derive(Default)]
struct Slow {
    job: Option<Job>,
    keeps: bool,
    /// By how much the last match lowered the cost, nats.
    cost_reduction: Option<f64>,
}

impl Worker for Slow {
    fn submit(&mut self, job: Job) {
        self.job = Some(job);
    }

    fn collect(&mut self) -> Option<Job> {
        let is_kept = |Job(work): &mut Job| self.keeps && matches!(work.request.task, Task::Match(_));
        let mut job = self.job.take_if(|job| !is_kept(job))?;
        job.run();
        if let JobReport::Match(report) = job.0.report {
            self.cost_reduction = report.cost_reduction;
        }
        Some(job)
    }
}

/// What is being learned of a delay that stands still, as that is seen to move, is smeared; and what is being learned
/// at an alignment is of no use once that is left.
#[test]
fn a_match_that_comes_back_to_another_place_is_not_used() {
    let rate = 16_000;
    let (song, voice) = (noise(2 * rate, 1), noise(2 * rate, 2));
    for drift in [2e-4, 0.0] {
        let mix = delayed(&song, |n| 20.0 + drift * n).zip(&voice).map(|(b, v)| 0.25 * (b + 0.5 * v));
        let mix: Vec<f32> = mix.collect();
        let (mut engine, mut worker) = (Engine::new(16_000.0, 1).unwrap(), Slow::default());
        let mut learned = engine.learned().clone();
        for (begin, delay_samples) in [(i64::MIN, 20.0), (60 * rate as i64, 100.0)] {
            assert!(learned.sections.push(Section { begin, model: Some(DelayModel::still(delay_samples)) }));
        }
        // Of another level than the mix has it, so that there is something to learn.
        learned.taps = Taps::gains(learned.taps.num_taps(), [0.2; 2], 0.0);
        assert!(engine.recall(&learned));
        let hop = engine.sizes.hop();
        let mut hops = mix.chunks(hop).zip(song.chunks(hop));
        let mut step = |engine: &mut Engine, worker: &mut Slow| {
            let (mix, song) = hops.next().expect("it is long enough");
            engine.process(&mut [&mut mix.to_vec()], &[song], &Settings::default(), worker);
        };
        while engine.readings().late_jobs == 0 || drift != 0.0 && !engine.aligner.moves() {
            step(&mut engine, &mut worker);
            // The first match has hardly anything to learn from.
            worker.keeps = engine.readings().heard_samples > rate as u64 / 3;
        }
        if drift == 0.0 {
            engine.song_at(60 * rate as i64);
        }
        worker.keeps = false;
        while engine.learning.heard().is_none() {
            step(&mut engine, &mut worker);
        }
        assert!(worker.cost_reduction.is_some(), "there is nothing to refuse");
        assert!(engine.learned.taps == learned.taps, "learned before, at a drift of {drift}");
    }
}

/// Bass and treble sway against each other by 5 dB on the mix, as under a multiband compressor.
#[test]
fn a_tone_that_moves_is_followed_and_once_known_from_the_start() {
    let rate = 16_000;
    let (song, breath) = (noise(14 * rate, 1), noise(14 * rate, 2));
    let voice = |n: usize| if n / 4_000 % 3 == 2 { 0.0 } else { 0.1 * breath[n] };
    let mut low = 0.0;
    let in_mix: Vec<f32> = (0..song.len())
        .map(|n| {
            low += 0.6 * (song[n] - low);
            let sway = 0.3 * (n as f32 * 4e-4).sin();
            0.2 * ((1.0 - sway) * low + (1.0 + sway) * (song[n] - low))
        })
        .collect();
    let mix: Vec<f32> = in_mix.iter().enumerate().map(|(n, x)| x + voice(n)).collect();
    // What is left of the backing over some seconds, dB, and what was learned by then.
    let play = |follow, known: Option<&Match>, seconds: std::ops::Range<usize>| {
        let settings = Settings { slope: crate::settings::Slope::Off, follow, ..Settings::default() };
        let mut engine = Engine::new(rate as f64, 1).unwrap();
        assert!(known.is_none_or(|known| engine.recall(known)));
        let latency = engine.latency_samples();
        let mut out = mix.clone();
        out.resize(mix.len() + latency, 0.0);
        engine.process(&mut [&mut out], &[&song], &settings, &mut Inline::default());
        let left = |n: usize| f64::from(out[n + latency] - voice(n)).powi(2);
        let whole = |n: usize| f64::from(in_mix[n]).powi(2);
        let heard = seconds.start * rate..seconds.end * rate;
        let left_db = 10.0 * (heard.clone().map(left).sum::<f64>() / heard.map(whole).sum::<f64>()).log10();
        (left_db, engine.learned().clone())
    };
    let (level_db, _) = play(Follow::Level, None, 9..13);
    let (tone_db, known) = play(Follow::LevelAndTone, None, 9..13);
    assert!(tone_db < level_db - 3.0, "{level_db} dB left, then {tone_db}");
    let (start_db, _) = play(Follow::LevelAndTone, Some(&known), 1..4);
    assert!(start_db < tone_db + 1.0, "{start_db} dB left at the start, {tone_db} later");
}

/// A limiter takes up to 0.26 dB away for a fifth of a second every two seconds. Beside rests that null to the last bit that is
/// movement enough: it is followed, and most of what it leaves goes.
#[test]
fn a_limiter_that_hardly_acts_is_followed() {
    let (rate, dip_s) = (16_000, 0.1);
    let (song, breath) = (noise(16 * rate, 1), noise(16 * rate, 2));
    let voice = |n: usize| if n / 4_000 % 3 == 2 { 0.0 } else { 0.03 * breath[n] };
    let level = |n: usize| {
        let since = (n % (2 * rate)) as f32 / rate as f32 - 1.7;
        let window = (std::f32::consts::PI * since / (2.0 * dip_s)).sin().powi(2);
        if (0.0..2.0 * dip_s).contains(&since) { 1.0 - 0.03 * window } else { 1.0 }
    };
    let backing: Vec<f32> = song.iter().map(|b| 0.25 * b).collect();
    let left_db = |follow, level: &dyn Fn(usize) -> f32| {
        let settings = Settings { follow, hold: false, ..on_hold() };
        let mut engine = knowing(&[(i64::MIN, Some(0))], 1.0);
        let mix: Vec<f32> = (0..song.len()).map(|n| 0.25 * level(n) * song[n] + voice(n)).collect();
        let out = heard(&mut engine, &mix, &backing, &settings);
        let heard = 10 * rate..15 * rate;
        let left = heard.clone().map(|n| f64::from(out[n] - voice(n)).powi(2)).sum::<f64>();
        10.0 * (left / heard.map(|n| f64::from(backing[n]).powi(2)).sum::<f64>()).log10()
    };
    let [off, on] = [Follow::Off, Follow::Level].map(|follow| left_db(follow, &level));
    assert!(on < off - 6.0, "{off} dB left, followed {on}");
    let still_db = left_db(Follow::Level, &|_| 1.0);
    assert!(still_db < -100.0, "{still_db} dB left where nothing moves");
}

fn play_all(engine: &mut Engine, mix: &[f32], backing: &[f32]) -> Vec<f32> {
    let settings = Settings { slope: crate::settings::Slope::Off, ..Settings::default() };
    let mut worker = Inline::default();
    let mut out = mix.to_vec();
    out.resize(mix.len() + engine.latency_samples(), 0.0);
    engine.process(&mut [&mut out], &[backing], &settings, &mut worker);
    out
}

/// An engine at 16 kHz that knows where a backing lies, and at one gain.
fn knowing(alignments: &[(i64, Option<i64>)], gain: f64) -> Engine {
    let mut engine = Engine::new(16_000.0, 1).unwrap();
    let mut learned = engine.learned().clone();
    for &(begin, delay_samples) in alignments {
        let model = delay_samples.map(|delay| DelayModel::still(delay as f64));
        assert!(learned.sections.push(Section { begin, model }));
    }
    learned.taps = Taps::gains(learned.taps.num_taps(), [gain; 2], 0.0);
    assert!(engine.recall(&learned));
    engine
}

/// What comes out of an engine in the end, its latency taken off.
fn heard(engine: &mut Engine, mix: &[f32], backing: &[f32], settings: &Settings) -> Vec<f32> {
    let latency = engine.latency_samples();
    let mut out = mix.to_vec();
    out.resize(mix.len() + latency, 0.0);
    engine.process(&mut [&mut out], &[backing], settings, &mut Inline::default());
    out.split_off(latency)
}

fn on_hold() -> Settings {
    Settings { hold: true, slope: Slope::Off, cleanup_percent: 0.0, ..Settings::default() }
}

/// The song goes on without its backing from a cut on: up to there all of it is taken away, and nothing from there on.
#[test]
fn a_backing_that_ends_in_the_song_is_subtracted_to_its_end() {
    let (song, voice, cut) = (noise(48_000, 1), noise(48_000, 2), 30_000);
    let in_mix = |n: usize| if n < cut { 0.5 * song[n - 20.min(n)] } else { 0.0 };
    let mix: Vec<f32> = (0..song.len()).map(|n| in_mix(n) + 0.25 * voice[n]).collect();
    let mut engine = knowing(&[(i64::MIN, Some(20)), (cut as i64, None)], 0.5);
    let out = heard(&mut engine, &mix, &song, &on_hold());
    let most =
        |from: usize, to: usize| (from..to).map(|n| (out[n] - 0.25 * voice[n]).abs()).fold(0.0, f32::max);
    // What rounding leaves.
    assert!(most(cut - 4_000, cut) < 1e-6, "{}", most(cut - 4_000, cut));
    assert!(most(cut, out.len()) < 1e-6, "{}", most(cut, out.len()));
}

/// The song is cut twice within the latency, and a third time: each alignment holds from its cut to the next.
#[test]
fn every_cut_within_the_latency_is_made() {
    let (song, voice) = (noise(48_000, 1), noise(48_000, 2));
    let cuts = [(0, 20), (30_000, 700), (31_003, 250), (32_500, 90)];
    let delay = |n: usize| cuts.iter().rev().find(|cut| n >= cut.0).map_or(0, |cut| cut.1);
    let in_mix = |n: usize| n.checked_sub(delay(n)).map_or(0.0, |n| 0.5 * song[n]);
    let mix: Vec<f32> = (0..song.len()).map(|n| in_mix(n) + 0.25 * voice[n]).collect();
    let known: Vec<_> = cuts.iter().map(|&(at, delay)| (at as i64, Some(delay as i64))).collect();
    let mut engine = knowing(&known, 0.5);
    assert!(engine.latency_samples() > 3_000);
    let out = heard(&mut engine, &mix, &song, &on_hold());
    let most = (25_000..out.len()).map(|n| (out[n] - 0.25 * voice[n]).abs()).fold(0.0, f32::max);
    assert!(most < 1e-6, "{most}");
}

/// The mix no longer holds what it held: the lock is lost, and the backing fades, found again or not.
#[test]
fn a_lost_backing_fades() {
    let rate = 16_000;
    let (other, num_samples) = (noise(5 * rate, 2), 5 * rate);
    let sine: Vec<f32> = (0..num_samples).map(|n| 0.25 * (n as f32 * 0.02).sin()).collect();
    let is_gone = |n: usize| (rate..7 * rate / 2).contains(&n);
    let mix: Vec<f32> =
        (0..num_samples).map(|n| if is_gone(n) { other[n] } else { sine[n] + 1e-3 * other[n] }).collect();
    let mut engine = knowing(&[(i64::MIN, Some(0))], 1.0);
    let settings = Settings { listen: Listen::Backing, ..Settings::default() };
    let (mut out, mut worker, mut lost) = (mix.clone(), Inline::default(), 0);
    for (out, backing) in out.chunks_mut(64).zip(sine.chunks(64)) {
        engine.process(&mut [out], &[backing], &settings, &mut worker);
        lost += usize::from(engine.readings().lock == Lock::Lost);
    }
    assert!(lost > 0 && out.iter().rev().take(rate / 4).any(|x| x.abs() > 0.2), "{lost}");
    let (from, to) = (rate, num_samples);
    assert!(out[from..to].windows(rate / 8).any(|x| x.iter().all(|x| *x == 0.0)), "it never faded out");
    let step = out[from..to].windows(2).map(|x| (x[1] - x[0]).abs()).fold(0.0, f32::max);
    // Of the sine, 0.25 * 0.02, and of a straight fade over 32 hops of 64 samples.
    let most = 0.25 * (0.02 + 1.0 / (32.0 * 64.0));
    assert!(step < 1.01 * most, "{step}, {most}");
}

/// A loop of the host's transport, with a backing whose clip lies early: most of what comes in together is of different places
/// in the song, and nothing is learned from that, nor subtracted.
#[test]
fn nothing_is_learned_across_the_jumps_of_a_loop() {
    let rate = 8_000;
    let (looped, early) = (4 * rate, 5 * rate / 2);
    let (song, voice) = (noise(looped + early, 1), noise(20 * rate, 2));
    // The song at a place is in the mix there, and in the backing 2.5 s before.
    let mix: Vec<f32> = (0..20 * rate).map(|n| 0.35 * song[n % looped] + 0.1 * voice[n]).collect();
    let backing: Vec<f32> = (0..20 * rate).map(|n| 0.5 * song[n % looped + early]).collect();
    let (mut engine, mut worker) = (Engine::new(rate as f64, 1).unwrap(), Inline::default());
    let mut learned = engine.learned().clone();
    let model = Some(DelayModel::still(early as f64));
    assert!(learned.sections.push(Section { begin: i64::MIN, model }));
    learned.taps = Taps::gains(learned.taps.num_taps(), [0.5; 2], 0.0);
    assert!(engine.recall(&learned));
    let settings = Settings { hold: false, ..on_hold() };
    let mut out = mix.clone();
    for (pass, (mix, backing)) in out.chunks_mut(looped).zip(backing.chunks(looped)).enumerate() {
        if pass > 0 {
            engine.transport_jumped();
        }
        engine.process(&mut [mix], &[backing], &settings, &mut worker);
    }
    let response = &engine.learned().taps.h[0][0];
    let level = response[response.len() / 2];
    assert!((level - 0.7).abs() < 0.01, "{level}");
    // In one of the last passes: up to the jump's echo the mix passes, from there on the song is gone.
    let last = 12 * rate;
    let latency = engine.latency_samples();
    let left = |from: usize, to: usize, gone: &dyn Fn(usize) -> f32| {
        (from..to).map(|n| (out[n + latency] - gone(n)).abs()).fold(0.0, f32::max)
    };
    // Half a filter, and a bit more, to either side.
    let passing = left(last + 600, last + early - 600, &|n| mix[n]);
    assert!(passing < 1e-6, "{passing}");
    let nulled = left(last + early + 600, last + looped - 600, &|n| 0.1 * voice[n]);
    // A tenth of the song's peak: what was learned in some seconds.
    assert!(nulled < 0.035, "{nulled}");
}

/// Keeps a job for a while.
struct Late {
    job: Option<Job>,
    refusals: usize,
}

impl Worker for Late {
    fn submit(&mut self, job: Job) {
        self.job = Some(job);
    }

    fn collect(&mut self) -> Option<Job> {
        if self.refusals > 0 {
            self.refusals -= 1;
            return None;
        }
        let mut job = self.job.take()?;
        job.run();
        Some(job)
    }
}

/// However often it is asked for.
#[test]
fn a_late_job_counts_once() {
    let (song, mut worker) = (noise(40_000, 1), Late { job: None, refusals: 5 });
    let mut engine = Engine::new(16_000.0, 1).unwrap();
    let mut out = song.clone();
    engine.process(&mut [&mut out], &[&song], &Settings::default(), &mut worker);
    assert_eq!((worker.refusals, engine.readings().late_jobs), (0, 1));
    // And the next one anew.
    worker.refusals = 3;
    let mut out = song.clone();
    engine.process(&mut [&mut out], &[&song], &Settings::default(), &mut worker);
    assert_eq!((worker.refusals, engine.readings().late_jobs), (0, 2));
}

/// A job that is away for longer than the input is remembered: what the learner hears from then on is what came in.
#[test]
fn a_job_that_was_away_for_long_is_caught_up_with() {
    let rate = 11_025;
    let song = noise(19 * rate, 1);
    // The job is asked for four times a second.
    let (mut engine, mut worker) =
        (Engine::new(rate as f64, 1).unwrap(), Late { job: None, refusals: 4 * 12 });
    let (hop, remembered) = (engine.sizes.hop(), engine.sizes.samples(LATE_S));
    assert!(!remembered.is_multiple_of(hop), "it begins with a hop, so nothing is tested");
    let (mut out, mut num_compared) = (song.clone(), 0);
    for (out, song) in out.chunks_mut(hop).zip(song.chunks(hop)) {
        // On hold no other job takes it away.
        let settings = Settings { hold: worker.refusals == 0, ..Settings::default() };
        engine.process(&mut [out], &[song], &settings, &mut worker);
        let caught_up = engine.learning.heard().filter(|heard| heard.end() >= engine.input.end());
        if let Some(heard) = caught_up.filter(|_| settings.hold) {
            num_compared += 1;
            let [mut came_in, mut learned] = [stereo(hop), stereo(hop)];
            engine.input.read_mix(heard.end() - hop as i64, &mut came_in);
            heard.mix.read_stereo(heard.end() - hop as i64, &mut learned);
            assert!(heard.end() == engine.input.end() && learned == came_in, "up to {}", heard.end());
        }
    }
    assert!(num_compared > 100, "{num_compared}");
}

/// However late a job is, it is used, unless what it read may have been overwritten; then it is learned anew.
#[test]
fn a_job_that_was_out_for_too_long_is_not_used() {
    let rate = 16_000;
    let (song, voice) = (noise(40 * rate, 1), noise(40 * rate, 2));
    let mix: Vec<f32> = song.iter().zip(&voice).map(|(b, v)| 0.25 * (b + 0.5 * v)).collect();
    for (out_to_s, is_used) in [(MEMORY_S + OUT_S - 0.5, true), (MEMORY_S + OUT_S + 0.5, false)] {
        let (mut engine, mut worker) = (knowing(&[(i64::MIN, Some(0))], 0.2), Slow::default());
        let mut parts = mix.chunks(100).zip(song.chunks(100));
        let mut play_to = |engine: &mut Engine, worker: &mut Slow, seconds: f64| {
            while engine.readings().heard_samples < (seconds * rate as f64) as u64 {
                let (mix, song) = parts.next().expect("it is long enough");
                engine.process(&mut [&mut mix.to_vec()], &[song], &Settings::default(), worker);
            }
        };
        // The first match has hardly anything to learn from.
        play_to(&mut engine, &mut worker, 0.4);
        let before = engine.learned().taps.clone();
        worker.keeps = true;
        play_to(&mut engine, &mut worker, out_to_s);
        assert!(engine.learning.heard().is_none(), "there is no job out");
        worker.keeps = false;
        play_to(&mut engine, &mut worker, out_to_s + 0.3);
        assert_eq!(engine.learned().taps != before, is_used, "out to {out_to_s} s");
        // It catches up first.
        play_to(&mut engine, &mut worker, out_to_s + 5.0);
        assert!(engine.learned().taps != before, "out to {out_to_s} s");
    }
}

/// An alignment that was lost is lost once: a job that comes back later and misses it too takes nothing else along.
#[test]
fn a_lock_is_lost_once() {
    let mut engine = knowing(&[(i64::MIN, Some(20)), (100, Some(900))], 1.0);
    let song = noise(200, 1);
    play(&mut engine, &song, &song, &mut Inline::default());
    engine.supervisor.set_proven(false);
    let miss = Found { delay_samples: 5_000.0, inverted: false, confidence: 1.0 };
    let report =
        JobReport::LocalSearch(LocalSearchReport { found: Some(miss), ..LocalSearchReport::default() });
    for _ in 0..6 {
        engine.adopt(&report);
    }
    assert_eq!(engine.aligner.lock().state, Lock::Lost);
    let sections = engine.learned().sections.as_slice();
    assert!(
        matches!(sections, [Section { model: Some(model), .. }] if model.delay_samples == 20.0),
        "{sections:?}"
    );
}

/// What a search finds close by is the alignment in force, seen less closely; what it finds nearby is another one, and the null must tell.
#[test]
fn what_is_found_nearby_moves_nothing_by_itself() {
    for (found_samples, expected_samples) in [(22.0, 22), (32.0, 20)] {
        let mut engine = knowing(&[(i64::MIN, Some(20))], 1.0);
        let song = noise(200, 1);
        play(&mut engine, &song, &song, &mut Inline::default());
        let found = Found { delay_samples: found_samples, inverted: false, confidence: 5.0 };
        let report = GlobalSearchReport { found: Some(found), ..GlobalSearchReport::default() };
        for _ in 0..2 {
            engine.adopt(&JobReport::GlobalSearch(report));
        }
        assert_eq!(engine.aligner.lock().delay_samples, expected_samples);
    }
}

/// A match recalled while another plays is not given up for what is still heard of that one.
#[test]
fn what_is_still_heard_of_a_wrong_match_does_not_speak_against_the_right_one() {
    let rate = 16_000;
    let (song, other) = (noise(4 * rate, 1), noise(4 * rate, 2));
    let settings = Settings { slope: Slope::Off, ..Settings::default() };
    let mix: Vec<f32> = song.iter().zip(&other).map(|(b, v)| 0.2 * b + 0.5 * v).collect();
    let backing: Vec<f32> = song.iter().map(|b| 0.2 * b).collect();
    let right = knowing(&[(i64::MIN, Some(0))], 1.0).learned().clone();
    // Plays up to a sample, or until the lock is lost; where it ended.
    let play = |engine: &mut Engine, from: usize, to: usize| {
        let mut worker = Inline::default();
        let mut hops = (from..to).step_by(32);
        let lost = hops.find(|&at| {
            let mut out = mix[at..at + 32].to_vec();
            engine.process(&mut [&mut out], &[&backing[at..at + 32]], &settings, &mut worker);
            // The first hop is worked on while the second comes in.
            at > from && engine.readings().lock != Lock::Locked
        });
        lost.unwrap_or(to)
    };
    let wrong = || knowing(&[(i64::MIN, Some(900))], 1.0);
    let lost = play(&mut wrong(), 0, mix.len());
    assert!(lost < 2 * rate, "{lost}");
    let mut engine = wrong();
    let at = play(&mut engine, 0, lost - 10 * 32);
    assert!(engine.recall(&right));
    assert_eq!(play(&mut engine, at, mix.len()), mix.len());
}

/// A voice that comes and goes; a mix of it and a song and the song alone, through `bend`, the mix later by so many samples.
fn bent(len: usize, later: usize, bend: fn(f32) -> f32) -> [Vec<f32>; 3] {
    let song = noise(len, 1);
    let swell = |n: usize| (0.5 - 0.5 * (n as f32 * 1e-3).cos()) * 0.15;
    let voice = |n: usize| swell(n) * ((n as f32 * 0.3).sin() + (n as f32 * 0.71).sin());
    let mix = |n: usize| bend(1.4 * n.checked_sub(later).map_or(0.0, |n| song[n]) + voice(n));
    [(0..len).map(voice).collect(), (0..len).map(mix).collect(), song.iter().map(|b| bend(1.4 * b)).collect()]
}

/// Level of what is not the voice, re all of it, dB; from `from` on.
fn off_db(out: &[f32], voice: &[f32], from: usize) -> f64 {
    let inner = |a: &[f32], b: &[f32]| a.iter().zip(b).skip(from).map(|(a, b)| f64::from(a * b)).sum::<f64>();
    let level = (inner(out, voice) / inner(voice, voice)) as f32;
    let off: Vec<f32> = out.iter().zip(voice).map(|(out, v)| out - level * v).collect();
    10.0 * (inner(&off, &off) / inner(out, out)).log10()
}

/// A sum bent by a tanh, as tape bends, comes apart into what was sung; it passes as it came wherever nothing is taken away.
#[test]
fn what_was_bent_is_made_straight_where_it_is_subtracted_from() {
    let len = 14 * 8_000;
    let [voice, mix, backing] = bent(len, 0, f32::tanh);
    let learn = |bend: Bend| {
        let mut engine = Engine::for_analysis(8_000.0, 1).unwrap();
        assert!(engine.recall(&Match { bend, ..Match::unknown(8_000.0, 0) }));
        play(&mut engine, &mix, &backing, &mut Inline::default());
        assert_eq!(engine.readings().bent_db, (!bend.is_none()).then(|| bend.peaks_db()));
        (engine.find_bend(), engine.learned().clone())
    };
    let (found, as_it_came) = learn(Bend::NONE);
    let (_, straight) = learn(found.expect("it was bent"));
    let played = |learned: &Match, backing: &[f32], listen: Listen| {
        let mut engine = Engine::new(8_000.0, 1).unwrap();
        assert!(engine.recall(learned));
        let settings = Settings { hold: true, slope: Slope::Off, listen, ..Settings::default() };
        heard(&mut engine, &mix, backing, &settings)
    };
    let off_db = [&as_it_came, &straight]
        .map(|learned| off_db(&played(learned, &backing, Listen::Difference), &voice, 16_000));
    assert!(off_db[1] < -25.0 && off_db[1] < off_db[0] - 10.0, "{off_db:?} dB");
    assert!(straight.bend != Bend::NONE && as_it_came.bend == Bend::NONE);
    assert!(played(&straight, &backing, Listen::Mix) == mix, "the mix is heard as it came");
    assert!(played(&straight, &vec![0.0; len], Listen::Difference) == mix, "there is no backing");
}

/// A curve is also found while a song is heard, and is in force from then on; one that another song left in the match is not kept.
#[test]
fn a_curve_is_found_while_playing() {
    let (len, settings) = (23 * 8_000, Settings { slope: Slope::Off, ..Settings::default() });
    let [voice, mix, backing] = bent(len, 200, f32::tanh);
    let mut engine = Engine::new(8_000.0, 1).unwrap();
    let out = heard(&mut engine, &mix, &backing, &settings);
    let found = engine.learned().bend;
    let [before, after] = [&out[..14 * 8_000], &out].map(|out| off_db(out, &voice, out.len() - 16_000));
    assert!(!found.is_none() && after < -20.0 && after < before - 8.0, "{before} dB, {after} dB");

    let [_, mix, backing] = bent(len, 0, |x| 0.3 * x);
    let mut engine = Engine::new(8_000.0, 1).unwrap();
    assert!(engine.recall(&Match { bend: found, ..Match::unknown(8_000.0, 0) }));
    heard(&mut engine, &mix, &backing, &settings);
    assert!(engine.learned().bend.is_none(), "nothing was bent");
}

/// A mix that passes reads the same coming in and going out, hop by hop, and beside it stands the backing that came in with it.
#[test]
fn levels_are_of_one_moment() {
    let mut engine = Engine::new(8_000.0, 1).unwrap();
    let hop = engine.sizes.hop();
    let lag = engine.latency_samples() / hop - 1;
    let mut came_in = Vec::new();
    for n in 0..4 * lag {
        let [mix, backing] = [1, 2].map(|seed| {
            let gain = 0.9 - 0.1 * ((seed as usize + n) % 7) as f32;
            noise(hop, seed + 10 * n as u32).iter().map(|x| gain * x).collect::<Vec<_>>()
        });
        came_in.push([&mix, &backing].map(|x| power_to_db(mean_square([x, x])) as f32));
        play(&mut engine, &mix, &backing, &mut Inline::default());
        let Readings { mix_db, backing_db, output_db, .. } = *engine.readings();
        assert_eq!(mix_db, output_db, "hop {n}");
        let told = n.checked_sub(lag).map_or([-200.0; 2], |idx| came_in[idx]);
        assert_eq!([mix_db, backing_db], told, "hop {n}");
    }
}

/// A host that gives a sixteenth of a hop at a time waits for one part of the work, or for a new hop to be taken in; but whatever
/// changes the engine from outside finds the work done.
#[test]
fn no_sixteenth_of_a_hop_waits_for_more_than_a_part() {
    let mut engine = Engine::new(16_000.0, 1).unwrap();
    let block = engine.sizes.hop() / (PARTS + 1);
    let sound = noise(block, 1);
    // The first hop has none before it that could be worked on.
    for n in 0..3 * (PARTS + 1) {
        play(&mut engine, &sound, &sound, &mut Inline::default());
        let done = if n < PARTS { PARTS } else { (n + 1) % (PARTS + 1) };
        assert_eq!(engine.num_done, done, "block {n}");
    }
    let changes: [fn(&mut Engine); 3] =
        [Engine::transport_jumped, Engine::relearn, |engine| engine.song_at(0)];
    for change in changes {
        (0..PARTS + 2).for_each(|_| _ = play(&mut engine, &sound, &sound, &mut Inline::default()));
        assert!(engine.num_done < PARTS);
        change(&mut engine);
        assert_eq!(engine.num_done, PARTS);
    }
}

/// When both fall silent nothing is heard, and what was found is kept.
#[test]
fn what_was_found_is_kept_while_nothing_is_heard() {
    let rate = 8_000;
    let (song, voice) = (noise(6 * rate, 1), noise(6 * rate, 2));
    let mix: Vec<f32> = song.iter().zip(&voice).map(|(b, v)| 0.25 * (0.7 * b + v)).collect();
    let mut engine = Engine::new(rate as f64, 1).unwrap();
    play_all(&mut engine, &mix, &song);
    let Readings { lock, kept, mix_is_heard, delay_samples, .. } = *engine.readings();
    assert_eq!((lock, kept, mix_is_heard), (Lock::Locked, Lock::Locked, true));
    play_all(&mut engine, &vec![0.0; 3 * rate], &[]);
    let rests = *engine.readings();
    assert_eq!((rests.lock, rests.kept, rests.mix_is_heard), (Lock::NoBacking, Lock::Locked, false));
    // The job that was out when it fell silent may put it right by a fraction.
    assert!((rests.delay_samples - delay_samples).abs() < 0.1, "{delay_samples}, {}", rests.delay_samples);
}

/// The host stops while a backing whose clip lies early is still being read: two seconds of it stand under a silent mix. That is
/// no movement of the level, limits no null and loses no lock.
#[test]
fn a_silent_mix_teaches_nothing() {
    let (rate, early) = (8_000, 16_000);
    let (song, breath) = (noise(10 * rate + early, 1), noise(10 * rate, 2));
    // What the level does meanwhile, within 1.9 dB either way, and a voice with rests.
    let level = |n: usize| 1.0 + 0.2 * (n as f32 * 1e-3).sin();
    let voice = |n: usize| if n / 3_000 % 3 == 2 { 0.0 } else { 0.1 * breath[n] };
    let mix: Vec<f32> = (0..10 * rate).map(|n| 0.3 * level(n) * song[n] + voice(n)).collect();
    let backing: Vec<f32> = song[early..].iter().map(|x| 0.3 * x).collect();
    let (mut engine, mut worker) = (Engine::new(rate as f64, 1).unwrap(), Inline::default());
    let mut learned = engine.learned().clone();
    let model = Some(DelayModel::still(early as f64));
    assert!(learned.sections.push(Section { begin: i64::MIN, model }));
    learned.taps = Taps::gains(learned.taps.num_taps(), [1.0; 2], 0.0);
    assert!(engine.recall(&learned));
    play(&mut engine, &mix, &backing, &mut worker);
    let (movement, causes) = (engine.level.follower.movement(), engine.readings().causes);
    let moved_db = |causes: &Causes| match causes.iter().map(|cause| cause.kind).collect::<Vec<_>>()[..] {
        [Kind::Delay { .. }, Kind::Movement { range_db }] => range_db,
        ref kinds => panic!("{kinds:?}"),
    };
    assert!(movement.moves(), "nothing is followed");
    let silence = vec![0.0; rate / 4];
    for _ in 0..20 {
        play(&mut engine, &silence, &silence, &mut worker);
        let &Readings { follow_db, kept, causes: now, .. } = engine.readings();
        assert!(follow_db.abs() < 2.0 && kept == Lock::Locked, "{follow_db} dB, {kept:?}");
        assert!((moved_db(&now) - moved_db(&causes)).abs() < 0.1, "{now:?}");
        assert_eq!(engine.level.follower.movement(), movement);
    }
}

/// The mix breaks down to nothing for a moment, and the backing goes on: up to the break, and from its end on, all of it is
/// taken away that was, and nothing in between.
#[test]
fn a_break_in_the_mix_changes_nothing_around_it() {
    let (song, voice, gap) = (noise(48_000, 1), noise(48_000, 2), 30_016..32_000);
    let in_mix = |n: usize| 0.5 * song[n - 20.min(n)] + 0.25 * voice[n];
    let mix: Vec<f32> = (0..song.len()).map(|n| if gap.contains(&n) { 0.0 } else { in_mix(n) }).collect();
    let mut engine = knowing(&[(i64::MIN, Some(20))], 0.5);
    assert!((gap.start % engine.sizes.hop(), gap.end % engine.sizes.hop()) == (0, 0));
    let out = heard(&mut engine, &mix, &song, &on_hold());
    let left = |n: usize| out[n] - if gap.contains(&n) { 0.0 } else { 0.25 * voice[n] };
    // What rounding leaves.
    let most = (1_000..out.len()).map(|n| left(n).abs()).fold(0.0, f32::max);
    assert!(most < 1e-6, "{most}");
}
