//! The command line of `cargo xtask score`.

use std::{
    fs,
    num::NonZeroUsize,
    path::{Path, PathBuf},
};

use anyhow::{Context, Result, bail, ensure};
use clap::Args;
use minuend_common::words::sentence;
use minuend_files::{
    parallel::{in_parallel, jobs_at_a_time},
    progress::{Bar, Progress},
    write::{AudioWriter, Bits, check_writable, write_file},
};
use serde_json::{Value, json};

use super::{Case, Play, Score, measure::Measure, score};

/// What the command's help says of itself.
const HELP: &str = "\
Every case is played by the plug-in's defaults, except that the low-cut is off: the true vocal is not low-cut. A backing
that is later than the latency covers is moved by what the engine says, as a user would do, and played again. The
differences stand beside the mix as it is, the mix minus the backing as it is (inversion), and what a careful person
reaches with one whole-sample offset and one gain (by hand), each by the measure that fits the pair.

SI-SDR is the measure of a pair whose mix is the sum of its parts. Tolerant SDR is that of a mastered pair, whose voice was
changed by a mastering chain: in every 12 s the true vocal may pass a filter of 512 taps per channel and then a gain that
is smooth over 100 ms, and what is not explained by that counts. The two do not compare, and have means of their own. What
the backing is in a mastered mix is not known, so that its null depth, its vocal loss and how right what was told is are
not either.

The null depth as told is that of the last 10 s, where the voice rests. \"true then\" is the true one of the same 10 s, where
the voice is 30 dB under the backing; both are means, over all readings, of the power of what is left. \"told\" is the part
of the readings that told a depth, \"wrong\" the part that told one which was off by more than 3 dB. \"At least\" is the mean
of those that told only what it is at least, \"too deep\" the part that told one which was more than 3 dB above the truth. A
reading that reaches back to before what is scored does not count. \"Under voice\" is what is told of all that is scored where
the voice sings, as `render` tells it, and \"true there\" the truth of it. In a mastered pair the voice is then taken to be the
true one through a filter and a gain every 5 ms, and the backing to be the rest of the mix.

A case is a folder with:
  mix.wav             the mix
  backing.wav         the backing as it is handed over, of any length
  vocal.wav           the true vocal as it is in the mix
                      (of a mastered pair, as it was before)
  backing_in_mix.wav  the backing as it is in the mix; a mastered pair has none
  meta.json           {}, or what is known of it:
                        \"bleed_db\": any value marks a backing that was estimated from the mix
                        \"segments\": a list; one whose \"lag\" is null has no backing from \"mix_from\" up to
                        \"mix_to\", in samples of the mix, and is not scored
                        \"both_sides\": marks a mastered pair; true if mix and backing were mastered, false if
                        only the mix was";

/// Command line of `score`.
#[derive(Args)]
#[command(after_help = HELP)]
pub struct ScoreArguments {
    /// A folder of cases
    folder: PathBuf,
    /// Which play is scored
    #[arg(long, value_enum, default_value_t)]
    play: Play,
    /// Score what `render` makes of the files in two passes
    #[arg(long, conflicts_with = "play")]
    two_pass: bool,
    /// Score this case only; may be given several times
    #[arg(long, value_name = "NAME")]
    case: Vec<String>,
    /// Folder for the differences, one WAV file a case
    #[arg(long, value_name = "FOLDER")]
    keep: Option<PathBuf>,
    /// Tell for every case what limits the null: depth that alone would leave, worth, in dB
    #[arg(long)]
    causes: bool,
    /// File for the figures, as a JSON list of one object a case
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    /// Replace files that exist
    #[arg(long)]
    force: bool,
    /// Cases at a time [default: one a processor]
    #[arg(long)]
    jobs: Option<NonZeroUsize>,
}

impl ScoreArguments {
    /// Scores, with a progress bar where someone sees it, and prints a table.
    pub fn run(self) -> Result<()> {
        let cases = self.cases()?;
        if let Some(file) = &self.json {
            check_writable(file, self.force)?;
        }
        if let Some(folder) = &self.keep {
            fs::create_dir_all(folder).with_context(|| format!("{}: cannot be made", folder.display()))?;
            for case in &cases {
                check_writable(&kept(folder, case), self.force)?;
            }
        }
        let jobs = jobs_at_a_time(self.jobs);
        let one = |case: &PathBuf, progress: &mut Progress| self.score(case, progress);
        let bar = Bar::new();
        let results = in_parallel(&cases, jobs, &one, &mut |_, _| (), &mut |done| bar.show_all(done))?;
        drop(bar);

        let mut scores = Vec::new();
        for result in results {
            match result {
                Ok(score) => scores.push(score),
                // One bad case does not stop the others.
                Err(error) => eprintln!("error: {error:#}"),
            }
        }
        print!("{}", table(&scores));
        if self.causes {
            print!("{}", causes(&scores));
        }
        if let Some(file) = &self.json {
            write_json(file, &scores, self.force)?;
        }
        let failed = cases.len() - scores.len();
        ensure!(failed == 0, "{failed} of {} cases could not be scored", cases.len());
        Ok(())
    }

    /// The folders of the cases asked for, by name.
    fn cases(&self) -> Result<Vec<PathBuf>> {
        let shown = self.folder.display();
        let entries =
            fs::read_dir(&self.folder).with_context(|| format!("{shown}: cannot be read as a folder"))?;
        let mut cases = Vec::new();
        for entry in entries {
            let case = entry.with_context(|| format!("{shown}: cannot be read"))?.path();
            if case.join("mix.wav").exists() {
                cases.push(case);
            }
        }
        ensure!(!cases.is_empty(), "{shown}: holds no cases, which are folders with a mix.wav");
        if let Some(missing) = self.case.iter().find(|name| !cases.iter().any(|case| case.ends_with(name))) {
            bail!("{shown}: holds no case {missing}");
        }
        cases.retain(|case| self.case.is_empty() || self.case.iter().any(|name| case.ends_with(name)));
        cases.sort();
        Ok(cases)
    }

    fn score(&self, case: &Path, progress: &mut Progress) -> Result<Score> {
        let loaded = Case::load(case)?;
        let (score, difference) =
            score(&loaded, if self.two_pass { Play::TwoPass } else { self.play }, progress)?;
        if let Some(folder) = &self.keep {
            let mut writer = AudioWriter::create(
                &kept(folder, case),
                difference.len(),
                loaded.sample_rate_hz,
                Bits::Float,
                self.force,
            )?;
            writer.write(&difference.iter().map(Vec::as_slice).collect::<Vec<_>>())?;
            writer.finish("the difference of a case that was scored")?;
        }
        Ok(score)
    }
}

/// Where a case's difference is kept.
fn kept(folder: &Path, case: &Path) -> PathBuf {
    let mut name = case.file_name().unwrap_or_default().to_owned();
    name.push(".wav");
    folder.join(name)
}

/// The figures as a table with their means.
fn table(scores: &[Score]) -> String {
    // Adding zero takes the sign off a negative one.
    let rounded = |value: f64| (value * 10.0).round() / 10.0 + 0.0;
    let cell = |value: Option<f64>| value.map_or("-".to_owned(), |value| format!("{:.1}", rounded(value)));
    let line = |name: &str, measure: &str, cells: &[String]| {
        let cells: String = cells.iter().map(|cell| format!("{cell:>12}")).collect();
        format!("{name:<28}{measure:<12}{cells}\n")
    };
    type Figure = fn(&Score) -> Option<f64>;
    let columns: [(&str, Figure); 15] = [
        ("mix", |score| Some(score.mix_sdr_db)),
        ("inversion", |score| Some(score.inversion_sdr_db)),
        ("by hand", |score| Some(score.by_hand_sdr_db)),
        ("difference", |score| Some(score.sdr_db)),
        ("null depth", |score| score.null_depth_db),
        ("as told", |score| score.told_depth.told_db),
        ("true then", |score| score.told_depth.true_db),
        ("told, %", |score| Some(100.0 * score.told_depth.told)),
        ("wrong, %", |score| score.told_depth.wrong.map(|part| 100.0 * part)),
        ("at least", |score| score.told_depth.at_least_db),
        ("too deep, %", |score| score.told_depth.too_deep.map(|part| 100.0 * part)),
        ("under voice", |score| score.under_voice.told.map(|told| told.depth_db.into())),
        ("true there", |score| score.under_voice.true_db),
        ("vocal loss", |score| score.vocal_loss_db),
        ("delay", |score| Some(score.delay_samples)),
    ];
    let mut table =
        "SDR by the measure named, null depth (true; as told, and true of the same seconds) and vocal loss in dB, delay in \
         samples\n"
            .to_owned();
    table += &line("", "measure", &columns.map(|(name, _)| name.to_owned()));
    for score in scores {
        let cells = columns.map(|(_, figure)| cell(figure(score)));
        table += &line(&score.case, &score.measure.to_string(), &cells);
    }
    // A mean delay says nothing.
    let figures = columns.split_last().map_or(&[][..], |(_, figures)| figures);
    for measure in Measure::ALL {
        let measured: Vec<_> = scores.iter().filter(|score| score.measure == measure).collect();
        if measured.is_empty() {
            continue;
        }
        let means = figures.iter().map(|(_, figure)| {
            let known: Vec<f64> = measured.iter().filter_map(|score| figure(score)).collect();
            cell((!known.is_empty()).then(|| known.iter().sum::<f64>() / known.len() as f64))
        });
        table += &line("mean", &measure.to_string(), &means.collect::<Vec<_>>());
    }
    let counts = |scores: &[&Score], is_right: fn(&Score) -> Option<bool>| {
        let count = |right| scores.iter().filter(|score| is_right(score) == right).count();
        format!("{}, further off: {}, not told: {}", count(Some(true)), count(Some(false)), count(None))
    };
    let all: Vec<_> = scores.iter().collect();
    let plain: Vec<_> = all.iter().copied().filter(|score| score.told_depth.wrong.is_some()).collect();
    let holds = scores.iter().filter_map(|score| score.under_voice.holds());
    table
        + &format!("null depth told within 3 dB: {}\n", counts(&plain, |score| score.told_depth.is_right()))
        + &format!(
            "null depth under the voice told within 3 dB: {}; its range holds the truth: {} of {}\n",
            counts(&all, |score| score.under_voice.is_right()),
            holds.clone().filter(|&holds| holds).count(),
            holds.count()
        )
}

/// What limits the null, case by case.
fn causes(scores: &[Score]) -> String {
    let mut text =
        "What limits the null: null depth that this alone would leave, and what it is worth, in dB\n"
            .to_owned();
    for score in scores {
        let mut name = score.case.as_str();
        if score.causes.first().is_none() {
            text += &format!("{name:<28}nothing\n");
        }
        for cause in score.causes.iter() {
            text +=
                &format!("{name:<28}{:>7.1}{:>7.1}  {}\n", cause.depth_db, cause.worth_db, sentence(cause));
            name = "";
        }
    }
    text
}

/// Writes the figures; what has no finite value becomes null.
fn write_json(file: &Path, scores: &[Score], overwrite: bool) -> Result<()> {
    let object = |score: &Score| {
        let by = |measure, sdr_db: f64| (score.measure == measure).then_some(sdr_db);
        let si_sdr = |sdr_db| by(Measure::SiSdr, sdr_db);
        let tolerant_sdr = |sdr_db| by(Measure::TolerantSdr, sdr_db);
        json!({
            "case": score.case,
            "si_sdr_db": si_sdr(score.sdr_db),
            "tolerant_sdr_db": tolerant_sdr(score.sdr_db),
            "null_depth_db": score.null_depth_db,
            "told_null_depth_db": score.told_depth.told_db,
            "true_then_null_depth_db": score.told_depth.true_db,
            "told": score.told_depth.told,
            "told_wrong": score.told_depth.wrong,
            "null_depth_at_least_db": score.told_depth.at_least_db,
            "told_at_least": score.told_depth.at_least,
            "told_too_deep": score.told_depth.too_deep,
            "under_voice_db": score.under_voice.told.map(|told| told.depth_db),
            "under_voice_range_db": score.under_voice.told.map(|told| [told.from_db, told.to_db]),
            "true_under_voice_db": score.under_voice.true_db,
            "vocal_loss_db": score.vocal_loss_db,
            "mix_si_sdr_db": si_sdr(score.mix_sdr_db),
            "mix_tolerant_sdr_db": tolerant_sdr(score.mix_sdr_db),
            "inversion_si_sdr_db": si_sdr(score.inversion_sdr_db),
            "inversion_tolerant_sdr_db": tolerant_sdr(score.inversion_sdr_db),
            "by_hand_si_sdr_db": si_sdr(score.by_hand_sdr_db),
            "by_hand_tolerant_sdr_db": tolerant_sdr(score.by_hand_sdr_db),
            "delay_samples": score.delay_samples,
            "causes": score.causes.iter().map(sentence).collect::<Vec<_>>(),
        })
    };
    let text = format!("{:#}\n", scores.iter().map(object).collect::<Value>());
    write_file(file, text.as_bytes(), overwrite)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::score::{tests::write_case, told_depth::ToldDepth, under_voice::UnderVoice};

    #[derive(clap::Parser)]
    struct Line {
        #[command(flatten)]
        score: ScoreArguments,
    }

    fn run(line: &[&dyn AsRef<std::ffi::OsStr>]) -> Result<()> {
        let words = line.iter().map(|word| word.as_ref().to_owned());
        <Line as clap::Parser>::parse_from(std::iter::once("score".into()).chain(words)).score.run()
    }

    /// Figures and differences are written, a bad case does not keep the others from it, and nothing is overwritten
    /// unasked.
    #[test]
    fn writes_figures_and_differences() {
        let folder = tempfile::tempdir().unwrap();
        let [cases, kept, json] = ["cases", "kept", "figures.json"].map(|name| folder.path().join(name));
        write_case(&cases.join("good"), 37, "{}");
        write_case(&cases.join("mastered"), 0, r#"{"both_sides": true}"#);
        write_case(&cases.join("worse"), 0, "no JSON");
        let error = run(&[&cases, &"--keep", &kept, &"--json", &json, &"--jobs", &"2"]).unwrap_err();
        assert_eq!(error.to_string(), "1 of 3 cases could not be scored");
        let figures: Value = serde_json::from_str(&fs::read_to_string(&json).unwrap()).unwrap();
        assert_eq!(figures.as_array().unwrap().len(), 2);
        for (case, [name, figure, other]) in [
            (&figures[0], ["good", "si_sdr_db", "tolerant_sdr_db"]),
            (&figures[1], ["mastered", "tolerant_sdr_db", "si_sdr_db"]),
        ] {
            assert_eq!((&case["case"], &case[other]), (&json!(name), &Value::Null));
            for of in ["", "mix_", "inversion_", "by_hand_"] {
                assert_eq!(case[format!("{of}{other}")], Value::Null);
                assert!(case[format!("{of}{figure}")].is_f64(), "{figures}");
            }
            assert!(case[figure].as_f64().unwrap() > 25.0, "{figures}");
        }
        let (difference, rate_hz) = minuend_files::read::read_all(&kept.join("good.wav")).unwrap();
        assert_eq!((difference.len(), difference[0].len(), rate_hz), (1, 112_000, 8_000));

        let again = |more: &[&dyn AsRef<std::ffi::OsStr>]| {
            run(&[&[&cases as &dyn AsRef<std::ffi::OsStr>, &"--case", &"good", &"--play", &"first"], more]
                .concat())
        };
        for refused in [again(&[&"--json", &json]), again(&[&"--keep", &kept])] {
            assert!(refused.unwrap_err().to_string().contains("exists already"));
        }
        again(&[&"--json", &json, &"--keep", &kept, &"--force"]).unwrap();
    }

    /// A folder without cases, and a case that is not there, are named.
    #[test]
    fn missing_cases_are_named() {
        let folder = tempfile::tempdir().unwrap();
        let no_cases = run(&[&folder.path()]).unwrap_err().to_string();
        assert!(no_cases.contains("holds no cases"), "{no_cases}");
        write_case(&folder.path().join("good"), 37, "{}");
        let no_case = run(&[&folder.path(), &"--case", &"goo"]).unwrap_err().to_string();
        assert!(no_case.contains("holds no case goo"), "{no_case}");
    }

    /// The mean is that of the cases which have the figure, and by one measure.
    #[test]
    fn means_leave_out_what_is_unknown() {
        let score = |measure, sdr_db, null_depth_db, wrong| Score {
            case: "case".to_owned(),
            measure,
            sdr_db,
            null_depth_db,
            vocal_loss_db: None,
            mix_sdr_db: -0.01,
            inversion_sdr_db: 0.0,
            by_hand_sdr_db: 0.0,
            delay_samples: 0.0,
            told_depth: ToldDepth { wrong, too_deep: wrong, ..ToldDepth::default() },
            under_voice: UnderVoice::default(),
            causes: minuend_engine::Causes::default(),
        };
        let plain = |sdr_db, null_depth_db| score(Measure::SiSdr, sdr_db, null_depth_db, Some(0.0));
        let mastered = score(Measure::TolerantSdr, 50.0, None, None);
        let table = table(&[plain(20.0, Some(31.0)), mastered, plain(30.0, None)]);
        let lines: Vec<_> =
            table.lines().rev().map(|line| line.split_whitespace().collect::<Vec<_>>().join(" ")).collect();
        let under_voice = "null depth under the voice told within 3 dB: 0, further off: 0, not told: 3; its range holds the truth: 0 of 0";
        assert_eq!(lines[0], under_voice);
        assert_eq!(lines[1], "null depth told within 3 dB: 0, further off: 0, not told: 2");
        assert_eq!(lines[2], "mean tolerant SDR 0.0 0.0 0.0 50.0 - - - 0.0 - - - - - -");
        assert_eq!(lines[3], "mean SI-SDR 0.0 0.0 0.0 25.0 31.0 - - 0.0 0.0 - 0.0 - - -");
        assert_eq!(lines[5], "case tolerant SDR 0.0 0.0 0.0 50.0 - - - 0.0 - - - - - - 0.0");
    }
}
