//! Colours, sizes and type: ink on paper, or chalk on slate.

use egui::epaint::CornerRadius;
use egui::style::WidgetVisuals;
use egui::{Color32, FontFamily, FontId, Rgba, Stroke, Style, TextStyle, Visuals, vec2};

/// Colours of one look. No colour carries a meaning alone: lines also differ in weight and dash, states in shape.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Theme {
    /// Behind everything.
    pub page: Color32,
    /// Behind pictures and entries.
    pub field: Color32,
    /// Text and marks.
    pub ink: Color32,
    /// Text that explains.
    pub pale_ink: Color32,
    /// Grid lines: decoration, never the only sign of anything.
    pub rule: Color32,
    /// What can be moved, what has the keyboard, and the curve that matters.
    pub accent: Color32,
    /// Curve of the mix.
    pub mix: Color32,
    /// Curve of the matched backing.
    pub backing: Color32,
    is_dark: bool,
}

/// Ink on paper.
pub const PAPER: Theme = Theme {
    page: Color32::from_rgb(0xEF, 0xEA, 0xDB),
    field: Color32::from_rgb(0xFA, 0xF8, 0xF1),
    ink: Color32::from_rgb(0x1C, 0x2B, 0x36),
    pale_ink: Color32::from_rgb(0x55, 0x5E, 0x62),
    rule: Color32::from_rgb(0xD3, 0xCC, 0xB8),
    accent: Color32::from_rgb(0xA8, 0x2A, 0x1E),
    mix: Color32::from_rgb(0x2A, 0x5C, 0x8A),
    backing: Color32::from_rgb(0x72, 0x56, 0x0C),
    is_dark: false,
};

/// Chalk on slate.
pub const SLATE: Theme = Theme {
    page: Color32::from_rgb(0x23, 0x2B, 0x2D),
    field: Color32::from_rgb(0x1A, 0x20, 0x22),
    ink: Color32::from_rgb(0xEC, 0xE8, 0xDC),
    pale_ink: Color32::from_rgb(0xA9, 0xB0, 0xAC),
    rule: Color32::from_rgb(0x3C, 0x47, 0x49),
    accent: Color32::from_rgb(0xF2, 0x92, 0x7F),
    mix: Color32::from_rgb(0x8F, 0xBC, 0xE0),
    backing: Color32::from_rgb(0xD9, 0xBE, 0x6C),
    is_dark: true,
};

/// Space between things that belong together, points.
pub const GAP: f32 = 6.0;
/// Space between sections, points.
pub const SECTION: f32 = 14.0;
/// Height of a control, points.
pub const ROW: f32 = 24.0;

/// Type of running text.
pub fn body() -> FontId {
    FontId::new(13.0, FontFamily::Proportional)
}

/// Type of explanations and of the axes.
pub fn small() -> FontId {
    FontId::new(11.5, FontFamily::Proportional)
}

/// Type of figures in columns.
pub fn figures() -> FontId {
    FontId::new(12.5, FontFamily::Monospace)
}

/// Type of what is to be read across the room.
pub fn large() -> FontId {
    FontId::new(25.0, FontFamily::Proportional)
}

impl Theme {
    /// The page's colour as the window library clears to it: not linear light but what goes to the screen, from 0 to 1.
    pub fn behind(&self) -> Rgba {
        let [red, green, blue] =
            [self.page.r(), self.page.g(), self.page.b()].map(|level| f32::from(level) / 255.0);
        Rgba::from_rgb(red, green, blue)
    }

    /// Dresses egui's own parts.
    pub fn apply(&self, style: &mut Style) {
        style.text_styles = [
            (TextStyle::Body, body()),
            (TextStyle::Button, body()),
            (TextStyle::Small, small()),
            (TextStyle::Monospace, figures()),
            (TextStyle::Heading, large()),
        ]
        .into();
        style.spacing.item_spacing = vec2(GAP, GAP);
        style.spacing.button_padding = vec2(8.0, 3.0);
        style.spacing.interact_size.y = ROW;
        style.spacing.tooltip_width = 320.0;
        style.animation_time = 0.0;
        style.scroll_animation = egui::style::ScrollAnimation::none();
        let mut visuals = if self.is_dark { Visuals::dark() } else { Visuals::light() };
        visuals.panel_fill = self.page;
        visuals.window_fill = self.field;
        visuals.extreme_bg_color = self.field;
        visuals.text_edit_bg_color = Some(self.field);
        visuals.override_text_color = Some(self.ink);
        visuals.weak_text_color = Some(self.pale_ink);
        visuals.window_stroke = Stroke::new(1.0, self.pale_ink);
        visuals.window_corner_radius = CornerRadius::ZERO;
        visuals.menu_corner_radius = CornerRadius::ZERO;
        visuals.popup_shadow = egui::Shadow::NONE;
        visuals.selection.bg_fill = self.ink;
        visuals.selection.stroke = Stroke::new(1.5, self.page);
        for widget in [
            &mut visuals.widgets.noninteractive,
            &mut visuals.widgets.inactive,
            &mut visuals.widgets.hovered,
            &mut visuals.widgets.active,
            &mut visuals.widgets.open,
        ] {
            *widget = WidgetVisuals {
                bg_fill: self.field,
                weak_bg_fill: self.field,
                bg_stroke: Stroke::new(1.0, self.pale_ink),
                fg_stroke: Stroke::new(1.0, self.ink),
                corner_radius: CornerRadius::ZERO,
                expansion: 0.0,
            };
        }
        visuals.widgets.noninteractive.bg_stroke.color = self.rule;
        visuals.widgets.hovered.bg_stroke.color = self.ink;
        visuals.widgets.active.bg_stroke.color = self.accent;
        style.visuals = visuals;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Contrast ratio of two colours, 1 to 21: "relative luminance" and "contrast ratio" of the Web Content
    /// Accessibility Guidelines 2.2 (W3C Recommendation, w3.org/TR/WCAG22), the formulas from memory.
    fn contrast(a: Color32, b: Color32) -> f64 {
        let luminance = |colour: Color32| {
            let linear = |channel: u8| {
                let c = f64::from(channel) / 255.0;
                if c <= 0.040_45 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
            };
            0.2126 * linear(colour.r()) + 0.7152 * linear(colour.g()) + 0.0722 * linear(colour.b())
        };
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    #[test]
    fn contrast_of_known_colours() {
        // Black on white is 21 by the formula. #767676 is widely quoted as the lightest grey that passes 4.5 on white:
        // from memory.
        assert!((contrast(Color32::BLACK, Color32::WHITE) - 21.0).abs() < 1e-9);
        assert!(contrast(Color32::from_gray(0x76), Color32::WHITE) >= 4.5);
        assert!(contrast(Color32::from_gray(0x77), Color32::WHITE) < 4.5);
    }

    #[test]
    fn what_the_window_is_cleared_to_is_the_page() {
        for theme in [PAPER, SLATE] {
            let on_screen = theme.behind().to_array().map(|level| (255.0 * level).round() as u8);
            assert_eq!(on_screen, theme.page.to_array());
        }
    }

    /// Success criterion 1.4.3 (AA) asks for 4.5 between text and what is behind it, 1.4.11 for 3 between marks and
    /// what is beside them: from memory. We ask for 4.5 of both.
    #[test]
    fn whatever_is_to_be_read_stands_out() {
        for theme in [PAPER, SLATE] {
            for behind in [theme.page, theme.field] {
                for (name, colour) in [
                    ("ink", theme.ink),
                    ("pale ink", theme.pale_ink),
                    ("accent", theme.accent),
                    ("mix", theme.mix),
                    ("backing", theme.backing),
                ] {
                    let ratio = contrast(colour, behind);
                    assert!(ratio >= 4.5, "{name} on {behind:?}: {ratio:.2}");
                }
            }
            // What is chosen is written in the page's colour on ink, and so is what is selected in an entry.
            assert!(contrast(theme.page, theme.ink) >= 4.5);
            let mut style = Style::default();
            theme.apply(&mut style);
            let selection = style.visuals.selection;
            assert!(contrast(selection.stroke.color, selection.bg_fill) >= 4.5);
        }
    }
}
