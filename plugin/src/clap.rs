//! The CLAP entry: the framework's plug-in behind a rim that closes what the framework leaves open.
//!
//! - A host may hand over fewer input ports or channels than were declared, or longer blocks; the framework would read
//!   past the end, or take what lies in the output for the mix. What is missing is silence.
//! - The latency is told while the plug-in is being activated; the framework would ask the host to start over.
//! - A host may begin to render offline without a pause.
//! - A refused session is reported as refused.
//! - A change of the learned match marks the session as changed.
//! - The ports have the names they are called by everywhere else.

use std::cell::{Cell, RefCell};
use std::ffi::{CStr, c_char, c_void};
use std::ptr;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, OnceLock};

use clap_sys::audio_buffer::clap_audio_buffer;
use clap_sys::entry::clap_plugin_entry;
use clap_sys::ext::audio_ports::{CLAP_EXT_AUDIO_PORTS, clap_audio_port_info, clap_plugin_audio_ports};
use clap_sys::ext::latency::{CLAP_EXT_LATENCY, clap_host_latency};
use clap_sys::ext::state::{CLAP_EXT_STATE, clap_host_state, clap_plugin_state};
use clap_sys::factory::plugin_factory::{CLAP_PLUGIN_FACTORY_ID, clap_plugin_factory};
use clap_sys::host::clap_host;
use clap_sys::plugin::{clap_plugin, clap_plugin_descriptor};
use clap_sys::process::{CLAP_PROCESS_ERROR, clap_process, clap_process_status};
use clap_sys::stream::{clap_istream, clap_ostream};
use clap_sys::version::CLAP_VERSION;
use nice_plug::prelude::ProcessMode;
use nice_plug::wrapper::clap::{PluginDescriptor, Wrapper};
use nice_plug::wrapper::setup_logger;

use crate::Minuend;
use crate::params::MinuendParams;

/// Where hosts enter.
#[allow(non_upper_case_globals)]
#[unsafe(no_mangle)]
#[used]
pub static clap_entry: clap_plugin_entry = clap_plugin_entry {
    clap_version: CLAP_VERSION,
    init: Some(init),
    deinit: Some(deinit),
    get_factory: Some(get_factory),
};

static FACTORY: clap_plugin_factory = clap_plugin_factory {
    get_plugin_count: Some(get_plugin_count),
    get_plugin_descriptor: Some(get_plugin_descriptor),
    create_plugin: Some(create_plugin),
};

static STATE: clap_plugin_state = clap_plugin_state { save: Some(save), load: Some(load) };

static AUDIO_PORTS: clap_plugin_audio_ports =
    clap_plugin_audio_ports { count: Some(count_ports), get: Some(get_port) };

/// Names of the main ports, in and out.
const MAIN_PORTS: [&CStr; 2] = [c"Mix", c"Difference"];

/// A main and a sidechain input: as many as every layout declares.
const NUM_INPUTS: usize = 2;

/// As many as any port of ours has.
const MAX_CHANNELS: usize = 2;

/// The way back to the host, for one instance.
pub struct HostLink {
    /// Null under another plug-in format.
    host: *const clap_host,
    params: Arc<MinuendParams>,
    match_changed: AtomicBool,
    offline: AtomicBool,
    latency_samples: AtomicU32,
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
            host: MAKING.get(),
            params,
            match_changed: AtomicBool::new(false),
            offline: AtomicBool::new(false),
            latency_samples: AtomicU32::new(0),
        });
        if !link.host.is_null() {
            MADE.set(Some(link.clone()));
        }
        link
    }

    /// Whether the host renders as fast as it can. May change between two blocks.
    pub fn is_offline(&self) -> bool {
        self.offline.load(Ordering::Relaxed)
    }

    /// Says how the host processes from now on.
    pub fn set_offline(&self, offline: bool) {
        self.offline.store(offline, Ordering::Relaxed);
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

    /// On the main thread.
    fn mark_session(&self) {
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
    unsafe fn extension<T>(&self, id: &CStr) -> Option<&T> {
        // SAFETY: the host is null or valid as long as the plug-in.
        unsafe {
            let get_extension = self.host.as_ref()?.get_extension?;
            get_extension(self.host, id.as_ptr()).cast::<T>().as_ref()
        }
    }
}

thread_local! {
    /// The host for which an instance is being made.
    static MAKING: Cell<*const clap_host> = const { Cell::new(ptr::null()) };
    /// The link that this instance has made.
    static MADE: RefCell<Option<Arc<HostLink>>> = const { RefCell::new(None) };
    /// A state was refused while it was being loaded.
    static REFUSED: Cell<bool> = const { Cell::new(false) };
}

/// To be called when a state is refused while it is being loaded.
pub fn refuse_state() {
    REFUSED.set(true);
}

/// One instance: what the host sees, and the framework's functions behind it.
#[repr(C)]
struct Rim {
    /// First, so that a pointer to it is a pointer to the whole. Its data is the framework's, whose functions are
    /// called with it.
    seen: clap_plugin,
    inner: clap_plugin,
    link: Arc<HostLink>,
    /// Channels that each input port has, while active.
    num_channels: [usize; NUM_INPUTS],
    /// What stands in for a channel that the host does not give: as long as the longest block, while active.
    silence: Vec<f32>,
}

impl Rim {
    /// The framework's side, which is made to be reached by its own exports only.
    fn wrapper(&self) -> &Wrapper<Minuend> {
        // SAFETY: it lives until it is destroyed together with the rim.
        unsafe { &*self.inner.plugin_data.cast() }
    }
}

/// The instance behind what the host holds.
///
/// # Safety
///
/// `plugin` comes from [`create_plugin`] and has not been destroyed.
unsafe fn rim<'a>(plugin: *const clap_plugin) -> &'a Rim {
    // SAFETY: `seen` is the first field of a `Rim` in C layout.
    unsafe { &*plugin.cast::<Rim>() }
}

/// An extension of the framework's.
///
/// # Safety
///
/// As for [`rim`], and `T` is the extension's type.
unsafe fn inner_extension<'a, T>(plugin: *const clap_plugin, id: &CStr) -> Option<&'a T> {
    // SAFETY: the framework's extensions are as long-lived as the instance.
    unsafe {
        let get_extension = rim(plugin).inner.get_extension?;
        get_extension(plugin, id.as_ptr()).cast::<T>().as_ref()
    }
}

extern "C" fn init(_path: *const c_char) -> bool {
    setup_logger::<Minuend>();
    true
}

extern "C" fn deinit() {}

unsafe extern "C" fn get_factory(id: *const c_char) -> *const c_void {
    // SAFETY: the host gives a C string or null.
    if !id.is_null() && unsafe { CStr::from_ptr(id) } == CLAP_PLUGIN_FACTORY_ID {
        ptr::from_ref(&FACTORY).cast()
    } else {
        ptr::null()
    }
}

fn descriptor() -> &'static PluginDescriptor {
    static DESCRIPTOR: OnceLock<PluginDescriptor> = OnceLock::new();
    DESCRIPTOR.get_or_init(PluginDescriptor::for_plugin::<Minuend>)
}

extern "C" fn get_plugin_count(_factory: *const clap_plugin_factory) -> u32 {
    1
}

extern "C" fn get_plugin_descriptor(
    _factory: *const clap_plugin_factory,
    index: u32,
) -> *const clap_plugin_descriptor {
    if index == 0 { descriptor().clap_plugin_descriptor() } else { ptr::null() }
}

unsafe extern "C" fn create_plugin(
    _factory: *const clap_plugin_factory,
    host: *const clap_host,
    id: *const c_char,
) -> *const clap_plugin {
    // SAFETY: the host gives a C string or null.
    if host.is_null() || id.is_null() || unsafe { CStr::from_ptr(id) } != descriptor().clap_id() {
        return ptr::null();
    }
    MAKING.set(host);
    // SAFETY: the host is valid; the framework takes back this reference in its `destroy`.
    let inner = unsafe { *(*Arc::into_raw(Wrapper::<Minuend>::new(host))).clap_plugin.as_ptr() };
    MAKING.set(ptr::null());
    let link = MADE.take().expect("every instance makes a link");
    let seen = clap_plugin {
        activate: Some(activate),
        destroy: Some(destroy),
        process: Some(process),
        get_extension: Some(get_extension),
        on_main_thread: Some(on_main_thread),
        ..inner
    };
    Box::into_raw(Box::new(Rim { seen, inner, link, num_channels: [0; NUM_INPUTS], silence: Vec::new() }))
        .cast()
}

unsafe extern "C" fn destroy(plugin: *const clap_plugin) {
    // SAFETY: the host calls this once, as the last of all.
    unsafe {
        if let Some(destroy) = rim(plugin).inner.destroy {
            destroy(plugin);
        }
        drop(Box::from_raw(plugin.cast_mut().cast::<Rim>()));
    }
}

unsafe extern "C" fn activate(
    plugin: *const clap_plugin,
    sample_rate_hz: f64,
    min_frames: u32,
    max_frames: u32,
) -> bool {
    // SAFETY: the host gives its instance, on the main thread, and calls nothing meanwhile that reads the fields set.
    unsafe {
        let activated = rim(plugin)
            .inner
            .activate
            .is_some_and(|activate| activate(plugin, sample_rate_hz, min_frames, max_frames));
        if !activated {
            return false;
        }
        let num_channels = std::array::from_fn(|port| num_channels(plugin, port as u32));
        let rim = &mut *plugin.cast_mut().cast::<Rim>();
        rim.num_channels = num_channels;
        rim.silence = vec![0.0; max_frames as usize];

        let latency_samples = rim.link.latency_samples.load(Ordering::Relaxed);
        if rim.wrapper().current_latency.swap(latency_samples, Ordering::SeqCst) != latency_samples
            && let Some(latency) = rim.link.extension::<clap_host_latency>(CLAP_EXT_LATENCY)
            && let Some(changed) = latency.changed
        {
            changed(rim.link.host);
        }
    }
    true
}

/// Channels of an input port.
///
/// # Safety
///
/// As for [`rim`], on the main thread.
unsafe fn num_channels(plugin: *const clap_plugin, port: u32) -> usize {
    // SAFETY: a port's description may be all zeros.
    unsafe {
        let mut info: clap_audio_port_info = std::mem::zeroed();
        get_port(plugin, port, true, &mut info);
        (info.channel_count as usize).min(MAX_CHANNELS)
    }
}

unsafe extern "C" fn on_main_thread(plugin: *const clap_plugin) {
    // SAFETY: the host gives its instance.
    let rim = unsafe { rim(plugin) };
    if let Some(on_main_thread) = rim.inner.on_main_thread {
        // SAFETY: as above.
        unsafe { on_main_thread(plugin) };
    }
    rim.link.mark_session();
}

unsafe extern "C" fn get_extension(plugin: *const clap_plugin, id: *const c_char) -> *const c_void {
    // SAFETY: the host gives its instance, and a C string or null.
    unsafe {
        let Some(get_extension) = rim(plugin).inner.get_extension else { return ptr::null() };
        if id.is_null() {
            ptr::null()
        } else if CStr::from_ptr(id) == CLAP_EXT_STATE {
            ptr::from_ref(&STATE).cast()
        } else if CStr::from_ptr(id) == CLAP_EXT_AUDIO_PORTS {
            ptr::from_ref(&AUDIO_PORTS).cast()
        } else {
            get_extension(plugin, id)
        }
    }
}

unsafe extern "C" fn save(plugin: *const clap_plugin, stream: *const clap_ostream) -> bool {
    // SAFETY: the host gives its instance and a stream.
    unsafe {
        inner_extension::<clap_plugin_state>(plugin, CLAP_EXT_STATE)
            .and_then(|state| state.save)
            .is_some_and(|save| save(plugin, stream))
    }
}

unsafe extern "C" fn load(plugin: *const clap_plugin, stream: *const clap_istream) -> bool {
    REFUSED.set(false);
    // SAFETY: the host gives its instance and a stream.
    let loaded = unsafe {
        inner_extension::<clap_plugin_state>(plugin, CLAP_EXT_STATE)
            .and_then(|state| state.load)
            .is_some_and(|load| load(plugin, stream))
    };
    loaded && !REFUSED.get()
}

unsafe extern "C" fn count_ports(plugin: *const clap_plugin, is_input: bool) -> u32 {
    // SAFETY: the host gives its instance.
    unsafe {
        inner_extension::<clap_plugin_audio_ports>(plugin, CLAP_EXT_AUDIO_PORTS)
            .and_then(|ports| ports.count)
            .map_or(0, |count| count(plugin, is_input))
    }
}

unsafe extern "C" fn get_port(
    plugin: *const clap_plugin,
    index: u32,
    is_input: bool,
    info: *mut clap_audio_port_info,
) -> bool {
    // SAFETY: the host gives its instance, and room for the answer.
    unsafe {
        let got = inner_extension::<clap_plugin_audio_ports>(plugin, CLAP_EXT_AUDIO_PORTS)
            .and_then(|ports| ports.get)
            .is_some_and(|get| get(plugin, index, is_input, info));
        if got && index == 0 {
            let name = MAIN_PORTS[usize::from(!is_input)].to_bytes_with_nul();
            for (to, from) in (*info).name.iter_mut().zip(name) {
                *to = *from as c_char;
            }
        }
        got
    }
}

unsafe extern "C" fn process(
    plugin: *const clap_plugin,
    process: *const clap_process,
) -> clap_process_status {
    // SAFETY: the host gives its instance, and a block or null.
    let (rim, given) = unsafe { (rim(plugin), process.as_ref()) };
    let (Some(inner), Some(given)) = (rim.inner.process, given) else { return CLAP_PROCESS_ERROR };
    if given.frames_count as usize > rim.silence.len() {
        return CLAP_PROCESS_ERROR;
    }
    // The framework hands a changed mode on at the next activation only.
    rim.link.set_offline(rim.wrapper().current_process_mode.load() == ProcessMode::Offline);

    let mut channels = [[ptr::null_mut(); MAX_CHANNELS]; NUM_INPUTS];
    let mut inputs = [NO_BUFFER; NUM_INPUTS];
    for (port, (channels, input)) in channels.iter_mut().zip(&mut inputs).enumerate() {
        // SAFETY: `given` is a host's block.
        unsafe { find_channels(given, port, channels) };
        for channel in channels.iter_mut().filter(|channel| channel.is_null()) {
            // The framework only reads from it.
            *channel = rim.silence.as_ptr().cast_mut();
        }
        input.data32 = channels.as_mut_ptr();
        input.channel_count = rim.num_channels[port] as u32;
    }
    let whole =
        clap_process { audio_inputs: inputs.as_ptr(), audio_inputs_count: NUM_INPUTS as u32, ..*given };
    // SAFETY: all that is pointed to outlives the call.
    unsafe { inner(plugin, &whole) }
}

const NO_BUFFER: clap_audio_buffer = clap_audio_buffer {
    data32: ptr::null_mut(),
    data64: ptr::null_mut(),
    channel_count: 0,
    latency: 0,
    constant_mask: 0,
};

/// Fills in the channels of an input port that the host gives.
///
/// # Safety
///
/// `given` is a host's block.
unsafe fn find_channels(given: &clap_process, port: usize, channels: &mut [*mut f32]) {
    if given.audio_inputs.is_null() || port >= given.audio_inputs_count as usize {
        return;
    }
    // SAFETY: there are that many ports, and that many channels in each that is there.
    unsafe {
        let buffer = &*given.audio_inputs.add(port);
        if !buffer.data32.is_null() {
            for (c, channel) in channels.iter_mut().enumerate().take(buffer.channel_count as usize) {
                *channel = *buffer.data32.add(c);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn port(channels: &mut [*mut f32]) -> clap_audio_buffer {
        let num_channels = channels.len() as u32;
        clap_audio_buffer { data32: channels.as_mut_ptr(), channel_count: num_channels, ..NO_BUFFER }
    }

    fn found(ports: &[clap_audio_buffer], index: usize) -> [*mut f32; MAX_CHANNELS] {
        let given = clap_process {
            steady_time: -1,
            frames_count: 1,
            transport: ptr::null(),
            audio_inputs: if ports.is_empty() { ptr::null() } else { ports.as_ptr() },
            audio_outputs: ptr::null_mut(),
            audio_inputs_count: ports.len() as u32,
            audio_outputs_count: 0,
            in_events: ptr::null(),
            out_events: ptr::null(),
        };
        let mut channels = [ptr::null_mut(); MAX_CHANNELS];
        // SAFETY: the ports are as many, and have as many channels, as they say.
        unsafe { find_channels(&given, index, &mut channels) };
        channels
    }

    #[test]
    fn only_what_the_host_gives_is_read() {
        let none = ptr::null_mut();
        let mut samples = [0.0_f32; 3];
        let [a, b, c] = samples.each_mut().map(ptr::from_mut);
        let (mut two, mut one, mut three, mut half) = ([a, b], [c], [a, b, c], [none, b]);
        let [stereo, mono] = [port(&mut two), port(&mut one)];
        let [three, half] = [port(&mut three), port(&mut half)];
        let empty = clap_audio_buffer { channel_count: 2, ..NO_BUFFER };

        assert_eq!(found(&[stereo, mono], 0), [a, b]);
        assert_eq!(found(&[stereo, mono], 1), [c, none]);
        assert_eq!(found(&[stereo], 1), [none, none], "no second port");
        assert_eq!(found(&[], 0), [none, none], "no ports");
        assert_eq!(found(&[three], 0), [a, b], "more than asked for");
        assert_eq!(found(&[half], 0), [none, b], "a channel without samples");
        assert_eq!(found(&[empty], 0), [none, none], "a port without channels");
    }
}
