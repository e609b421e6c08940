//! Every parameter as a control: what it is called is the parameter's, what it does to the sound is told here.

pub mod choice;
mod number;
mod switch;

use egui::{Ui, vec2};
use nice_plug::prelude::*;

use super::theme::{self, Theme};
use crate::params::Controls;

/// Room for a control's name, points.
const NAME_WIDTH: f32 = 96.0;
/// Narrower than this the controls stand in one column.
const TWO_COLUMNS: f32 = 640.0;

/// What the controls need around them.
#[derive(Clone, Copy)]
pub struct Panel<'a> {
    /// The look.
    pub theme: &'a Theme,
    /// The parameters.
    pub controls: &'a Controls,
    /// The way to the host.
    pub host: &'a ParamSetter<'a>,
}

impl Panel<'_> {
    /// All controls: in two columns where there is room, in the order in which they are read.
    pub fn show(&self, ui: &mut Ui, matches: impl FnOnce(&mut Ui)) {
        if ui.available_width() < TWO_COLUMNS {
            self.actions(ui, matches);
            self.heard(ui);
            self.matched(ui);
            return;
        }
        ui.spacing_mut().item_spacing.x = 26.0;
        ui.columns_const(|[left, right]| {
            self.actions(left, matches);
            self.heard(left);
            self.matched(right);
        });
    }

    /// What is done in one press, and the files of matches after it.
    fn actions(&self, ui: &mut Ui, matches: impl FnOnce(&mut Ui)) {
        let Controls { relearn, hold, bypass, .. } = self.controls;
        ui.horizontal_wrapped(|ui| {
            ui.spacing_mut().item_spacing.x = 18.0;
            let button = ui.button(relearn.name());
            focus_ring(ui, self.theme, &button, button.rect);
            let button = button.on_hover_text(
                "Forgets what was learned and starts over. The mix passes, at full level, until the backing is found \
                 again.",
            );
            if button.clicked() {
                // It acts when it goes on, so it must be off before.
                for on in [false, true, false] {
                    self.set(relearn, on);
                }
            }
            self.switch(
                ui,
                hold,
                "Keeps what was learned and stops learning: the next play, and a bounce, begin with exactly this. The \
                 level follower and clean-up go on.",
            );
            self.switch(ui, bypass, "Passes the mix as it came, delayed by the plug-in's latency.");
            matches(ui);
        });
    }

    /// What is heard, and how the backing is put under it.
    fn heard(&self, ui: &mut Ui) {
        let Controls { listen, trim, nudge, polarity, output, .. } = self.controls;
        self.choice(
            ui,
            listen,
            "What you hear: what is left, the backing as it is subtracted, or the mix as it came. All three are in \
             time with each other. Mix and Backing are at full level: mind your ears.",
        );
        self.number(
            ui,
            trim,
            0.1,
            "Level of the backing on top of the level found. Away from 0 the backing comes back: 0.1 dB too much or \
             too little leaves it 39 dB down.",
        );
        self.number(
            ui,
            nudge,
            1.0,
            "Delay of the backing on top of the delay found. Away from 0 the treble comes back first.",
        );
        self.choice(
            ui,
            polarity,
            "Subtract on the polarity found, as the backing came, or against it. On the wrong one the backing gets \
             louder, by up to 6 dB.",
        );
        self.number(ui, output, 0.5, "Level of the output.");
    }

    /// How the backing is made to fit, and what is cleared away after.
    fn matched(&self, ui: &mut Ui) {
        let Controls { backing_kind, tone, follow, cleanup, low_cut, slope, .. } = self.controls;
        self.choice(
            ui,
            backing_kind,
            "Estimated: a machine took this backing out of a mix, with rests of the voice in it. It is subtracted \
             with caution, so that it does not take the voice along. Auto hears which it is.",
        );
        self.choice(
            ui,
            tone,
            "How freely the backing is shaped to fit the mix: one gain, a filter for either side, or also from side \
             to side (width, rotation, swapped sides).",
        );
        self.choice(
            ui,
            follow,
            "Follow the backing in the mix as it moves with the voice: its level, as a compressor or limiter moves \
             it, or also its tone, octave by octave, as a multiband compressor does.",
        );
        self.number(
            ui,
            cleanup,
            10.0,
            "How much of what still leaks through is taken out. 0 is plain subtraction; more takes a little of the \
             voice's air too.",
        );
        self.number(ui, low_cut, 5.0, "Corner of a high-pass filter on the difference (\u{2212}3 dB).");
        self.choice(ui, slope, "How steeply the low-cut falls below its corner.");
    }

    /// A whole gesture at once.
    fn set<P: Param>(&self, param: &P, value: P::Plain) {
        self.host.begin_set_parameter(param);
        self.host.set_parameter(param, value);
        self.host.end_set_parameter(param);
    }

    /// Allots a row and writes the name at its left; gives the room for the name and that for the control.
    fn row(&self, ui: &mut Ui, name: &str) -> [egui::Rect; 2] {
        let (row, _) = ui.allocate_exact_size(vec2(ui.available_width(), theme::ROW), egui::Sense::empty());
        let (label, control) = row.split_left_right_at_x(row.left() + NAME_WIDTH);
        ui.painter().text(
            label.left_center(),
            egui::Align2::LEFT_CENTER,
            name,
            theme::body(),
            self.theme.ink,
        );
        [label, control]
    }
}

/// Marks what has the keyboard, and brings it into sight.
pub fn focus_ring(ui: &Ui, theme: &Theme, response: &egui::Response, rect: egui::Rect) {
    if !response.has_focus() {
        return;
    }
    if response.gained_focus() {
        response.scroll_to_me(None);
    }
    let stroke = egui::Stroke::new(2.0, theme.accent);
    ui.painter().rect_stroke(rect.expand(1.0), 0.0, stroke, egui::StrokeKind::Outside);
}
