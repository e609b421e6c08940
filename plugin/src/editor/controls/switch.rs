//! Something that is on or off. A click, Space or Enter turn it.

use egui::{Align2, Rect, Role, Sense, Stroke, StrokeKind, Ui, WidgetInfo, pos2, vec2};
use nice_plug::prelude::*;

use super::{Panel, focus_ring};
use crate::editor::theme;

/// Side of the box, points.
const BOX: f32 = 14.0;

impl Panel<'_> {
    /// A box that is ticked or not, with its name beside it.
    pub(super) fn switch(&self, ui: &mut Ui, param: &BoolParam, help: &str) {
        let on = param.unmodulated_plain_value();
        let name = ui.painter().layout_no_wrap(param.name().to_owned(), theme::body(), self.theme.ink);
        let size = vec2(BOX + theme::GAP + name.size().x, theme::ROW);
        let (rect, response) = ui.allocate_exact_size(size, Sense::click());
        let square = Rect::from_center_size(pos2(rect.left() + 0.5 * BOX, rect.center().y), vec2(BOX, BOX));
        let painter = ui.painter();
        let edge = if response.hovered() { self.theme.accent } else { self.theme.ink };
        painter.rect_stroke(square, 0.0, Stroke::new(1.5, edge), StrokeKind::Inside);
        if on {
            let tick = [vec2(-4.0, 0.0), vec2(-1.0, 4.0), vec2(5.0, -6.0)].map(|at| square.center() + at);
            painter.line(tick.to_vec(), Stroke::new(2.5, self.theme.accent));
        }
        let at = Align2::RIGHT_CENTER.anchor_size(rect.right_center(), name.size()).min;
        painter.galley(at, name, self.theme.ink);
        focus_ring(ui, self.theme, &response, rect);
        response.widget_info(|| WidgetInfo::selected(Role::CheckBox, true, on, param.name()));
        if response.clicked() {
            self.set(param, !on);
        }
        response.on_hover_text(help);
    }
}
