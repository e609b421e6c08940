//! What stands where: is it locked, how deep is the null and what limits it, what can be done.

use egui::{
    Align, Align2, Layout, Rect, RichText, Role, ScrollArea, Sense, Shape, Stroke, Ui, Vec2, WidgetInfo, vec2,
};
use minuend_engine::Lock;
use nice_plug::prelude::ParamSetter;

use super::controls::Panel;
use super::history::History;
use super::theme::{self, Theme};
use super::words::Finding;
use super::{bands, curves, words};
use crate::meters::Meters;
use crate::params::Controls;

/// Narrower than this the pictures stand one below the other.
const TWO_PICTURES: f32 = 560.0;
/// Room for the levels, points.
const SUM_WIDTH: f32 = 170.0;
/// Space at the window's edges, points.
const MARGIN: f32 = 14.0;
/// Least room for the null depth and what limits it, points: for a reason of two lines or three limits, so that the pictures
/// below stand still while these come and go.
const NULL_HEIGHT: f32 = 52.0;

/// Least room for what was found, points: for one line of it, so that nothing below moves when it is found.
const FINDINGS_HEIGHT: f32 = 30.0;

/// Everything that is shown.
pub struct Page<'a> {
    /// The look.
    pub theme: &'a Theme,
    /// What the engine reports.
    pub meters: &'a Meters,
    /// The last half minute of it.
    pub history: &'a History,
    /// What can be set.
    pub controls: &'a Controls,
    /// The way to the host.
    pub host: &'a ParamSetter<'a>,
    /// Height of a picture, points.
    pub picture_height: f32,
}

impl Page<'_> {
    /// Draws everything. The first section stays in sight, the rest scrolls when the window is small. Gives by how
    /// much each picture could be higher, points.
    pub fn show(&self, ui: &mut Ui, foot: impl FnOnce(&mut Ui)) -> f32 {
        let margin = egui::Margin::same(MARGIN as i8);
        // The window is cleared to the page's colour: to fill it once more would be half the work of a picture where no
        // graphics card draws.
        let frame = egui::Frame::NONE.inner_margin(margin);
        egui::Panel::top("lock").frame(frame).show_separator_line(false).show(ui, |ui| self.lock(ui));
        let scrolled = egui::CentralPanel::no_frame().show(ui, |ui| {
            ScrollArea::vertical().auto_shrink(false).show(ui, |ui| {
                let body = egui::Frame::NONE.inner_margin(egui::Margin { top: 0, ..margin });
                body.show(ui, |ui| {
                    let panel = Panel { theme: self.theme, controls: self.controls, host: self.host };
                    let rows = self.null(ui);
                    self.section(ui);
                    panel.actions(ui);
                    ui.add_space(theme::GAP);
                    panel.settings(ui);
                    self.section(ui);
                    foot(ui);
                    rows
                })
                .inner
            })
        });
        let scroll = scrolled.inner;
        (scroll.inner_rect.height() - scroll.content_size.y) / scroll.inner as f32
    }

    /// A line across the page.
    fn section(&self, ui: &mut Ui) {
        let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), theme::SECTION), Sense::empty());
        ui.painter().hline(rect.x_range(), rect.center().y, Stroke::new(1.0, self.theme.pale_ink));
    }

    /// Is it locked?
    fn lock(&self, ui: &mut Ui) {
        ui.horizontal_top(|ui| {
            let room = ui.available_width() - SUM_WIDTH - theme::SECTION;
            ui.allocate_ui_with_layout(vec2(room, 0.0), Layout::top_down(Align::Min), |ui| {
                ui.set_min_width(room);
                ui.horizontal(|ui| {
                    self.state_mark(ui);
                    ui.heading(words::state(self.meters));
                });
                ui.label(words::advice(self.meters, self.history.searching_s()));
                if let Some(warning) = words::warning(&self.meters.readings) {
                    ui.label(RichText::new(format!("! {warning}")).color(self.theme.accent));
                }
            });
            self.sum(ui);
        });
        self.findings(ui);
    }

    /// What was found, as a table of one line.
    fn findings(&self, ui: &mut Ui) {
        ui.add_space(2.0);
        ui.horizontal_wrapped(|ui| {
            ui.set_min_height(FINDINGS_HEIGHT);
            ui.spacing_mut().item_spacing = vec2(20.0, 4.0);
            for Finding { name, value, meaning } in words::findings(self.meters) {
                let name = ui.painter().layout_no_wrap(name.into(), theme::small(), self.theme.pale_ink);
                let value = ui.painter().layout_no_wrap(value, theme::figures(), self.theme.ink);
                let size = vec2(name.size().x.max(value.size().x), name.size().y + value.size().y + 1.0);
                let (rect, response) = ui.allocate_exact_size(size, Sense::HOVER);
                response.widget_info(|| {
                    WidgetInfo::labeled(Role::Label, true, format!("{}: {}", name.text(), value.text()))
                });
                let below = rect.left_bottom() - vec2(0.0, value.size().y);
                ui.painter().galley(rect.left_top(), name, self.theme.pale_ink);
                ui.painter().galley(below, value, self.theme.ink);
                response.on_hover_text(meaning);
            }
        });
    }

    /// A shape for each state, beside its word.
    fn state_mark(&self, ui: &mut Ui) {
        let (rect, _) = ui.allocate_exact_size(Vec2::splat(20.0), Sense::empty());
        let painter = ui.painter();
        let (centre, line) = (rect.center() + vec2(0.0, 2.0), Stroke::new(2.0, self.theme.accent));
        let colour = self.theme.accent;
        match self.meters.readings.lock {
            _ if !self.meters.engine_works() => {
                painter.hline(rect.x_range().shrink(4.0), centre.y, line);
            }
            Lock::Locked => _ = painter.circle_filled(centre, 8.0, self.theme.ink),
            Lock::NoBacking => _ = painter.circle_stroke(centre, 7.0, line),
            Lock::Searching => {
                painter.circle_stroke(centre, 7.0, line);
                painter.circle_filled(centre, 3.0, colour);
            }
            Lock::Lost => {
                painter.circle_stroke(centre, 7.0, line);
                let reach = vec2(6.0, 6.0);
                painter.line_segment([centre - reach, centre + reach], line);
            }
            Lock::TooLate => {
                let tip = centre - vec2(8.0, 0.0);
                let points = vec![tip, tip + vec2(15.0, -8.0), tip + vec2(15.0, 8.0)];
                painter.add(Shape::convex_polygon(points, colour, Stroke::NONE));
            }
        }
    }

    /// The levels as a sum written out: mix, minus backing, output.
    fn sum(&self, ui: &mut Ui) {
        let line_height = 18.0;
        let (rect, response) = ui.allocate_exact_size(vec2(SUM_WIDTH, 3.0 * line_height + 8.0), Sense::HOVER);
        let is_working = self.meters.engine_works();
        let shown = |db| if is_working { words::level_db(db) } else { "\u{2013}".into() };
        let levels = self.history.levels_db().map(shown);
        let painter = ui.painter();
        for (idx, (name, level)) in ["mix", "\u{2212} backing", "output"].into_iter().zip(&levels).enumerate()
        {
            let y = rect.top() + line_height * (idx as f32 + 0.5) + if idx == 2 { 6.0 } else { 0.0 };
            let row = Rect::from_x_y_ranges(rect.x_range(), y..=y);
            painter.text(row.left_center(), Align2::LEFT_CENTER, name, theme::figures(), self.theme.pale_ink);
            painter.text(row.right_center(), Align2::RIGHT_CENTER, level, theme::figures(), self.theme.ink);
        }
        let y = rect.top() + 2.0 * line_height + 3.0;
        painter.hline(rect.x_range(), y, Stroke::new(1.5, self.theme.ink));
        response.widget_info(|| {
            let [mix, backing, output] = &levels;
            let told = format!("Levels: mix {mix}, backing {backing}, output {output}");
            WidgetInfo::labeled(Role::Label, true, told)
        });
        response.on_hover_text(
            "Levels of what comes in and goes out (RMS). The output also holds the voice, so its level is not the null.",
        );
    }

    /// How deep is the null, and what limits it? Gives how many pictures stand one below the other.
    fn null(&self, ui: &mut Ui) -> usize {
        let two = ui.available_width() >= TWO_PICTURES;
        if two {
            ui.horizontal_top(|ui| {
                let room = vec2(0.5 * (ui.available_width() - theme::GAP), NULL_HEIGHT);
                for part in [Self::depth, Self::limits] {
                    ui.allocate_ui_with_layout(room, Layout::top_down(Align::Min), |ui| {
                        ui.set_min_size(room);
                        part(self, ui);
                    });
                }
            });
        } else {
            self.depth(ui);
            ui.vertical(|ui| self.limits(ui));
        }
        let width = if two { 0.5 * (ui.available_width() - theme::GAP) } else { ui.available_width() };
        let size = vec2(width, self.picture_height);
        let Self { theme, meters, history, .. } = self;
        if two {
            ui.horizontal(|ui| {
                curves::depth(ui, theme, size, history, meters);
                bands::depth(ui, theme, size, history, meters);
            });
            ui.horizontal(|ui| {
                curves::movement(ui, theme, size, history, meters);
                bands::spectra(ui, theme, size, history, meters);
            });
        } else {
            curves::depth(ui, theme, size, history, meters);
            bands::depth(ui, theme, size, history, meters);
            bands::spectra(ui, theme, size, history, meters);
            curves::movement(ui, theme, size, history, meters);
        }
        if two { 2 } else { 4 }
    }

    /// The null depth now.
    fn depth(&self, ui: &mut Ui) {
        let (figure, meaning) = words::null_depth(self.meters);
        ui.horizontal_wrapped(|ui| {
            ui.label(RichText::new("Null").font(theme::large()));
            ui.label(RichText::new(figure).font(theme::large()).color(self.theme.accent));
            ui.label(RichText::new(meaning).color(self.theme.pale_ink));
        });
    }

    /// What limits it, and what is corrected.
    fn limits(&self, ui: &mut Ui) {
        ui.spacing_mut().item_spacing.y = 2.0;
        for sentence in words::limits(self.meters) {
            ui.label(RichText::new(sentence).small());
        }
    }
}
