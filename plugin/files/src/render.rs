//! Mix minus backing from files to a file, through the plug-in's own engine.

use std::{ops::Range, path::Path};

use anyhow::{Result, bail, ensure};
use minuend_engine::{Lock, Misfit, Settings, settings::Listen};

use crate::{
    ending::{Ending, NOT_FOUND},
    origin::origin,
    outputs::{check_outputs, same_file},
    parts::{PartFiles, Sum},
    passes::{
        Block, Pair, Pass,
        depth::Depth,
        learn,
        sections::{Section, State, sections},
        subtract,
    },
    progress::{Progress, tell},
    read::{AudioReader, is_silent},
    rendered::Rendered,
    report::{Findings, Spectra, page},
    request::{Passes, Render},
    write::{AudioWriter, Container, NewFolders, write_file},
};

/// Further apart than this no two clocks are, parts in a million: crystals keep to 100 either way (common practice, no source).
const CLOCKS_PPM: f64 = 300.0;

/// Renders one song. `progress` is told how much is done, 0 to 1, and can break off.
///
/// The output begins and ends with the mix, or with the part of it that is wanted. Files appear whole, or not at all; so do
/// the folders for them.
pub fn render(request: &Render, progress: &mut Progress) -> Result<Rendered> {
    check_names(request)?;
    let _folders = NewFolders::for_files(request.outputs())?;
    check_outputs(
        &request.outputs().collect::<Vec<_>>(),
        &request.inputs().collect::<Vec<_>>(),
        request.overwrite,
    )?;
    let inputs = check_inputs(request)?;
    let rate_hz = inputs.rates_hz[0];
    let num_passes = request.num_passes();
    let mut passed = 0.0;
    let parts = if request.is_of_parts() {
        let sum = Sum::of(request, &mut |done| progress(done / num_passes as f64))?;
        passed += 1.0;
        Some(sum)
    } else {
        None
    };
    let backing = parts.as_ref().map_or_else(|| request.backing[0].clone(), Sum::path);
    let pair = Pair { mix: &request.mix, backing: &backing, settings: request.settings };
    let [from, to] =
        [request.part_s.start, request.part_s.end].map(|s| (s * f64::from(rate_hz)).round() as u64);

    let settings = Settings { hold: request.passes != Passes::One, ..pair.settings };
    let mut first = None;
    let start = match &request.passes {
        Passes::Two => {
            first = learn(&pair, &mut |done| progress((passed + done) / num_passes as f64))?;
            passed += 1.0;
            if first.is_none() && settings.listen != Listen::Mix {
                return Err(not_found(request));
            }
            first.as_ref().map(|first| first.learned.clone())
        }
        Passes::One => None,
        Passes::Held(learned) => {
            let learned_hz = learned.found.sample_rate_hz;
            ensure!(
                learned_hz == f64::from(rate_hz),
                "{}: has {rate_hz} Hz, but the match was learned at {learned_hz} Hz; learn it anew from this file",
                request.mix.display()
            );
            ensure!(
                learned.parts.is_none() || request.is_of_parts(),
                "the match was learned with a backing in parts; name these parts, or leave out --match"
            );
            Some((**learned).clone())
        }
    };
    let mut spectra = request.report.is_some().then(|| Spectra::new(inputs.channels));
    let causes = first.as_ref().and_then(Pass::known_causes);
    let mut depth = Depth::default();
    let mut write = |out: &Path,
                     listen: Listen,
                     see: &mut dyn FnMut(&Block) -> Result<()>|
     -> Result<(Pass, AudioWriter)> {
        let pair = Pair { settings: Settings { listen, ..settings }, ..pair };
        let mut writer =
            AudioWriter::create(out, inputs.channels[0], rate_hz, request.bits, request.overwrite)?;
        let pass = subtract(&pair, start.as_ref(), causes, from..to, &mut |block| {
            writer.write(block.output)?;
            see(&block)?;
            tell(progress, (passed + block.done) / num_passes as f64)
        })?;
        passed += 1.0;
        Ok((pass, writer))
    };
    let (pass, writer) = write(&request.out, settings.listen, &mut |block| {
        depth.take(block.readings);
        if let Some(spectra) = &mut spectra {
            spectra.add(block);
        }
        Ok(())
    })?;
    // What was searched and studied was in the pass that learned, and that went over all of the files.
    let learning = first.as_ref().unwrap_or(&pass);
    let num_samples = learning.num_samples.min(to).saturating_sub(from);
    ensure!(
        num_samples > 0,
        "{}: ends at {:.3} s, before the part from {:.3} s on; choose an earlier part",
        request.mix.display(),
        learning.num_samples as f64 / f64::from(rate_hz),
        request.part_s.start
    );
    let late_s = match pass.readings.lock {
        Lock::TooLate => pass.readings.late_samples / f64::from(rate_hz),
        _ => 0.0,
    };
    let sections = sections(&pass.series, (from + num_samples) as f64 / f64::from(rate_hz), rate_hz.into());
    if settings.listen != Listen::Mix
        && let Some(misfit) = misfit(&pass, &sections, &settings)
    {
        return Err(no_match(request, misfit, pass.drift_ppm, late_s));
    }
    let mut part_files = match &parts {
        Some(sum) if !request.part_files.is_empty() => {
            let delay_samples = pass.readings.delay_samples.round() as i64;
            Some(PartFiles::create(request, &sum.fit, delay_samples, from, (rate_hz, inputs.channels[0]))?)
        }
        _ => None,
    };
    let also = match &request.matched_backing {
        Some(out) => {
            let mut split =
                |block: &Block| part_files.as_mut().map_or(Ok(()), |files| files.take(block.output));
            Some(write(out, Listen::Backing, &mut split)?.1)
        }
        None => None,
    };

    let mut rendered = Rendered {
        sample_rate_hz: rate_hz,
        num_samples,
        delay_samples: pass.readings.delay_samples,
        drift_ppm: pass.drift_ppm,
        inverted: pass.readings.inverted,
        backing_kind: pass.readings.backing_kind,
        depth: depth.over_files(&pass, learning, &sections),
        sections,
        also_at: learning.also_at.clone(),
        late_s,
        bad_samples: learning.readings.bad_samples,
        clipped_samples: 0,
        causes: learning.causes.clone(),
        left_db: left_db(&pass),
        parts: Vec::new(),
        learned: learning.learned.clone(),
    };
    if let Some(sum) = parts {
        rendered.bad_samples = rendered.bad_samples.max(sum.bad_samples);
        rendered.parts = sum.taken(&rendered);
        rendered.learned.parts = Some(sum.fit.clone());
    }
    let of = format!("{}: {}", origin(request), rendered.describe());
    rendered.clipped_samples = writer.finish(&of)?;
    if let Some(also) = also {
        rendered.clipped_samples += also.finish(&format!("matched backing; {of}"))?;
    }
    if let Some(files) = part_files {
        rendered.clipped_samples += files.finish(&of)?;
    }
    if let (Some(file), Some(spectra)) = (&request.report, &spectra) {
        let findings = Findings {
            request,
            rendered: &rendered,
            rates_hz: &inputs.rates_hz,
            series: &pass.series,
            looking: &learning.series,
            spectra,
        };
        write_file(file, page(&findings).as_bytes(), request.overwrite)?;
    }
    if let Some(file) = &request.save_match {
        rendered.learned.save(file, request.overwrite)?;
    }
    Ok(rendered)
}

/// How loud what is left is against the mix, dB.
fn left_db(pass: &Pass) -> f64 {
    let energies = pass.series.energies();
    10.0 * (energies.difference().max(0.0) / energies.mix.max(f64::MIN_POSITIVE)).log10()
}

/// The error of a backing that was not found.
pub fn not_found(request: &Render) -> anyhow::Error {
    let message = match &request.backing[..] {
        [one] => format!(
            "{}: was not found in {}; check that both are the same song from the same master",
            one.display(),
            request.mix.display()
        ),
        _ => format!(
            "{}: none of the parts was found in it, nor their sum; check that they are of this song, from the same master",
            request.mix.display()
        ),
    };
    Ending::new(NOT_FOUND, message).into()
}

/// Of a song in which claims are false this much longer than they are confirmed, nothing is a match. An arrangement that has a
/// part of its own is false for as long as that lasts, and true before and after.
const FALSE_OVER_TRUE: f64 = 2.0;
/// The same where a model of the dynamics is in force, whose gains hide what the backing holds more: one of swapped files was false
/// for 5 s of 10. Of five masters and ten pieces of them none was false for a moment.
const FALSE_OVER_TRUE_BY_MODEL: f64 = 0.5;

/// Why what was subtracted is no match: by its energies, or since the mix does not hold what the backing claims of it. Bars that
/// come again share their drums, and nothing else.
fn misfit(pass: &Pass, sections: &[Section], settings: &Settings) -> Option<Misfit> {
    let by_model = !pass.learned.found.dynamics.is_none();
    let is_false = !settings.are_by_hand() && claims_are_false(sections, by_model);
    pass.series.energies().misfit().or(is_false.then_some(Misfit::Foreign))
}

fn claims_are_false(sections: &[Section], by_model: bool) -> bool {
    let false_s: f64 = sections.iter().filter(|s| s.state == State::HoldsMore).map(Section::length_s).sum();
    let true_s: f64 = sections.iter().map(|section| section.confirmed_s).sum();
    let most = if by_model { FALSE_OVER_TRUE_BY_MODEL } else { FALSE_OVER_TRUE };
    // What shares its drums with the mix takes little, and little is false: but nothing is confirmed, either.
    true_s == 0.0 || false_s > most * true_s
}

/// The error of a match that is none.
fn no_match(request: &Render, misfit: Misfit, drift_ppm: f64, late_s: f64) -> anyhow::Error {
    let mix = request.mix.display();
    let backing = match &request.backing[..] {
        [one] => one.display().to_string(),
        [first, ..] => format!("{} and the other parts", first.display()),
        [] => String::new(),
    };
    let message = match misfit {
        Misfit::Swapped => format!(
            "{mix} and {backing} look swapped: what is called the backing holds more than the mix; name the full mix first"
        ),
        _ if matches!(request.passes, Passes::Held(_)) => format!(
            "the match that was kept does not fit {mix} and {backing}: what it takes away is not in the mix; \
             leave out --match, or choose the match of this song"
        ),
        _ if late_s > 0.0 => format!(
            "{backing}: begins {late_s:.3} s too late for one pass; leave out --one-pass, or let its file begin that much earlier"
        ),
        _ if drift_ppm.abs() > CLOCKS_PPM => format!(
            "{backing}: is not the recording that {mix} was made with: its speed is another one, by {drift_ppm:.0} parts \
             in a million or more, and clocks differ by less than {CLOCKS_PPM:.0}; look for one that was neither stretched nor tuned"
        ),
        _ => return not_found(request),
    };
    Ending::new(NOT_FOUND, message).into()
}

/// Refuses names that promise another format than what is written.
fn check_names(request: &Render) -> Result<()> {
    for out in std::iter::once(&request.out).chain(&request.matched_backing).chain(&request.part_files) {
        Container::of(out)?.check(out, request.bits)?;
    }
    Ok(())
}

/// What is known of the files.
struct Inputs {
    /// Sample rates, mix first, Hz.
    rates_hz: Vec<u32>,
    /// Channels of the mix, and of the backing or of the sum of its parts.
    channels: [usize; 2],
}

/// Refuses files that cannot be worked on, before the work.
fn check_inputs(request: &Render) -> Result<Inputs> {
    let mix = AudioReader::open(&request.mix)?;
    let mut rates_hz = vec![mix.sample_rate_hz()];
    let mut num_channels = mix.num_channels();
    for path in &request.backing {
        let backing = AudioReader::open(path)?;
        ensure!(
            !same_file(&request.mix, path),
            "{}: is named as the mix and as the backing, which leaves nothing; name two files",
            request.mix.display()
        );
        // Refused if its rate cannot be brought to that of the mix.
        AudioReader::open_at(path, mix.sample_rate_hz())?;
        rates_hz.push(backing.sample_rate_hz());
        if !request.is_of_parts() {
            num_channels = backing.num_channels();
        }
    }
    let silent = |what: &str| Ending::new(NOT_FOUND, what.to_owned());
    ensure!(
        !is_silent(&request.mix)?,
        silent(&format!("{}: is silent; name a mix that can be heard", request.mix.display()))
    );
    let mut is_heard = false;
    for path in &request.backing {
        is_heard = is_heard || !is_silent(path)?;
    }
    if let ([first, others @ ..], false) = (&request.backing[..], is_heard) {
        let what = if others.is_empty() { "is silent" } else { "is silent, and so are the other parts" };
        bail!(silent(&format!("{}: {what}; name a backing that can be heard", first.display())));
    }
    let Range { start, end } = request.part_s;
    ensure!(
        start >= 0.0 && (end - start) * f64::from(mix.sample_rate_hz()) >= 1.0,
        "the part from {start:.3} s to {end:.3} s is empty; let --to lie behind --from"
    );
    Ok(Inputs { rates_hz, channels: [mix.num_channels(), num_channels] })
}

#[cfg(test)]
mod tests {
    use std::ops::ControlFlow;

    use super::*;
    use crate::{noise::samples, read::read_all, write::write_all};

    const RATE_HZ: u32 = 8_000;

    /// A part of its own, as long as what is known to be of the song, is no other song; but gains that are told by a model hide
    /// half of what the backing holds more.
    #[test]
    fn a_model_must_not_hide_what_the_backing_holds() {
        let section =
            |state, confirmed_s| Section { range_s: (0.0, 5.0), state, delay_samples: 0.0, confirmed_s };
        let song = [section(State::HoldsMore, 0.0), section(State::Subtracted, 5.0)];
        assert_eq!([false, true].map(|by_model| claims_are_false(&song, by_model)), [false, true]);
        assert!(!claims_are_false(&song[1..], true) && claims_are_false(&song[..1], false));
        // Nothing is false, and nothing is known to be of the song.
        assert!(claims_are_false(&[section(State::Nothing, 0.0), section(State::Subtracted, 0.0)], false));
    }

    /// Whatever the distance between the starts, the backing goes: nearer than the engine looks, later than its
    /// latency covers, and further away than it looks on either side.
    #[test]
    fn any_distance_is_bridged() {
        let song = samples(1, 12 * RATE_HZ as usize);
        let silence = |samples: i64| vec![0.0; samples.max(0) as usize];
        let folder = tempfile::tempdir().unwrap();
        let [mix, backing, out] = ["mix.wav", "backing.wav", "out.wav"].map(|name| folder.path().join(name));
        for delay in [0, 4_000, -12_345, 100_000, -100_000] {
            let in_mix = [silence(delay), song.clone()].concat();
            write_all(&mix, RATE_HZ, std::slice::from_ref(&in_mix)).unwrap();
            write_all(&backing, RATE_HZ, &[[silence(-delay), song.clone()].concat()]).unwrap();
            let request = Render { overwrite: true, ..Render::new(&mix, &backing, &out) };
            let rendered = render(&request, &mut |_| ControlFlow::Continue(())).unwrap();
            assert!((rendered.delay_samples - delay as f64).abs() < 0.1, "{}", rendered.delay_samples);
            let (left, _) = read_all(&out).unwrap();
            assert_eq!(left[0].len(), in_mix.len());
            let energy = |signal: &[f32]| signal.iter().map(|x| x * x).sum::<f32>();
            // The first moments of a song may pass while the recalled place is confirmed; all the rest goes.
            let rest = &left[0][left[0].len() - 10 * RATE_HZ as usize..];
            let down_db = 10.0 * (energy(rest) / energy(&song)).log10();
            assert!(down_db < -60.0, "{down_db} dB left at {delay}");
        }
    }

    /// Four seconds of a song that has a verse twice, with more over it the second time: beyond the engine's reach, and not clear.
    #[test]
    fn a_piece_of_a_song_that_repeats_is_found_in_it() {
        let seconds = |s: usize| s * RATE_HZ as usize;
        let (verse, voice) = (samples(1, seconds(4)), samples(77_777, seconds(4)));
        let mut song: Vec<f32> = samples(48_271, seconds(32)).iter().map(|x| 0.7 * x).collect();
        for from in [12, 20].map(seconds) {
            song[from..].iter_mut().zip(&verse).for_each(|(x, verse)| *x += verse);
        }
        let piece = song[seconds(20)..].iter().zip(&voice).map(|(x, voice)| 0.5 * x + 0.2 * voice).collect();
        let folder = tempfile::tempdir().unwrap();
        let [mix, backing, out] = ["mix.wav", "backing.wav", "out.wav"].map(|name| folder.path().join(name));
        write_all(&backing, RATE_HZ, &[song]).unwrap();
        write_all(&mix, RATE_HZ, &[piece]).unwrap();
        let rendered =
            render(&Render::new(&mix, &backing, &out), &mut |_| ControlFlow::Continue(())).unwrap();
        assert_eq!(rendered.delay_samples.round(), -160_000.0);
    }

    /// The same tones by formula at two rates: the backing is brought to that of the mix, in its place and at its level.
    #[test]
    fn rates_are_brought_together() {
        const SECONDS: u32 = 12;
        let folder = tempfile::tempdir().unwrap();
        let [mix, backing, out] = ["mix.wav", "backing.wav", "out.wav"].map(|name| folder.path().join(name));
        // Tones at random below 2.5 kHz, in short notes, as music for the search.
        let random = samples(7, 3 * 400);
        let song = |rate_hz: u32, later_s: f64| -> Vec<f32> {
            let mut song = vec![0.0; (SECONDS * rate_hz) as usize];
            for note in random.chunks(3) {
                let [begin_s, hz, level] = [note[0] + 0.5, note[1] + 0.5, note[2]].map(f64::from);
                let (begin_s, hz) = (begin_s * f64::from(SECONDS - 1) + later_s, 60.0 + 2440.0 * hz);
                let first = (begin_s * f64::from(rate_hz)).ceil() as usize;
                let last = ((begin_s + 0.3) * f64::from(rate_hz)) as usize;
                for (n, x) in song.iter_mut().enumerate().take(last).skip(first) {
                    let t = n as f64 / f64::from(rate_hz) - begin_s;
                    let fade = (std::f64::consts::PI * t / 0.3).sin().powi(2);
                    *x += (0.1 * level * fade * (std::f64::consts::TAU * hz * t).sin()) as f32;
                }
            }
            song
        };
        let energy = |signal: &[f32]| signal.iter().map(|x| x * x).sum::<f32>();
        for (mix_hz, backing_hz) in [(8_000, 11_025), (8_000, 6_000)] {
            let in_mix = song(mix_hz, 0.05);
            write_all(&mix, mix_hz, std::slice::from_ref(&in_mix)).unwrap();
            write_all(&backing, backing_hz, &[song(backing_hz, 0.0)]).unwrap();
            let request = Render { overwrite: true, ..Render::new(&mix, &backing, &out) };
            let rendered = render(&request, &mut |_| ControlFlow::Continue(())).unwrap();
            assert_eq!(rendered.sample_rate_hz, mix_hz);
            let delay_samples = 0.05 * f64::from(mix_hz);
            assert!((rendered.delay_samples - delay_samples).abs() < 0.05, "{}", rendered.delay_samples);
            let (left, found_hz) = read_all(&out).unwrap();
            assert_eq!((left[0].len(), found_hz), (in_mix.len(), mix_hz));
            // As above, but for the first moments.
            let rest = 2 * mix_hz as usize;
            let down_db = 10.0 * (energy(&left[0][rest..]) / energy(&in_mix[rest..])).log10();
            assert!(down_db < -60.0, "{down_db} dB left with {mix_hz} and {backing_hz} Hz");
        }
    }
}
