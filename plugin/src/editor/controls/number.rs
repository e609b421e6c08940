//! A number on a ruler.
//!
//! Mouse: drag anywhere on the ruler, with Shift ten times finer; double click resets; a click on the value opens an
//! entry. Keyboard: arrows, with Shift ten times finer; Page keys ten times coarser; Delete resets; Enter or a digit
//! opens an entry, in which Enter takes the value and Escape leaves the old one.

use egui::text::CCursor;
use egui::text_selection::CCursorRange;
use egui::{
    Align2, CursorIcon, Event, EventFilter, Id, Key, Modifiers, Rect, Role, Sense, Stroke, TextEdit, Ui,
    WidgetInfo, accesskit, pos2, vec2,
};
use nice_plug::prelude::*;

use super::{Panel, focus_ring};
use crate::editor::theme;

/// Room for the value, points.
const VALUE_WIDTH: f32 = 104.0;
/// Parts of a ruler.
const TICKS: usize = 20;
/// How long a value that was asked for stands for the parameter's own, which follows with the next audio block, s.
const ASKED_S: f64 = 0.3;

/// A value being typed.
#[derive(Clone, Default)]
struct Entry {
    text: String,
    /// Not shown yet.
    fresh: bool,
    /// All of it is to be typed over.
    select: bool,
    /// It was no number.
    wrong: bool,
}

/// A value that was asked for, and when.
#[derive(Clone, Copy)]
struct Asked {
    normalized: f32,
    at_s: f64,
}

impl Panel<'_> {
    /// A row for a number; an arrow key moves it by `step`, of which a tenth is at least the parameter's own step.
    pub(super) fn number(&self, ui: &mut Ui, param: &FloatParam, step: f32, help: &str) {
        let [label, control] = self.row(ui, param.name());
        let (ruler, value) = control.split_left_right_at_x(control.right() - VALUE_WIDTH);
        let ruler = Rect::from_x_y_ranges(ruler.left() + 6.0..=ruler.right() - 10.0, ruler.y_range());
        let id = ui.scope_id().with(param.name());
        let whole = Rect::from_min_max(label.min, pos2(ruler.right() + 6.0, control.bottom()));
        let response = ui.interact(whole, id, Sense::click_and_drag());

        let (now_s, shift) = ui.input(|input| (input.time, input.modifiers.shift));
        let asked = ui.data(|data| data.get_temp::<Asked>(id)).filter(|asked| now_s - asked.at_s < ASKED_S);
        let mut normalized = asked.map_or(param.unmodulated_normalized_value(), |asked| asked.normalized);
        let ask = |normalized: f32| {
            ui.data_mut(|data| data.insert_temp(id, Asked { normalized, at_s: now_s }));
        };

        if response.drag_started() {
            self.host.begin_set_parameter(param);
        }
        if response.dragged() && response.drag_delta().x != 0.0 {
            let fine = if shift { 0.1 } else { 1.0 };
            normalized = (normalized + fine * response.drag_delta().x / ruler.width()).clamp(0.0, 1.0);
            self.host.set_parameter(param, param.preview_plain(normalized));
            ask(normalized);
        } else if response.dragged() {
            ask(normalized);
        }
        if response.drag_stopped() {
            self.host.end_set_parameter(param);
        }

        let mut reset = response.double_clicked();
        let mut steps = self.asked_by_assistant(ui, id);
        if response.has_focus() {
            let keys =
                EventFilter { horizontal_arrows: true, vertical_arrows: true, ..EventFilter::default() };
            ui.memory_mut(|memory| memory.set_focus_lock_filter(id, keys));
            ui.input_mut(|input| {
                for (key, sign) in [
                    (Key::ArrowRight, 1.0),
                    (Key::ArrowUp, 1.0),
                    (Key::ArrowLeft, -1.0),
                    (Key::ArrowDown, -1.0),
                ] {
                    steps += 0.1 * sign * input.count_and_consume_key(Modifiers::SHIFT, key) as f32;
                    steps += sign * input.count_and_consume_key(Modifiers::NONE, key) as f32;
                }
                for (key, sign) in [(Key::PageUp, 10.0), (Key::PageDown, -10.0)] {
                    steps += sign * input.count_and_consume_key(Modifiers::NONE, key) as f32;
                }
                for key in [Key::Delete, Key::Backspace] {
                    reset |= input.consume_key(Modifiers::NONE, key);
                }
            });
        }
        if steps != 0.0 {
            let value = param.preview_plain(normalized) + steps * step;
            normalized = param.preview_normalized(value).clamp(0.0, 1.0);
            self.set(param, param.preview_plain(normalized));
            ask(normalized);
        }
        if reset {
            normalized = param.default_normalized_value();
            self.set(param, param.default_plain_value());
            ask(normalized);
        }

        let shown = param.normalized_value_to_string(normalized, true);
        self.value(ui, id, value, param, &shown, response.has_focus());
        self.ruler(ui, ruler, normalized, param.default_normalized_value());
        focus_ring(ui, self.theme, &response, ruler.expand2(vec2(5.0, 0.0)));
        if response.hovered() {
            ui.set_cursor_icon(CursorIcon::ResizeHorizontal);
        }
        response.widget_info(|| {
            WidgetInfo::slider(true, f64::from(param.preview_plain(normalized)), param.name())
        });
        ui.ctx().accesskit_node_builder(id, |node| {
            node.set_value(shown.clone());
            node.set_min_numeric_value(f64::from(param.preview_plain(0.0)));
            node.set_max_numeric_value(f64::from(param.preview_plain(1.0)));
            node.set_numeric_value_step(f64::from(step));
            node.add_action(accesskit::Action::Increment);
            node.add_action(accesskit::Action::Decrement);
        });
        response.on_hover_text(format!(
            "{help}\n\nDrag, or type a value; double click resets it to {}.",
            param.normalized_value_to_string(param.default_normalized_value(), true)
        ));
    }

    fn asked_by_assistant(&self, ui: &Ui, id: Id) -> f32 {
        use accesskit::Action::{Decrement, Increment};
        ui.input(|input| {
            let count = |action| input.num_accesskit_action_requests(id, action) as f32;
            count(Increment) - count(Decrement)
        })
    }

    /// The value as text, or the entry in its place.
    fn value(&self, ui: &mut Ui, ruler: Id, rect: Rect, param: &FloatParam, shown: &str, has_focus: bool) {
        let id = ruler.with("entry");
        let entry = ui.data(|data| data.get_temp::<Entry>(id));
        if let Some(mut entry) = entry {
            self.entry(ui, ruler, id, rect, param, &mut entry);
            return;
        }
        // No stop of its own for the Tab key: the ruler takes what is typed.
        let response = ui.interact(rect, id.with("shown"), Sense::CLICK);
        let mut opened = response.clicked().then(|| Entry {
            text: shown.to_owned(),
            fresh: true,
            select: true,
            wrong: false,
        });
        if has_focus {
            let typed: String = ui.input(|input| {
                let texts = input.events.iter().filter_map(|event| match event {
                    Event::Text(text) => Some(text.as_str()),
                    _ => None,
                });
                texts.collect()
            });
            if typed.starts_with(|c: char| c.is_ascii_digit() || "+-\u{2212}.,".contains(c)) {
                opened = Some(Entry { text: typed, fresh: true, ..Entry::default() });
            } else if ui.input_mut(|input| input.consume_key(Modifiers::NONE, Key::Enter)) {
                opened = Some(Entry { text: shown.to_owned(), fresh: true, select: true, wrong: false });
            }
        }
        if let Some(entry) = opened {
            ui.data_mut(|data| data.insert_temp(id, entry));
            ui.request_repaint();
        }
        let text = shown.replace('-', "\u{2212}");
        let at = rect.right_center() - vec2(6.0, 0.0);
        ui.painter().text(at, Align2::RIGHT_CENTER, text, theme::figures(), self.theme.ink);
        let line = Stroke::new(1.0, if response.hovered() { self.theme.accent } else { self.theme.pale_ink });
        ui.painter().hline(rect.x_range().shrink(1.0), rect.bottom() - 3.0, line);
        if response.hovered() {
            ui.set_cursor_icon(CursorIcon::Text);
        }
        response.on_hover_text("Click to type a value.");
    }

    fn entry(&self, ui: &mut Ui, ruler: Id, id: Id, rect: Rect, param: &FloatParam, entry: &mut Entry) {
        let edit = id.with("edit");
        let mut output = ui
            .scope_builder(egui::UiBuilder::new().max_rect(rect), |ui| {
                TextEdit::singleline(&mut entry.text)
                    .id(edit)
                    .font(theme::figures())
                    .align(Align2::RIGHT_CENTER)
                    .desired_width(rect.width() - 12.0)
                    .show(ui)
            })
            .inner;
        if entry.fresh {
            let all = CCursorRange::two(CCursor::default(), CCursor::new(entry.text.chars().count()));
            let end = CCursorRange::one(CCursor::new(entry.text.chars().count()));
            output.state.cursor.set_char_range(Some(if entry.select { all } else { end }));
            output.state.clone().store(ui.ctx(), edit);
            output.response.request_focus();
            entry.fresh = false;
            ui.request_repaint();
        }
        let response = &output.response.response;
        focus_ring(ui, self.theme, response, response.rect.shrink(1.0));
        response.widget_info(|| {
            let mut info = WidgetInfo::labeled(Role::TextInput, true, param.name());
            info.current_text_value = Some(entry.text.clone());
            info
        });
        entry.wrong &= !response.changed();
        if entry.wrong {
            response.show_tooltip_text("Not a number. Type for example 0.5 or \u{2212}1.");
        }
        let mut open = true;
        if response.lost_focus() {
            let (enter, escape) =
                ui.input(|input| (input.key_pressed(Key::Enter), input.key_pressed(Key::Escape)));
            let value = param.string_to_normalized_value(&entry.text).map(|v| param.preview_plain(v));
            match value {
                Some(value) if !escape => {
                    self.set(param, value);
                    let asked = Asked {
                        normalized: param.preview_normalized(value),
                        at_s: ui.input(|input| input.time),
                    };
                    ui.data_mut(|data| data.insert_temp(ruler, asked));
                    open = false;
                }
                None if enter => {
                    entry.wrong = true;
                    response.request_focus();
                }
                _ => open = false,
            }
            if !open && (enter || escape) {
                ui.memory_mut(|memory| memory.request_focus(ruler));
            }
        }
        ui.data_mut(|data| {
            if open {
                data.insert_temp(id, entry.clone());
            } else {
                data.remove::<Entry>(id);
            }
        });
    }

    /// A scale with a mark where the value is, and a bar from the default to it.
    fn ruler(&self, ui: &Ui, rect: Rect, normalized: f32, default: f32) {
        let painter = ui.painter();
        let x = |at: f32| egui::lerp(rect.x_range(), at);
        let base = rect.bottom() - 5.0;
        let line = Stroke::new(1.0, self.theme.pale_ink);
        painter.hline(rect.x_range(), base, line);
        for tick in 0..=TICKS {
            let height = if tick % 5 == 0 { 7.0 } else { 4.0 };
            painter.vline(x(tick as f32 / TICKS as f32), base - height..=base, line);
        }
        let bar = Rect::from_two_pos(pos2(x(default), base), pos2(x(normalized), base + 3.0));
        painter.rect_filled(bar, 0.0, self.theme.accent);
        let tip = pos2(x(normalized), base - 1.0);
        painter.add(egui::Shape::convex_polygon(
            vec![tip, tip + vec2(-5.5, -9.0), tip + vec2(5.5, -9.0)],
            self.theme.accent,
            Stroke::new(1.0, self.theme.page),
        ));
    }
}
