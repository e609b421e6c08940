//! How the window itself looks: its size and its colours. Nothing here touches the sound.

use egui::{Context, Label, RichText, Ui};

use super::controls::choice::Choice;
use super::theme::{self, PAPER, SLATE, Theme};
use super::words;
use crate::look::Look;
use crate::meters::Meters;

/// Scales on offer, percent.
const SCALES: [u32; 5] = [100, 125, 150, 200, 300];

/// Lowest and highest picture, points.
const PICTURE_HEIGHTS: [f32; 2] = [112.0, 600.0];

/// How the window looks.
pub struct View {
    look: Look,
    /// Scale in percent, and whether it is dark, as last drawn.
    drawn: Option<(u32, bool)>,
    /// Height of a picture, points.
    pub picture_height: f32,
}

impl View {
    /// As the session has it.
    pub fn new(look: Look) -> Self {
        Self { look, drawn: None, picture_height: PICTURE_HEIGHTS[0] }
    }

    /// The colours.
    pub fn theme(&self) -> &'static Theme {
        if self.look.is_dark() { &SLATE } else { &PAPER }
    }

    /// Dresses a window that was just opened.
    pub fn dress(&mut self, context: &Context) {
        // The only keys for it that the window library knows would bring the scale out of step with the session.
        context.options_mut(|options| options.zoom_with_keyboard = false);
        self.drawn = None;
        self.follow(context);
    }

    /// Does what was chosen, or came with a session, since the last frame.
    pub fn follow(&mut self, context: &Context) {
        let wanted = (self.look.scale_percent(), self.look.is_dark());
        if self.drawn != Some(wanted) {
            self.drawn = Some(wanted);
            context.set_zoom_factor(wanted.0 as f32 / 100.0);
            context.all_styles_mut(|style| self.theme().apply(style));
        }
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

    /// The last lines of the window: what was said last, if anything, and how it looks.
    pub fn show(&self, ui: &mut Ui, meters: &Meters, said: Option<&str>) {
        let theme = self.theme();
        if let Some(said) = said {
            ui.add(Label::new(RichText::new(said).small().color(theme.pale_ink)).truncate());
        }
        ui.horizontal_wrapped(|ui| {
            ui.spacing_mut().item_spacing.x = theme::SECTION;
            let names = SCALES.map(|percent| format!("{percent} %"));
            let scale = Choice {
                theme,
                name: "Scale",
                options: &names.each_ref().map(String::as_str),
                current: nearest(self.look.scale_percent()),
                default: 0,
                help: "How large the window is drawn. The sound is the same.",
            };
            if let Some(chosen) = scale.show(ui, 40.0) {
                self.look.set_scale_percent(SCALES[chosen]);
                ui.request_repaint();
            }
            let look = Choice {
                theme,
                name: "Look",
                options: &["Paper", "Slate"],
                current: usize::from(self.look.is_dark()),
                default: 0,
                help: "Ink on paper, or chalk on slate for dark rooms.",
            };
            if let Some(chosen) = look.show(ui, 36.0) {
                self.look.set_dark(chosen == 1);
                ui.request_repaint();
            }
            let text = format!("Minuend {}  {}", env!("CARGO_PKG_VERSION"), words::latency(meters));
            ui.label(RichText::new(text).small().color(theme.pale_ink));
        });
    }
}

/// The scale on offer that is nearest.
fn nearest(percent: u32) -> usize {
    (0..SCALES.len()).min_by_key(|&idx| SCALES[idx].abs_diff(percent)).unwrap_or_default()
}
