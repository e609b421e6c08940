//! The shipped plug-in's window in a host's window, on a display that nobody sees: with live audio, mouse and keyboard.
//!
//! A window finds its display in the environment, so the tests in [`inside`] run in a process of their own, which
//! [`on_a_virtual_display`] starts. Pictures of what they saw are kept in `target/window`.

#![cfg(target_os = "linux")]

use std::env;
use std::path::PathBuf;
use std::process::Command;

use xtask::window::display::Display;

/// What the tests use, by command.
const TOOLS: [&str; 2] = ["Xvfb", "xdotool"];

fn is_there(tool: &str) -> bool {
    let path = env::var_os("PATH").unwrap_or_default();
    env::split_paths(&path).any(|folder| folder.join(tool).is_file())
}

/// Without the tools this test says so and passes; `cargo xtask test` brings the tools, and then they must be there.
#[test]
fn on_a_virtual_display() {
    let missing: Vec<_> = TOOLS.into_iter().filter(|tool| !is_there(tool)).collect();
    if !missing.is_empty() {
        assert!(env::var_os("MINUEND_DISPLAY").is_none(), "{missing:?} should be there");
        eprintln!("SKIPPED: the window was not tested, since this machine lacks {missing:?}");
        return;
    }
    let bundle = crate::bundle::bundle();
    let display = Display::start().expect("a display can be started");
    let status = Command::new(env::current_exe().unwrap())
        .args(["window::inside::", "--ignored", "--test-threads=1", "--nocapture"])
        .env("DISPLAY", display.name())
        .env("MINUEND_BUNDLE", bundle)
        .status()
        .unwrap();
    assert!(status.success(), "see above");
}

/// Where pictures go.
fn pictures() -> PathBuf {
    let folder = xtask::bundle::target_folder().unwrap().join("window");
    std::fs::create_dir_all(&folder).unwrap();
    folder
}

mod inside {
    use std::collections::HashSet;
    use std::process::Command;
    use std::time::Duration;

    use clack_host::utils::ClapId;
    use xtask::host::{Event, Move, Param};
    use xtask::window::Stage;
    use xtask::window::figures::{Figures, Lengths};
    use xtask::window::in_use::InUse;
    use xtask::window::situation::Situation;

    /// Size of the window as it opens, pixels at scale 1.
    const SIZE: [u32; 2] = [760, 720];
    /// Pages of the window's looks: ink on paper, and chalk on slate.
    const PAPER: [u8; 3] = [0xEF, 0xEA, 0xDB];
    const SLATE: [u8; 3] = [0x23, 0x2B, 0x2D];
    /// The accent of the window's usual look: what has the keyboard is framed in it.
    const ACCENT: [u8; 3] = [0xA8, 0x2A, 0x1E];
    /// Blocks of audio in which whatever was done must have arrived: several seconds of patience, so that a busy machine
    /// fails no test.
    const PATIENCE: usize = 500;

    fn open(situation: Situation, scale: f64) -> Stage {
        let mut stage = Stage::open(&crate::bundle::bundle(), situation, scale).expect("the window opens");
        play(&mut stage, 30);
        stage
    }

    /// Lets the host play and the window draw.
    fn play(stage: &mut Stage, blocks: usize) {
        for _ in 0..blocks {
            assert!(stage.step().unwrap(), "the window has closed");
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    fn xdotool(arguments: &[&str]) {
        let status = Command::new("xdotool").args(arguments).status().unwrap();
        assert!(status.success(), "xdotool {arguments:?}");
    }

    fn key(keys: &[&str]) {
        xdotool(&[&["key", "--delay", "30"], keys].concat());
    }

    fn mouse_to([x, y]: [i32; 2]) {
        xdotool(&["mousemove", &x.to_string(), &y.to_string()]);
    }

    fn click(at: [i32; 2]) {
        mouse_to(at);
        xdotool(&["click", "1"]);
    }

    /// Plays until `done` says so.
    fn until(stage: &mut Stage, what: &str, mut done: impl FnMut(&mut Stage) -> bool) {
        for _ in 0..PATIENCE {
            if done(stage) {
                return;
            }
            play(stage, 1);
        }
        panic!("in vain: {what}");
    }

    /// Pixels of the accent.
    fn accents(stage: &mut Stage) -> HashSet<[i32; 2]> {
        let width = stage.screen().size()[0] as usize;
        let pixels = stage.screen().pixels().unwrap();
        let accents = pixels.chunks_exact(3).enumerate().filter(|(_, pixel)| *pixel == ACCENT);
        accents.map(|(idx, _)| [(idx % width) as i32, (idx / width) as i32]).collect()
    }

    /// A control as the window shows it: where its frame is while it has the keyboard.
    struct Place {
        left: i32,
        right: i32,
        middle: i32,
    }

    impl Place {
        /// Where the frame is of the control that has the keyboard, which it then gives back.
        fn of_focus(stage: &mut Stage) -> Self {
            let with = accents(stage);
            key(&["Escape"]);
            until(stage, "the frame goes", |stage| accents(stage) != with);
            play(stage, 10);
            let without = accents(stage);
            let frame: Vec<_> = with.difference(&without).collect();
            let [xs, ys] = [0, 1].map(|axis| frame.iter().map(move |at| at[axis]));
            let top = ys.clone().min().unwrap();
            Self {
                left: xs.clone().min().unwrap(),
                right: xs.max().unwrap(),
                middle: (top + ys.max().unwrap()) / 2,
            }
        }

        fn near_left(&self) -> [i32; 2] {
            [self.left + 10, self.middle]
        }

        fn near_right(&self) -> [i32; 2] {
            [self.right - 10, self.middle]
        }
    }

    /// Gives the window the keyboard, and of it the `stop`th control.
    fn tab_to(stage: &mut Stage, stop: usize) {
        // Nothing is there; under X11 a click on a window gives it the keyboard.
        click([5, 5]);
        play(stage, 5);
        for _ in 0..=stop {
            let before = accents(stage);
            // A key that is pressed before the window has the keyboard is lost: then it is pressed again.
            let mut waited = 0;
            until(stage, "the frame moves on", |stage| {
                if waited % 100 == 0 {
                    key(&["Tab"]);
                }
                waited += 1;
                accents(stage) != before
            });
        }
        play(stage, 10);
    }

    /// Controls in the order of the Tab key, each with what mouse and keyboard do to it.
    const CONTROLS: [(&str, Kind); 14] = [
        ("Learn again", Kind::Button),
        ("Hold", Kind::Switch),
        ("Bypass", Kind::Switch),
        ("Listen", Kind::Choice),
        ("Trim", Kind::Number),
        ("Fine delay", Kind::Number),
        ("Polarity", Kind::Choice),
        ("Output", Kind::Number),
        ("Backing is", Kind::Choice),
        ("Tone match", Kind::Choice),
        ("Level follow", Kind::Choice),
        ("Clean-up", Kind::Number),
        ("Low-cut", Kind::Number),
        ("Low-cut slope", Kind::Choice),
    ];
    /// Of these before the file of a match, which is no parameter; and stops of the Tab key with it.
    const BEFORE_MATCH_FILE: usize = 3;
    const NUM_STOPS: usize = CONTROLS.len() + 1;

    #[derive(Clone, Copy, PartialEq)]
    enum Kind {
        Button,
        Switch,
        Choice,
        Number,
    }

    /// Waits for one whole gesture of a parameter, checks that nothing else moved, and gives the value it ended on.
    fn gesture(stage: &mut Stage, param: &Param) -> f64 {
        let mut moves = Vec::new();
        until(stage, &param.name, |stage| {
            moves.extend(stage.take_moves());
            matches!(moves.last(), Some(Move::End(_)))
        });
        play(stage, 5);
        moves.extend(stage.take_moves());
        let id = param.id;
        assert_eq!(moves.first(), Some(&Move::Begin(id)), "{}: {moves:?}", param.name);
        assert_eq!(moves.last(), Some(&Move::End(id)), "{}: {moves:?}", param.name);
        let values: Vec<f64> = moves
            .iter()
            .filter_map(|what| match what {
                Move::To(moved, value) => {
                    assert_eq!(*moved, id);
                    Some(*value)
                }
                Move::Begin(moved) | Move::End(moved) => {
                    assert_eq!(*moved, id);
                    None
                }
            })
            .collect();
        let last = *values.last().unwrap_or_else(|| panic!("{}: no value in {moves:?}", param.name));
        assert!(param.range.contains(&last));
        // Hosts get single precision.
        (last * 1e6).round() / 1e6
    }

    fn value(stage: &mut Stage, id: ClapId) -> f64 {
        (stage.host().value(id).unwrap() * 1e6).round() / 1e6
    }

    fn set(stage: &mut Stage, param: &Param, value: f64) {
        stage.host().flush(&[Event { at_sample: 0, param: param.id, value }]).unwrap();
        play(stage, 15);
    }

    #[test]
    #[ignore = "needs a display: on_a_virtual_display runs it"]
    fn every_control_reaches_the_host_by_mouse_and_by_keyboard() {
        let mut stage = open(Situation::Silence, 1.0);
        assert_eq!(stage.screen().size(), SIZE);
        for (stop, (name, kind)) in CONTROLS.into_iter().enumerate() {
            let param = stage.host().param(name).unwrap();
            // By keyboard.
            tab_to(&mut stage, stop + usize::from(stop >= BEFORE_MATCH_FILE));
            assert!(stage.take_moves().is_empty(), "{name}: going there moves nothing");
            let from = value(&mut stage, param.id);
            match kind {
                Kind::Button => {
                    key(&["Return"]);
                    assert_eq!(gesture(&mut stage, &param), 0.0);
                }
                Kind::Switch => {
                    key(&["space"]);
                    assert_eq!(gesture(&mut stage, &param), 1.0);
                }
                Kind::Choice if from == *param.range.end() => {
                    key(&["Left"]);
                    assert_eq!(gesture(&mut stage, &param), from - 1.0);
                }
                Kind::Choice => {
                    key(&["Right"]);
                    assert_eq!(gesture(&mut stage, &param), from + 1.0);
                }
                Kind::Number => {
                    key(&["Right"]);
                    assert!(gesture(&mut stage, &param) > from);
                    key(&["Delete"]);
                    assert!((gesture(&mut stage, &param) - from).abs() < 1e-6);
                }
            }
            set(&mut stage, &param, param.default);
            let place = Place::of_focus(&mut stage);
            stage.take_moves();

            // By mouse.
            match kind {
                Kind::Button => {
                    click(place.near_left());
                    assert_eq!(gesture(&mut stage, &param), 0.0, "it is let go again");
                }
                Kind::Switch => {
                    click(place.near_left());
                    assert_eq!(gesture(&mut stage, &param), 1.0);
                    click(place.near_left());
                    assert_eq!(gesture(&mut stage, &param), 0.0);
                }
                Kind::Choice => {
                    click(place.near_right());
                    let last = *param.range.end();
                    if param.default == last {
                        click(place.near_left());
                        assert_eq!(gesture(&mut stage, &param), 0.0);
                    } else {
                        assert_eq!(gesture(&mut stage, &param), last);
                    }
                }
                Kind::Number => {
                    let [x, y] = [(place.left + place.right) / 2, place.middle];
                    mouse_to([x, y]);
                    xdotool(&["mousedown", "1"]);
                    for by in [8, 16, 24] {
                        play(&mut stage, 3);
                        mouse_to([x + by, y]);
                    }
                    play(&mut stage, 5);
                    xdotool(&["mouseup", "1"]);
                    assert!(gesture(&mut stage, &param) > param.default, "{name}: drawn to the right");
                    play(&mut stage, 40);
                    xdotool(&["click", "--repeat", "2", "--delay", "60", "1"]);
                    let reset = gesture(&mut stage, &param);
                    assert!((reset - param.default).abs() < 1e-6, "{name}: reset to {reset}");

                    // A typed value.
                    click([place.right + 60, y]);
                    play(&mut stage, 10);
                    let text = match name {
                        "Trim" | "Output" => "-1.5",
                        "Fine delay" => "2.25",
                        _ => "60",
                    };
                    xdotool(&["type", "--delay", "30", "--", text]);
                    play(&mut stage, 5);
                    key(&["Return"]);
                    let typed = gesture(&mut stage, &param);
                    let shown = stage.host().value_to_text(param.id, typed).unwrap();
                    assert!(
                        shown.starts_with(text) || shown.starts_with(&format!("+{text}")),
                        "{name}: {shown}"
                    );
                    key(&["Escape"]);
                }
            }
            set(&mut stage, &param, param.default);
            stage.take_moves();
        }
        stage.picture(&super::pictures().join("after-every-control.png")).unwrap();
    }

    /// The page is what the window is cleared to; nothing paints it. In either look, and as soon as that is chosen.
    #[test]
    #[ignore = "needs a display: on_a_virtual_display runs it"]
    fn the_page_is_of_the_look_that_is_chosen() {
        let mut stage = open(Situation::Silence, 1.0);
        until(&mut stage, "the page is of paper", |stage| has_page(stage, PAPER));
        // The look is the second stop after them.
        tab_to(&mut stage, NUM_STOPS + 1);
        key(&["Right"]);
        until(&mut stage, "the page darkens", |stage| has_page(stage, SLATE));
    }

    fn has_page(stage: &mut Stage, colour: [u8; 3]) -> bool {
        let pixels = stage.screen().pixels().unwrap();
        pixels[..3] == colour && pixels[pixels.len() - 3..] == colour
    }

    /// What the host automates is seen at once.
    #[test]
    #[ignore = "needs a display: on_a_virtual_display runs it"]
    fn automation_is_seen() {
        let mut stage = open(Situation::Silence, 1.0);
        let hold = stage.host().param("Hold").unwrap();
        let before = accents(&mut stage).len();
        set(&mut stage, &hold, 1.0);
        until(&mut stage, "a tick appears", |stage| accents(stage).len() > before);
        assert!(stage.take_moves().is_empty(), "automation is not the user's doing");
    }

    #[test]
    #[ignore = "needs a display: on_a_virtual_display runs it"]
    fn it_is_drawn_in_every_situation_scale_and_look() {
        for scale in [1.0, 2.0] {
            for situation in Situation::all() {
                let mut stage = open(*situation, scale);
                assert_eq!(stage.screen().size(), SIZE.map(|n| (f64::from(n) * scale) as u32));
                let picture = |stage: &mut Stage, look: &str| {
                    let name = format!("{}{look}@{scale}x.png", situation.name());
                    stage.picture(&super::pictures().join(&name)).unwrap();
                    assert!(colours(stage) > 30, "{name}: text and curves");
                };
                stage.play_fast(situation.telling_s()).unwrap();
                picture(&mut stage, "");
                darken(&mut stage);
                picture(&mut stage, "-slate");
            }
        }
    }

    /// Chooses the dark look: from nowhere the way back leads to it, the last stop.
    fn darken(stage: &mut Stage) {
        click([5, 5]);
        // Keys that arrive before the window has the keyboard are lost, and so is one that arrives with that before it.
        for _ in 0..20 {
            for name in ["Escape", "shift+Tab", "Right"] {
                key(&[name]);
                play(stage, 20);
            }
            if has_page(stage, SLATE) {
                key(&["Escape"]);
                return play(stage, 20);
            }
        }
        panic!("in vain: the page darkens");
    }

    fn colours(stage: &mut Stage) -> usize {
        let pixels = stage.screen().pixels().unwrap();
        pixels.chunks_exact(3).collect::<HashSet<_>>().len()
    }

    /// In both directions: the host gives a size, and the window asks for one when it is scaled from within.
    #[test]
    #[ignore = "needs a display: on_a_virtual_display runs it"]
    fn it_takes_any_size_and_asks_for_a_scale() {
        let mut stage = open(Situation::Silence, 1.0);
        for size in [[480, 360], [620, 500], [1_600, 1_100], SIZE] {
            stage.resize(size).unwrap();
            assert_eq!(stage.screen().size(), size);
            play(&mut stage, 30);
            let [width, height] = size;
            stage.picture(&super::pictures().join(format!("{width}x{height}.png"))).unwrap();
            assert!(colours(&mut stage) > 30);
        }
        stage.resize([100, 100]).unwrap();
        assert_eq!(stage.screen().size(), [480, 360], "smaller than useful");
        stage.resize(SIZE).unwrap();
        play(&mut stage, 20);
        // The scale is the stop after them.
        tab_to(&mut stage, NUM_STOPS);
        key(&["Right"]);
        until(&mut stage, "the window grows", |stage| stage.screen().size() == SIZE.map(|n| n * 5 / 4));
        play(&mut stage, 20);
        stage.picture(&super::pictures().join("scaled.png")).unwrap();

        // The session keeps it.
        let session = stage.host().save_state().unwrap();
        drop(stage);
        let mut again = open(Situation::Silence, 1.0);
        assert_eq!(again.screen().size(), SIZE);
        again.host().load_state(&session).unwrap();
        until(&mut again, "the window grows again", |stage| stage.screen().size() == SIZE.map(|n| n * 5 / 4));
    }

    /// What can be counted: threads, open files, and what the display keeps for this process.
    fn counts(in_use: &InUse) -> [usize; 4] {
        [in_use.num_threads, in_use.num_files, in_use.num_connections, in_use.num_resources]
    }

    /// Allocated memory, kB.
    fn allocated_kb() -> usize {
        // SAFETY: it takes nothing and returns numbers.
        let memory = unsafe { libc::mallinfo2() };
        (memory.uordblks + memory.hblkhd) / 1024
    }

    #[test]
    #[ignore = "needs a display: on_a_virtual_display runs it"]
    fn a_hundred_openings_leak_nothing() {
        let mut stage = open(Situation::Demo, 1.0);
        stage.close_window();
        let (mut after_20, mut after_20_kb) = ([0; 4], 0);
        let mut window_kb = 0;
        for opening in 1..=120 {
            let closed_kb = allocated_kb();
            stage.open_window(1.0).unwrap();
            play(&mut stage, 2);
            window_kb = allocated_kb().saturating_sub(closed_kb);
            stage.close_window();
            if opening == 20 {
                after_20 = counts(&InUse::now(stage.screen()).unwrap());
                after_20_kb = allocated_kb();
            }
        }
        // System and display take a moment to clear away the last thread's.
        until(&mut stage, "threads, files, connections and resources go", |stage| {
            let now = counts(&InUse::now(stage.screen()).unwrap());
            now.iter().zip(after_20).all(|(now, then)| *now <= then)
        });
        let kept_kb = allocated_kb().saturating_sub(after_20_kb) / 100;
        eprintln!("a window allocates {window_kb} kB; of each opening {kept_kb} kB stay");
        // What stays is the window library's (baseview 0.4.2): it never gives the keyboard's map back, 130 kB.
        assert!(kept_kb < 200, "{kept_kb} kB of {window_kb}");
        stage.open_window(1.0).unwrap();
        play(&mut stage, 20);
        assert!(colours(&mut stage) > 30, "and it still opens");
    }

    /// Nothing here depends on how fast the machine is: times and shares are printed, counts are checked.
    #[test]
    #[ignore = "needs a display: on_a_virtual_display runs it"]
    fn figures_are_measured() {
        let lengths = Lengths { num_timed: 3, prelude_s: 1.0, stretch_s: 2.0, num_openings: 3 };
        let figures = Figures::measure(&crate::bundle::bundle(), 1.0, lengths).unwrap();
        assert!(figures.first_ms > 0.0);
        assert!(figures.later_ms.len() == 3 && figures.later_ms.is_sorted());
        for row in [figures.idle, figures.playing] {
            assert_eq!((row.closed.num_paints, row.hidden.num_paints), (0, 0), "{row:?}");
            assert_eq!(row.closed.window, 0.0, "a closed window has no thread: {row:?}");
        }
        assert!(figures.playing.open.num_paints > 0, "a song that plays is drawn");
        assert!(figures.playing.open.window > 0.0, "by threads of the window's own");
        assert_eq!(counts(&figures.in_use[0]), counts(&figures.in_use[1]));
        eprintln!("{figures}");
    }

    /// The host may unload the plug-in as soon as its window is closed.
    #[test]
    #[ignore = "needs a display: on_a_virtual_display runs it"]
    fn it_can_be_unloaded_at_once() {
        for _ in 0..10 {
            drop(open(Situation::Silence, 1.0));
        }
    }

    /// Hidden, it stays; shown again, it is drawn.
    #[test]
    #[ignore = "needs a display: on_a_virtual_display runs it"]
    fn it_can_be_hidden_and_shown() {
        let mut stage = open(Situation::Demo, 1.0);
        stage.host().show_window(false).unwrap();
        play(&mut stage, 30);
        assert!(colours(&mut stage) < 5, "only the host's own window is left");
        stage.host().show_window(true).unwrap();
        until(&mut stage, "it comes back", |stage| colours(stage) > 30);
    }
}
