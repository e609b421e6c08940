//! Hosts that do what none should, at the level of the CLAP functions themselves.

use std::ffi::{CStr, c_char, c_void};
use std::ptr;

use clap_sys::audio_buffer::clap_audio_buffer;
use clap_sys::events::{
    CLAP_CORE_EVENT_SPACE_ID, CLAP_EVENT_PARAM_VALUE, CLAP_EVENT_TRANSPORT,
    CLAP_TRANSPORT_HAS_SECONDS_TIMELINE, CLAP_TRANSPORT_IS_PLAYING, clap_event_header,
    clap_event_param_value, clap_event_transport, clap_input_events, clap_output_events,
};
use clap_sys::ext::latency::{CLAP_EXT_LATENCY, clap_plugin_latency};
use clap_sys::ext::params::{CLAP_EXT_PARAMS, clap_plugin_params};
use clap_sys::ext::render::{
    CLAP_EXT_RENDER, CLAP_RENDER_OFFLINE, CLAP_RENDER_REALTIME, clap_plugin_render, clap_plugin_render_mode,
};
use clap_sys::ext::state::{CLAP_EXT_STATE, clap_plugin_state};
use clap_sys::factory::plugin_factory::{CLAP_PLUGIN_FACTORY_ID, clap_plugin_factory};
use clap_sys::fixedpoint::CLAP_SECTIME_FACTOR;
use clap_sys::host::clap_host;
use clap_sys::plugin::clap_plugin;
use clap_sys::process::{CLAP_PROCESS_ERROR, clap_process};
use clap_sys::stream::clap_istream;
use clap_sys::version::CLAP_VERSION;
use nice_assert_no_alloc::assert_no_alloc;

use crate::host::{MAX_BLOCK, Plugin, clap_id};
use crate::signals::{Audio, Noise, RATE_HZ, Song, assert_same, part, peak, silence};
use crate::sound::learned;

unsafe extern "C" fn no_extension(_: *const clap_host, _: *const c_char) -> *const c_void {
    ptr::null()
}

unsafe extern "C" fn ignore(_: *const clap_host) {}

/// A host that offers nothing.
static HOST: SharedHost = SharedHost(clap_host {
    clap_version: CLAP_VERSION,
    host_data: ptr::null_mut(),
    name: c"Odd".as_ptr(),
    vendor: ptr::null(),
    url: ptr::null(),
    version: c"1".as_ptr(),
    get_extension: Some(no_extension),
    request_restart: Some(ignore),
    request_process: Some(ignore),
    request_callback: Some(ignore),
});

struct SharedHost(clap_host);

// SAFETY: nothing in it is ever written.
unsafe impl Sync for SharedHost {}

/// What the host hands over for a port.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Given {
    /// All that was declared.
    Whole,
    /// Channels, but no list of them.
    NoData,
    /// A port of no channels.
    NoChannels,
    /// The first channel alone, which is all that the port says it has.
    OneChannel,
    /// Two channels, the second without samples.
    HalfNull,
    /// A third channel that nobody asked for.
    OneTooMany,
    /// Not even the port: the count is smaller, and what lies behind it in memory leads nowhere.
    NoPort,
    /// No list of ports, although it is counted.
    NoList,
}

use Given::{HalfNull, NoChannels, NoData, NoList, NoPort, OneChannel, OneTooMany, Whole};

impl Given {
    /// Which of two channels arrive.
    fn arrive(self) -> [bool; 2] {
        match self {
            Whole | OneTooMany => [true; 2],
            OneChannel | HalfNull => [true, false],
            NoData | NoChannels | NoPort | NoList => [false; 2],
        }
    }

    /// A port over these channels, of which there are three.
    fn port(self, channels: &mut [*mut f32; 3]) -> clap_audio_buffer {
        // Whoever follows these pointers, or counts on them, ends the program.
        const NOWHERE: *mut f32 = ptr::without_provenance_mut(8);
        let channel_count = match self {
            OneTooMany => 3,
            OneChannel => 1,
            NoChannels => 0,
            _ => 2,
        };
        channels[channel_count as usize..].fill(NOWHERE);
        if self == HalfNull {
            channels[1] = ptr::null_mut();
        }
        let data32 = match self {
            NoData => ptr::null_mut(),
            NoPort => NOWHERE.cast(),
            _ => channels.as_mut_ptr(),
        };
        clap_audio_buffer { data32, data64: ptr::null_mut(), channel_count, latency: 0, constant_mask: 0 }
    }
}

/// An instance whose functions are called as they are. In real time those of the audio thread may not allocate, our rim
/// round the framework included; offline they may, since what an odd host does is logged by the framework's debug builds.
pub struct Raw {
    plugin: *const clap_plugin,
    is_live: bool,
}

impl Raw {
    /// An instance of a session, offline.
    pub fn new(state: &[u8]) -> Self {
        Self::rendering(CLAP_RENDER_OFFLINE, state)
    }

    /// An instance of a session, in real time.
    pub fn live(state: &[u8]) -> Self {
        Self::rendering(CLAP_RENDER_REALTIME, state)
    }

    /// Goes over to real time without a new activation: the plug-in may ask for one, but this host makes none.
    pub fn go_live(&mut self) {
        self.render(CLAP_RENDER_REALTIME);
        self.is_live = true;
    }

    fn render(&self, mode: clap_plugin_render_mode) {
        // SAFETY: on the main thread; the type is the extension's.
        unsafe {
            let render = self.extension::<clap_plugin_render>(CLAP_EXT_RENDER);
            assert!(render.set.expect("there")(self.plugin, mode));
        }
    }

    fn rendering(mode: clap_plugin_render_mode, state: &[u8]) -> Self {
        // SAFETY: all functions are called in the order of the CLAP headers, on one thread.
        unsafe {
            let entry = &minuend::clap_entry;
            assert!(entry.init.expect("there")(c"".as_ptr()));
            let factory = entry.get_factory.expect("there")(CLAP_PLUGIN_FACTORY_ID.as_ptr());
            let create = (*factory.cast::<clap_plugin_factory>()).create_plugin.expect("there");
            let plugin = create(factory.cast(), &HOST.0, c"audio.minuend.minuend".as_ptr());
            assert!((*plugin).init.expect("there")(plugin));
            let raw = Self { plugin, is_live: mode == CLAP_RENDER_REALTIME };
            raw.render(mode);
            raw.load(state);
            raw
        }
    }

    /// A call on the audio thread.
    fn call<T>(&self, call: impl FnOnce() -> T) -> T {
        if self.is_live { assert_no_alloc(call) } else { call() }
    }

    /// Opens a session.
    pub fn load(&self, state: &[u8]) {
        let mut rest = state;
        // SAFETY: on the main thread; the type is the extension's, and the stream outlives the call.
        unsafe {
            let stream = clap_istream { ctx: (&raw mut rest).cast(), read: Some(read) };
            assert!(self.extension::<clap_plugin_state>(CLAP_EXT_STATE).load.expect("there")(
                self.plugin,
                &stream
            ));
        }
    }

    /// Sets parameters without playing, on the audio thread.
    pub fn flush(&self, events: &Events) {
        // SAFETY: active; the type is the extension's, and the lists outlive the call.
        unsafe {
            let flush = self.extension::<clap_plugin_params>(CLAP_EXT_PARAMS).flush.expect("there");
            self.call(|| flush(self.plugin, &events.list, &NO_EVENTS_OUT.0));
        }
    }

    unsafe fn extension<T>(&self, id: &CStr) -> &T {
        // SAFETY: the caller names the extension's type.
        unsafe { &*(*self.plugin).get_extension.expect("there")(self.plugin, id.as_ptr()).cast() }
    }

    /// Activates and starts.
    pub fn start(&self, rate_hz: f64) {
        // SAFETY: not active.
        unsafe {
            assert!((*self.plugin).activate.expect("there")(self.plugin, rate_hz, 1, MAX_BLOCK));
            assert!((*self.plugin).start_processing.expect("there")(self.plugin));
        }
    }

    /// Stops and deactivates.
    pub fn stop(&self) {
        // SAFETY: active.
        unsafe {
            (*self.plugin).stop_processing.expect("there")(self.plugin);
            (*self.plugin).deactivate.expect("there")(self.plugin);
        }
    }

    /// Clears all signals.
    pub fn reset(&self) {
        // SAFETY: active.
        unsafe {
            let reset = (*self.plugin).reset.expect("there");
            self.call(|| reset(self.plugin));
        }
    }

    /// Latency told, samples.
    pub fn latency(&self) -> usize {
        // SAFETY: the type is the extension's.
        unsafe {
            self.extension::<clap_plugin_latency>(CLAP_EXT_LATENCY).get.expect("there")(self.plugin) as usize
        }
    }

    /// One block; what lies in the output if the host gave none is what it left there.
    pub fn block(
        &self,
        [mix, backing]: [&Audio; 2],
        [mix_given, backing_given, out_given]: [Given; 3],
        events: &Events,
        position_s: Option<f64>,
    ) -> Audio {
        let length = mix[0].len();
        let third = vec![0.5_f32; length];
        let mut out = vec![vec![9.0_f32; length]; 3];
        let read = |port: &Audio| {
            [port[0].as_ptr(), port[1].as_ptr(), third.as_ptr()].map(|channel| channel.cast_mut())
        };
        let (mut mix_channels, mut backing_channels) = (read(mix), read(backing));
        let mut out_channels = [0, 1, 2].map(|c: usize| out[c].as_mut_ptr());
        let inputs = [mix_given.port(&mut mix_channels), backing_given.port(&mut backing_channels)];
        let mut outputs = [out_given.port(&mut out_channels)];
        // What a host left there is not about this block.
        outputs[0].constant_mask = u64::MAX;
        let transport = position_s.map(transport_at);
        let process = clap_process {
            steady_time: -1,
            frames_count: length as u32,
            transport: transport.as_ref().map_or(ptr::null(), ptr::from_ref),
            audio_inputs: if mix_given == NoList { ptr::null() } else { inputs.as_ptr() },
            audio_outputs: if out_given == NoList { ptr::null_mut() } else { outputs.as_mut_ptr() },
            audio_inputs_count: match (mix_given, backing_given) {
                (NoPort, _) => 0,
                (_, NoPort) => 1,
                _ => 2,
            },
            audio_outputs_count: u32::from(out_given != NoPort),
            in_events: &events.list,
            out_events: &NO_EVENTS_OUT.0,
        };
        // SAFETY: what is counted and not null is there, but for what the test leaves out.
        let status = unsafe {
            let call = (*self.plugin).process.expect("there");
            self.call(|| call(self.plugin, &process))
        };
        assert_ne!(status, CLAP_PROCESS_ERROR);
        out.truncate(2);
        if out_given != NoPort && out_given != NoList {
            assert_eq!(outputs[0].constant_mask, 0, "{out_given:?}");
        }
        out
    }
}

impl Drop for Raw {
    fn drop(&mut self) {
        // SAFETY: not active; the last call.
        unsafe { (*self.plugin).destroy.expect("there")(self.plugin) };
    }
}

unsafe extern "C" fn read(stream: *const clap_istream, buffer: *mut c_void, size: u64) -> i64 {
    // SAFETY: the stream is this file's, and the buffer as long as it says.
    unsafe {
        let rest = &mut *(*stream).ctx.cast::<&[u8]>();
        // At most 100 bytes at a time.
        let count = rest.len().min(size as usize).min(100);
        ptr::copy_nonoverlapping(rest.as_ptr(), buffer.cast(), count);
        *rest = &rest[count..];
        count as i64
    }
}

fn transport_at(seconds: f64) -> clap_event_transport {
    // SAFETY: all zeros are a transport that stands at the beginning.
    let mut transport: clap_event_transport = unsafe { std::mem::zeroed() };
    transport.header = header::<clap_event_transport>(0, CLAP_EVENT_TRANSPORT);
    transport.flags = CLAP_TRANSPORT_IS_PLAYING | CLAP_TRANSPORT_HAS_SECONDS_TIMELINE;
    transport.song_pos_seconds = (seconds * CLAP_SECTIME_FACTOR as f64) as i64;
    transport
}

fn header<T>(time: u32, type_: u16) -> clap_event_header {
    clap_event_header {
        size: size_of::<T>() as u32,
        time,
        space_id: CLAP_CORE_EVENT_SPACE_ID,
        type_,
        flags: 0,
    }
}

/// Parameters set within a block.
pub struct Events {
    list: clap_input_events,
    #[expect(clippy::box_collection, reason = "the list points to it")]
    _events: Box<Vec<clap_event_param_value>>,
}

impl Events {
    /// Of time, parameter and value at the host's side.
    pub fn new(events: &[(u32, &str, f64)]) -> Self {
        let event = |&(time, id, value): &(u32, &str, f64)| clap_event_param_value {
            header: header::<clap_event_param_value>(time, CLAP_EVENT_PARAM_VALUE),
            param_id: clap_id(id).get(),
            cookie: ptr::null_mut(),
            note_id: -1,
            port_index: -1,
            channel: -1,
            key: -1,
            value,
        };
        let mut events = Box::new(events.iter().map(event).collect::<Vec<_>>());
        let ctx = ptr::from_mut(&mut *events).cast();
        Self {
            list: clap_input_events { ctx, size: Some(num_events), get: Some(get_event) },
            _events: events,
        }
    }

    /// None.
    pub fn none() -> Self {
        Self::new(&[])
    }
}

unsafe extern "C" fn num_events(list: *const clap_input_events) -> u32 {
    // SAFETY: the list is this file's.
    unsafe { (*(*list).ctx.cast::<Vec<clap_event_param_value>>()).len() as u32 }
}

unsafe extern "C" fn get_event(list: *const clap_input_events, index: u32) -> *const clap_event_header {
    // SAFETY: the list is this file's.
    let events = unsafe { &*(*list).ctx.cast::<Vec<clap_event_param_value>>() };
    events.get(index as usize).map_or(ptr::null(), |event| &event.header)
}

struct NoEventsOut(clap_output_events);

// SAFETY: nothing in it is ever written.
unsafe impl Sync for NoEventsOut {}

static NO_EVENTS_OUT: NoEventsOut =
    NoEventsOut(clap_output_events { ctx: ptr::null_mut(), try_push: Some(refuse_event) });

unsafe extern "C" fn refuse_event(_: *const clap_output_events, _: *const clap_event_header) -> bool {
    false
}

/// A session that holds its match, of [`Song::copy`].
fn held() -> Vec<u8> {
    Plugin::recalled(learned(), &[("hold", "On")]).state()
}

/// Samples where `arrive` says so, silence elsewhere.
fn arriving(audio: &Audio, arrive: [bool; 2]) -> Audio {
    let mut audio = audio.clone();
    for (channel, _) in audio.iter_mut().zip(arrive).filter(|(_, arrives)| !arrives) {
        channel.fill(0.0);
    }
    audio
}

/// Whatever a host leaves out counts as silence, at that sample and no other; what it gives too much is not heard.
#[test]
fn ports_and_channels_left_out_are_silence() {
    const BLOCK: usize = 1_000;
    const ALL: [Given; 8] = [Whole, NoData, NoChannels, OneChannel, HalfNull, OneTooMany, NoPort, NoList];
    let song = Song::copy(2, 1.5);
    let session = held();
    let (odd, proper) = (Raw::new(&session), Raw::new(&session));
    odd.start(RATE_HZ);
    proper.start(RATE_HZ);
    let none = Events::none();
    let mut noise = Noise::new(1);
    let mut heard = 0;
    for from in (0..song.mix[0].len() - BLOCK).step_by(BLOCK) {
        let [mix, backing] = [&song.mix, &song.backing].map(|port| part(port, from, from + BLOCK));
        let mut given = [(); 3].map(|()| ALL[noise.between(0, ALL.len() - 1)]);
        // One list of ports holds both.
        if given.contains(&NoList) || given[0] == NoPort {
            given[1] = given[0];
        }
        let found = odd.block([&mix, &backing], given, &none, None);
        let whole = [arriving(&mix, given[0].arrive()), arriving(&backing, given[1].arrive())];
        let expected = proper.block([&whole[0], &whole[1]], [Whole; 3], &none, None);
        for (c, arrives) in given[2].arrive().into_iter().enumerate() {
            let expected = if arrives { &expected[c] } else { &vec![9.0; BLOCK] };
            assert!(&found[c] == expected, "{given:?}, channel {c}, from sample {from}");
            heard += usize::from(arrives && peak(&found[c..=c]) > 0.01);
        }
    }
    assert!(heard > 10, "only {heard} channels of blocks had a sound, so little was tested");
    odd.stop();
    proper.stop();
}

/// A host that does not compensate the sidechain hands the backing over late by what it believes our latency to be.
/// That is more than fits into the latency: the mix passes, whole.
#[test]
fn a_sidechain_late_by_our_own_latency_lets_the_mix_pass() {
    let latency = {
        let raw = Raw::new(&Plugin::new().state());
        raw.start(RATE_HZ);
        let latency = raw.latency();
        raw.stop();
        latency
    };
    let song = Song::new(2, 8.0, RATE_HZ, -(latency as i64), 0.8);
    let mut plugin = Plugin::playing(&[("slope", "Off")]);
    assert_same(&plugin.bounce(&song.mix, &song.backing), &song.mix, "late by the latency");
}

/// Every control, and its highest value at the host's side.
pub const CONTROLS: [(&str, f64); 14] = [
    ("listen", 2.0),
    ("nudge", 1.0),
    ("polarity", 2.0),
    ("follow", 2.0),
    ("tone", 2.0),
    ("cleanup", 1.0),
    ("lowcut", 1.0),
    ("slope", 3.0),
    ("hold", 1.0),
    ("relearn", 1.0),
    ("backing_kind", 1.0),
    ("bypass", 1.0),
    ("trim", 1.0),
    ("output", 1.0),
];

/// Those that make nothing louder by themselves.
const NOT_LEVELS: usize = CONTROLS.len() - 2;

/// Everything at once: blocks of any length, floods of parameters, bypass, loops, stops and
/// starts, other rates, ports that come and go.
fn storm(seed: u64, session: &[u8], song: &Song) -> Audio {
    let mut noise = Noise::new(seed);
    let raw = Raw::new(session);
    let length = song.mix[0].len();
    let mut rate_hz = RATE_HZ;
    raw.start(rate_hz);
    let (mut at, mut out) = (0, silence(2, 0));
    for _ in 0..400 {
        match noise.between(0, 60) {
            0 => {
                for _ in 0..noise.between(1, 20) {
                    raw.stop();
                    rate_hz = [44_100.0, RATE_HZ, 96_000.0][noise.between(0, 5).min(2)];
                    raw.start(rate_hz);
                }
            }
            1..3 => raw.reset(),
            // A loop, or a locate.
            3..6 => at = noise.between(0, length - 1),
            _ => {}
        }
        let octave = noise.between(4, 12);
        let block = noise.between(1, 1 << octave).min(length - at);
        let num_events = if noise.between(0, 40) == 0 { 5_000 } else { noise.between(0, 6) };
        let mut events: Vec<_> = (0..num_events)
            .map(|_| {
                let (id, highest) = CONTROLS[noise.between(0, NOT_LEVELS - 1)];
                let value = highest * (noise.between(0, 3) as f64 / 3.0);
                (noise.between(0, block + 1) as u32, id, value)
            })
            .collect();
        // Mostly in order, as they must be.
        if noise.between(0, 9) > 0 {
            events.sort_by_key(|event| event.0);
        }
        let backing_given = [Whole, Whole, Whole, NoPort, NoData, HalfNull][noise.between(0, 5)];
        let [mix, backing] = [&song.mix, &song.backing].map(|port| part(port, at, at + block));
        let position = (noise.between(0, 9) > 0).then_some(at as f64 / rate_hz);
        let heard =
            raw.block([&mix, &backing], [Whole, backing_given, Whole], &Events::new(&events), position);
        at = (at + block) % length;
        for (all, block) in out.iter_mut().zip(heard) {
            all.extend(block);
        }
    }
    raw.stop();

    // And then it is as good as new: bypassed, the mix comes through, late by the latency.
    raw.start(RATE_HZ);
    raw.reset();
    let latency = raw.latency();
    let mut after = silence(2, 0);
    for from in (0..length - 1_000).step_by(1_000) {
        let [mix, backing] = [&song.mix, &song.backing].map(|port| part(port, from, from + 1_000));
        let bypass = Events::new(&[(0, "bypass", 1.0)]);
        let block = raw.block([&mix, &backing], [Whole; 3], &bypass, None);
        for (all, block) in after.iter_mut().zip(block) {
            all.extend(block);
        }
    }
    raw.stop();
    let end = after[0].len();
    assert_same(&part(&after, latency, end), &part(&song.mix, 0, end - latency), "after the storm");
    out
}

#[test]
fn a_storm_of_everything_stays_harmless_and_repeats_itself() {
    let song = Song::copy(2, 2.0);
    let session = Plugin::recalled(learned(), &[]).state();
    for seed in 1..=3 {
        let out = storm(seed, &session, &song);
        // Listening to the backing or the difference, whatever the stages do: nowhere near a jump that hurts.
        let loudest = peak(&out);
        assert!(out.iter().flatten().all(|x| x.is_finite() && !x.is_subnormal()), "seed {seed}");
        assert!(loudest < 2.0, "seed {seed}: {loudest}");
        if seed == 1 {
            assert_same(&storm(seed, &session, &song), &out, "the same storm again");
        }
    }
}

/// Random bytes, truncations, flipped bits: refused whole, the defaults kept, no panic.
#[test]
fn ten_thousand_damaged_states_leave_nothing() {
    let good = Plugin::recalled(learned(), &[("trim", "-3.25 dB"), ("hold", "On")]).state();
    let mut plugin = Plugin::new();
    let defaults = plugin.state();
    let mut noise = Noise::new(3);
    let mut refused = 0;
    const TRIES: usize = 10_000;
    for n in 0..TRIES {
        let mut bytes = good.clone();
        match n % 4 {
            0 => bytes = (0..noise.between(0, 4_000)).map(|_| noise.bits() as u8).collect(),
            1 => bytes.truncate(noise.between(0, good.len() - 1)),
            _ => {
                for _ in 0..noise.between(1, 8) {
                    let at = noise.between(0, bytes.len() - 1);
                    bytes[at] ^= 1 << noise.between(0, 7);
                }
            }
        }
        if plugin.host.load_state(&bytes).is_err() {
            refused += 1;
            // Looked at now and then: what one leaves behind stays for the next look.
            if n % 50 != 0 {
                continue;
            }
        }
        let kept = plugin.state();
        // The framework writes the controls once more for its own use; damage there is not ours, and is not believed.
        if kept == good {
            plugin.host.load_state(&defaults).expect("a state that the plug-in saved is accepted");
        } else {
            assert!(kept == defaults, "state {n}: something of it was taken over");
        }
    }
    assert!(refused > TRIES / 2, "only {refused} of {TRIES} are refused");
}
