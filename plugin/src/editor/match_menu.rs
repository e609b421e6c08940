//! The match kept as a file, and taken from one.

use std::{path::PathBuf, sync::Arc};

use egui::{RichText, Ui};

use super::controls::focus_ring;
use super::theme::Theme;
use crate::match_files::{MatchFolder, read};
use crate::state::MinuendParams;

/// The button, its menu, and what came of the last choice.
pub struct MatchMenu {
    params: Arc<MinuendParams>,
    folder: Option<MatchFolder>,
    /// The files as they were when the menu was opened; `None` while it is closed.
    offered: Option<Vec<PathBuf>>,
    said: Option<String>,
}

impl MatchMenu {
    /// For the match of a session and a folder for its files.
    pub fn new(params: Arc<MinuendParams>, folder: Option<MatchFolder>) -> Self {
        Self { params, folder, offered: None, said: None }
    }

    /// Draws the button, and the menu while it is open.
    pub fn show(&mut self, ui: &mut Ui, theme: &Theme) {
        let Self { params, folder: Some(folder), offered, said } = self else { return };
        let menu = ui.menu_button("Match file", |ui| {
            let found = params.session.learned();
            let write = egui::Button::new("Write the match to a new file");
            if ui.add_enabled(found.is_some(), write).clicked()
                && let Some(found) = found
            {
                *said = Some(match folder.write(&found) {
                    Ok(path) => format!("Written: {}", path.display()),
                    Err(error) => format!("{}: cannot be written: {error}", folder.path().display()),
                });
            }
            for path in offered.get_or_insert_with(|| folder.newest()) {
                let name = path.file_stem().unwrap_or_default().to_string_lossy();
                if ui.button(format!("Take the match of {name}")).clicked() {
                    *said = Some(match read(path) {
                        Ok(found) => {
                            params.session.take_over(found);
                            format!("Taken from {}", path.display())
                        }
                        Err(why) => format!("{}: {why}", path.display()),
                    });
                }
            }
            ui.label(RichText::new(format!("Files in {}", folder.path().display())).small());
        });
        if menu.inner.is_none() {
            *offered = None;
        }
        focus_ring(ui, theme, &menu.response, menu.response.rect);
        menu.response.on_hover_text(
            "Keeps what was learned as a file, or takes over what a file holds: another project or \"minuend render --match\" \
             goes on from there. Times in it count from the begin of the project, in files from the begin of the mix.",
        );
    }

    /// What came of the last choice.
    pub fn said(&self) -> Option<&str> {
        self.said.as_deref()
    }
}
