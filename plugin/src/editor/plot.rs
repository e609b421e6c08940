//! What all pictures share: a field with a title, and a scale along its left edge.

use egui::{Align2, Color32, Pos2, Rect, Response, Role, Sense, Shape, Stroke, Ui, WidgetInfo, pos2, vec2};

use super::theme::{self, Theme};

/// Room for the numbers of the scale, points.
const SCALE_WIDTH: f32 = 34.0;
/// Room for the title.
const TITLE_HEIGHT: f32 = 25.0;
/// Room for the numbers below.
const FOOT_HEIGHT: f32 = 16.0;

/// A picture being drawn.
pub struct Plot {
    painter: egui::Painter,
    theme: Theme,
    /// Where curves go.
    area: Rect,
    /// Values at the top and at the bottom.
    top: f32,
    bottom: f32,
    /// To hang a tooltip on.
    pub response: Response,
}

impl Plot {
    /// Allots room and draws the field. `told` says the same as the picture, for those who do not see it.
    pub fn new(ui: &mut Ui, theme: &Theme, size: egui::Vec2, title: &str, told: String) -> Self {
        let (rect, response) = ui.allocate_exact_size(size, Sense::HOVER);
        response.widget_info(|| WidgetInfo::labeled(Role::Image, true, format!("{title}: {told}")));
        let painter = ui.painter_at(rect);
        painter.rect_filled(rect, 0.0, theme.field);
        painter.hline(rect.x_range(), rect.top() + 0.5, Stroke::new(1.0, theme.pale_ink));
        painter.text(
            rect.left_top() + vec2(GUTTER, 3.0),
            Align2::LEFT_TOP,
            title,
            theme::small(),
            theme.pale_ink,
        );
        let area = Rect::from_min_max(
            rect.left_top() + vec2(SCALE_WIDTH, TITLE_HEIGHT),
            rect.right_bottom() - vec2(GUTTER, FOOT_HEIGHT),
        );
        Self { painter, theme: *theme, area, top: 1.0, bottom: 0.0, response }
    }

    /// Sets what the top and the bottom stand for, and draws a line and a number every `step` from `from` on.
    pub fn scale(&mut self, top: f32, bottom: f32, from: f32, step: f32) {
        (self.top, self.bottom) = (top, bottom);
        let (low, high) = (top.min(bottom), top.max(bottom));
        let mut value = from;
        while value <= high + 1e-3 {
            if value >= low - 1e-3 {
                let y = self.y(value);
                self.painter.hline(self.area.x_range(), y, Stroke::new(1.0, self.theme.rule));
                let text = format!("{value:.0}").replace('-', "\u{2212}");
                self.painter.text(
                    pos2(self.area.left() - 5.0, y),
                    Align2::RIGHT_CENTER,
                    text,
                    theme::small(),
                    self.theme.pale_ink,
                );
            }
            value += step;
        }
    }

    /// A scale of depths, as of a sounding: 0 at the top, the deepest above the bottom.
    pub fn depth_scale(&mut self, deepest_db: f32) {
        let bottom = depth_scale_end(deepest_db);
        self.scale(0.0, bottom, 0.0, if bottom > 40.0 { 20.0 } else { 10.0 });
    }

    /// Draws a line and a text below at a place from 0 (left) to 1 (right).
    pub fn mark(&self, at: f32, text: &str) {
        let x = self.x(at);
        self.painter.vline(x, self.area.y_range(), Stroke::new(1.0, self.theme.rule));
        let anchor = match at {
            at if at < 0.02 => Align2::LEFT_TOP,
            at if at > 0.98 => Align2::RIGHT_TOP,
            _ => Align2::CENTER_TOP,
        };
        self.painter.text(
            pos2(x, self.area.bottom() + 1.0),
            anchor,
            text,
            theme::small(),
            self.theme.pale_ink,
        );
    }

    /// Says what will stand here, in a field without a scale.
    pub fn say(&self, text: &str) {
        let left = self.area.left() - SCALE_WIDTH + GUTTER;
        let room = self.area.right() - left;
        let galley = self.painter.layout(text.to_owned(), theme::small(), self.theme.pale_ink, room);
        let place = self.area.with_min_x(left).left_center();
        let rect = Align2::LEFT_CENTER.anchor_size(place, galley.size());
        self.painter.galley(rect.min, galley, self.theme.pale_ink);
    }

    /// Place of a point: `at` from 0 to 1, and a value of the scale, kept within the picture.
    pub fn pos(&self, at: f32, value: f32) -> Pos2 {
        pos2(self.x(at), self.y(value).clamp(self.area.top(), self.area.bottom()))
    }

    fn x(&self, at: f32) -> f32 {
        egui::lerp(self.area.x_range(), at)
    }

    fn y(&self, value: f32) -> f32 {
        egui::remap(value, self.top..=self.bottom, self.area.top()..=self.area.bottom())
    }

    /// Draws a curve; it is broken wherever a value is missing.
    pub fn curve(&self, points: impl Iterator<Item = (f32, Option<f32>)>, pen: Pen) {
        let mut stretch = Vec::new();
        for (at, value) in points {
            match value {
                Some(value) => stretch.push(self.pos(at, value)),
                None => self.stretch(std::mem::take(&mut stretch), pen),
            }
        }
        self.stretch(stretch, pen);
    }

    fn stretch(&self, points: Vec<Pos2>, pen: Pen) {
        match points.len() {
            0 => {}
            1 => _ = self.painter.circle_filled(points[0], 0.75 * pen.width, pen.colour),
            _ if pen.dashed => {
                self.painter.extend(Shape::dashed_line(
                    &points,
                    Stroke::new(pen.width, pen.colour),
                    5.0,
                    3.0,
                ));
            }
            _ => _ = self.painter.line(points, Stroke::new(pen.width, pen.colour)),
        }
    }

    /// Fills a column from one value to another.
    pub fn column(&self, from: f32, to: f32, values: [f32; 2], colour: Color32) {
        let rect = Rect::from_two_pos(self.pos(from, values[0]), self.pos(to, values[1]));
        self.painter.rect_filled(rect, 0.0, colour);
    }

    /// Names curves at the top right, each beside a stroke of its pen.
    pub fn legend(&self, entries: &[(&str, Pen)]) {
        let y = self.area.top() - TITLE_HEIGHT + 10.0;
        let mut x = self.area.right();
        for (name, pen) in entries.iter().rev() {
            let text =
                self.painter.text(pos2(x, y), Align2::RIGHT_CENTER, name, theme::small(), self.theme.ink);
            let end = text.left() - 4.0;
            self.stretch(vec![pos2(end - 20.0, y), pos2(end, y)], *pen);
            x = end - 30.0;
        }
    }
}

/// End of a scale of depths: the next multiple of 20 dB.
fn depth_scale_end(deepest_db: f32) -> f32 {
    (20.0 * (deepest_db / 20.0).ceil()).clamp(40.0, 120.0)
}

/// Space at the edges of a picture, points.
const GUTTER: f32 = 7.0;

/// What a curve is drawn with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pen {
    /// Width, points.
    pub width: f32,
    /// Colour.
    pub colour: Color32,
    /// Broken line.
    pub dashed: bool,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_scale_reaches_past_the_deepest_null() {
        assert_eq!([0.0, 39.0, 40.1, 61.3, 130.0].map(depth_scale_end), [40.0, 40.0, 60.0, 80.0, 120.0]);
    }
}
