//! Rendering from files against the plug-in in a host, and against bad files.

use std::fs;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use flac_codec::encode::{FlacSampleWriter, Options};
use minuend_engine::Settings;
use minuend_engine::settings::{BackingKind, Follow, Slope, Tone};
use minuend_files::read::read_all;
use minuend_files::write::{Bits, write_all};
use minuend_files::{Passes, Render, Rendered, render};
use tempfile::TempDir;

use crate::host::Plugin;
use crate::signals::{Audio, RATE_HZ, Song, assert_same, difference, join, level_db, part, scale, silence};

const RATE: u32 = RATE_HZ as u32;

fn folder() -> TempDir {
    tempfile::tempdir().expect("a temporary folder")
}

fn request(folder: &Path, mix: &Path, backing: &Path) -> Render {
    Render::new(mix, backing, folder.join("difference.wav"))
}

fn run(request: &Render) -> anyhow::Result<Rendered> {
    render(request, &mut |_| ControlFlow::Continue(()))
}

fn song_files(folder: &Path, song: &Song) -> (PathBuf, PathBuf) {
    let (mix, backing) = (folder.join("mix.wav"), folder.join("backing.wav"));
    write_all(&mix, RATE, &song.mix).expect("the mix is written");
    write_all(&backing, RATE, &song.backing).expect("the backing is written");
    (mix, backing)
}

/// Names of everything in a folder, hidden files too.
fn listing(folder: &Path) -> Vec<String> {
    let mut names: Vec<_> = fs::read_dir(folder)
        .expect("the folder is there")
        .map(|entry| entry.expect("it can be listed").file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

/// Two plays in a host, the second with the match of the first held, are what two passes over files are.
#[test]
fn a_render_is_the_bounce_bit_for_bit() {
    let song = Song::new(2, 6.0, RATE_HZ, 1_234, -0.8);
    let cases: [(Settings, &[(&str, &str)]); 2] = [
        (Settings::default(), &[]),
        (
            Settings {
                trim_db: 0.25,
                nudge_samples: -0.5,
                follow: Follow::Level,
                tone: Tone::PerSide,
                cleanup_percent: 80.0,
                low_cut_hz: 120.0,
                slope: Slope::Db48,
                output_db: -3.0,
                backing_kind: BackingKind::Estimated,
                ..Settings::default()
            },
            &[
                ("trim", "0.25 dB"),
                ("nudge", "-0.5"),
                ("follow", "Level"),
                ("tone", "Per side"),
                ("cleanup", "80 %"),
                ("lowcut", "120 Hz"),
                ("slope", "48 dB/oct"),
                ("output", "-3 dB"),
                ("backing_kind", "Estimated"),
            ],
        ),
    ];
    for (settings, typed) in cases {
        let folder = folder();
        let (mix, backing) = song_files(folder.path(), &song);
        let request = Render { settings, ..request(folder.path(), &mix, &backing) };
        let rendered = run(&request).expect("the song is rendered");
        let (found, rate) = read_all(&request.out).expect("the output can be read");
        assert_eq!((rate, rendered.sample_rate_hz), (RATE, RATE));

        let mut first = Plugin::playing(typed);
        // Files are read in whole blocks of 4096, the last filled up with silence, until the latency is through.
        let length = song.mix[0].len() + first.host.latency_samples();
        let rest = silence(2, length.next_multiple_of(4_096) - song.mix[0].len());
        first.play(&join(&[&song.mix, &rest]), &song.backing);
        let bounce = Plugin::recalled(&first.state(), &[("hold", "On")]).bounce(&song.mix, &song.backing);
        assert_same(&found, &bounce, &format!("rendered with {typed:?}"));
        let change_db = level_db(&difference(&found, &song.mix)) - level_db(&song.mix);
        assert!(change_db > -10.0, "nothing was subtracted, so nothing is tested: {change_db:.1} dB");
    }
}

/// One pass, knowing nothing, is the first play in a host.
#[test]
fn one_pass_is_what_the_plug_in_plays() {
    let song = Song::new(2, 6.0, RATE_HZ, 1_234, -0.8);
    let folder = folder();
    let (mix, backing) = song_files(folder.path(), &song);
    let request = Render { passes: Passes::One, ..request(folder.path(), &mix, &backing) };
    run(&request).expect("the song is rendered");
    let (found, _) = read_all(&request.out).expect("the output can be read");
    let bounce = Plugin::playing(&[]).bounce(&song.mix, &song.backing);
    assert_same(&found, &bounce, "one pass");
    let tail = |audio: &Audio| part(audio, 200_000, audio[0].len());
    let change_db = level_db(&tail(&difference(&found, &song.mix))) - level_db(&tail(&song.mix));
    assert!(change_db > -10.0, "nothing was subtracted, so nothing is tested: {change_db:.1} dB");
}

/// What a host cannot do, a file can: start the backing earlier.
#[test]
fn a_late_backing_is_moved_and_nulls() {
    let delay = -60_000;
    let song = Song::new(2, 8.0, RATE_HZ, delay, -1.0);
    let folder = folder();
    let (mix, backing) = song_files(folder.path(), &song);
    let plain = Settings { slope: Slope::Off, ..Settings::default() };
    let request = Render { settings: plain, ..request(folder.path(), &mix, &backing) };
    let rendered = run(&request).expect("the song is rendered");
    assert_eq!((rendered.delay_samples.round() as i64, rendered.inverted), (delay, true));
    let (out, _) = read_all(&request.out).expect("the output can be read");
    // From the first bars, learned in the first pass, to where the backing's file runs out.
    let [rest, backing] = [difference(&out, &song.voice), song.backing_in_mix]
        .map(|audio| level_db(&part(&audio, 24_000, audio[0].len() - 70_000)));
    // A copy, so rounding alone should be left; -80 dB is what the design asks of it.
    assert!(rest - backing <= -80.0, "{:.1} dB left", rest - backing);
}

/// Integer samples as a file holds them, and the floats they stand for: full scale is 2^(bits - 1).
fn integers(song: &Audio, bits: u32) -> (Vec<Vec<i32>>, Audio) {
    let full = 2f32.powi(bits as i32 - 1);
    let integers: Vec<Vec<i32>> =
        song.iter().map(|c| c.iter().map(|x| (x * full).round() as i32).collect()).collect();
    let floats = integers.iter().map(|c| c.iter().map(|i| *i as f32 / full).collect()).collect();
    (integers, floats)
}

fn wav_spec(channels: u16, bits: u16, sample_format: hound::SampleFormat) -> hound::WavSpec {
    hound::WavSpec { channels, sample_rate: RATE, bits_per_sample: bits, sample_format }
}

fn write_wav(path: &Path, samples: &[Vec<i32>], bits: u16) {
    let spec = wav_spec(samples.len() as u16, bits, hound::SampleFormat::Int);
    let mut file = hound::WavWriter::create(path, spec).expect("the file is written");
    for n in 0..samples[0].len() {
        samples.iter().for_each(|c| file.write_sample(c[n]).expect("the file is written"));
    }
    file.finalize().expect("the file is written");
}

fn flac(samples: &[Vec<i32>], bits: u32) -> Vec<u8> {
    let mixed: Vec<i32> = (0..samples[0].len()).flat_map(|n| samples.iter().map(move |c| c[n])).collect();
    let mut file = std::io::Cursor::new(Vec::new());
    let channels = samples.len() as u8;
    let mut writer = FlacSampleWriter::new(&mut file, Options::default(), RATE, bits, channels, None)
        .expect("the encoder takes this layout");
    writer.write(&mixed).expect("it is encoded");
    writer.finalize().expect("memory can be written");
    file.into_inner()
}

/// Written by two other programs' libraries (hound, flac-codec), read by ours.
#[test]
fn wav_and_flac_are_read_to_the_last_bit() {
    let folder = folder();
    for channels in [1, 2] {
        let song = Song::copy(channels, 0.3);
        for bits in [16, 24] {
            let (integers, expected) = integers(&song.mix, bits);
            let (wav_path, flac_path) = (folder.path().join("a.wav"), folder.path().join("a.flac"));
            write_wav(&wav_path, &integers, bits as u16);
            fs::write(&flac_path, flac(&integers, bits)).expect("the file is written");
            for path in [&wav_path, &flac_path] {
                let (found, rate) = read_all(path).expect("the file can be read");
                assert_eq!(rate, RATE);
                assert_same(&found, &expected, &format!("{path:?}, {bits} bits, {channels} channels"));
            }
        }
        let path = folder.path().join("float.wav");
        let mut file =
            hound::WavWriter::create(&path, wav_spec(channels as u16, 32, hound::SampleFormat::Float))
                .expect("the file is written");
        for n in 0..song.mix[0].len() {
            song.mix.iter().for_each(|c| file.write_sample(c[n]).expect("the file is written"));
        }
        file.finalize().expect("the file is written");
        assert_same(&read_all(&path).expect("the file can be read").0, &song.mix, "float");
    }
}

/// Read back by hound: length, channels, rate and format are as promised; 24 bits are within dither and rounding.
#[test]
fn what_is_written_is_a_sound_wav() {
    let folder = folder();
    let song = Song::new(2, 3.0, RATE_HZ, 0, 1.0);
    let (mix, backing) = song_files(folder.path(), &song);
    let float = request(folder.path(), &mix, &backing);
    run(&float).expect("the song is rendered");
    let (samples, _) = read_all(&float.out).expect("the output can be read");
    let ints = Render { bits: Bits::Int24, out: folder.path().join("24.wav"), ..float.clone() };
    assert_eq!(run(&ints).expect("the song is rendered").clipped_samples, 0);
    for (request, bits, format) in
        [(&float, 32, hound::SampleFormat::Float), (&ints, 24, hound::SampleFormat::Int)]
    {
        let file = hound::WavReader::open(&request.out).expect("hound reads it");
        assert_eq!(file.spec(), wav_spec(2, bits, format));
        assert_eq!(file.duration() as usize, song.mix[0].len(), "as long as the mix");
    }
    let mut file = hound::WavReader::open(&ints.out).expect("hound reads it");
    for (n, sample) in file.samples::<i32>().enumerate() {
        let expected = f64::from(samples[n % 2][n / 2]) * 8_388_608.0;
        let found = f64::from(sample.expect("readable"));
        // Half a step of rounding and a whole one of triangular dither.
        assert!((found - expected).abs() <= 1.5, "sample {n}: {found}, not {expected}");
    }
    // 24 dB up it does not fit, and that is said.
    let loud = Song { mix: scale(&song.mix, 16.0), ..song };
    let (mix, backing) = song_files(folder.path(), &loud);
    let clipped = Render {
        bits: Bits::Int24,
        out: folder.path().join("loud.wav"),
        ..request(folder.path(), &mix, &backing)
    };
    assert!(run(&clipped).expect("the song is rendered").clipped_samples > 0);
}

/// A WAV header as Microsoft and IBM laid it down in 1991 (from memory), saying whatever a test wants it to say.
fn header(channels: u16, rate: u32, bits: u16, data_bytes: u32) -> Vec<u8> {
    let frame = channels * bits / 8;
    [
        b"RIFF",
        &(36u32.saturating_add(data_bytes)).to_le_bytes()[..],
        b"WAVEfmt ",
        &16u32.to_le_bytes(),
        &1u16.to_le_bytes(),
        &channels.to_le_bytes(),
        &rate.to_le_bytes(),
        &(rate * u32::from(frame)).to_le_bytes(),
        &frame.to_le_bytes(),
        &bits.to_le_bytes(),
        b"data",
        &data_bytes.to_le_bytes(),
    ]
    .concat()
}

/// Bad files: name, content, what the error must say besides the file's name.
fn bad_files() -> Vec<(&'static str, Vec<u8>, &'static str)> {
    let sound = vec![0x11; 96_000];
    let with = |header: Vec<u8>, data: &[u8]| [&header, data].concat();
    let (integers, _) = integers(&Song::copy(2, 1.0).mix, 16);
    let good_flac = flac(&integers, 16);
    let mut damaged_flac = good_flac.clone();
    let middle = damaged_flac.len() / 2;
    damaged_flac[middle] ^= 0x10;
    vec![
        ("empty.wav", vec![], ""),
        ("text.wav", b"These are the lyrics.".to_vec(), ""),
        ("cut_header.wav", header(2, RATE, 16, 96_000)[..30].to_vec(), ""),
        ("no_samples.wav", header(2, RATE, 16, 0), ""),
        ("truncated.wav", with(header(2, RATE, 16, 96_000), &sound[..50_000]), "promises"),
        ("lying_header.wav", with(header(2, RATE, 16, 4_000_000_000), &sound), "promises"),
        ("nine_channels.wav", with(header(9, RATE, 16, 90_000), &sound[..90_000]), "9 channels"),
        ("no_channels.wav", with(header(0, RATE, 16, 96_000), &sound), ""),
        ("no_rate.wav", with(header(2, 0, 16, 96_000), &sound), ""),
        ("too_slow.wav", with(header(2, 999, 16, 96_000), &sound), "999"),
        ("too_fast.wav", with(header(2, 900_000, 16, 96_000), &sound), "900000"),
        ("truncated.flac", good_flac[..good_flac.len() / 2].to_vec(), "promises"),
        ("damaged.flac", damaged_flac, ""),
    ]
}

#[test]
fn bad_files_get_an_error_that_names_them_and_leave_nothing() {
    let folder = folder();
    let good = folder.path().join("good.wav");
    write_all(&good, RATE, &Song::copy(2, 1.0).mix).expect("the file is written");
    for (name, content, says) in bad_files() {
        let bad = folder.path().join(name);
        fs::write(&bad, content).expect("the file is written");
        let before = listing(folder.path());
        for (mix, backing) in [(&bad, &good), (&good, &bad)] {
            let error = run(&request(folder.path(), mix, backing)).expect_err(name);
            let error = format!("{error:#}");
            assert!(error.contains(name), "{name} is not named: {error}");
            assert!(error.contains(says), "{name}: {error:?} does not say {says:?}");
            assert_eq!(listing(folder.path()), before, "{name} leaves something behind");
        }
    }
}

#[test]
fn files_that_do_not_fit_together_are_told_apart() {
    let folder = folder();
    let song = Song::copy(2, 2.0);
    let (mix, backing) = song_files(folder.path(), &song);
    let wrong = folder.path().join("wrong.wav");
    write_all(&wrong, RATE, &crate::signals::music(77, 2, 2.0, RATE_HZ)).expect("the file is written");
    let one = folder.path().join("one.wav");
    write_all(&one, RATE, &[vec![0.5], vec![0.5]]).expect("the file is written");
    let missing = folder.path().join("missing.wav");
    let before = listing(folder.path());
    for (mix, backing, says) in [
        (&mix, &wrong, &["not found", "wrong.wav"][..]),
        (&mix, &one, &["not found", "one.wav"]),
        (&one, &backing, &["not found", "one.wav"]),
        (&mix, &missing, &["missing.wav"]),
        (&missing, &backing, &["missing.wav"]),
        (&folder.path().to_owned(), &backing, &[]),
    ] {
        let error = format!("{:#}", run(&request(folder.path(), mix, backing)).expect_err("they do not fit"));
        says.iter().for_each(|word| assert!(error.contains(word), "{error:?} does not say {word:?}"));
        assert_eq!(listing(folder.path()), before, "{says:?}");
    }
}

#[test]
fn nothing_of_the_users_is_overwritten_unasked() {
    let folder = folder();
    let (mix, backing) = song_files(folder.path(), &Song::copy(2, 3.0));
    let request = request(folder.path(), &mix, &backing);
    fs::write(&request.out, "precious").expect("the file is written");
    let error = format!("{:#}", run(&request).expect_err("the file is there already"));
    assert!(error.contains("difference.wav") && error.contains("--force"), "{error}");
    assert_eq!(fs::read(&request.out).expect("still there"), b"precious");

    // Asked to, but it comes to nothing: the old file stays, and no other is left.
    let asked = Render { overwrite: true, ..request.clone() };
    let before = listing(folder.path());
    for limit in [0.0, 0.3, 0.6, 0.95] {
        let stopped = render(&asked, &mut |done| {
            if done >= limit { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
        });
        assert!(stopped.is_err(), "stopped at {limit}");
        assert_eq!(fs::read(&request.out).expect("still there"), b"precious");
        assert_eq!(listing(folder.path()), before, "stopped at {limit}");
    }
    let failing = Render { mix: folder.path().join("missing.wav"), ..asked.clone() };
    assert!(run(&failing).is_err());
    assert_eq!(fs::read(&request.out).expect("still there"), b"precious");

    run(&asked).expect("now it is replaced");
    assert_eq!(read_all(&request.out).expect("a whole file").0[0].len(), 3 * RATE as usize);
    assert_eq!(listing(folder.path()), before);

    // Not even then may an input be the output.
    for input in [&mix, &backing] {
        let kept = fs::read(input).expect("readable");
        let onto = Render { out: input.clone(), ..asked.clone() };
        assert!(run(&onto).is_err(), "{input:?} is overwritten by its own difference");
        assert_eq!(fs::read(input).expect("readable"), kept);
    }
}

#[test]
fn unwritable_places_are_refused_before_the_work() {
    let folder = folder();
    let (mix, backing) = song_files(folder.path(), &Song::copy(2, 3.0));
    for out in [folder.path().to_owned(), mix.join("out.wav")] {
        let request = Render { out: out.clone(), overwrite: true, ..request(folder.path(), &mix, &backing) };
        let mut begun = false;
        let refused = render(&request, &mut |_| {
            begun = true;
            ControlFlow::Continue(())
        });
        let error = format!("{:#}", refused.expect_err("it cannot be written"));
        assert!(error.contains(&out.display().to_string()), "{error}");
        assert!(!begun, "{out:?}: minutes of work before saying {error:?}");
    }
}

#[test]
fn what_is_not_a_number_in_a_file_is_counted_and_silent() {
    let folder = folder();
    let song = Song::copy(2, 4.0);
    let mut broken = Song::copy(2, 4.0);
    broken.mix[0][70_000] = f32::NAN;
    broken.backing[1][80_000] = f32::INFINITY;
    let (mix, backing) = song_files(folder.path(), &broken);
    let rendered = run(&request(folder.path(), &mix, &backing)).expect("the song is rendered");
    assert_eq!(rendered.bad_samples, 2);
    let (out, _) = read_all(&folder.path().join("difference.wav")).expect("the output can be read");
    assert!(out.iter().flatten().all(|x| x.is_finite()));
    assert_eq!(out[0].len(), song.mix[0].len());
}
