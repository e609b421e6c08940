//! How the window itself looks: its size and its colours. Nothing here touches the sound.

use egui::{RichText, Ui};

use super::controls::choice::Choice;
use super::theme::{self, PAPER, SLATE, Theme};
use super::words;
use crate::meters::Meters;

/// Scales on offer, percent.
const SCALES: [u32; 5] = [100, 125, 150, 200, 300];

/// Lowest and highest picture, points.
const PICTURE_HEIGHTS: [f32; 2] = [112.0, 600.0];

/// How the window looks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct View {
    dark: bool,
    /// Height of a picture, points.
    pub picture_height: f32,
}

impl Default for View {
    fn default() -> Self {
        Self { dark: false, picture_height: PICTURE_HEIGHTS[0] }
    }
}

impl View {
    /// The colours.
    pub fn theme(&self) -> &'static Theme {
        if self.dark { &SLATE } else { &PAPER }
    }

    /// Makes the pictures higher by this much, or lower, within limits.
    pub fn fit(&mut self, ui: &Ui, spare: f32) {
        let [lowest, highest] = PICTURE_HEIGHTS;
        let height = (self.picture_height + spare.floor()).clamp(lowest, highest);
        if height != self.picture_height {
            self.picture_height = height;
            ui.request_repaint();
        }
    }

    /// The last line of the window.
    pub fn show(&mut self, ui: &mut Ui, meters: &Meters) {
        let theme = self.theme();
        ui.horizontal_wrapped(|ui| {
            ui.spacing_mut().item_spacing.x = theme::SECTION;
            let zoom = ui.ctx().zoom_factor();
            let names = SCALES.map(|percent| format!("{percent} %"));
            let scale = Choice {
                theme,
                name: "Scale",
                options: &names.each_ref().map(String::as_str),
                current: nearest(zoom),
                default: 0,
                help: "How large the window is drawn. The sound is the same.",
            };
            if let Some(chosen) = scale.show(ui, 40.0) {
                ui.ctx().set_zoom_factor(SCALES[chosen] as f32 / 100.0);
            }
            let look = Choice {
                theme,
                name: "Look",
                options: &["Paper", "Slate"],
                current: usize::from(self.dark),
                default: 0,
                help: "Ink on paper, or chalk on slate for dark rooms.",
            };
            if let Some(chosen) = look.show(ui, 36.0) {
                self.dark = chosen == 1;
                ui.ctx().all_styles_mut(|style| self.theme().apply(style));
            }
            let text = format!("Minuend {}  {}", env!("CARGO_PKG_VERSION"), words::latency(meters));
            ui.label(RichText::new(text).small().color(theme.pale_ink));
        });
    }
}

/// The scale on offer that is nearest to a zoom factor.
fn nearest(zoom: f32) -> usize {
    let distance = |idx: &usize| (SCALES[*idx] as f32 / 100.0 - zoom).abs();
    (0..SCALES.len()).min_by(|a, b| distance(a).total_cmp(&distance(b))).unwrap_or_default()
}
