//! What the plug-in asks of its host.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::Relaxed};

use clack_extensions::{
    gui::{GuiSize, HostGui, HostGuiImpl},
    latency::{HostLatency, HostLatencyImpl},
    params::{HostParams, HostParamsImplMainThread, HostParamsImplShared, ParamClearFlags, ParamRescanFlags},
    state::{HostState, HostStateImpl},
};
use clack_host::{prelude::*, utils::ClapId};

/// A request of the plug-in that the host notes down.
#[derive(Debug, Default)]
pub struct Requests {
    pub callback: AtomicBool,
    pub dirty: AtomicBool,
    pub restart: AtomicBool,
    pub flush: AtomicBool,
    pub window_closed: AtomicBool,
    /// Size the window asked for, packed; 0 = none.
    pub window_size: AtomicU64,
}

/// What the host offers to the plug-in.
pub struct Handlers;

/// Hears requests from any thread.
#[derive(Default)]
pub struct Shared(pub Requests);

/// Hears requests from the main thread.
pub struct MainThread<'a> {
    pub shared: &'a Shared,
}

impl HostHandlers for Handlers {
    type Shared<'a> = Shared;
    type MainThread<'a> = MainThread<'a>;
    type AudioProcessor<'a> = ();

    fn declare_extensions(builder: &mut HostExtensions<Self>, _: &Self::Shared<'_>) {
        builder
            .register::<HostGui>()
            .register::<HostLatency>()
            .register::<HostParams>()
            .register::<HostState>();
    }
}

impl SharedHandler<'_> for Shared {
    fn request_restart(&self) {
        self.0.restart.store(true, Relaxed);
    }

    fn request_process(&self) {}

    fn request_callback(&self) {
        self.0.callback.store(true, Relaxed);
    }
}

impl<'a> MainThreadHandler<'a> for MainThread<'a> {}

impl HostLatencyImpl for MainThread<'_> {
    // Latency is asked for after every activation, so there is nothing to note.
    fn changed(&self) {}
}

impl HostStateImpl for MainThread<'_> {
    fn mark_dirty(&self) {
        self.shared.0.dirty.store(true, Relaxed);
    }
}

impl HostParamsImplShared for Shared {
    // While it plays, every block carries a flush of its own.
    fn request_flush(&self) {
        self.0.flush.store(true, Relaxed);
    }
}

impl HostGuiImpl for Shared {
    fn resize_hints_changed(&self) {}

    fn request_resize(&self, new_size: GuiSize) -> Result<(), HostError> {
        self.0.window_size.store(new_size.pack_to_u64(), Relaxed);
        Ok(())
    }

    fn request_show(&self) -> Result<(), HostError> {
        Ok(())
    }

    fn request_hide(&self) -> Result<(), HostError> {
        Ok(())
    }

    fn closed(&self, _was_destroyed: bool) {
        self.0.window_closed.store(true, Relaxed);
    }
}

impl HostParamsImplMainThread for MainThread<'_> {
    fn rescan(&self, _: ParamRescanFlags) {}

    fn clear(&self, _: ClapId, _: ParamClearFlags) {}
}
