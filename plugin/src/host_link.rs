//! The way from an instance to its host and to the rim round it, in either plug-in format.

use std::any::Any;
use std::cell::{Cell, RefCell};
use std::ffi::CStr;
use std::ptr;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use clap_sys::ext::state::{CLAP_EXT_STATE, clap_host_state};
use clap_sys::host::clap_host;

use crate::state::MinuendParams;

/// Names of the main ports, in and out.
pub const MAIN_PORTS: [&CStr; 2] = [c"Mix", c"Difference"];

/// The way back to the host, for one instance.
pub struct HostLink {
    /// Null under another plug-in format.
    host: *const clap_host,
    params: Arc<MinuendParams>,
    match_changed: AtomicBool,
    offline: AtomicBool,
    channels: Mutex<Option<[usize; 2]>>,
    latency_samples: AtomicU32,
    rim: OnceLock<Box<dyn Any + Send + Sync>>,
}

// SAFETY: the host outlives its plug-ins, and of its functions only the one meant for all threads is called off the
// main thread.
unsafe impl Send for HostLink {}
// SAFETY: as above.
unsafe impl Sync for HostLink {}

impl HostLink {
    /// The link of the instance that is being made on this thread.
    pub fn new(params: Arc<MinuendParams>) -> Arc<Self> {
        let link = Arc::new(Self {
            host: MAKING.get().unwrap_or_else(ptr::null),
            params,
            match_changed: AtomicBool::new(false),
            offline: AtomicBool::new(false),
            channels: Mutex::new(None),
            latency_samples: AtomicU32::new(0),
            rim: OnceLock::new(),
        });
        if MAKING.get().is_some() {
            MADE.set(Some(link.clone()));
        }
        link
    }

    /// Keeps what has to live as long as the instance.
    pub fn keep(&self, rim: impl Any + Send + Sync) {
        // There is one rim for an instance.
        let _ = self.rim.set(Box::new(rim));
    }

    /// Whether the host renders as fast as it can. May change between two blocks.
    pub fn is_offline(&self) -> bool {
        self.offline.load(Ordering::Relaxed)
    }

    /// Says how the host processes from now on.
    pub fn set_offline(&self, offline: bool) {
        self.offline.store(offline, Ordering::Relaxed);
    }

    /// Channels of mix and backing, where the host has set them otherwise than the framework knows.
    pub fn channels(&self) -> Option<[usize; 2]> {
        *self.channels.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// In force from the next activation on. Not for the audio thread.
    pub fn set_channels(&self, channels: [usize; 2]) {
        *self.channels.lock().unwrap_or_else(PoisonError::into_inner) = Some(channels);
    }

    /// To be called while the plug-in is being activated.
    pub fn set_latency_samples(&self, latency_samples: u32) {
        self.latency_samples.store(latency_samples, Ordering::Relaxed);
    }

    /// Tells that the match has changed. Real-time safe; the session is marked later, on the main thread.
    pub fn match_changed(&self) {
        self.match_changed.store(true, Ordering::Release);
        // SAFETY: the host is null or valid as long as the plug-in, and this function is for all threads.
        unsafe {
            if let Some(host) = self.host.as_ref()
                && let Some(request_callback) = host.request_callback
            {
                request_callback(self.host);
            }
        }
    }

    /// The latency, samples, once activated.
    pub fn latency_samples(&self) -> u32 {
        self.latency_samples.load(Ordering::Relaxed)
    }

    /// The host's side of a CLAP instance.
    pub fn host(&self) -> *const clap_host {
        self.host
    }

    /// On the main thread.
    pub fn mark_session(&self) {
        if !self.match_changed.swap(false, Ordering::AcqRel) || !self.params.session.has_changed() {
            return;
        }
        // SAFETY: this is the main thread, and the type is the extension's.
        unsafe {
            if let Some(state) = self.extension::<clap_host_state>(CLAP_EXT_STATE)
                && let Some(mark_dirty) = state.mark_dirty
            {
                mark_dirty(self.host);
            }
        }
    }

    /// An extension of the host's.
    ///
    /// # Safety
    ///
    /// This is the main thread, and `T` is the extension's type.
    pub unsafe fn extension<T>(&self, id: &CStr) -> Option<&T> {
        // SAFETY: the host is null or valid as long as the plug-in.
        unsafe {
            let get_extension = self.host.as_ref()?.get_extension?;
            get_extension(self.host, id.as_ptr()).cast::<T>().as_ref()
        }
    }
}

thread_local! {
    /// The host for which an instance is being made; null under VST3.
    static MAKING: Cell<Option<*const clap_host>> = const { Cell::new(None) };
    /// The link that this instance has made.
    static MADE: RefCell<Option<Arc<HostLink>>> = const { RefCell::new(None) };
    /// A state was refused while it was being loaded.
    static REFUSED: Cell<bool> = const { Cell::new(false) };
}

/// Makes an instance for a host, null under VST3, and gives the link that it has made.
pub fn making<T>(host: *const clap_host, make: impl FnOnce() -> T) -> (T, Arc<HostLink>) {
    MAKING.set(Some(host));
    let made = make();
    MAKING.set(None);
    (made, MADE.take().expect("every instance makes a link"))
}

/// Loads a state; with what `load` gives, true if the state was refused.
pub fn loading<T>(load: impl FnOnce() -> T) -> (T, bool) {
    REFUSED.set(false);
    (load(), REFUSED.get())
}

/// To be called when a state is refused while it is being loaded.
pub fn refuse_state() {
    REFUSED.set(true);
}
