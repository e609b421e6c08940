//! The window: is it locked, how deep is the null, what can be set.

use std::sync::Arc;
use std::time::Duration;

use egui::{PointerButton, RichText, Ui};
use minuend_engine::Lock;
use nice_plug::context::gui::GuiContext;
use nice_plug::editor::dpi::LogicalSize;
use nice_plug::prelude::*;
use nice_plug_egui::{
    EguiEditor, EguiEditorState, EguiNiceSettings, Frame, NiceEguiApp, RepaintNotifier, baseview,
    create_egui_editor,
};
use triple_buffer::Output;

use crate::meters::Meters;
use crate::params::Controls;

const SIZE: LogicalSize<f32> = LogicalSize { width: 460.0, height: 580.0 };

/// Readings are shown at most this often.
const REPAINT_INTERVAL: Duration = Duration::from_millis(50);

/// Makes the editor of one instance; the host opens and closes it at will.
pub fn create(controls: Arc<Controls>, meters: Output<Meters>) -> Option<EguiEditor<Window>> {
    create_egui_editor(
        EguiEditorState::from_size(SIZE, 1.0),
        RepaintNotifier::new(),
        EguiNiceSettings::new().with_tile("Minuend"),
        Window { controls, meters, host: None },
    )
}

/// What is shown in the window.
pub struct Window {
    controls: Arc<Controls>,
    meters: Output<Meters>,
    host: Option<GuiContext>,
}

impl NiceEguiApp for Window {
    fn build(
        &mut self,
        _egui: egui::Context,
        host: GuiContext,
        _frame: &mut Frame,
    ) -> Result<(), baseview::HandlerError> {
        self.host = Some(host);
        Ok(())
    }

    fn ui(&mut self, ui: &mut Ui, _frame: &mut Frame) {
        let Some(host) = &self.host else { return };
        let meters = *self.meters.read();
        egui::CentralPanel::default().show(ui, |ui| {
            ui.heading("Minuend");
            ui.label(RichText::new(lock_words(&meters)).strong());
            ui.label(null_words(&meters));
            ui.separator();
            controls(ui, &self.controls, &host.param_setter());
        });
        ui.request_repaint_after(REPAINT_INTERVAL);
    }

    fn editor_closed(&mut self) {
        self.host = None;
    }
}

fn controls(ui: &mut Ui, controls: &Controls, host: &ParamSetter) {
    egui::Grid::new("controls").num_columns(2).spacing([16.0, 6.0]).show(ui, |ui| {
        choice(ui, &controls.listen, host);
        number(ui, &controls.trim, host);
        number(ui, &controls.nudge, host);
        choice(ui, &controls.polarity, host);
        choice(ui, &controls.follow, host);
        choice(ui, &controls.tone, host);
        number(ui, &controls.cleanup, host);
        number(ui, &controls.low_cut, host);
        choice(ui, &controls.slope, host);
        number(ui, &controls.output, host);
        switch(ui, &controls.hold, host);
        choice(ui, &controls.backing_kind, host);
        switch(ui, &controls.bypass, host);
    });
    if ui.button(controls.relearn.name()).clicked() {
        // It acts when it goes on, so it must be off before.
        for on in [false, true, false] {
            set(&controls.relearn, on, host);
        }
    }
}

/// A whole gesture at once.
fn set<P: Param>(param: &P, value: P::Plain, host: &ParamSetter) {
    host.begin_set_parameter(param);
    host.set_parameter(param, value);
    host.end_set_parameter(param);
}

/// A slider with text entry; a double click resets it.
fn number(ui: &mut Ui, param: &FloatParam, host: &ParamSetter) {
    ui.label(param.name());
    let mut normalized = param.unmodulated_normalized_value();
    let slider = egui::Slider::new(&mut normalized, 0.0..=1.0)
        .update_while_editing(false)
        .custom_formatter(|value, _| param.normalized_value_to_string(value as f32, true))
        .custom_parser(|text| param.string_to_normalized_value(text).map(f64::from));
    let response = ui.add(slider);
    if response.drag_started() {
        host.begin_set_parameter(param);
    }
    if response.changed() {
        let value = param.preview_plain(normalized);
        if response.dragged() {
            host.set_parameter(param, value);
        } else {
            set(param, value, host);
        }
    }
    if response.drag_stopped() {
        host.end_set_parameter(param);
    }
    if response.hovered() && ui.input(|input| input.pointer.button_double_clicked(PointerButton::Primary)) {
        set(param, param.default_plain_value(), host);
    }
    ui.end_row();
}

fn choice<T: Enum + PartialEq>(ui: &mut Ui, param: &EnumParam<T>, host: &ParamSetter) {
    ui.label(param.name());
    let current = param.unmodulated_plain_value().to_index();
    let mut chosen = current;
    egui::ComboBox::from_id_salt(param.name()).show_index(ui, &mut chosen, T::variants().len(), |index| {
        T::variants().get(index).copied().unwrap_or_default()
    });
    if chosen != current {
        set(param, T::from_index(chosen), host);
    }
    ui.end_row();
}

fn switch(ui: &mut Ui, param: &BoolParam, host: &ParamSetter) {
    ui.label(param.name());
    let mut on = param.unmodulated_plain_value();
    if ui.checkbox(&mut on, "").changed() {
        set(param, on, host);
    }
    ui.end_row();
}

/// The state of the search in words, with what to do next.
fn lock_words(meters: &Meters) -> String {
    let Meters { readings, sample_rate_hz, .. } = meters;
    if *sample_rate_hz == 0.0 {
        return "Not running: switch the plug-in on in the host.".into();
    }
    let ms = |samples: f64| samples / sample_rate_hz * 1e3;
    match readings.lock {
        Lock::NoBacking => {
            "No backing heard: play the song, with the backing routed to this plug-in's sidechain.".into()
        }
        Lock::Searching => "Searching for the backing in the mix; the mix passes.".into(),
        Lock::Locked => format!(
            "Locked: delay {:.3} ms ({:.2} samples){}.",
            ms(readings.delay_samples),
            readings.delay_samples,
            if readings.inverted { ", polarity inverted" } else { "" },
        ),
        Lock::Lost => "Lost: the backing no longer fits; the mix passes until it is found again.".into(),
        Lock::TooLate => format!(
            "Backing {:.3} s late: move its clip {:.3} s ({:.0} samples) earlier.",
            ms(readings.late_samples) / 1e3,
            ms(readings.late_samples) / 1e3,
            readings.late_samples,
        ),
    }
}

fn null_words(meters: &Meters) -> String {
    match meters.readings.null_depth_db {
        Some(depth_db) if meters.readings.lock == Lock::Locked => format!("Null depth {depth_db:.1} dB"),
        _ => "Null depth not known yet".into(),
    }
}

#[cfg(test)]
mod tests {
    use minuend_engine::Readings;

    use super::*;

    fn shown(readings: Readings) -> Meters {
        Meters { readings, sample_rate_hz: 48_000.0, latency_samples: 0 }
    }

    #[test]
    fn a_late_backing_is_told_how_far_to_move() {
        let words = lock_words(&shown(Readings {
            lock: Lock::TooLate,
            delay_samples: -120_000.0,
            late_samples: 111_072.0,
            ..Readings::default()
        }));
        assert_eq!(words, "Backing 2.314 s late: move its clip 2.314 s (111072 samples) earlier.");
    }

    #[test]
    fn a_delay_is_told_in_both_units() {
        let words = lock_words(&shown(Readings {
            lock: Lock::Locked,
            delay_samples: 1_234.0,
            inverted: true,
            ..Readings::default()
        }));
        assert_eq!(words, "Locked: delay 25.708 ms (1234.00 samples), polarity inverted.");
        assert!(lock_words(&Meters::default()).starts_with("Not running"));
    }

    #[test]
    fn a_null_depth_is_told_only_while_there_is_one() {
        let deep = Readings { lock: Lock::Locked, null_depth_db: Some(61.26), ..Readings::default() };
        assert_eq!(null_words(&shown(deep)), "Null depth 61.3 dB");
        assert_eq!(
            null_words(&shown(Readings { lock: Lock::Searching, ..deep })),
            "Null depth not known yet"
        );
    }
}
