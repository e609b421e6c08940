//! The program `minuend` as it is called from a shell or a script: what it prints, leaves behind and ends with.

use std::{
    fs,
    path::Path,
    process::{Command, Output, Stdio},
};

use minuend_files::{noise::samples, read::read_all, write::write_all};
use serde_json::Value;

mod backing;
mod files_written;
mod many_songs;
mod pair;
mod parts;

const RATE_HZ: u32 = 8_000;

fn noise(seed: u64, seconds: usize) -> Vec<f32> {
    samples(seed, seconds * RATE_HZ as usize)
}

/// Writes a backing and a mix of it and a voice that rests every other second, 100 samples later.
fn write_song(mix: &Path, backing: &Path, seed: u64, seconds: usize) {
    let song = noise(seed, seconds);
    let voice = noise(seed + 48_271, seconds);
    let sung = |n: usize| if (n / RATE_HZ as usize).is_multiple_of(2) { 0.2 * voice[n] } else { 0.0 };
    let mixed =
        (0..song.len()).map(|n| n.checked_sub(100).map_or(0.0, |n| 0.5 * song[n]) + sung(n)).collect();
    write_all(mix, RATE_HZ, &[mixed]).unwrap();
    write_all(backing, RATE_HZ, &[song]).unwrap();
}

/// A folder with such a song, `mix.wav` and `backing.wav`.
fn song_folder(seconds: usize) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    write_song(&folder.path().join("mix.wav"), &folder.path().join("backing.wav"), 1, seconds);
    folder
}

fn minuend(folder: &Path, command: &str, arguments: &[&str]) -> Command {
    let mut program = Command::new(env!("CARGO_BIN_EXE_minuend"));
    program.current_dir(folder).arg(command).args(arguments);
    program
}

fn render(folder: &Path, arguments: &[&str]) -> Command {
    minuend(folder, "render", arguments)
}

fn run(folder: &Path, arguments: &[&str]) -> (i32, Vec<String>, String) {
    outcome(render(folder, arguments))
}

/// Every field of a line of JSON stands in the page that schedulers' scripts are written by.
fn every_field_is_told(line: &Value) {
    match line {
        Value::Object(fields) => fields.iter().for_each(|(name, value)| {
            let page = include_str!("../../batch/README.md");
            assert!(page.contains(&format!("`{name}`")), "{name} is not in batch/README.md");
            every_field_is_told(value);
        }),
        Value::Array(values) => values.iter().for_each(every_field_is_told),
        _ => (),
    }
}

/// What a program ended with, and what it printed and complained of.
fn outcome(mut program: Command) -> (i32, Vec<String>, String) {
    let Output { status, stdout, stderr } = program.output().unwrap();
    let lines = String::from_utf8(stdout).unwrap().lines().map(str::to_owned).collect();
    (status.code().unwrap(), lines, String::from_utf8(stderr).unwrap())
}

fn listing(folder: &Path) -> Vec<String> {
    let mut names: Vec<_> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

#[test]
fn one_song_in_words_and_for_scripts() {
    let folder = song_folder(12);
    let folder = folder.path();
    let (code, lines, errors) =
        run(folder, &["mix.wav", "backing.wav", "--out", "out.wav", "--also", "backing"]);
    assert_eq!((code, lines.len(), errors.as_str()), (0, 1, ""));
    assert!(lines[0].starts_with("out.wav: delay 12.500 ms (100.00 samples), polarity kept"), "{lines:?}");
    assert_eq!(listing(folder), ["backing.wav", "mix.wav", "out backing.wav", "out.wav"]);

    // What was taken away, and what was left, are the mix again: without low-cut and clean-up nothing else is done.
    let plain = ["--force", "--low-cut-slope", "off", "--clean-up", "0", "--also", "backing", "--json"];
    let (code, lines, errors) =
        run(folder, &[&["mix.wav", "backing.wav", "--out", "out.wav"], &plain[..]].concat());
    assert_eq!((code, lines.len(), errors.as_str()), (0, 1, ""));
    let [mix, difference, backing] = ["mix.wav", "out.wav", "out backing.wav"]
        .map(|name| read_all(&folder.join(name)).unwrap().0.remove(0));
    for n in 0..mix.len() {
        assert!((difference[n] + backing[n] - mix[n]).abs() < 1e-6, "sample {n}");
    }
    let line: Value = serde_json::from_str(&lines[0]).unwrap();
    assert_eq!((&line["status"], &line["out"]), (&"done".into(), &"out.wav".into()), "{line}");
    assert_eq!((&line["num_samples"], &line["sample_rate_hz"]), (&96_000.into(), &8_000.into()), "{line}");
    assert!((line["delay_samples"].as_f64().unwrap() - 100.0).abs() < 0.01, "{line}");
    assert!(line["null_depth_db"].as_f64().unwrap() > 30.0, "{line}");
}

#[test]
fn codes_tell_how_it_ended() {
    let folder = song_folder(12);
    let folder = folder.path();
    write_song(&folder.join("other mix.wav"), &folder.join("other.wav"), 12_345, 12);
    let late = [vec![0.0; 2 * RATE_HZ as usize], noise(1, 12)].concat();
    write_all(&folder.join("late.wav"), RATE_HZ, &[late]).unwrap();
    for (arguments, code, says) in [
        (&[][..], 2, "MIX"),
        (&["--out", "out.wav"], 2, "MIX"),
        (&["mix.wav", "backing.wav", "--out", "out.wav", "--trim", "99"], 2, "-12 to 12"),
        (&["mix.wav", "backing.wav", "--out", "out.wav", "--from", "1:99"], 2, "M:SS"),
        (&["mix.wav", "--out", "out.wav"], 2, "BACKING is missing"),
        (&["mix.wav", "backing.wav", "third.wav"], 1, "third.wav"),
        (&["mix.wav", "missing.wav", "--out", "out.wav"], 1, "missing.wav"),
        (&["mix.wav", "backing.wav", "--out", "mix.wav/out.wav"], 1, "cannot be made"),
        (&["mix.wav", "backing.wav", "--out", "backing.wav", "--force"], 1, "one of the inputs"),
        (&["mix.wav", "backing.wav", "--out", "out.wav", "--from", "5", "--to", "3"], 2, "--from"),
        (&["mix.wav", "backing.wav", "--out", "out.wav", "--from", "5", "--to", "5.0001"], 1, "is empty"),
        (&["mix.wav", "backing.wav", "--out", "out.wav", "--from", "-5"], 2, "must be a time"),
        (&["mix.wav", "backing.wav", "--out", "out.wav", "--jobs", "0"], 2, "1 or more"),
        (&["mix.wav", "backing.wav", "--output", "out.wav"], 2, "named by --out"),
        (&["mix.wav", "backing.wav", "--out", "a.wav", "--save-match", "./a.wav"], 1, "named for two files"),
        (&["mix.wav", "./mix.wav", "--out", "out.wav"], 1, "name two files"),
        (&["--list", "mix.wav", "--out", "."], 1, "UTF-8"),
        (&["mix.wav", "backing.wav", "--out", "out.wav", "--from", "2:00"], 1, "12.000 s"),
        (&["mix.wav", "other.wav", "--out", "out.wav"], 3, "was not found"),
        (&["mix.wav", "late.wav", "--out", "out.wav", "--one-pass"], 3, "too late for one pass"),
    ] {
        let before = listing(folder);
        let (found, lines, errors) = run(folder, arguments);
        assert_eq!((found, lines.len()), (code, 0), "{arguments:?}: {errors}");
        assert!(errors.contains(says), "{arguments:?}: {errors}");
        let is_shown_how = errors.contains("try '--help'");
        assert_eq!(is_shown_how, code == 2, "{arguments:?}: {errors}");
        assert_eq!(listing(folder), before, "{arguments:?}");
    }
}

/// A part is what a render of the whole has there, to what the engine's lead-in leaves open.
#[test]
fn a_part_is_that_part_of_the_whole() {
    let folder = song_folder(24);
    let folder = folder.path();
    for (out, more) in [("whole.wav", &[][..]), ("part.wav", &["--from", "0:14", "--to", "17.5"])] {
        let (code, _, errors) = run(folder, &[&["mix.wav", "backing.wav", "--out", out], more].concat());
        assert_eq!(code, 0, "{errors}");
    }
    let [mix, whole, part] =
        ["mix.wav", "whole.wav", "part.wav"].map(|name| read_all(&folder.join(name)).unwrap().0.remove(0));
    assert_eq!((whole.len(), part.len()), (24 * 8_000, 28_000));
    let energy = |signal: &mut dyn Iterator<Item = f32>| signal.map(|x| x * x).sum::<f32>();
    let whole = &whole[14 * 8_000..][..part.len()];
    let apart = energy(&mut whole.iter().zip(&part).map(|(a, b)| a - b));
    let mix = energy(&mut mix[14 * 8_000..][..part.len()].iter().copied());
    let down_db = 10.0 * (apart / mix).log10();
    assert!(down_db < -40.0, "{down_db} dB");
}

#[test]
fn one_that_fails_does_not_stop_the_rest() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    fs::create_dir(folder.join("songs")).unwrap();
    fs::create_dir(folder.join("out")).unwrap();
    for (name, seed) in [("one", 1), ("two", 222_222)] {
        let [mix, backing] = ["mix", "backing"].map(|kind| folder.join(format!("songs/{name} {kind}.wav")));
        write_song(&mix, &backing, seed, 10);
    }
    fs::write(folder.join("songs/bad mix.wav"), "no audio").unwrap();
    fs::copy(folder.join("songs/one backing.wav"), folder.join("songs/bad backing.wav")).unwrap();
    fs::write(folder.join("songs/lone mix.wav"), "").unwrap();
    let (code, lines, errors) = run(folder, &["songs", "--out", "out", "--jobs", "2"]);
    assert_eq!((code, lines.len()), (4, 2), "{errors}");
    assert!(
        errors.contains("bad mix.wav") && errors.contains("lone mix.wav: is without a backing"),
        "{errors}"
    );
    assert!(errors.ends_with("error: 2 of 4 done, 2 failed\n"), "{errors}");
    assert_eq!(listing(&folder.join("out")), ["one difference.wav", "two difference.wav"]);

    fs::write(folder.join("list.txt"), "songs/one mix.wav\tsongs/one backing.wav\tFirst\n").unwrap();
    let (code, lines, errors) = run(
        folder,
        &["--list", "list.txt", "--out", "out", "--json", "--report", "out", "--save-match", "out"],
    );
    assert_eq!((code, errors.as_str()), (0, ""));
    assert!(lines[0].contains("First difference.wav"), "{lines:?}");
    assert_eq!(
        listing(&folder.join("out")),
        [
            "First difference.wav",
            "First learned.match",
            "First report.html",
            "one difference.wav",
            "two difference.wav"
        ]
    );
    let same = |name: &str| fs::read(folder.join("out").join(name)).unwrap();
    assert!(same("First difference.wav") == same("one difference.wav"), "one at a time, or two, is the same");
}

/// The page is whole in itself: nothing is loaded, nothing runs, and names of files are text.
#[test]
fn a_report_is_one_page_in_itself() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    // Under Windows no file can be called the first.
    let (mix, in_page) = if cfg!(windows) {
        ("mix &amp;.wav", "mix &amp;amp;.wav")
    } else {
        ("mix <b>&amp;\".wav", "mix &lt;b&gt;&amp;amp;&quot;.wav")
    };
    write_song(&folder.join(mix), &folder.join("backing.wav"), 1, 12);
    let (code, _, errors) =
        run(folder, &[mix, "backing.wav", "--out", "out.wav", "--report", "report.html", "--one-pass"]);
    assert_eq!((code, errors.as_str()), (0, ""));
    let page = fs::read_to_string(folder.join("report.html")).unwrap();
    assert!(page.starts_with("<!DOCTYPE html>") && page.ends_with("</html>\n"));
    for forbidden in ["http:", "https:", "src=\"", "url(", "@import", "<script", "<b>&amp;", "NaN", "inf"] {
        assert!(!page.contains(forbidden), "{forbidden:?} in the page");
    }
    for expected in [
        in_page,
        "Null depth, dB",
        "Delay of the mix against the backing, ms",
        "Spectra, dB re full scale",
        "not found yet: the mix passes",
        "12.500&nbsp;ms",
        "What was corrected",
        "What to try next",
        "prefers-color-scheme:dark",
        "@media print",
    ] {
        assert!(page.contains(expected), "{expected:?} not in the page");
    }
    // Every tag that is opened is closed, in order.
    let mut open = Vec::new();
    for tag in page.split('<').skip(1).map(|rest| rest.split('>').next().unwrap()) {
        let name = tag.split([' ', '/']).next().unwrap();
        if let Some(closed) = tag.strip_prefix('/') {
            assert_eq!(open.pop(), Some(closed), "closed by {tag}");
        } else if !tag.ends_with('/') && !["!DOCTYPE", "meta", "link"].contains(&name) {
            open.push(name);
        }
    }
    assert!(open.is_empty(), "{open:?} left open");
    let again = run(folder, &[mix, "backing.wav", "--out", "new.wav", "--report", "report.html"]);
    assert!(again.0 == 1 && again.2.contains("report.html: exists already"), "{again:?}");
}

/// A kept match gives what it gave when it was learned, in one pass, and is not for files of another rate.
#[test]
fn a_match_is_kept_and_used_again() {
    let folder = song_folder(12);
    let folder = folder.path();
    let files = ["mix.wav", "backing.wav", "--out"];
    let (code, _, errors) = run(folder, &[&files[..], &["first.wav", "--save-match", "song.match"]].concat());
    assert_eq!((code, errors.as_str()), (0, ""));
    for out in ["second.wav", "third.wav"] {
        let (code, _, errors) = run(folder, &[&files[..], &[out, "--match", "song.match"]].concat());
        assert_eq!((code, errors.as_str()), (0, ""));
    }
    let read = |name: &str| read_all(&folder.join(name)).unwrap().0.remove(0);
    assert!(read("second.wav") == read("third.wav"));
    // While the voice rests, in every other second, nothing is left.
    let energy = |signal: &[f32]| signal.iter().map(|x| x * x).sum::<f32>();
    let rest = 5 * 8_000 + 800..6 * 8_000 - 800;
    let down_db = 10.0 * (energy(&read("second.wav")[rest.clone()]) / energy(&read("mix.wav")[rest])).log10();
    assert!(down_db < -60.0, "{down_db} dB");

    write_all(&folder.join("other.wav"), 16_000, &[noise(1, 6)]).unwrap();
    fs::write(folder.join("text.match"), "no match").unwrap();
    for (mix, held, says) in
        [("other.wav", "song.match", "16000 Hz"), ("mix.wav", "text.match", "is no match")]
    {
        let (code, _, errors) = run(folder, &[mix, "backing.wav", "--out", "no.wav", "--match", held]);
        assert!(code == 1 && errors.contains(says), "{errors}");
    }
    assert!(!folder.join("no.wav").exists());
}

/// Starts a render, sends it a signal when the time has come, and tells how it ended.
#[cfg(unix)]
fn signalled(mut render: Command, signal: &str, is_time: &dyn Fn(u32) -> bool) -> (Option<i32>, String) {
    let mut child = render.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
    while !is_time(child.id()) {
        assert!(child.try_wait().unwrap().is_none(), "it ended before it could be stopped");
        std::thread::yield_now();
    }
    let sent = Command::new("kill").args(["-s", signal, &child.id().to_string()]).status().unwrap();
    assert!(sent.success());
    let ended = child.wait_with_output().unwrap();
    (ended.status.code(), String::from_utf8_lossy(&ended.stderr).into_owned())
}

/// The same by Ctrl-Break, which Windows sends to a group of programs; Ctrl-C it sends to all on a console.
#[cfg(windows)]
#[test]
fn stopped_by_the_user_it_leaves_nothing() {
    use std::os::windows::process::CommandExt;
    use windows_sys::Win32::System::{
        Console::{CTRL_BREAK_EVENT, GenerateConsoleCtrlEvent},
        Threading::CREATE_NEW_PROCESS_GROUP,
    };
    let folder = song_folder(60);
    let folder = folder.path();
    let before = listing(folder);
    let mut program = render(folder, &["mix.wav", "backing.wav", "--out", "out.wav", "--one-pass"]);
    program.creation_flags(CREATE_NEW_PROCESS_GROUP).stdout(Stdio::null()).stderr(Stdio::piped());
    let mut child = program.spawn().unwrap();
    while !listing(folder).iter().any(|name| name.ends_with(".part")) {
        assert!(child.try_wait().unwrap().is_none(), "it ended before it could be stopped");
        std::thread::yield_now();
    }
    // SAFETY: it touches nothing of this program's.
    if unsafe { GenerateConsoleCtrlEvent(CTRL_BREAK_EVENT, child.id()) } == 0 {
        // As by wine 8, which hears Ctrl-C from a terminal, but sends none.
        eprintln!(
            "SKIPPED: nobody was stopped, since none can be told to: {}",
            std::io::Error::last_os_error()
        );
        child.kill().unwrap();
        return;
    }
    let ended = child.wait_with_output().unwrap();
    let errors = String::from_utf8_lossy(&ended.stderr);
    assert_eq!(ended.status.code(), Some(130), "{errors}");
    assert!(errors.contains("nothing was written"), "{errors}");
    assert_eq!(listing(folder), before);
}

/// The same with Ctrl-C, for which the terminal sends SIGINT.
#[cfg(unix)]
fn interrupted(folder: &Path, arguments: &[&str], is_time: &dyn Fn(u32) -> bool) -> (Option<i32>, String) {
    signalled(render(folder, arguments), "INT", is_time)
}

/// How many files are being written in a folder.
#[cfg(unix)]
fn num_begun(folder: &Path) -> usize {
    listing(folder).iter().filter(|name| name.ends_with(".part")).count()
}

/// While the first file is written, and while the second is and the first waits for it; by Ctrl-C, by whoever ends programs,
/// and by a terminal that closes.
#[cfg(unix)]
#[test]
fn stopped_by_the_user_it_leaves_nothing() {
    let folder = song_folder(60);
    let folder = folder.path();
    let before = listing(folder);
    let arguments = [
        "mix.wav",
        "backing.wav",
        "--out",
        "out.wav",
        "--one-pass",
        "--also",
        "backing",
        "--report",
        "a.html",
    ];
    // If these tests were told to outlive their terminal, so would be what they start.
    // SAFETY: no code runs on a signal that is at its default.
    unsafe { libc::signal(libc::SIGHUP, libc::SIG_DFL) };
    for (signal, begun) in [("INT", 1), ("INT", 2), ("TERM", 2), ("HUP", 1)] {
        let (code, errors) = signalled(render(folder, &arguments), signal, &|_| num_begun(folder) == begun);
        assert_eq!(code, Some(130), "{signal}: {errors}");
        assert!(errors.contains("nothing was written"), "{signal}: {errors}");
        assert_eq!(listing(folder), before, "{signal}");
    }
}

/// Told by `nohup` to outlive its terminal, which has hangups ignored (POSIX.1-2017, nohup), it does.
#[cfg(unix)]
#[test]
fn told_to_outlive_its_terminal_it_does() {
    let folder = song_folder(60);
    let folder = folder.path();
    let mut shell = Command::new("sh");
    shell.current_dir(folder).args(["-c", "trap '' HUP; exec \"$0\" \"$@\"", env!("CARGO_BIN_EXE_minuend")]);
    shell.args(["render", "mix.wav", "backing.wav", "--out", "out.wav", "--one-pass"]);
    let (code, errors) = signalled(shell, "HUP", &|_| num_begun(folder) == 1);
    assert_eq!((code, errors.as_str()), (Some(0), ""));
    assert_eq!(listing(folder), ["backing.wav", "mix.wav", "out.wav"]);
}

/// While it learns, before there is anything to write; what was there stays.
#[cfg(target_os = "linux")]
#[test]
fn stopped_while_it_learns_it_leaves_what_was_there() {
    let folder = song_folder(600);
    let folder = folder.path();
    fs::write(folder.join("out.wav"), "what was there").unwrap();
    let before = listing(folder);
    let reads = |pid: u32| {
        let files = fs::read_dir(format!("/proc/{pid}/fd")).into_iter().flatten().flatten();
        files.filter_map(|file| fs::read_link(file.path()).ok()).any(|file| file.ends_with("mix.wav"))
    };
    let (code, errors) =
        interrupted(folder, &["mix.wav", "backing.wav", "--out", "out.wav", "--force"], &reads);
    assert_eq!(code, Some(130), "{errors}");
    assert_eq!(listing(folder), before);
    assert_eq!(fs::read(folder.join("out.wav")).unwrap(), b"what was there");
}

/// Of many songs, those that are done stay.
#[cfg(unix)]
#[test]
fn stopped_among_many_songs_it_leaves_those_that_are_done() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    for (name, seconds) in [("long", 600), ("long too", 600), ("short", 12)] {
        let [mix, backing] = ["mix", "backing"].map(|kind| folder.join(format!("{name} {kind}.wav")));
        write_song(&mix, &backing, 1, seconds);
    }
    let mut expected = listing(folder);
    let done = "short difference.wav".to_owned();
    let (code, errors) = interrupted(folder, &[".", "--out", ".", "--one-pass", "--jobs", "3"], &|_| {
        listing(folder).contains(&done)
    });
    assert_eq!(code, Some(130), "{errors}");
    assert!(errors.contains("of what was not finished"), "{errors}");
    expected.push(done);
    expected.sort();
    assert_eq!(listing(folder), expected);
}

/// What it can do, and which one it is.
#[test]
fn the_program_tells_of_itself() {
    let run = |argument: &str| {
        let Output { status, stdout, .. } =
            Command::new(env!("CARGO_BIN_EXE_minuend")).arg(argument).output().unwrap();
        (status.code(), String::from_utf8(stdout).unwrap())
    };
    let short = concat!("minuend ", env!("CARGO_PKG_VERSION"), "\n");
    assert_eq!(run("-V"), (Some(0), short.to_owned()));
    // The same for all who build the same: the system, the profile and the compiler, no date and no folder.
    let (code, version) = run("--version");
    assert_eq!((code, version.lines().count()), (Some(0), 2), "{version}");
    let built = version.strip_prefix(short).unwrap().trim_end();
    assert!(built.starts_with("built for ") && built.contains(std::env::consts::ARCH), "{built}");
    assert!(built.contains(") by rustc 1.") && !built.contains(['/', '\\']), "{built}");
    let (code, help) = run("--help");
    assert!(
        code == Some(0) && help.contains("Usage: minuend <COMMAND>") && help.contains("render"),
        "{help}"
    );
    // Files without a command are what a stranger tries first.
    let output =
        Command::new(env!("CARGO_BIN_EXE_minuend")).args(["mix.wav", "backing.wav"]).output().unwrap();
    let errors = String::from_utf8(output.stderr).unwrap();
    assert!(output.status.code() == Some(2) && errors.contains("minuend render MIX BACKING"), "{errors}");
}

/// Every option of the README's stands in the help, and what a stranger needs: how to call it, examples, defaults, exit codes.
#[test]
fn the_help_tells_it_all() {
    let readme = include_str!("../../../../README.md");
    let part = readme.split("\n## From files to a file").nth(1).unwrap().split("\n## ").next().unwrap();
    let (code, lines, _) = run(Path::new("."), &["--help"]);
    let help = lines.join("\n");
    assert_eq!(code, 0);
    let options = part.split('`').skip(1).step_by(2).flat_map(str::split_whitespace);
    let options: Vec<_> = options.filter(|word| word.starts_with('-') && word.len() > 2).collect();
    assert!(options.len() > 20, "{options:?}");
    for option in options {
        let option = option.trim_end_matches([',', '.']);
        assert!(help.contains(option), "{option} is not in the help");
    }
    for expected in [
        "Usage: minuend render [OPTIONS] MIX BACKING\n       minuend render [OPTIONS] MIX PART PART ...\n",
        "Examples:\n  minuend render \"Nine Lamps mix.wav\"",
        "[default: 80Hz]",
        "[possible values: follow, keep, invert]",
        "-o, --out <FILE>",
        "Exit codes:\n  0 ",
    ] {
        assert!(help.contains(expected), "{expected:?} is not in the help: {help}");
    }
    assert!(lines.iter().all(|line| line.chars().count() <= 100), "{help}");
}
