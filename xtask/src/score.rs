//! `cargo xtask score`: pairs of mix and backing whose true vocal is known, through the engine, and how good the
//! differences are.

mod by_hand;
pub mod command;
pub mod measure;
pub mod told_depth;
pub mod under_voice;

use std::{
    fs,
    ops::Range,
    path::{Path, PathBuf},
};

use anyhow::{Context, Result, anyhow, ensure};
use clap::ValueEnum;
use minuend_engine::{
    Causes, Engine, Inline, Lock, Settings,
    settings::{BackingKind, Slope},
};
use minuend_files::{
    passes::{
        Pair, Pass,
        depth::{Depth, SongDepth},
        learn,
        sections::sections,
        subtract,
    },
    progress::{Progress, tell},
    read::read_all,
};
use serde_json::Value;

use crate::metrics::{
    null_depth::{Rests, depth_under_voice_db, null_depth_db},
    tolerant_sdr::fitted_vocal,
    vocal_loss::vocal_loss_db,
};
use by_hand::{by_hand, minus, moved};
use measure::Measure;
use told_depth::{Reading, ToldDepth};
use under_voice::UnderVoice;

/// Samples a step, as many hosts have it; the output does not depend on it.
const BLOCK_SAMPLES: usize = 512;
/// How often the backing may be moved before its place is given up, as in `render`.
const MAX_MOVES: usize = 3;
/// What a first play may take to learn, and is not scored, s.
const LEARNING_S: f64 = 6.0;

/// Gains a second by which a mastered voice may differ from the true one when what is left beneath it is measured: one every 5 ms,
/// as fast compressors move. They fit away 1 % of what is left.
const GAINS_PER_S: u32 = 200;

/// Which play is scored.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum Play {
    /// Knowing nothing; scored from 6 s on.
    First,
    /// After a first one, with what that learned; scored as a whole. What a bounce is.
    #[default]
    Second,
    /// From files, in two passes, as `render` does.
    #[value(skip)]
    TwoPass,
}

/// A mix and its backing, with the truth. Signals are `[channel_idx][sample_idx]`; all but the backing have one shape.
pub struct Case {
    /// Name of its folder.
    pub name: String,
    folder: PathBuf,
    /// Sample rate of all signals, Hz.
    pub sample_rate_hz: u32,
    mix: Vec<Vec<f32>>,
    backing: Vec<Vec<f32>>,
    vocal: Vec<Vec<f32>>,
    /// `None` of a mastered pair: what the mastering did to the backing moved with the voice.
    backing_in_mix: Option<Vec<Vec<f32>>>,
    backing_kind: BackingKind,
    /// Parts of the mix whose backing is not in the backing's file.
    unbacked: Vec<Range<usize>>,
}

impl Case {
    /// Reads `mix.wav`, `backing.wav`, `vocal.wav`, `meta.json` and, unless that says that the pair was mastered,
    /// `backing_in_mix.wav` in a folder.
    pub fn load(folder: &Path) -> Result<Self> {
        let name = folder.file_name().with_context(|| format!("{}: has no name", folder.display()))?;
        let read = |file: &str| read_all(&folder.join(file));
        let (mix, sample_rate_hz) = read("mix.wav")?;
        let same_as_mix = |file: &str, same_length: bool| {
            let (signal, rate_hz) = read(file)?;
            let shape = |signal: &[Vec<f32>], rate_hz| {
                format!("{} channels of {} samples at {rate_hz} Hz", signal.len(), signal[0].len())
            };
            let same = rate_hz == sample_rate_hz
                && signal.len() == mix.len()
                && (!same_length || signal[0].len() == mix[0].len());
            ensure!(
                same,
                "{}: has {}, mix.wav has {}; make both alike",
                folder.join(file).display(),
                shape(&signal, rate_hz),
                shape(&mix, sample_rate_hz)
            );
            Ok(signal)
        };
        let meta_file = folder.join("meta.json");
        let meta = fs::read_to_string(&meta_file)
            .with_context(|| format!("{}: cannot be read", meta_file.display()))?;
        let meta: Value =
            serde_json::from_str(&meta).with_context(|| format!("{}: is no JSON", meta_file.display()))?;
        let both_sides = meta.get("both_sides");
        ensure!(
            both_sides.is_none_or(Value::is_boolean),
            "{}: \"both_sides\" must be true or false",
            meta_file.display()
        );
        Ok(Self {
            name: name.to_string_lossy().into_owned(),
            folder: folder.to_path_buf(),
            sample_rate_hz,
            backing: same_as_mix("backing.wav", false)?,
            vocal: same_as_mix("vocal.wav", true)?,
            backing_in_mix: match both_sides {
                Some(_) => None,
                None => Some(same_as_mix("backing_in_mix.wav", true)?),
            },
            // Only an estimate has a voice bleeding into it.
            backing_kind: match meta.get("bleed_db") {
                Some(_) => BackingKind::Estimated,
                None => BackingKind::default(),
            },
            unbacked: unbacked(&meta, mix[0].len()).map_err(|e| anyhow!("{}: {e}", meta_file.display()))?,
            mix,
        })
    }

    fn num_samples(&self) -> usize {
        self.mix[0].len()
    }

    fn measure(&self) -> Measure {
        if self.backing_in_mix.is_some() { Measure::SiSdr } else { Measure::TolerantSdr }
    }

    /// A signal with silence where it has no backing.
    fn backed(&self, signal: &[Vec<f32>]) -> Vec<Vec<f32>> {
        let mut signal = signal.to_vec();
        for channel in &mut signal {
            self.unbacked.iter().for_each(|part| channel[part.clone()].fill(0.0));
        }
        signal
    }

    /// What of a signal is scored: all of it where it has a backing, from some sample on.
    fn scored(&self, signal: &[Vec<f32>], from: usize) -> Vec<Vec<f32>> {
        let counts = |n: usize| n >= from && !self.unbacked.iter().any(|part| part.contains(&n));
        let cut =
            |channel: &Vec<f32>| (0..channel.len()).filter(|&n| counts(n)).map(|n| channel[n]).collect();
        signal.iter().map(cut).collect()
    }
}

/// The parts `[mix_from, mix_to)` of the "segments" whose "lag" is null, of a mix that is so long.
fn unbacked(meta: &Value, num_samples: usize) -> Result<Vec<Range<usize>>> {
    let Some(segments) = meta.get("segments") else { return Ok(Vec::new()) };
    let segments = segments.as_array().context("\"segments\" is no list")?;
    let mut parts = Vec::new();
    for segment in segments {
        let sample = |name| {
            segment
                .get(name)
                .and_then(Value::as_u64)
                .with_context(|| format!("a segment's \"{name}\" is no whole number of samples"))
        };
        if segment.get("lag").is_some_and(Value::is_null) {
            let (start, end) = (sample("mix_from")? as usize, sample("mix_to")? as usize);
            ensure!(
                start <= end && end <= num_samples,
                "the segment from {start} to {end} does not lie within the {num_samples} samples of mix.wav"
            );
            parts.push(start..end);
        }
    }
    Ok(parts)
}

/// The figures of one case, all over the same part of it. SDR is that against the true vocal, by the case's measure.
#[derive(Clone, Debug, PartialEq)]
pub struct Score {
    /// Name of the case.
    pub case: String,
    /// What its SDRs are.
    pub measure: Measure,
    /// SDR of the difference, dB.
    pub sdr_db: f64,
    /// Null depth of the difference, dB; see [`null_depth_db`]. Neither this nor the vocal loss is known of a mastered pair.
    pub null_depth_db: Option<f64>,
    /// Vocal loss of the difference, dB; see [`vocal_loss_db`].
    pub vocal_loss_db: Option<f64>,
    /// SDR of the mix as it is, dB.
    pub mix_sdr_db: f64,
    /// SDR of the mix minus the backing as they are, sample for sample, dB.
    pub inversion_sdr_db: f64,
    /// SDR of the mix minus the backing at the best whole-sample offset and the best gain, dB.
    pub by_hand_sdr_db: f64,
    /// How much later than the backing the mix plays the same music, as found by the end, samples.
    pub delay_samples: f64,
    /// Null depth as the engine told it, beside the truth.
    pub told_depth: ToldDepth,
    /// The same of the whole song where the voice sings.
    pub under_voice: UnderVoice,
    /// What limits the null, as told at the end.
    pub causes: Causes,
}

/// What the engine told of a play.
struct Told {
    delay_samples: f64,
    /// Null depth up to a sample.
    depths: Vec<Reading>,
    /// Null depth of all of it that is scored.
    song: SongDepth,
    causes: Causes,
}

/// Plays a case and scores it; with the difference, as long as the mix.
pub fn score(case: &Case, play: Play, progress: &mut Progress) -> Result<(Score, Vec<Vec<f32>>)> {
    let from = match play {
        Play::First => (LEARNING_S * f64::from(case.sample_rate_hz)) as usize,
        Play::Second | Play::TwoPass => 0,
    };
    let scored = |signal: &[Vec<f32>]| case.scored(signal, from);
    let vocal = scored(&case.vocal);
    ensure!(
        !vocal[0].is_empty(),
        "{}: nothing to score; a first play must be longer than {LEARNING_S} s, and some part must have a backing",
        case.name
    );
    let (rate_hz, measure) = (case.sample_rate_hz, case.measure());
    let sdr_db = |estimate: &[Vec<f32>]| measure.sdr_db(&vocal, &scored(estimate), rate_hz);

    let (difference, told) = difference(case, play, from, progress)?;
    let estimate = scored(&difference);
    let backing = case.backing_in_mix.as_ref();
    let backing_in_mix = backing.map(|backing| scored(backing));
    let rests = backing.map(|backing| Rests::new(&case.vocal, &case.backed(backing), &difference, rate_hz));
    let told_depth = ToldDepth::new(&told.depths, rests.as_ref(), from, rate_hz);
    let true_db = match &backing_in_mix {
        Some(backing) => depth_under_voice_db(&vocal, backing, &estimate, rate_hz),
        None => {
            let vocal = single(&fitted_vocal(&vocal, &estimate, rate_hz, GAINS_PER_S));
            depth_under_voice_db(&vocal, &minus(&scored(&case.mix), &vocal, 1.0), &estimate, rate_hz)
        }
    };
    type Figure = fn(&[Vec<f32>], &[Vec<f32>], &[Vec<f32>], u32) -> Option<f64>;
    let figure = |figure: Figure| figure(&vocal, backing_in_mix.as_ref()?, &estimate, rate_hz);
    let as_it_is = moved(&case.backing, 0, case.num_samples());
    let score = Score {
        case: case.name.clone(),
        measure,
        sdr_db: sdr_db(&difference),
        null_depth_db: figure(null_depth_db),
        vocal_loss_db: figure(vocal_loss_db),
        mix_sdr_db: sdr_db(&case.mix),
        inversion_sdr_db: sdr_db(&minus(&case.mix, &as_it_is, 1.0)),
        by_hand_sdr_db: sdr_db(&by_hand(&case.mix, &case.backing)),
        delay_samples: told.delay_samples,
        told_depth,
        under_voice: UnderVoice { told: told.song.under_voice, true_db },
        causes: told.causes,
    };
    Ok((score, difference))
}

/// A signal in single precision.
fn single(signal: &[Vec<f64>]) -> Vec<Vec<f32>> {
    signal.iter().map(|channel| channel.iter().map(|&x| x as f32).collect()).collect()
}

/// The mix minus its backing by the engine, and what it told from some sample on.
fn difference(
    case: &Case,
    play: Play,
    from: usize,
    progress: &mut Progress,
) -> Result<(Vec<Vec<f32>>, Told)> {
    // The true vocal is not low-cut, so the difference must not be.
    let settings = Settings { slope: Slope::Off, backing_kind: case.backing_kind, ..Settings::default() };
    let num_plays = match play {
        Play::First => 1,
        Play::Second => 2,
        Play::TwoPass => return rendered(case, settings, progress),
    };
    let mut advance_samples = 0;
    let mut moves = 0;
    'place: loop {
        let mut engine = Engine::new(f64::from(case.sample_rate_hz), case.mix.len())
            .with_context(|| format!("{}: mix.wav", case.name))?;
        let mut worker = Inline::default();
        let latency = engine.latency_samples();
        // What is still inside comes out while the inputs are silent.
        let length = case.num_samples() + latency;
        let backing = moved(&case.backing, -advance_samples, length);
        let (mut signal, mut depths, mut depth) = (Vec::new(), Vec::new(), Depth::default());
        for play_idx in 0..num_plays {
            engine.reset();
            depths.clear();
            depth = Depth::default();
            signal = moved(&case.mix, 0, length);
            for start in (0..length).step_by(BLOCK_SAMPLES) {
                let block = start..length.min(start + BLOCK_SAMPLES);
                let mut in_and_out: Vec<_> =
                    signal.iter_mut().map(|channel| &mut channel[block.clone()]).collect();
                let backing: Vec<_> = backing.iter().map(|channel| &channel[block.clone()]).collect();
                engine.process(&mut in_and_out, &backing, &settings, &mut worker);
                let readings = engine.readings();
                if block.end > latency {
                    depths.push(Reading::new(block.end - latency, readings));
                }
                if block.end > latency + from {
                    depth.take(readings);
                }
                if readings.lock == Lock::TooLate && moves < MAX_MOVES {
                    // As a user does with the clip: earlier by what the engine says, and from the start.
                    advance_samples += readings.late_samples.ceil() as i64;
                    moves += 1;
                    continue 'place;
                }
                let done = f64::from(play_idx) + block.end as f64 / length as f64;
                ensure!(progress(done / f64::from(num_plays)).is_continue(), "{}: stopped", case.name);
            }
        }
        for channel in &mut signal {
            channel.drain(..latency);
        }
        let readings = engine.readings();
        let told = Told {
            delay_samples: readings.delay_samples - advance_samples as f64,
            depths,
            song: depth.over_song(readings),
            causes: readings.causes,
        };
        return Ok((signal, told));
    }
}

/// The same from the case's files in two passes.
fn rendered(case: &Case, settings: Settings, progress: &mut Progress) -> Result<(Vec<Vec<f32>>, Told)> {
    let [mix, backing] = ["mix.wav", "backing.wav"].map(|file| case.folder.join(file));
    let pair = Pair { mix: &mix, backing: &backing, settings };
    let first = learn(&pair, &mut |done| progress(done / 2.0))?;
    let learned = first.as_ref().map(|first| &first.learned);
    let pair = Pair { settings: Settings { hold: true, ..settings }, ..pair };
    let causes = first.as_ref().and_then(Pass::known_causes);
    let (mut signal, mut depths) = (vec![Vec::new(); case.mix.len()], Vec::new());
    let mut depth = Depth::default();
    let pass = subtract(&pair, learned, causes, 0..u64::MAX, &mut |block| {
        signal.iter_mut().zip(block.output).for_each(|(channel, out)| channel.extend_from_slice(out));
        depths.push(Reading::new(signal[0].len(), block.readings));
        depth.take(block.readings);
        tell(progress, 0.5 + block.done / 2.0)
    })?;
    let rate_hz = f64::from(case.sample_rate_hz);
    let sections = sections(&pass.series, case.num_samples() as f64 / rate_hz, rate_hz);
    let learning = first.as_ref().unwrap_or(&pass);
    let told = Told {
        delay_samples: pass.readings.delay_samples,
        depths,
        song: depth.over_files(&pass, learning, &sections),
        causes: learning.readings.causes,
    };
    Ok((signal, told))
}

#[cfg(test)]
mod tests {
    use std::ops::ControlFlow;

    use super::*;
    use crate::metrics::tolerant_sdr::tolerant_sdr_db;
    use minuend_files::{noise::samples, write::write_all};

    const RATE_HZ: u32 = 8_000;
    const SECOND: usize = RATE_HZ as usize;

    /// Writes a case of 14 s: a voice that rests every other second over half the backing, upside down and later.
    pub(super) fn write_case(folder: &Path, delay_samples: i64, meta: &str) {
        let backing = [samples(1, 30 * SECOND)];
        let sung = |(n, x): (usize, f32)| if (n / SECOND).is_multiple_of(2) { 0.5 * x } else { 0.0 };
        let vocal: Vec<f32> = samples(48_271, 14 * SECOND).into_iter().enumerate().map(sung).collect();
        let mut in_mix = moved(&backing, delay_samples, vocal.len());
        in_mix[0].iter_mut().for_each(|x| *x *= -0.5);
        let mix = vocal.iter().zip(&in_mix[0]).map(|(v, b)| v + b).collect();
        fs::create_dir_all(folder).unwrap();
        for (name, signal) in [
            ("mix", vec![mix]),
            ("backing", backing.to_vec()),
            ("vocal", vec![vocal]),
            ("backing_in_mix", in_mix),
        ] {
            write_all(&folder.join(name).with_extension("wav"), RATE_HZ, &signal).unwrap();
        }
        fs::write(folder.join("meta.json"), meta).unwrap();
    }

    fn go_on(_: f64) -> ControlFlow<()> {
        ControlFlow::Continue(())
    }

    /// What `reference/score.py` prints with numpy 2.4.6 and fast_bss_eval 0.1.4 for a delay in samples and a first sample: SI-SDR
    /// of the mix, of its inversion, and by hand, dB.
    const REFERENCE: [(i64, usize, [f64; 3]); 4] = [
        (37, 0, [-2.945_518, -9.906_453, 48.924_005]),
        (37, 6 * SECOND, [-2.929_330, -9.962_638, 48.925_984]),
        (-20_000, 0, [-2.996_871, -9.932_434, 61.755_200]),
        (-20_000, 6 * SECOND, [-3.026_229, -10.062_311, 61.759_219]),
    ];

    /// What needs no engine is known by arithmetic. The engine's own figures are those of the difference that comes with them,
    /// by other formulas; and it must find and null the backing wherever that lies.
    #[test]
    fn scores_a_known_case() {
        let folder = tempfile::tempdir().unwrap();
        for (delay, from, expected) in REFERENCE {
            write_case(folder.path(), delay, "{}");
            let case = Case::load(folder.path()).unwrap();
            let plays = if from > 0 { &[Play::First][..] } else { &[Play::Second, Play::TwoPass] };
            for &play in plays {
                let (score, difference) = score(&case, play, &mut go_on).unwrap();
                let found = [score.mix_sdr_db, score.inversion_sdr_db, score.by_hand_sdr_db];
                for (found, expected) in found.into_iter().zip(expected) {
                    // The script prints six decimals.
                    assert!((found - expected).abs() < 1e-6, "{found}, not {expected}: {score:?}");
                }
                assert_eq!(score.delay_samples.round(), delay as f64, "{score:?}");

                let [found, vocal, backing] =
                    [&difference, &case.vocal, case.backing_in_mix.as_ref().unwrap()]
                        .map(|signal| signal[0].iter().map(|&x| f64::from(x)).collect::<Vec<_>>());
                assert_eq!(found.len(), case.mix[0].len());
                let inner = |a: &[f64], b: &[f64], counts: &dyn Fn(usize) -> bool| -> f64 {
                    (from..a.len()).filter(|&n| counts(n)).map(|n| a[n] * b[n]).sum()
                };
                // SI-SDR from what is wrong: its part along the voice is level, the rest is distortion.
                let all = |_| true;
                let wrong: Vec<_> = found.iter().zip(&vocal).map(|(a, b)| a - b).collect();
                let energy = inner(&vocal, &vocal, &all);
                let along = inner(&wrong, &vocal, &all) / energy;
                let distortion = inner(&wrong, &wrong, &all) - along * along * energy;
                let si_sdr_db = 10.0 * ((1.0 + along).powi(2) * energy / distortion).log10();
                assert!((score.sdr_db - si_sdr_db).abs() < 1e-6, "{si_sdr_db}: {score:?}");
                // In every other second there is no voice, so that all that is left is what was not nulled. In the others it is
                // what the voice is not.
                let sings = |n: usize| (n / SECOND).is_multiple_of(2);
                let rests = |n: usize| !sings(n);
                let depth_db = |left: &[f64], counts: &dyn Fn(usize) -> bool| {
                    10.0 * (inner(&backing, &backing, counts) / inner(left, left, counts)).log10()
                };
                let null_depth_db = depth_db(&found, &rests);
                for (figure, expected) in [
                    (score.null_depth_db, null_depth_db),
                    (score.under_voice.true_db, depth_db(&wrong, &sings)),
                ] {
                    assert!((figure.unwrap() - expected).abs() < 1e-6, "{expected}: {score:?}");
                }
                assert!(si_sdr_db > 25.0 && null_depth_db > 25.0, "{score:?}");
                assert!(score.vocal_loss_db.unwrap() < -25.0, "{score:?}");

                // In 14 s the voice sings for seven, and what it may hide is known once it was heard for four. Of the
                // first play no ten seconds lie within what is scored.
                let told = score.told_depth;
                assert!((told.told > 0.0) == (play != Play::First) && told.wrong == Some(0.0), "{score:?}");
            }
        }
    }

    /// A part that the backing does not have is not scored; nor is the time of learning.
    #[test]
    fn leaves_out_what_has_no_backing() {
        let folder = tempfile::tempdir().unwrap();
        let meta = r#"{"segments": [{"mix_from": 0, "mix_to": 9, "lag": 37}, {"mix_from": 9, "mix_to": 7000, "lag": null}]}"#;
        write_case(folder.path(), 37, meta);
        let case = Case::load(folder.path()).unwrap();
        let scored = case.scored(&case.vocal, 3);
        assert_eq!(scored[0][..6], case.vocal[0][3..9]);
        assert_eq!(scored[0][6..], case.vocal[0][7000..]);
    }

    /// An estimate of the backing is told to the engine.
    #[test]
    fn knows_an_estimated_backing() {
        let folder = tempfile::tempdir().unwrap();
        for (meta, kind) in [("{}", BackingKind::Auto), (r#"{"bleed_db": -15}"#, BackingKind::Estimated)] {
            write_case(folder.path(), 0, meta);
            assert_eq!(Case::load(folder.path()).unwrap().backing_kind, kind);
        }
    }

    /// What does not fit together is refused with its name.
    #[test]
    fn bad_cases_are_refused_by_name() {
        let folder = tempfile::tempdir().unwrap();
        let refused = |what: &str| {
            let error = format!("{:#}", Case::load(folder.path()).err().unwrap());
            assert!(error.contains(what), "{error}");
        };
        refused("mix.wav");
        for (meta, what) in [
            ("", "meta.json: is no JSON"),
            (r#"{"segments": 3}"#, "no list"),
            (r#"{"both_sides": "mix"}"#, "\"both_sides\" must be true or false"),
            (r#"{"segments": [{"lag": null, "mix_from": -1, "mix_to": 2}]}"#, "mix_from"),
            (
                r#"{"segments": [{"lag": null, "mix_from": 5, "mix_to": 112001}]}"#,
                "the segment from 5 to 112001 does not lie within the 112000 samples of mix.wav",
            ),
        ] {
            write_case(folder.path(), 0, meta);
            refused(what);
        }
        write_case(folder.path(), 0, "{}");
        write_all(&folder.path().join("vocal.wav"), RATE_HZ, &[samples(1, SECOND)]).unwrap();
        refused(
            "vocal.wav: has 1 channels of 8000 samples at 8000 Hz, mix.wav has 1 channels of 112000 samples",
        );
        fs::remove_file(folder.path().join("backing_in_mix.wav")).unwrap();
        write_all(&folder.path().join("vocal.wav"), RATE_HZ, &[samples(1, 14 * SECOND)]).unwrap();
        refused("backing_in_mix.wav: ");
        fs::remove_file(folder.path().join("meta.json")).unwrap();
        refused("meta.json: cannot be read");
    }

    /// Of a mastered pair nobody knows the backing in the mix: the voice is held against the true one by the tolerant SDR,
    /// in every play, and what needs that backing stays unknown.
    #[test]
    fn scores_a_mastered_case() {
        let folder = tempfile::tempdir().unwrap();
        write_case(folder.path(), 37, r#"{"both_sides": false}"#);
        fs::remove_file(folder.path().join("backing_in_mix.wav")).unwrap();
        let case = Case::load(folder.path()).unwrap();
        for play in [Play::First, Play::Second, Play::TwoPass] {
            let (score, difference) = score(&case, play, &mut go_on).unwrap();
            let from = if play == Play::First { 6 * SECOND } else { 0 };
            let [vocal, difference] =
                [&case.vocal, &difference].map(|signal| vec![signal[0][from..].to_vec()]);
            assert_eq!(score.measure, Measure::TolerantSdr);
            assert_eq!(score.sdr_db, tolerant_sdr_db(&vocal, &difference, RATE_HZ));
            assert!(score.sdr_db > 25.0 && score.by_hand_sdr_db > 40.0, "{score:?}");
            assert!(score.inversion_sdr_db < score.mix_sdr_db && score.mix_sdr_db < 0.0, "{score:?}");
            assert_eq!((score.null_depth_db, score.vocal_loss_db), (None, None));
            // Nothing was done to the voice, so that what is left beneath it is as far down as in a plain pair.
            assert!((score.under_voice.true_db.unwrap() - score.sdr_db).abs() < 6.0, "{score:?}");
            assert_eq!((score.told_depth.wrong, score.told_depth.true_db), (None, None));
        }
    }

    /// A part that is all learning, or has no backing at all, has no score.
    #[test]
    fn nothing_to_score_is_an_error() {
        let folder = tempfile::tempdir().unwrap();
        write_case(folder.path(), 0, r#"{"segments": [{"mix_from": 0, "mix_to": 112000, "lag": null}]}"#);
        let case = Case::load(folder.path()).unwrap();
        assert!(score(&case, Play::Second, &mut go_on).is_err());
    }
}
