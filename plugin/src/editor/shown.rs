//! The editor as hosts handle it: the framework's, but one that is never painted while nobody sees it.

use std::error::Error;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use nice_plug::context::gui::GuiContext;
use nice_plug::editor::dpi::NativeSize;
use nice_plug::editor::{EditorHandle, HostMethods, SpawnedEditor};
use nice_plug::prelude::*;
use nice_plug_egui::{EguiEditor, EguiEditorHandle, RepaintNotifier, baseview};

use super::Window;
use super::gui_thread::GuiThread;

/// Asks for a new picture, from any thread, as long as somebody sees it. Real-time safe.
#[derive(Clone, Default)]
pub struct Repaint {
    notifier: RepaintNotifier,
    shown: Arc<AtomicBool>,
}

impl Repaint {
    /// Asks for a new picture, if somebody sees it.
    pub fn request(&self) {
        if self.is_seen() {
            self.notifier.request_repaint();
        }
    }

    /// Whether somebody sees it.
    pub fn is_seen(&self) -> bool {
        self.shown.load(Ordering::Relaxed)
    }

    /// The window's end of it.
    pub(super) fn notifier(&self) -> RepaintNotifier {
        self.notifier.clone()
    }

    fn show(&self, shown: bool) {
        self.shown.store(shown, Ordering::Relaxed);
    }
}

/// Opens the window, as often as the host likes.
pub struct ShownEditor {
    pub(super) inner: EguiEditor<Window>,
    pub(super) repaint: Repaint,
    pub(super) thread: GuiThread,
}

impl Editor for ShownEditor {
    type Handle = ShownHandle;

    fn spawn(
        &self,
        parent: Option<ParentWindowHandle>,
        wait_for_parent: bool,
        fallback_scale_factor: Option<f64>,
        gui_context: GuiContext,
        host: Option<HostMethods>,
    ) -> Result<SpawnedEditor<Self::Handle>, Box<dyn Error>> {
        let SpawnedEditor { handle, window } =
            self.inner.spawn(parent, wait_for_parent, fallback_scale_factor, gui_context, host)?;
        self.repaint.show(true);
        let handle = ShownHandle { inner: handle, repaint: self.repaint.clone() };
        let window = OpenWindow { native: Some(window), thread: self.thread.clone() };
        Ok(SpawnedEditor { handle, window })
    }

    fn size(&self) -> NativeSize<u32> {
        self.inner.size()
    }

    fn resize_hint(&self) -> ResizeHint {
        self.inner.resize_hint()
    }

    fn track_info_updated(&self, info: TrackInfo) {
        self.inner.track_info_updated(info);
    }
}

/// An open window, as the framework handles it.
pub struct ShownHandle {
    inner: EguiEditorHandle,
    repaint: Repaint,
}

/// An open window. Once it is dropped, nothing of it runs any more.
pub struct OpenWindow {
    /// Until it is dropped.
    native: Option<baseview::Window>,
    thread: GuiThread,
}

impl OpenWindow {
    fn with(&self, act: impl FnOnce(&baseview::Window) -> Result<(), Failure>) -> Result<(), Failure> {
        self.native.as_ref().map_or(Ok(()), act)
    }
}

impl Drop for OpenWindow {
    fn drop(&mut self) {
        drop(self.native.take());
        #[cfg(windows)]
        super::host_keys::detach_closed();
        self.thread.wait();
    }
}

type Failure = <EguiEditorHandle as EditorHandle>::Error;

impl EditorHandle for ShownHandle {
    type Window = OpenWindow;
    type Error = Failure;

    fn run_until_closed(mut window: OpenWindow) -> Result<(), Failure> {
        window.native.take().map_or(Ok(()), EguiEditorHandle::run_until_closed)
    }

    fn set_parent(&self, parent: ParentWindowHandle, window: &OpenWindow) -> Result<(), Failure> {
        window.with(|native| self.inner.set_parent(parent, native))
    }

    fn show(&self, window: &OpenWindow) -> Result<(), Failure> {
        self.repaint.show(true);
        window.with(|native| self.inner.show(native))
    }

    fn hide(&self, window: &OpenWindow) -> Result<(), Failure> {
        self.repaint.show(false);
        window.with(|native| self.inner.hide(native))
    }

    fn set_size(&self, new_size: NativeSize<u32>, window: &OpenWindow) -> Result<(), Failure> {
        window.with(|native| self.inner.set_size(new_size, native))
    }

    fn host_main_thread_callback(&self, window: &OpenWindow) {
        if let Some(native) = &window.native {
            self.inner.host_main_thread_callback(native);
        }
    }

    fn adjust_size(&self, new_size: NativeSize<u32>, window: &OpenWindow) -> Option<NativeSize<u32>> {
        self.inner.adjust_size(new_size, window.native.as_ref()?)
    }

    fn set_fallback_scale_factor(&self, scale_factor: f64, window: &OpenWindow) -> Result<(), Failure> {
        window.with(|native| self.inner.set_fallback_scale_factor(scale_factor, native))
    }

    fn state_changed(&self) {
        self.repaint.request();
    }

    fn param_value_changed(&self, _id: &str, _normalized_value: f32) {
        self.repaint.request();
    }

    fn param_modulation_changed(&self, _id: &str, _modulation_offset: f32) {
        self.repaint.request();
    }
}

impl Drop for ShownHandle {
    fn drop(&mut self) {
        self.repaint.show(false);
    }
}
