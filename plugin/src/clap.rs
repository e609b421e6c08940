//! The CLAP entry: the framework's plug-in behind a rim that closes what the framework leaves open.
//!
//! - A host may hand over fewer ports or channels than were declared, or more, or longer blocks; the framework would read
//!   past the end, or take what lies in the output for the mix. What is missing is silence, and an output that is
//!   missing is not heard.
//! - Events that a host hands over out of order, or beyond the block, would make the framework write elsewhere.
//! - The latency is told while the plug-in is being activated; the framework would ask the host to start over.
//! - A host may go over to rendering offline, or to real time, without a pause.
//! - Of an output a host is told that it may not be constant; the framework would leave what the host had told itself.
//! - A refused session is reported as refused.
//! - A change of the learned match marks the session as changed.
//! - The ports have the names they are called by everywhere else.

use std::ffi::{CStr, c_char, c_void};
use std::ptr;
use std::sync::atomic::Ordering;
use std::sync::{Arc, OnceLock};

use clap_sys::audio_buffer::clap_audio_buffer;
use clap_sys::entry::clap_plugin_entry;
use clap_sys::events::{clap_event_header, clap_input_events};
use clap_sys::ext::audio_ports::{CLAP_EXT_AUDIO_PORTS, clap_audio_port_info, clap_plugin_audio_ports};
use clap_sys::ext::latency::{CLAP_EXT_LATENCY, clap_host_latency};
use clap_sys::ext::params::{CLAP_EXT_PARAMS, clap_plugin_params};
use clap_sys::ext::state::{CLAP_EXT_STATE, clap_plugin_state};
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
use crate::buffers::{self, Channels, MAX_CHANNELS, StandIns};
use crate::host_link::{self, HostLink, MAIN_PORTS};

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

/// A main and a sidechain input: as many as every layout declares.
const NUM_INPUTS: usize = 2;

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
    /// While active.
    stand_ins: StandIns,
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
    let (inner, link) = host_link::making(host, || {
        // SAFETY: the host is valid; the framework takes back this reference in its `destroy`.
        unsafe { *(*Arc::into_raw(Wrapper::<Minuend>::new(host))).clap_plugin.as_ptr() }
    });
    let seen = clap_plugin {
        activate: Some(activate),
        destroy: Some(destroy),
        process: Some(process),
        get_extension: Some(get_extension),
        on_main_thread: Some(on_main_thread),
        ..inner
    };
    Box::into_raw(Box::new(Rim {
        seen,
        inner,
        link,
        num_channels: [0; NUM_INPUTS],
        stand_ins: StandIns::default(),
    }))
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
        rim.stand_ins = StandIns::new(max_frames as usize);

        let latency_samples = rim.link.latency_samples();
        if rim.wrapper().current_latency.swap(latency_samples, Ordering::SeqCst) != latency_samples
            && let Some(latency) = rim.link.extension::<clap_host_latency>(CLAP_EXT_LATENCY)
            && let Some(changed) = latency.changed
        {
            changed(rim.link.host());
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
    // SAFETY: the host gives its instance and a stream.
    let (loaded, refused) = host_link::loading(|| unsafe {
        inner_extension::<clap_plugin_state>(plugin, CLAP_EXT_STATE)
            .and_then(|state| state.load)
            .is_some_and(|load| load(plugin, stream))
    });
    loaded && !refused
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
    if given.frames_count as usize > rim.stand_ins.longest() {
        return CLAP_PROCESS_ERROR;
    }
    // The framework hands a changed mode on at the next activation only.
    rim.link.set_offline(rim.wrapper().current_process_mode.load() == ProcessMode::Offline);

    let mut channels = [[ptr::null_mut(); MAX_CHANNELS]; NUM_INPUTS];
    let mut inputs = [NO_BUFFER; NUM_INPUTS];
    for (port, (channels, input)) in channels.iter_mut().zip(&mut inputs).enumerate() {
        // SAFETY: `given` is a host's block.
        let given = unsafe { find_channels(given.audio_inputs, given.audio_inputs_count, port) };
        // The framework only reads from them.
        *channels = rim.stand_ins.input(given);
        input.data32 = channels.as_mut_ptr();
        input.channel_count = rim.num_channels[port] as u32;
    }
    // SAFETY: `given` is a host's block.
    let heard = unsafe { find_channels(given.audio_outputs, given.audio_outputs_count, 0) };
    let mut heard = rim.stand_ins.output(heard);
    // The output is as wide as the mix.
    let mut output = clap_audio_buffer {
        data32: heard.as_mut_ptr(),
        channel_count: rim.num_channels[0] as u32,
        ..NO_BUFFER
    };
    let whole = clap_process {
        audio_inputs: inputs.as_ptr(),
        audio_inputs_count: NUM_INPUTS as u32,
        audio_outputs: &raw mut output,
        audio_outputs_count: 1,
        ..*given
    };
    // SAFETY: all that is pointed to outlives the call, the list is the host's, and there are as many outputs as it says.
    unsafe {
        let status = process_in_order(plugin, inner, &whole);
        if given.audio_outputs_count > 0
            && let Some(output) = given.audio_outputs.as_mut()
        {
            // What the host left there is of another block. The mask is a hint, and none is given: validators read a set
            // bit as true of the whole buffer, also where the block is shorter.
            output.constant_mask = 0;
        }
        status
    }
}

/// Hands a block to the framework, its events in order.
///
/// # Safety
///
/// As for the framework's function, but for the order of the events.
unsafe fn process_in_order(
    plugin: *const clap_plugin,
    inner: unsafe extern "C" fn(*const clap_plugin, *const clap_process) -> clap_process_status,
    block: &clap_process,
) -> clap_process_status {
    // SAFETY: the caller's.
    unsafe {
        if are_in_order(block.in_events, block.frames_count) {
            return inner(plugin, block);
        }
        // The framework would cut the block where it has been already: everything lands on its start instead.
        if let Some(flush) =
            inner_extension::<clap_plugin_params>(plugin, CLAP_EXT_PARAMS).and_then(|params| params.flush)
        {
            flush(plugin, block.in_events, block.out_events);
        }
        let none = clap_input_events { ctx: ptr::null_mut(), size: Some(no_events), get: Some(no_event) };
        inner(plugin, &clap_process { in_events: &none, ..*block })
    }
}

/// Whether all events lie within the block, one after the other.
///
/// # Safety
///
/// `events` is a host's list or null.
unsafe fn are_in_order(events: *const clap_input_events, num_frames: u32) -> bool {
    // SAFETY: the list has as many events as it says; null is none.
    unsafe {
        let Some(list) = events.as_ref() else { return true };
        let (Some(size), Some(get)) = (list.size, list.get) else { return false };
        let mut times = (0..size(list)).filter_map(|i| Some(get(list, i).as_ref()?.time));
        let mut before = 0;
        times.all(|time| {
            let fits = time >= before && time < num_frames.max(1);
            before = time;
            fits
        })
    }
}

extern "C" fn no_events(_list: *const clap_input_events) -> u32 {
    0
}

extern "C" fn no_event(_list: *const clap_input_events, _index: u32) -> *const clap_event_header {
    ptr::null()
}

const NO_BUFFER: clap_audio_buffer = clap_audio_buffer {
    data32: ptr::null_mut(),
    data64: ptr::null_mut(),
    channel_count: 0,
    latency: 0,
    constant_mask: 0,
};

/// The channels of a port that the host gives.
///
/// # Safety
///
/// There are that many ports, or none if the pointer is null.
unsafe fn find_channels(ports: *const clap_audio_buffer, num_ports: u32, port: usize) -> Channels {
    if ports.is_null() || port >= num_ports as usize {
        return [ptr::null_mut(); MAX_CHANNELS];
    }
    // SAFETY: there are that many ports, and that many channels in each that is there.
    unsafe {
        let buffer = &*ports.add(port);
        buffers::given(buffer.data32, buffer.channel_count as usize)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_port_that_is_not_there_has_no_channels() {
        let mut samples = [0.0_f32; 3];
        let [a, b, c] = samples.each_mut().map(ptr::from_mut);
        let port = |channels: &mut [*mut f32]| {
            let channel_count = channels.len() as u32;
            clap_audio_buffer { data32: channels.as_mut_ptr(), channel_count, ..NO_BUFFER }
        };
        let (mut two, mut one) = ([a, b], [c]);
        let ports = [port(&mut two), port(&mut one), clap_audio_buffer { channel_count: 2, ..NO_BUFFER }];
        let none = ptr::null_mut();
        // SAFETY: the ports are as many, and have as many channels, as they say.
        let found = |ports: *const _, num_ports, index| unsafe { find_channels(ports, num_ports, index) };
        assert_eq!(found(ports.as_ptr(), 3, 0), [a, b]);
        assert_eq!(found(ports.as_ptr(), 3, 1), [c, none]);
        assert_eq!(found(ports.as_ptr(), 3, 2), [none, none], "a port without channels");
        assert_eq!(found(ports.as_ptr(), 1, 1), [none, none], "no second port");
        assert_eq!(found(ptr::null(), 2, 0), [none, none], "no ports");
    }
}
