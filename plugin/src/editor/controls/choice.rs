//! A choice of few, all of them in sight.
//!
//! Mouse: a click chooses, a double click on the name resets. Keyboard: one stop for the Tab key, arrows go from one to
//! the next, Delete resets.

use egui::{
    Align2, EventFilter, Key, Modifiers, Rect, Role, Sense, Stroke, StrokeKind, Ui, Vec2, WidgetInfo, pos2,
    vec2,
};
use nice_plug::prelude::*;

use super::{NAME_WIDTH, Panel, focus_ring};
use crate::editor::theme::{self, Theme};

/// Space beside a word, points.
const PADDING: f32 = 7.0;

/// Words in boxes side by side, the current one inked.
pub struct Choice<'a> {
    /// The look.
    pub theme: &'a Theme,
    /// What is chosen.
    pub name: &'a str,
    /// From what.
    pub options: &'a [&'a str],
    /// Which it is.
    pub current: usize,
    /// Which it is by default.
    pub default: usize,
    /// What it does.
    pub help: &'a str,
}

impl Choice<'_> {
    /// Draws it, as wide as it needs, the name in a column of this width; gives what was chosen anew.
    pub fn show(&self, ui: &mut Ui, name_width: f32) -> Option<usize> {
        let galleys: Vec<_> = self
            .options
            .iter()
            .enumerate()
            .map(|(idx, option)| {
                let colour = if idx == self.current { self.theme.page } else { self.theme.ink };
                (ui.painter().layout_no_wrap((*option).to_owned(), theme::body(), colour), colour)
            })
            .collect();
        let width: f32 = galleys.iter().map(|(galley, _)| galley.size().x + 2.0 * PADDING).sum();
        let (whole, _) = ui.allocate_exact_size(vec2(name_width + width, theme::ROW), Sense::empty());
        let (label, boxes) = whole.split_left_right_at_x(whole.left() + name_width);
        let ink = self.theme.ink;
        ui.painter().text(label.left_center(), Align2::LEFT_CENTER, self.name, theme::body(), ink);

        let mut chosen = self.current;
        let id = ui.scope_id().with(self.name);
        let group = ui.interact(whole, id, Sense::focusable_noninteractive());
        let name = ui.interact(label, id.with("name"), Sense::CLICK);
        if name.double_clicked() {
            chosen = self.default;
        }
        if group.has_focus() {
            let keys =
                EventFilter { horizontal_arrows: true, vertical_arrows: true, ..EventFilter::default() };
            ui.memory_mut(|memory| memory.set_focus_lock_filter(id, keys));
            ui.input_mut(|input| {
                let mut count = |key| input.count_and_consume_key(Modifiers::NONE, key);
                let forward = count(Key::ArrowRight) + count(Key::ArrowDown);
                let back = count(Key::ArrowLeft) + count(Key::ArrowUp);
                chosen = (chosen + forward).saturating_sub(back).min(self.options.len() - 1);
                if count(Key::Delete) + count(Key::Backspace) > 0 {
                    chosen = self.default;
                }
            });
        }
        focus_ring(ui, self.theme, &group, boxes);
        let mut x = boxes.left();
        for (idx, (galley, colour)) in galleys.into_iter().enumerate() {
            let size = vec2(galley.size().x + 2.0 * PADDING, boxes.height());
            let rect = Rect::from_min_size(pos2(x, boxes.top()), size).shrink2(vec2(0.0, 1.0));
            x = rect.right();
            let response = ui.interact(rect, id.with(idx), Sense::CLICK);
            if response.clicked() {
                chosen = idx;
            }
            let is_current = idx == self.current;
            let option = self.options[idx];
            response.widget_info(|| WidgetInfo::selected(Role::RadioButton, true, is_current, option));
            let painter = ui.painter();
            if is_current {
                painter.rect_filled(rect, 0.0, ink);
            }
            let edge = if response.hovered() { self.theme.accent } else { self.theme.pale_ink };
            painter.rect_stroke(rect, 0.0, Stroke::new(1.0, edge), StrokeKind::Inside);
            let at = Align2::CENTER_CENTER.anchor_size(rect.center(), galley.size()).min;
            painter.galley(at, galley, colour);
            if !self.help.is_empty() {
                response.on_hover_text(self.help);
            }
        }
        group.widget_info(|| WidgetInfo::labeled(Role::RadioGroup, true, self.name));
        ui.ctx().accesskit_node_builder(id, |node| node.set_value(self.options[self.current]));
        let default = self.options[self.default];
        name.on_hover_text(format!("{}\n\nDouble click resets it to {default}.", self.help));
        (chosen != self.current).then_some(chosen)
    }
}

impl Panel<'_> {
    /// A row for a choice.
    pub(super) fn choice<T: Enum + PartialEq>(&self, ui: &mut Ui, param: &EnumParam<T>, help: &str) {
        ui.spacing_mut().item_spacing = Vec2::splat(theme::GAP);
        let choice = Choice {
            theme: self.theme,
            name: param.name(),
            options: T::variants(),
            current: param.unmodulated_plain_value().to_index(),
            default: param.default_plain_value().to_index(),
            help,
        };
        if let Some(chosen) = choice.show(ui, NAME_WIDTH) {
            self.set(param, T::from_index(chosen));
        }
    }
}
