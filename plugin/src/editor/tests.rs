//! The window without a screen: what is in it, and what mouse and keyboard do, as the host hears of it.

use std::cell::RefCell;
use std::rc::Rc;
use std::sync::{Arc, Mutex};

use egui::{Key, Modifiers, PointerButton, Rect, Role, Vec2, vec2};
use egui_kittest::kittest::{NodeT, Queryable};
use egui_kittest::{Harness, Node};
use minuend_engine::causes::{Causes, Kind};
use minuend_engine::{Energies, Evidence, Limit, Lock, Readings, Spectra, Withheld};
use nice_plug::prelude::*;

use super::*;
use crate::match_files::read;

/// What a host hears of a parameter.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Move {
    Begin,
    To(f32),
    End,
}

/// A host that does as it is told, at once.
#[derive(Default)]
struct FakeHost {
    moves: Mutex<Vec<(String, Move)>>,
}

impl FakeHost {
    fn note(&self, param: ParamPtr, what: Move) {
        // SAFETY: the tests keep the parameters as long as the window.
        let name = unsafe { param.name().to_owned() };
        self.moves.lock().unwrap().push((name, what));
    }
}

impl GuiContextInner for FakeHost {
    fn plugin_api(&self) -> PluginApi {
        PluginApi::Clap
    }

    unsafe fn raw_begin_set_parameter(&self, param: ParamPtr) {
        self.note(param, Move::Begin);
    }

    unsafe fn raw_set_parameter_normalized(&self, param: ParamPtr, normalized: f32) {
        // SAFETY: as above.
        let plain = unsafe {
            param._internal_set_normalized_value(normalized);
            param.preview_plain(normalized)
        };
        self.note(param, Move::To(plain));
    }

    unsafe fn raw_end_set_parameter(&self, param: ParamPtr) {
        self.note(param, Move::End);
    }

    fn get_state(&self) -> PluginState {
        unreachable!("the window asks for no state")
    }

    fn set_state(&self, _: PluginState) {
        unreachable!("the window sets no state")
    }

    fn request_restart(&self) {
        unreachable!("the window restarts nothing")
    }
}

/// The window, its host and its parameters.
struct Desk {
    harness: Harness<'static>,
    host: Arc<FakeHost>,
    controls: Arc<Controls>,
    view: Rc<RefCell<View>>,
    params: Arc<MinuendParams>,
    /// Where matches are kept.
    folder: tempfile::TempDir,
}

const SIZE: Vec2 = vec2(760.0, 720.0);

impl Desk {
    fn new() -> Self {
        Self::showing(SIZE, 1.0, locked())
    }

    fn showing(size: Vec2, pixels_per_point: f32, meters: Meters) -> Self {
        let host = Arc::new(FakeHost::default());
        let session = Arc::<MinuendParams>::default();
        let controls = session.controls.clone();
        let folder = tempfile::tempdir().unwrap();
        let kept = MatchFolder::at(folder.path().to_owned());
        let mut matches = MatchMenu::new(session.clone(), Some(kept));
        let view = Rc::new(RefCell::new(View::new(crate::look::Look::default())));
        let mut history = History::default();
        let Energies { mix, backing, product } = meters.readings.energies;
        for heard in 0..70 {
            let mut meters = meters;
            meters.readings.heard_samples = heard * 4_800;
            // They are counted up, like the rest.
            let [mix, backing, product] = [mix, backing, product].map(|energy| energy * heard as f64);
            meters.readings.energies = Energies { mix, backing, product };
            meters.spectra.num_frames = heard;
            history.take(&meters);
        }
        let (context, params, shared) = (host.clone(), controls.clone(), view.clone());
        let mut harness = Harness::builder()
            .with_size(size)
            .with_pixels_per_point(pixels_per_point)
            .with_max_steps(8)
            .with_step_dt(1.0 / 60.0)
            .build_ui(move |ui| {
                let setter = ParamSetter::new(&*context);
                let view = &mut shared.borrow_mut();
                show(ui, view, &mut matches, &meters, &history, &params, &setter);
            });
        harness.run();
        Self { harness, host, controls, view, params: session, folder }
    }

    fn slider<'a>(&'a self, name: &'a str) -> Node<'a> {
        self.harness.get_by_role_and_label(Role::Slider, name)
    }

    /// A number in its own unit.
    fn number(&self, name: &str) -> f32 {
        self.slider(name).accesskit_node().numeric_value().unwrap() as f32
    }

    /// A number as it is shown.
    fn shown(&self, name: &str) -> String {
        self.slider(name).value().unwrap()
    }

    fn group<'a>(&'a self, name: &'a str) -> Node<'a> {
        self.harness.get_by_role_and_label(Role::RadioGroup, name)
    }

    fn switch<'a>(&'a self, name: &'a str) -> Node<'a> {
        self.harness.get_by_role_and_label(Role::CheckBox, name)
    }

    fn press(&mut self, key: Key) {
        self.press_with(Modifiers::NONE, key);
    }

    fn press_with(&mut self, modifiers: Modifiers, key: Key) {
        self.harness.key_press_modifiers(modifiers, key);
        self.harness.run();
    }

    fn type_text(&mut self, text: &str) {
        self.harness.event(egui::Event::Text(text.into()));
        self.harness.run();
    }

    fn focus(&mut self, role: Role, name: &'static str) {
        self.harness.get_by_role_and_label(role, name).focus();
        self.harness.run();
    }

    fn click_at(&mut self, at: egui::Pos2) {
        self.harness.event(egui::Event::PointerMoved(at));
        for pressed in [true, false] {
            let (button, modifiers) = (PointerButton::Primary, Modifiers::NONE);
            self.harness.event(egui::Event::PointerButton { pos: at, button, pressed, modifiers });
        }
        self.harness.run();
    }

    /// Lets time pass, so that two clicks are not a double click.
    fn wait(&mut self) {
        self.harness.run_steps(40);
    }

    /// What the host heard since the last call.
    fn heard(&self) -> Vec<(String, Move)> {
        std::mem::take(&mut self.host.moves.lock().unwrap())
    }

    /// Checks that the host heard one whole gesture and nothing else; gives its values.
    fn gesture(&self, name: &str) -> Vec<f32> {
        let heard = self.heard();
        assert!(heard.iter().all(|(param, _)| param == name), "{name}: {heard:?}");
        let moves: Vec<_> = heard.iter().map(|(_, what)| *what).collect();
        let [Move::Begin, values @ .., Move::End] = &moves[..] else { panic!("{name}: {moves:?}") };
        let value = |what: &Move| match what {
            Move::To(value) => *value,
            _ => panic!("{name}: {moves:?}"),
        };
        values.iter().map(value).collect()
    }

    /// All that has a name, or is text: what it is, its name, and where.
    fn labelled(&self) -> Vec<(Role, String, Rect)> {
        let nodes = self.harness.root().children_recursive();
        let named = nodes.filter_map(|node| {
            let label = node.accesskit_node().label().or_else(|| node.value())?;
            Some((node.accesskit_node().role(), label, node.rect()))
        });
        named.collect()
    }

    fn focused(&self) -> Option<String> {
        let nodes = self.harness.root().children_recursive();
        let focused = nodes.into_iter().find(|node| node.accesskit_node().is_focused());
        focused.and_then(|node| node.accesskit_node().label())
    }
}

fn locked() -> Meters {
    let mut spectra = Spectra { num_frames: 1, ..Spectra::default() };
    spectra.mix = [1e-4; minuend_engine::spectra::NUM_BANDS];
    spectra.matched = spectra.mix;
    spectra.difference = spectra.mix.map(|x| 1e-3 * x);
    Meters {
        readings: Readings {
            lock: Lock::Locked,
            kept: Lock::Locked,
            mix_is_heard: true,
            delay_samples: 17_640.37,
            inverted: true,
            confidence: 12.0,
            level: [-1.36; 2],
            mix_db: -14.0,
            backing_db: -17.0,
            output_db: -22.0,
            null_depth_db: Some(41.26),
            ..Readings::default()
        },
        spectra,
        sample_rate_hz: 44_100.0,
        latency_samples: 25_856,
        stands: false,
        by_hand: false,
    }
}

/// The same song in a state in which nothing is subtracted.
fn unlocked(lock: Lock, kept: Lock, mix_is_heard: bool) -> Meters {
    let mut meters = locked();
    let readings = Readings { lock, kept, mix_is_heard, null_depth_db: None, ..meters.readings };
    meters.spectra.backing = meters.spectra.mix;
    Meters { readings, ..meters }
}

/// A match that is doubted: energies of the mix and of what is taken from it, and of their product, and how much of the mix is
/// left in each band.
fn doubted(mix: f64, backing: f64, product: f64, left: f32) -> Meters {
    let mut meters = locked();
    meters.readings.energies = Energies { mix, backing, product };
    meters.spectra.difference = meters.spectra.mix.map(|x| left * x);
    meters
}

/// Tab stops, in order: the order in which they are read.
const STOPS: [&str; 17] = [
    "Learn again",
    "Hold",
    "Bypass",
    "Match file",
    "Listen",
    "Trim",
    "Fine delay",
    "Polarity",
    "Output",
    "Backing is",
    "Tone match",
    "Level follow",
    "Clean-up",
    "Low-cut",
    "Low-cut slope",
    "Scale",
    "Look",
];

const NUMBERS: [(&str, f32); 5] =
    [("Trim", 0.1), ("Fine delay", 1.0), ("Output", 0.5), ("Clean-up", 10.0), ("Low-cut", 5.0)];

const CHOICES: [&str; 6] =
    ["Listen", "Polarity", "Backing is", "Tone match", "Level follow", "Low-cut slope"];

const SWITCHES: [&str; 2] = ["Hold", "Bypass"];

const BUTTON: &str = "Learn again";

#[test]
fn the_tab_key_goes_everywhere_and_comes_round() {
    let mut desk = Desk::new();
    let mut stops = Vec::new();
    for _ in 0..STOPS.len() {
        desk.press(Key::Tab);
        stops.push(desk.focused().expect("something has the keyboard"));
    }
    assert_eq!(stops, STOPS);
    desk.press_with(Modifiers::SHIFT, Key::Tab);
    assert_eq!(desk.focused().unwrap(), STOPS[STOPS.len() - 2]);
    desk.press(Key::Escape);
    assert_eq!(desk.focused(), None, "Escape gives the keyboard back");
    assert!(desk.heard().is_empty());
}

/// Every parameter is somewhere in the window, under its own name, and the tests below go through all of them.
#[test]
fn every_parameter_has_its_control() {
    let desk = Desk::new();
    let mut names: Vec<String> = desk
        .controls
        .param_map()
        .into_iter()
        // SAFETY: the parameters live as long as the desk.
        .map(|(_, param, _)| unsafe { param.name().to_owned() })
        .collect();
    for name in &names {
        assert!(STOPS.contains(&name.as_str()), "{name}");
    }
    let numbers = NUMBERS.map(|(name, _)| name);
    let mut tested = [&numbers[..], &CHOICES, &SWITCHES, &[BUTTON]].concat();
    tested.sort();
    names.sort();
    assert_eq!(tested, names);
}

#[test]
fn arrows_move_numbers_in_whole_gestures() {
    for (name, step) in NUMBERS {
        let mut desk = Desk::new();
        desk.focus(Role::Slider, name);
        let start = desk.number(name);
        for (modifiers, key, by) in [
            (Modifiers::NONE, Key::ArrowRight, step),
            (Modifiers::NONE, Key::ArrowUp, step),
            (Modifiers::NONE, Key::ArrowLeft, -step),
            (Modifiers::NONE, Key::ArrowDown, -step),
            (Modifiers::SHIFT, Key::ArrowRight, 0.1 * step),
            (Modifiers::SHIFT, Key::ArrowLeft, -0.1 * step),
        ] {
            let before = desk.number(name);
            desk.press_with(modifiers, key);
            let values = desk.gesture(name);
            assert_eq!(values.len(), 1);
            assert!((values[0] - before - by).abs() < 0.02 * step, "{name} {key:?}: {before} {values:?}");
            assert_eq!(values[0], desk.number(name));
        }
        assert!((desk.number(name) - start).abs() < 0.02 * step);
        desk.press(Key::PageUp);
        let paged = desk.gesture(name)[0];
        assert!(paged > start + step);
        desk.press(Key::PageDown);
        assert!(desk.gesture(name)[0] < paged - step);
        desk.press(Key::ArrowUp);
        desk.heard();
        desk.press(Key::Delete);
        assert_eq!(desk.gesture(name), [start], "{name}: Delete resets");
    }
}

#[test]
fn a_typed_value_is_taken_by_enter_and_left_by_escape() {
    let mut desk = Desk::new();
    desk.focus(Role::Slider, "Trim");
    for text in ["-", "3", ".", "5"] {
        desk.type_text(text);
    }
    assert!(desk.heard().is_empty(), "nothing moves while it is typed");
    desk.press(Key::Enter);
    assert_eq!(desk.shown("Trim"), "-3.500 dB");
    assert_eq!(desk.gesture("Trim").len(), 1);
    assert_eq!(desk.focused().as_deref(), Some("Trim"), "the keyboard stays with the ruler");

    desk.type_text("9");
    desk.press(Key::Escape);
    assert!(desk.heard().is_empty());
    assert_eq!(desk.shown("Trim"), "-3.500 dB");

    // Enter opens an entry with the whole value selected, so typing replaces it.
    desk.press(Key::Enter);
    desk.type_text("0,25 dB");
    desk.press(Key::Enter);
    assert_eq!(desk.gesture("Trim").len(), 1);
    assert_eq!(desk.shown("Trim"), "+0.250 dB");

    // What is no number is said to be none, and can be mended.
    desk.press(Key::Enter);
    desk.type_text("loud");
    desk.press(Key::Enter);
    assert!(desk.heard().is_empty());
    desk.harness.get_by_label_contains("Not a number");
    desk.press(Key::Escape);
    assert_eq!(desk.shown("Trim"), "+0.250 dB");

    // What is out of range stops at the end of it.
    desk.type_text("99");
    desk.press(Key::Enter);
    assert_eq!(desk.gesture("Trim"), [12.0]);
}

#[test]
fn every_number_can_be_typed_by_keyboard_and_by_mouse() {
    for ((name, _), (text, typed)) in
        NUMBERS.into_iter().zip([("-3.5", -3.5), ("2.25", 2.25), ("+6", 6.0), ("35", 35.0), ("120", 120.0)])
    {
        let mut desk = Desk::new();
        let default = desk.number(name);
        desk.focus(Role::Slider, name);
        desk.type_text(text);
        assert!(desk.heard().is_empty(), "{name}: nothing moves while it is typed");
        desk.press(Key::Enter);
        let taken = desk.gesture(name);
        // On the way to the host and back it is a single-precision share of the range.
        assert!(taken.len() == 1 && (taken[0] - typed).abs() < 1e-3, "{name}: {taken:?}");
        desk.press(Key::Backspace);
        assert_eq!(desk.gesture(name), [default], "{name}: Backspace resets");

        desk.click_at(desk.slider(name).rect().right_center() + vec2(60.0, 0.0));
        desk.type_text(text);
        assert!(desk.heard().is_empty(), "{name}: nothing moves while it is typed");
        desk.press(Key::Enter);
        assert_eq!(desk.gesture(name), taken);
        assert_eq!(desk.number(name), taken[0]);
    }
}

#[test]
fn a_click_on_the_value_opens_an_entry_and_the_tab_key_takes_it() {
    let mut desk = Desk::new();
    let ruler = desk.slider("Low-cut").rect();
    let value = ruler.right_center() + vec2(60.0, 0.0);
    desk.click_at(value);
    desk.type_text("0.12 kHz");
    desk.press(Key::Tab);
    assert_eq!(desk.gesture("Low-cut").len(), 1);
    assert_eq!(desk.shown("Low-cut"), "120.0 Hz");
}

#[test]
fn a_drag_is_one_gesture_and_a_double_click_resets() {
    for (name, _) in NUMBERS {
        let mut desk = Desk::new();
        let default = desk.number(name);
        let from = desk.slider(name).rect().center();
        desk.harness.drag_at(from);
        desk.harness.run();
        for x in [10.0, 20.0, 30.0] {
            desk.harness.hover_at(from + vec2(x, 0.0));
            desk.harness.run();
        }
        desk.harness.drop_at(from + vec2(30.0, 0.0));
        desk.harness.run();
        let values = desk.gesture(name);
        assert!(values.len() >= 2 && values.is_sorted(), "{name}: {values:?}");
        desk.wait();

        let at = desk.slider(name).rect().center();
        desk.click_at(at);
        assert!(desk.heard().is_empty(), "{name}: one click moves nothing");
        desk.click_at(at);
        assert_eq!(desk.gesture(name), [default], "{name}: a double click resets");
    }
}

#[test]
fn choices_are_made_by_click_and_by_arrow() {
    for name in CHOICES {
        let mut desk = Desk::new();
        let default = desk.group(name).value().unwrap();
        let options: Vec<(String, Rect)> = {
            let group = desk.group(name).rect();
            desk.harness
                .get_all_by_role(Role::RadioButton)
                .filter(|node| group.contains_rect(node.rect()))
                .map(|node| (node.accesskit_node().label().unwrap(), node.rect()))
                .collect()
        };
        assert!(options.len() >= 2, "{name}");
        for (idx, (option, rect)) in options.iter().enumerate() {
            if desk.group(name).value().as_ref() == Some(option) {
                continue;
            }
            desk.click_at(rect.center());
            assert_eq!(desk.gesture(name), [idx as f32]);
            assert_eq!(desk.group(name).value().as_ref(), Some(option));
            desk.wait();
        }
        desk.focus(Role::RadioGroup, name);
        for _ in &options {
            desk.press(Key::ArrowLeft);
        }
        assert_eq!(desk.group(name).value(), Some(options[0].0.clone()), "{name}: stops at the first");
        desk.heard();
        desk.press(Key::ArrowRight);
        assert_eq!(desk.gesture(name), [1.0]);

        let default_idx = options.iter().position(|(option, _)| *option == default).unwrap();
        let other_idx = if default_idx == 0 { 1 } else { 0 };
        let other = options[other_idx].1.center();
        let on_the_name = desk.group(name).rect().left_center() + vec2(10.0, 0.0);
        for reset in [Key::Delete, Key::Backspace] {
            desk.wait();
            desk.click_at(other);
            desk.heard();
            desk.focus(Role::RadioGroup, name);
            desk.press(reset);
            assert_eq!(desk.gesture(name), [default_idx as f32], "{name}: {reset:?} resets");
        }
        desk.wait();
        desk.click_at(other);
        desk.heard();
        desk.wait();
        desk.click_at(on_the_name);
        assert!(desk.heard().is_empty(), "{name}: one click on the name moves nothing");
        desk.click_at(on_the_name);
        assert_eq!(desk.gesture(name), [default_idx as f32], "{name}: a double click on the name resets");
        assert_eq!(desk.group(name).value(), Some(default));
    }
}

#[test]
fn switches_turn_by_click_by_space_and_by_enter() {
    for name in SWITCHES {
        let mut desk = Desk::new();
        desk.switch(name).click();
        desk.harness.run();
        assert_eq!(desk.gesture(name), [1.0]);
        desk.focus(Role::CheckBox, name);
        desk.press(Key::Space);
        assert_eq!(desk.gesture(name), [0.0]);
        desk.press(Key::Enter);
        assert_eq!(desk.gesture(name), [1.0]);
    }
}

/// It acts when it goes on, so a press turns it off before and lets it go after.
#[test]
fn learn_again_is_pressed_once_by_click_by_space_and_by_enter() {
    let mut desk = Desk::new();
    let presses = desk.controls.relearn_presses.clone();
    for (idx, key) in [None, Some(Key::Space), Some(Key::Enter)].into_iter().enumerate() {
        if let Some(key) = key {
            desk.focus(Role::Button, BUTTON);
            desk.press(key);
        } else {
            desk.harness.get_by_label(BUTTON).click();
            desk.harness.run();
        }
        assert_eq!(presses.load(std::sync::atomic::Ordering::Relaxed), idx as u32 + 1);
        let gesture = |value| [Move::Begin, Move::To(value), Move::End];
        let expected = [0.0, 1.0, 0.0].map(gesture).concat();
        let heard: Vec<_> = desk.heard();
        assert!(heard.iter().all(|(name, _)| name == BUTTON));
        assert_eq!(heard.into_iter().map(|(_, what)| what).collect::<Vec<_>>(), expected);
        assert!(!desk.controls.relearn.value(), "it is let go");
    }
}

/// The mouse leaves the keyboard to the host: only the Tab key and an open entry take it.
#[test]
fn a_click_does_not_take_the_keyboard() {
    let mut desk = Desk::new();
    for at in [desk.slider("Trim").rect().center(), desk.switch("Hold").rect().center()] {
        desk.click_at(at);
        assert!(!desk.harness.ctx.egui_wants_keyboard_input());
        desk.wait();
    }
}

/// Nothing is cut off at the sides, at any size and scale, and what does not fit in height comes into sight when it gets
/// the keyboard.
#[test]
fn everything_is_within_reach_at_every_size_and_scale() {
    for size in [vec2(480.0, 360.0), vec2(620.0, 500.0), SIZE, vec2(1_600.0, 1_100.0)] {
        for scale in [1.0, 2.0, 3.0] {
            let mut desk = Desk::showing(size, scale, locked());
            for node in desk.harness.root().children_recursive() {
                // What has no name is the scroll bar, which lies on the edge.
                let Some(label) = node.accesskit_node().label() else { continue };
                let rect = node.rect();
                let inside = rect.left() >= -0.5 && rect.right() <= size.x + 0.5;
                assert!(inside, "{size} at {scale}: {label} {rect}");
            }
            let screen = Rect::from_min_size(egui::Pos2::ZERO, size);
            for stop in STOPS {
                desk.press(Key::Tab);
                desk.harness.run_steps(2);
                assert_eq!(desk.focused().as_deref(), Some(stop));
                let nodes = desk.harness.root().children_recursive();
                let node = nodes.into_iter().find(|node| node.accesskit_node().is_focused()).unwrap();
                let rect = node.rect();
                assert!(screen.contains_rect(rect), "{stop} at {size}, {scale}: {rect}");
            }
        }
    }
}

/// Whatever has something to say when the mouse rests on it says it whole, within the window.
#[test]
fn hover_texts_are_whole() {
    const SAY_SOMETHING: [Role; 6] =
        [Role::Image, Role::Slider, Role::RadioButton, Role::CheckBox, Role::Button, Role::Label];
    for size in [vec2(480.0, 360.0), SIZE] {
        for scale in [1.0, 3.0] {
            let mut desk = Desk::showing(size, scale, locked());
            // Texts come at once, to save steps.
            desk.harness.ctx.all_styles_mut(|style| style.interaction.tooltip_delay = 0.0);
            let screen = Rect::from_min_size(egui::Pos2::ZERO, size);
            let at_rest = desk.labelled();
            let mut told = Vec::new();
            for (role, label, rect) in &at_rest {
                if !SAY_SOMETHING.contains(role) || !screen.contains(rect.center()) {
                    continue;
                }
                desk.harness.hover_at(rect.center());
                // The mouse is at rest once it has not moved for a tenth of a second.
                desk.harness.run_steps(9);
                let tips = desk
                    .labelled()
                    .into_iter()
                    .filter(|(_, tip, _)| at_rest.iter().all(|(_, label, _)| label != tip));
                let tips: Vec<_> = tips.collect();
                // Running text says all it has to say.
                if *role == Role::Label && tips.is_empty() {
                    continue;
                }
                assert_eq!(tips.len(), 1, "{label} at {size}, {scale}: {tips:?}");
                assert!(screen.contains_rect(tips[0].2), "{label} at {size}, {scale}: {tips:?}");
                told.push(label);
            }
            for finding in ["Delay", "Drift", "Polarity", "Confidence", "Matched level", "Levels"] {
                let name = format!("{finding}: ");
                assert!(
                    told.iter().any(|label| label.starts_with(&name)),
                    "{finding} at {size}, {scale}: {told:?}"
                );
            }
        }
    }
}

/// The same is told to those who do not see it.
#[test]
fn pictures_and_values_are_told_in_words() {
    let desk = Desk::new();
    for told in [
        "Null depth over time, dB: now 41.3 dB",
        "Null depth by frequency, dB: 30 dB where it is shallowest",
        "Level follower, dB: now still",
        "Spectra, dB",
        "Levels: mix in \u{2212}14.0 dB, backing in \u{2212}17.0 dB, output \u{2212}22.0 dB",
    ] {
        desk.harness.get_by_label_contains(told);
    }
    for (name, value) in [("Trim", "0.000 dB"), ("Low-cut", "80.0 Hz"), ("Clean-up", "50 %")] {
        assert_eq!(desk.slider(name).value().as_deref(), Some(value));
    }
    assert_eq!(desk.group("Listen").value().as_deref(), Some("Difference"));
}

#[test]
fn a_screen_reader_can_move_every_number() {
    for (name, step) in NUMBERS {
        let mut desk = Desk::new();
        let default = desk.number(name);
        desk.slider(name).increment_accesskit();
        desk.harness.run();
        let raised = desk.gesture(name);
        assert!(raised.len() == 1 && (raised[0] - default - step).abs() < 0.02 * step, "{name}: {raised:?}");
        desk.slider(name).decrement_accesskit();
        desk.harness.run();
        assert!((desk.gesture(name)[0] - default).abs() < 0.02 * step, "{name}");
    }
}

#[test]
fn empty_states_say_what_to_do() {
    let idle = Meters { sample_rate_hz: 48_000.0, ..Meters::default() };
    let desk = Desk::showing(SIZE, 1.0, idle);
    desk.harness.get_by_label("Nothing plays");
    desk.harness.get_by_label("Press play, with the backing routed to this plug-in's sidechain.");
    desk.harness.get_by_label(words::NO_NULL_YET);
    let desk = Desk::showing(SIZE, 1.0, Meters::default());
    desk.harness.get_by_label("Not running");
    let fast = Meters { sample_rate_hz: 384_000.0, ..Meters::default() };
    let desk = Desk::showing(SIZE, 1.0, fast);
    desk.harness.get_by_label("Rate not supported");
    desk.harness.get_by_label(
        "Minuend works at 8 to 192 kHz: at 384 kHz the mix passes. Set the host to another sample rate.",
    );
    desk.harness.get_by_label("Levels: mix in \u{2013}, backing in \u{2013}, output \u{2013}");
    let sings = Meters { readings: Readings { null_depth_db: None, ..locked().readings }, ..locked() };
    let desk = Desk::showing(SIZE, 1.0, sings);
    desk.harness.get_by_label("cannot tell: the voice sings, or the null is uneven");
}

/// Whatever is told of the null depth, a figure or a reason of two lines, what is below it stays where it is.
#[test]
fn the_pictures_stand_still_while_reasons_come_and_go() {
    let picture = |null_depth_db, withheld, causes| {
        let readings = Readings { null_depth_db, withheld, causes, knows_causes: true, ..locked().readings };
        let desk = Desk::showing(SIZE, 1.0, Meters { readings, ..locked() });
        desk.harness.get_by_label_contains("Null depth over time, dB").rect()
    };
    let usual = picture(Some(41.26), Withheld::NoRest, Causes::default());
    let longest = Withheld::Forbidden(Kind::Clipping);
    let evidence = Evidence { limit: Limit::Bend, figure_db: 27.0 };
    let estimated = Causes::default().with_evidence(Some(evidence));
    let reasons = [Withheld::NoRest, Withheld::AlignmentChanged, Withheld::CausesUnknown, longest];
    for withheld in reasons.into_iter().chain([Withheld::AtLeast(40.0)]) {
        for causes in [Causes::default(), estimated] {
            assert_eq!(picture(None, withheld, causes), usual, "{withheld:?}, {causes:?}");
        }
    }
}

/// In no state, and by no warning, is anything moved that can be taken hold of.
#[test]
fn the_controls_stand_still_whatever_is_the_matter() {
    let place = |meters: Meters| Desk::showing(SIZE, 1.0, meters).harness.get_by_label(BUTTON).rect();
    let late = |late_samples: f64| {
        let mut meters = unlocked(Lock::TooLate, Lock::TooLate, true);
        (meters.readings.delay_samples, meters.readings.late_samples) = (-late_samples, late_samples);
        meters
    };
    let warned = |late_jobs, bad_samples| {
        let readings = Readings { late_jobs, bad_samples, ..locked().readings };
        Meters { readings, ..locked() }
    };
    let usual = place(locked());
    let unknown = Lock::Searching;
    for meters in [
        warned(12, 0),
        warned(0, 123_456),
        late(25_856.0),
        late(8_216.0),
        late(123_456.0),
        unlocked(Lock::NoBacking, unknown, false),
        unlocked(Lock::NoBacking, unknown, true),
        unlocked(Lock::NoBacking, Lock::Locked, false),
        unlocked(Lock::NoBacking, Lock::Locked, true),
        unlocked(unknown, unknown, true),
        unlocked(unknown, unknown, false),
        unlocked(Lock::Lost, Lock::Lost, true),
        Meters::default(),
        Meters { sample_rate_hz: 384_000.0, ..locked() },
        doubted(1.0, 2.0, 1.0, 1.1),
        doubted(2.0, 1.0, 0.1, 1.1),
        doubted(2.0, 1.0, 1.0, 1.1),
        doubted(2.0, 1e-3, 1e-3, 0.1),
    ] {
        assert_eq!(place(meters), usual, "{:?}", meters.readings);
    }
}

/// And is told to those who do not see it.
#[test]
fn a_doubt_stands_where_the_state_does() {
    for (meters, name) in [
        (doubted(1.0, 2.0, 1.0, 1.1), "Roles swapped"),
        (doubted(2.0, 1.0, 0.1, 1.1), "Not this recording"),
        (doubted(2.0, 1.0, 1.0, 1.1), "Backing holds more"),
        (doubted(2.0, 1e-3, 1e-3, 0.1), "Hardly any taken"),
        (doubted(2.0, 1.0, 1.0, 0.1), "Locked"),
        (Meters { by_hand: true, ..doubted(1.0, 2.0, 1.0, 1.1) }, "Locked"),
    ] {
        Desk::showing(SIZE, 1.0, meters).harness.get_by_label(name);
    }
}

/// Before anything was subtracted one picture stands for four: that of what is heard, the backing too.
#[test]
fn while_it_searches_mix_and_backing_are_drawn() {
    let desk = Desk::showing(SIZE, 1.0, unlocked(Lock::Searching, Lock::Searching, true));
    assert_eq!(desk.harness.get_all_by_role(Role::Image).count(), 1);
    desk.harness.get_by_label("Spectra, dB: mix and backing");
    desk.harness.get_by_label(words::NO_NULL_YET);
    assert_eq!(Desk::new().harness.get_all_by_role(Role::Image).count(), 4);
}

#[test]
fn scale_and_look_are_chosen_in_the_window() {
    let mut desk = Desk::new();
    desk.focus(Role::RadioGroup, "Scale");
    desk.press(Key::ArrowRight);
    assert_eq!(desk.harness.ctx.zoom_factor(), 1.25);
    desk.focus(Role::RadioGroup, "Look");
    desk.press(Key::ArrowRight);
    assert_eq!(*desk.view.borrow().theme(), theme::SLATE);
    assert!(desk.heard().is_empty());
}

/// A window in which nothing happens asks for no new picture. (`run` fails if it does.)
#[test]
fn it_comes_to_rest() {
    let mut desk = Desk::new();
    assert!(desk.harness.run() <= 2);
}

#[test]
fn the_match_goes_to_a_file_and_comes_back() {
    let mut desk = Desk::new();
    let choose = |desk: &mut Desk, what: &'static str| {
        desk.harness.get_by_label("Match file").click();
        desk.harness.run();
        desk.harness.get_by_label(what).click();
        desk.harness.run();
    };
    // Nothing was learned, so nothing is written.
    choose(&mut desk, "Write the match to a new file");
    assert_eq!(std::fs::read_dir(desk.folder.path()).unwrap().count(), 0);

    let found = crate::state::example::learned();
    desk.params.session.take_over(found.clone());
    choose(&mut desk, "Write the match to a new file");
    assert_eq!(read(&desk.folder.path().join("Match 1.match")).unwrap(), found);
    assert!(desk.harness.query_by_label_contains("Written: ").is_some());

    let mut other = found.clone();
    other.learned_s += 1.0;
    desk.params.session.take_over(other);
    choose(&mut desk, "Take the match of Match 1");
    assert_eq!(desk.params.session.learned(), Some(found));
    assert!(desk.harness.query_by_label_contains("Taken from ").is_some());
}
