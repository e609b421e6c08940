//! The plug-in's window inside one of the host's.

use std::sync::atomic::Ordering::Relaxed;

use anyhow::{Context, Result, anyhow};
use clack_extensions::gui::{GuiApiType, GuiConfiguration, GuiSize, PluginGui, Window};

use super::Host;

/// What the system calls a window by: on X11 its number, on Windows its handle.
#[cfg(not(windows))]
pub type WindowId = u32;
/// What the system calls a window by: on X11 its number, on Windows its handle.
#[cfg(windows)]
pub type WindowId = *mut std::ffi::c_void;

#[cfg(not(windows))]
fn clap_window(id: WindowId) -> (GuiApiType<'static>, Window<'static, 'static>) {
    (GuiApiType::X11, Window::from_x11_handle(id.into()))
}

#[cfg(windows)]
fn clap_window(id: WindowId) -> (GuiApiType<'static>, Window<'static, 'static>) {
    // SAFETY: whoever opens a window in it keeps it, see below.
    (GuiApiType::WIN32, unsafe { Window::from_win32_hwnd(id) })
}

impl Host {
    /// Opens the plug-in's window inside a window of the caller's, and returns its size in pixels.
    ///
    /// # Safety
    ///
    /// That window stays until [`Host::close_window`].
    pub unsafe fn open_window(&mut self, parent: WindowId, scale: f64) -> Result<[u32; 2]> {
        let (api_type, parent) = clap_window(parent);
        let handle = self.instance.plugin_handle();
        let gui = handle.get_extension::<PluginGui>().context("the plug-in has no window")?;
        gui.create(&handle, GuiConfiguration { api_type, is_floating: false })?;
        // Refused where the screen has a scale of its own.
        let _ = gui.set_scale(&handle, scale);
        // SAFETY: The window is valid; the caller keeps it so.
        unsafe { gui.set_parent(&handle, parent)? };
        gui.show(&handle)?;
        let size = gui.get_size(&handle).context("the plug-in's window has no size")?;
        self.idle();
        Ok([size.width, size.height])
    }

    /// Closes the plug-in's window.
    pub fn close_window(&mut self) {
        let handle = self.instance.plugin_handle();
        if let Some(gui) = handle.get_extension::<PluginGui>() {
            gui.destroy(&handle);
        }
        self.idle();
    }

    /// Hides the plug-in's window, or shows it again.
    pub fn show_window(&mut self, shown: bool) -> Result<()> {
        let handle = self.instance.plugin_handle();
        let gui = handle.get_extension::<PluginGui>().context("the plug-in has no window")?;
        if shown { gui.show(&handle) } else { gui.hide(&handle) }.map_err(|e| anyhow!("{e}"))
    }

    /// Gives the plug-in's window a size, as far as it takes it, and returns that, in pixels.
    pub fn set_window_size(&mut self, [width, height]: [u32; 2]) -> Result<[u32; 2]> {
        let handle = self.instance.plugin_handle();
        let gui = handle.get_extension::<PluginGui>().context("the plug-in has no window")?;
        let size = GuiSize { width, height };
        let size = gui.adjust_size(&handle, size).unwrap_or(size);
        gui.set_size(&handle, size)?;
        Ok([size.width, size.height])
    }

    /// The size in pixels that the plug-in's window has asked for since the last call.
    pub fn take_window_size(&self) -> Option<[u32; 2]> {
        let packed = self.instance.access_shared_handler(|shared| shared.0.window_size.swap(0, Relaxed));
        (packed != 0).then(|| GuiSize::unpack_from_u64(packed)).map(|size| [size.width, size.height])
    }

    /// Whether the plug-in's window has closed itself.
    pub fn window_is_closed(&self) -> bool {
        self.instance.access_shared_handler(|shared| shared.0.window_closed.load(Relaxed))
    }

    /// Does what a host does between blocks, also while it plays nothing.
    pub fn rest(&mut self) -> Result<()> {
        if self.take(|requests| &requests.flush) {
            return self.flush(&[]);
        }
        self.idle();
        Ok(())
    }
}
