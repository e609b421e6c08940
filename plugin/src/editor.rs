//! The window: is it locked, how deep is the null and what limits it, what can be set.

use std::sync::Arc;
use std::time::Duration;

use egui::Ui;
use nice_plug::context::gui::GuiContext;
use nice_plug::editor::dpi::LogicalSize;
use nice_plug::prelude::*;
use nice_plug_egui::{
    EguiEditorState, EguiNiceSettings, Frame, GlConfig, GraphicsConfig, NiceEguiApp, baseview,
    create_egui_editor,
};
use triple_buffer::Output;

use crate::match_files::MatchFolder;
use crate::meters::Meters;
use crate::params::Controls;
use crate::state::MinuendParams;

mod bands;
mod controls;
mod curves;
mod evidence;
mod foot;
mod gui_thread;
mod history;
#[cfg(windows)]
mod host_keys;
mod lateness;
mod match_menu;
mod page;
mod plot;
mod shown;
mod state;
#[cfg(test)]
mod tests;
mod theme;
mod words;

pub use shown::{Repaint, ShownEditor, ShownHandle};

use foot::View;
use gui_thread::GuiThread;
use history::History;
use match_menu::MatchMenu;
use page::Page;

const SIZE: LogicalSize<f32> = LogicalSize { width: 760.0, height: 720.0 };
const MIN_SIZE: LogicalSize<f32> = LogicalSize { width: 480.0, height: 360.0 };

/// How often the window looks whether there is something new to show: 17 pictures a second while music plays. Spectra come
/// every 93 ms and curves move every 100 ms, so each is seen, and figures that change oftener than this cannot be read.
/// What the mouse and the keyboard do is shown at once, as often as the screen can.
const LOOK_INTERVAL: Duration = Duration::from_millis(60);

/// Makes the editor of one instance; the host opens and closes it at will.
pub fn create(params: Arc<MinuendParams>, meters: Output<Meters>, repaint: Repaint) -> Option<ShownEditor> {
    let settings = EguiNiceSettings {
        title: "Minuend".into(),
        resize_hint: ResizeHint::resizable().with_min_logical_size(MIN_SIZE),
        graphics: GraphicsConfig {
            // Nothing is drawn by depth or through a stencil.
            gl_config: GlConfig { depth_bits: 0, stencil_bits: 0, ..GlConfig::default() },
            // Flat colours need no noise.
            dithering: false,
            ..GraphicsConfig::default()
        },
        repaint_poll_interval: LOOK_INTERVAL,
    };
    let thread = GuiThread::default();
    let window = Window {
        controls: params.controls.clone(),
        meters,
        host: None,
        history: History::default(),
        view: View::new(params.look.clone()),
        matches: MatchMenu::new(params.clone(), MatchFolder::of_user()),
        thread: thread.clone(),
    };
    let state = EguiEditorState::from_size(SIZE, 1.0);
    let inner = create_egui_editor(state, repaint.notifier(), settings, window)?;
    Some(ShownEditor { inner, repaint, thread })
}

/// What is shown in the window.
pub struct Window {
    controls: Arc<Controls>,
    meters: Output<Meters>,
    host: Option<GuiContext>,
    history: History,
    view: View,
    matches: MatchMenu,
    thread: GuiThread,
}

impl NiceEguiApp for Window {
    #[cfg_attr(not(windows), expect(unused_variables, reason = "keys need a hand under Windows only"))]
    fn build(
        &mut self,
        egui: egui::Context,
        host: GuiContext,
        frame: &mut Frame,
    ) -> Result<(), baseview::HandlerError> {
        self.view.dress(&egui);
        #[cfg(windows)]
        host_keys::attach(frame.baseview_window(), &egui);
        self.host = Some(host);
        self.thread.note();
        Ok(())
    }

    fn ui(&mut self, ui: &mut Ui, frame: &mut Frame) {
        let Some(host) = &self.host else { return };
        let meters = *self.meters.read();
        self.history.take(&meters);
        frame.set_clear_color(self.view.theme().behind());
        let host = host.param_setter();
        show(ui, &mut self.view, &mut self.matches, &meters, &self.history, &self.controls, &host);
    }
}

/// The whole window.
fn show(
    ui: &mut Ui,
    view: &mut View,
    matches: &mut MatchMenu,
    meters: &Meters,
    history: &History,
    controls: &Controls,
    host: &ParamSetter,
) {
    view.follow(ui.ctx());
    let theme = view.theme();
    let page = Page { theme, meters, history, controls, host, picture_height: view.picture_height };
    let said = matches.said().map(str::to_owned);
    let spare = page.show(ui, |ui| matches.show(ui, theme), |ui| view.show(ui, meters, said.as_deref()));
    view.fit(ui, spare);
}
