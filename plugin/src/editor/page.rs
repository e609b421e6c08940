//! What stands where: is it locked, how deep is the null and what limits it, what can be done.

use egui::{
    Align, Align2, Label, Layout, Rangef, Rect, RichText, Role, ScrollArea, Sense, Shape, Stroke, Ui, Vec2,
    WidgetInfo, pos2, vec2,
};
use nice_plug::prelude::ParamSetter;

use super::controls::Panel;
use super::history::History;
use super::state::State;
use super::theme::{self, Theme};
use super::words::{Finding, Warning};
use super::{bands, curves, words};
use crate::meters::Meters;
use crate::params::Controls;

/// Narrower than this the pictures stand one below the other.
const TWO_PICTURES: f32 = 560.0;
/// Room for the levels, points.
const LEVELS_WIDTH: f32 = 170.0;
/// Room for the line of a level, points. Three of them leave room beside them for a state and two lines on it, so that nothing
/// below moves with the state.
const LEVEL_HEIGHT: f32 = 23.0;
/// Level at which the bar of a level begins, dB re full scale.
const LEAST_LEVEL_DB: f32 = -60.0;
/// Space at the window's edges, points.
const MARGIN: f32 = 14.0;
/// Room for a warning, points: always there, so that nothing below moves when there is one.
const WARNING_HEIGHT: f32 = 15.0;
/// Room for what is said of the null before there is any, points.
const NO_NULL_HEIGHT: f32 = 34.0;
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
    /// much each picture could be higher, points. `matches` draws what stands beside the actions.
    pub fn show(&self, ui: &mut Ui, matches: impl FnOnce(&mut Ui), foot: impl FnOnce(&mut Ui)) -> f32 {
        let margin = egui::Margin::same(MARGIN as i8);
        // The window is cleared to the page's colour: to fill it once more would be half the work of a picture where no
        // graphics card draws.
        let frame = egui::Frame::NONE.inner_margin(egui::Margin { bottom: theme::GAP as i8, ..margin });
        egui::Panel::top("lock").frame(frame).show_separator_line(false).show(ui, |ui| self.lock(ui));
        let scrolled = egui::CentralPanel::no_frame().show(ui, |ui| {
            ScrollArea::vertical().auto_shrink(false).show(ui, |ui| {
                let body = egui::Frame::NONE.inner_margin(egui::Margin { top: 0, ..margin });
                body.show(ui, |ui| {
                    let panel = Panel { theme: self.theme, controls: self.controls, host: self.host };
                    let rows = self.null(ui);
                    self.section(ui);
                    panel.show(ui, matches);
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
        let state = State::of(self.meters).doubted(self.history.doubt());
        ui.horizontal_top(|ui| {
            let room = ui.available_width() - LEVELS_WIDTH - theme::SECTION;
            ui.allocate_ui_with_layout(vec2(room, 0.0), Layout::top_down(Align::Min), |ui| {
                ui.set_min_width(room);
                ui.spacing_mut().item_spacing.y = 2.0;
                ui.horizontal(|ui| {
                    self.state_mark(ui, state);
                    ui.heading(state.name());
                });
                ui.label(state.advice(self.meters, self.history.searching_s()));
            });
            self.levels(ui);
        });
        self.findings(ui);
        self.warning(ui);
    }

    /// What else is to be known, in a line that is always there.
    fn warning(&self, ui: &mut Ui) {
        let room = vec2(ui.available_width(), WARNING_HEIGHT);
        ui.allocate_ui_with_layout(room, Layout::top_down(Align::Min), |ui| {
            ui.set_min_size(room);
            let Some(Warning { text, is_alarm }) = words::warning(&self.meters.readings) else { return };
            let (text, colour) = match is_alarm {
                true => (format!("! {text}"), self.theme.accent),
                false => (text, self.theme.pale_ink),
            };
            ui.add(Label::new(RichText::new(text).small().color(colour)).truncate());
        });
    }

    /// What was found, as a table of one line.
    fn findings(&self, ui: &mut Ui) {
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

    /// A shape for each state, beside its name; in ink while nothing is wrong.
    fn state_mark(&self, ui: &mut Ui, state: State) {
        let (rect, _) = ui.allocate_exact_size(Vec2::splat(20.0), Sense::empty());
        let painter = ui.painter();
        let colour = if state.is_alarm() { self.theme.accent } else { self.theme.ink };
        let (centre, line) = (rect.center() + vec2(0.0, 2.0), Stroke::new(2.0, colour));
        let ring = || painter.circle_stroke(centre, 7.0, line);
        match state {
            State::NotRunning | State::WrongRate => {
                _ = painter.hline(rect.x_range().shrink(4.0), centre.y, line)
            }
            State::Locked => _ = painter.circle_filled(centre, 8.0, colour),
            State::Silent | State::NoBacking | State::NoMix => _ = ring(),
            State::Searching => {
                ring();
                painter.circle_filled(centre, 3.0, colour);
            }
            // As when it is locked, but at rest.
            State::Kept | State::BackingSilent => {
                for x in [-4.0, 4.0] {
                    let bar = Rect::from_center_size(centre + vec2(x, 0.0), vec2(4.0, 15.0));
                    painter.rect_filled(bar, 0.0, colour);
                }
            }
            State::Lost => {
                ring();
                let reach = vec2(6.0, 6.0);
                painter.line_segment([centre - reach, centre + reach], line);
            }
            State::Doubtful(_) => {
                ring();
                painter.line_segment([centre - vec2(0.0, 4.0), centre + vec2(0.0, 1.0)], line);
                painter.circle_filled(centre + vec2(0.0, 4.0), 1.25, colour);
            }
            State::TooLate(_) => {
                let tip = centre - vec2(8.0, 0.0);
                let points = vec![tip, tip + vec2(15.0, -8.0), tip + vec2(15.0, 8.0)];
                painter.add(Shape::convex_polygon(points, colour, Stroke::NONE));
            }
        }
    }

    /// Three levels, each with a bar of its own: what came in, and what goes out of it now.
    fn levels(&self, ui: &mut Ui) {
        let (rect, response) = ui.allocate_exact_size(vec2(LEVELS_WIDTH, 3.0 * LEVEL_HEIGHT), Sense::HOVER);
        let levels_db = self.meters.engine_works().then(|| self.history.levels_db());
        let painter = ui.painter();
        let rows = ["mix in", "backing in", "output"].into_iter().enumerate().map(|(idx, name)| {
            let level_db = levels_db.map(|levels_db| levels_db[idx]);
            let level = level_db.map_or("\u{2013}".into(), words::level_db);
            let row = rect.split_top_bottom_at_y(rect.top() + LEVEL_HEIGHT * (idx as f32 + 1.0)).0;
            let y = row.bottom() - 14.0;
            painter.text(
                pos2(row.left(), y),
                Align2::LEFT_CENTER,
                name,
                theme::figures(),
                self.theme.pale_ink,
            );
            painter.text(
                pos2(row.right(), y),
                Align2::RIGHT_CENTER,
                &level,
                theme::figures(),
                self.theme.ink,
            );
            let y = row.bottom() - 3.0;
            painter.hline(row.x_range(), y, Stroke::new(1.0, self.theme.rule));
            let share = level_db.map_or(0.0, |db| (1.0 - db / LEAST_LEVEL_DB).clamp(0.0, 1.0));
            let bar = Rect::from_x_y_ranges(
                Rangef::new(row.left(), row.left() + share * row.width()),
                Rangef::point(y).expand(1.5),
            );
            painter.rect_filled(bar, 0.0, self.theme.ink);
            format!("{name} {level}")
        });
        let told = format!("Levels: {}", rows.collect::<Vec<_>>().join(", "));
        response.widget_info(|| WidgetInfo::labeled(Role::Label, true, &told));
        response.on_hover_text(
            "Three levels (RMS) of one moment: what came in, and what goes out of it now. The bars reach from \u{2212}60 to \
             0 dB. Levels in dB do not add up. The output also holds the voice, so its level is not the null.",
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
        ui.label(RichText::new(words::NULL_LEGEND).small().color(self.theme.pale_ink));
        let rows = if two { 2 } else { 4 };
        let width = if two { 0.5 * (ui.available_width() - theme::GAP) } else { ui.available_width() };
        let size = vec2(width, self.picture_height);
        let Self { theme, meters, history, .. } = self;
        if !history.has_null() {
            self.no_null(ui, rows);
        } else if two {
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
        rows
    }

    /// The spectra alone, as high as so many pictures one below the other less a line on what will stand there.
    fn no_null(&self, ui: &mut Ui, rows: usize) {
        let height = rows as f32 * (self.picture_height + theme::GAP) - 2.0 * theme::GAP - NO_NULL_HEIGHT;
        bands::spectra(ui, self.theme, vec2(ui.available_width(), height), self.history, self.meters);
        let room = vec2(ui.available_width(), NO_NULL_HEIGHT);
        ui.allocate_ui_with_layout(room, Layout::left_to_right(Align::Center), |ui| {
            ui.set_min_size(room);
            ui.add(Label::new(RichText::new(words::NO_NULL_YET).small().color(self.theme.pale_ink)).wrap());
        });
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
