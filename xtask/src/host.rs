//! A small CLAP host: loads a plug-in from its bundled file or from this process, and plays buffers through it as a
//! host on disk or on stage would. Everything runs on the calling thread, which stands for the host's main thread
//! and, inside [`Host::process`], for its audio thread.

use std::{
    ffi::CString,
    io::Cursor,
    ops::RangeInclusive,
    path::Path,
    sync::atomic::{AtomicBool, AtomicU64, Ordering::Relaxed},
};

use anyhow::{Context, Result, anyhow, bail, ensure};
use clack_extensions::{
    audio_ports::{AudioPortFlags, AudioPortInfoBuffer, PluginAudioPorts},
    gui::{GuiSize, HostGui, HostGuiImpl},
    latency::{HostLatency, HostLatencyImpl, PluginLatency},
    params::{
        HostParams, HostParamsImplMainThread, HostParamsImplShared, ParamClearFlags, ParamInfoBuffer,
        ParamInfoFlags, ParamRescanFlags, PluginParams,
    },
    render::PluginRender,
    state::{HostState, HostStateImpl, PluginState},
};
use clack_host::{
    events::{
        EventFlags, EventHeader, Pckn,
        event_types::{ParamValueEvent, TransportEvent, TransportFlags},
        spaces::CoreEventSpace,
    },
    prelude::*,
    utils::{BeatTime, ClapId, SecondsTime},
};

mod window;

pub use clack_extensions::render::RenderMode;
pub use clack_host::entry::EntryDescriptor;

/// One plug-in, instantiated.
pub struct Host {
    // The processor goes first: it must be gone before its instance is.
    processor: Option<PluginAudioProcessor<Handlers>>,
    instance: PluginInstance<Handlers>,
    inputs: Vec<Port>,
    outputs: Vec<Port>,
    sample_rate_hz: f64,
    played_samples: u64,
    moves: Vec<Move>,
}

/// What the user did to a parameter in the plug-in's window, as hosts hear of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Move {
    /// A control was taken hold of.
    Begin(ClapId),
    /// It was moved to a value in the plug-in's own unit.
    To(ClapId, f64),
    /// It was let go.
    End(ClapId),
}

/// An audio port as the plug-in declares it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Port {
    /// Name shown to the user.
    pub name: String,
    /// Number of channels.
    pub num_channels: usize,
    /// True for the main port, false for a sidechain.
    pub is_main: bool,
}

/// A parameter as the plug-in declares it.
#[derive(Clone, Debug, PartialEq)]
pub struct Param {
    /// What events and states call it.
    pub id: ClapId,
    /// Name shown to the user.
    pub name: String,
    /// Range in the plug-in's own unit.
    pub range: RangeInclusive<f64>,
    /// Value of a fresh instance.
    pub default: f64,
    /// What the host may do with it.
    pub flags: ParamInfoFlags,
}

/// A parameter set at a sample, counted from the start of the call it is handed to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Event {
    /// When.
    pub at_sample: usize,
    /// Which parameter.
    pub param: ClapId,
    /// To which value, in the plug-in's own unit.
    pub value: f64,
}

/// A request of the plug-in that the host notes down.
#[derive(Debug, Default)]
struct Requests {
    callback: AtomicBool,
    dirty: AtomicBool,
    restart: AtomicBool,
    flush: AtomicBool,
    window_closed: AtomicBool,
    /// Size the window asked for, packed; 0 = none.
    window_size: AtomicU64,
}

impl Host {
    /// Loads the first plug-in of a `.clap` file and instantiates it.
    pub fn load(path: &Path) -> Result<Self> {
        // A bundle is a folder on macOS; clack finds the library in it.
        // SAFETY: The file is a plug-in that the caller chose to run, as in any host.
        let entry = unsafe { PluginEntry::load(path) }
            .map_err(|e| anyhow!("{}: cannot be loaded as a CLAP plug-in: {e}", path.display()))?;
        Self::instantiate(&entry).with_context(|| path.display().to_string())
    }

    /// Instantiates the first plug-in of an entry that is linked into this process.
    pub fn from_entry(entry: &'static EntryDescriptor) -> Result<Self> {
        // SAFETY: The entry is static, so it outlives every use of it.
        let entry = unsafe { PluginEntry::load_from_raw(entry, c"") }?;
        Self::instantiate(&entry)
    }

    fn instantiate(entry: &PluginEntry) -> Result<Self> {
        let factory = entry.get_plugin_factory().context("has no plug-in factory")?;
        let descriptor = factory.plugin_descriptors().next().context("holds no plug-in")?;
        let id = descriptor.id().context("its plug-in has no id")?;
        let info = HostInfo::new("Minuend's embedded host", "Minuend", "", env!("CARGO_PKG_VERSION"))?;
        let mut instance =
            PluginInstance::new(|_| Shared::default(), |shared| MainThread { shared }, entry, id, &info)?;
        let [inputs, outputs] = [true, false].map(|is_input| ports(&mut instance, is_input));
        Ok(Self {
            processor: None,
            instance,
            inputs,
            outputs,
            sample_rate_hz: 0.0,
            played_samples: 0,
            moves: Vec::new(),
        })
    }

    /// The plug-in's id.
    pub fn id(&self) -> String {
        let handle = self.instance.plugin_shared_handle();
        text(handle.descriptor().and_then(|d| d.id()).unwrap_or_default().to_bytes())
    }

    /// Input ports, main first.
    pub fn inputs(&self) -> &[Port] {
        &self.inputs
    }

    /// Output ports, main first.
    pub fn outputs(&self) -> &[Port] {
        &self.outputs
    }

    /// All parameters, in the plug-in's order.
    pub fn params(&mut self) -> Vec<Param> {
        let handle = self.instance.plugin_handle();
        let Some(params) = handle.get_extension::<PluginParams>() else { return Vec::new() };
        let mut buffer = ParamInfoBuffer::new();
        (0..params.count(&handle))
            .filter_map(|i| {
                let info = params.get_info(&handle, i, &mut buffer)?;
                Some(Param {
                    id: info.id,
                    name: text(info.name),
                    range: info.min_value..=info.max_value,
                    default: info.default_value,
                    flags: info.flags,
                })
            })
            .collect()
    }

    /// The parameter of this name.
    pub fn param(&mut self, name: &str) -> Result<Param> {
        let params = self.params();
        let names: Vec<_> = params.iter().map(|p| p.name.clone()).collect();
        params
            .into_iter()
            .find(|p| p.name == name)
            .with_context(|| format!("no parameter is called {name:?}; there are {names:?}"))
    }

    /// Present value of a parameter.
    pub fn value(&mut self, param: ClapId) -> Option<f64> {
        let handle = self.instance.plugin_handle();
        handle.get_extension::<PluginParams>()?.get_value(&handle, param)
    }

    /// The value that a text stands for, as when a user types it.
    pub fn text_to_value(&mut self, param: ClapId, text: &str) -> Option<f64> {
        let handle = self.instance.plugin_handle();
        let text = CString::new(text).ok()?;
        handle.get_extension::<PluginParams>()?.text_to_value(&handle, param, &text)
    }

    /// A value as the user reads it.
    pub fn value_to_text(&mut self, param: ClapId, value: f64) -> Option<String> {
        let handle = self.instance.plugin_handle();
        let mut buffer = [0; 256];
        let params = handle.get_extension::<PluginParams>()?;
        params.value_to_text(&handle, param, value, &mut buffer).ok().map(|shown| text(shown))
    }

    /// Makes an [`Event`] of a parameter's name and a text, as when a user types it.
    pub fn event(&mut self, at_sample: usize, name: &str, text: &str) -> Result<Event> {
        let param = self.param(name)?.id;
        let value =
            self.text_to_value(param, text).with_context(|| format!("{name} does not take {text:?}"))?;
        Ok(Event { at_sample, param, value })
    }

    /// Tells the plug-in whether it plays live or bounces.
    pub fn set_render_mode(&mut self, mode: RenderMode) -> Result<()> {
        let handle = self.instance.plugin_handle();
        let render = handle.get_extension::<PluginRender>().context("the plug-in has no render extension")?;
        Ok(render.set(&handle, mode)?)
    }

    /// Activates the plug-in and starts processing; `max_block_samples` bounds the blocks to come.
    pub fn activate(&mut self, sample_rate_hz: f64, max_block_samples: u32) -> Result<()> {
        ensure!(self.processor.is_none(), "the plug-in is active already");
        let configuration = PluginAudioConfiguration {
            sample_rate: sample_rate_hz,
            min_frames_count: 1,
            max_frames_count: max_block_samples,
        };
        let stopped = self.instance.activate(|_, _| (), configuration)?;
        let started = match stopped.start_processing() {
            Ok(started) => started,
            Err(refused) => {
                let cause = anyhow!("{refused}");
                self.instance.deactivate(refused.into_stopped_processor());
                return Err(cause);
            }
        };
        self.processor = Some(started.into());
        self.sample_rate_hz = sample_rate_hz;
        self.played_samples = 0;
        self.idle();
        Ok(())
    }

    /// Stops processing and deactivates the plug-in, if it is active.
    pub fn deactivate(&mut self) {
        if let Some(processor) = self.processor.take() {
            self.instance.deactivate(processor.into_stopped());
        }
        self.idle();
    }

    /// Clears all signals in the plug-in, as a host does before it plays from somewhere else.
    pub fn reset(&mut self) {
        if let Some(processor) = &mut self.processor {
            processor.reset();
        }
        self.played_samples = 0;
    }

    /// How much later the output is than the input, samples; known once active.
    pub fn latency_samples(&mut self) -> usize {
        let handle = self.instance.plugin_handle();
        handle.get_extension::<PluginLatency>().map_or(0, |latency| latency.get(&handle)) as usize
    }

    /// The plug-in's state, as a project keeps it.
    pub fn save_state(&mut self) -> Result<Vec<u8>> {
        let handle = self.instance.plugin_handle();
        let state = handle.get_extension::<PluginState>().context("the plug-in has no state extension")?;
        let mut bytes = Vec::new();
        state.save(&handle, &mut bytes)?;
        Ok(bytes)
    }

    /// Puts a state back; an error when the plug-in refuses it.
    pub fn load_state(&mut self, bytes: &[u8]) -> Result<()> {
        let handle = self.instance.plugin_handle();
        let state = handle.get_extension::<PluginState>().context("the plug-in has no state extension")?;
        state.load(&handle, &mut Cursor::new(bytes))?;
        self.idle();
        Ok(())
    }

    /// Whether the plug-in said, since the last call, that the project has changed.
    pub fn take_dirty(&mut self) -> bool {
        self.take(|requests| &requests.dirty)
    }

    /// Whether the plug-in asked, since the last call, to be deactivated and activated again.
    pub fn take_restart(&mut self) -> bool {
        self.take(|requests| &requests.restart)
    }

    /// What the user has done in the plug-in's window since the last call.
    pub fn take_moves(&mut self) -> Vec<Move> {
        std::mem::take(&mut self.moves)
    }

    /// Plays signals through the plug-in and returns its main output, one vector a channel.
    ///
    /// `inputs` is `[port_idx][channel_idx][sample_idx]`; a channel that is missing or too short is silence, and
    /// what is longer than the first channel of the first port is not played. `events` are in order of time.
    /// `block_samples` gives the length of each block in turn and is repeated from its start when it runs out;
    /// it must not be empty nor hold a zero. The transport runs.
    pub fn process(
        &mut self,
        inputs: &[&[&[f32]]],
        events: &[Event],
        block_samples: &[usize],
    ) -> Result<Vec<Vec<f32>>> {
        let num_samples = inputs.first().and_then(|port| port.first()).map_or(0, |channel| channel.len());
        let mut output =
            vec![Vec::with_capacity(num_samples); self.outputs.first().map_or(0, |p| p.num_channels)];
        let mut events = events.iter().peekable();
        let mut start = 0;
        for &length in block_samples.iter().cycle() {
            if start >= num_samples {
                break;
            }
            ensure!(length > 0, "a block of 0 samples");
            let end = num_samples.min(start + length);
            let mut block_events = EventBuffer::new();
            while let Some(event) = events.next_if(|event| event.at_sample < end) {
                let offset = event.at_sample.saturating_sub(start) as u32;
                block_events.push(&ParamValueEvent::new(offset, event.param, Pckn::match_all(), event.value));
            }
            let block = self.process_block(inputs, start..end, &block_events)?;
            for (channel, block) in output.iter_mut().zip(block) {
                channel.extend(block);
            }
            start = end;
        }
        Ok(output)
    }

    /// Sets parameters outside of processing, as a host does while it stands still.
    pub fn flush(&mut self, events: &[Event]) -> Result<()> {
        let mut buffer = EventBuffer::new();
        for event in events {
            buffer.push(&ParamValueEvent::new(0, event.param, Pckn::match_all(), event.value));
        }
        let mut answers = EventBuffer::new();
        if let Some(processor) = &mut self.processor {
            let mut handle = processor.plugin_handle();
            let params = handle.get_extension::<PluginParams>().context("the plug-in has no parameters")?;
            params.flush_active(&mut handle, &buffer.as_input(), &mut answers.as_output());
        } else {
            let mut handle = self.instance.inactive_plugin_handle().context("the plug-in is active")?;
            let params = handle.get_extension::<PluginParams>().context("the plug-in has no parameters")?;
            params.flush(&mut handle, &buffer.as_input(), &mut answers.as_output());
        }
        self.hear(&answers);
        self.idle();
        Ok(())
    }

    fn process_block(
        &mut self,
        inputs: &[&[&[f32]]],
        samples: std::ops::Range<usize>,
        events: &EventBuffer,
    ) -> Result<Vec<Vec<f32>>> {
        let Some(processor) = &mut self.processor else { bail!("the plug-in is not active") };
        let length = samples.len();
        let mut input_buffers: Vec<Vec<Vec<f32>>> = self
            .inputs
            .iter()
            .enumerate()
            .map(|(port_idx, port)| {
                (0..port.num_channels)
                    .map(|channel_idx| {
                        let channel =
                            inputs.get(port_idx).and_then(|p| p.get(channel_idx)).copied().unwrap_or(&[]);
                        samples.clone().map(|i| channel.get(i).copied().unwrap_or(0.0)).collect()
                    })
                    .collect()
            })
            .collect();
        let mut output_buffers: Vec<Vec<Vec<f32>>> =
            self.outputs.iter().map(|port| vec![vec![0.0; length]; port.num_channels]).collect();

        // Room for every channel from the start: growing later would misplace the second port's pointers.
        let room = |ports: &[Port]| {
            AudioPorts::with_capacity(ports.iter().map(|p| p.num_channels).sum(), ports.len())
        };
        let (mut input_ports, mut output_ports) = (room(&self.inputs), room(&self.outputs));
        let input_audio =
            input_ports.with_input_buffers(input_buffers.iter_mut().map(|port| AudioPortBuffer {
                latency: 0,
                channels: AudioPortBufferType::f32_input_only(port.iter_mut().map(InputChannel::variable)),
            }));
        let mut output_audio =
            output_ports.with_output_buffers(output_buffers.iter_mut().map(|port| AudioPortBuffer {
                latency: 0,
                channels: AudioPortBufferType::f32_output_only(port.iter_mut().map(|c| c.as_mut_slice())),
            }));
        let mut answers = EventBuffer::new();
        processor.as_started_mut()?.process(
            &input_audio,
            &mut output_audio,
            &events.as_input(),
            &mut answers.as_output(),
            Some(self.played_samples),
            Some(&playing(self.played_samples as f64 / self.sample_rate_hz)),
        )?;
        self.played_samples += length as u64;
        self.hear(&answers);
        self.idle();
        Ok(output_buffers.into_iter().next().unwrap_or_default())
    }

    /// Notes what the plug-in says of its parameters.
    fn hear(&mut self, answers: &EventBuffer) {
        self.moves.extend(answers.iter().filter_map(|event| match event.as_core_event()? {
            CoreEventSpace::ParamGestureBegin(event) => Some(Move::Begin(event.param_id()?)),
            CoreEventSpace::ParamValue(event) => Some(Move::To(event.param_id()?, event.value())),
            CoreEventSpace::ParamGestureEnd(event) => Some(Move::End(event.param_id()?)),
            _ => None,
        }));
    }

    /// Gives the plug-in the main-thread callback if it asked for one.
    fn idle(&mut self) {
        while self.take(|requests| &requests.callback) {
            self.instance.call_on_main_thread_callback();
        }
    }

    fn take(&self, which: fn(&Requests) -> &AtomicBool) -> bool {
        self.instance.access_shared_handler(|shared| which(&shared.0).swap(false, Relaxed))
    }
}

impl Drop for Host {
    fn drop(&mut self) {
        self.deactivate();
    }
}

fn ports(instance: &mut PluginInstance<Handlers>, is_input: bool) -> Vec<Port> {
    let handle = instance.plugin_handle();
    let Some(ports) = handle.get_extension::<PluginAudioPorts>() else { return Vec::new() };
    let mut buffer = AudioPortInfoBuffer::new();
    (0..ports.count(&handle, is_input))
        .filter_map(|i| {
            let info = ports.get(&handle, i, is_input, &mut buffer)?;
            Some(Port {
                name: text(info.name),
                num_channels: info.channel_count as usize,
                is_main: info.flags.contains(AudioPortFlags::IS_MAIN),
            })
        })
        .collect()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// A running transport at this position, 120 beats a minute.
fn playing(seconds: f64) -> TransportEvent {
    const BEATS_PER_MINUTE: f64 = 120.0;
    TransportEvent {
        header: EventHeader::new_core(0, EventFlags::empty()),
        flags: TransportFlags::IS_PLAYING
            | TransportFlags::HAS_SECONDS_TIMELINE
            | TransportFlags::HAS_BEATS_TIMELINE
            | TransportFlags::HAS_TEMPO,
        song_pos_beats: BeatTime::from_float(seconds * BEATS_PER_MINUTE / 60.0),
        song_pos_seconds: SecondsTime::from_float(seconds),
        tempo: BEATS_PER_MINUTE,
        tempo_inc: 0.0,
        loop_start_beats: BeatTime::from_int(0),
        loop_end_beats: BeatTime::from_int(0),
        loop_start_seconds: SecondsTime::from_int(0),
        loop_end_seconds: SecondsTime::from_int(0),
        bar_start: BeatTime::from_int(0),
        bar_number: 0,
        time_signature_numerator: 4,
        time_signature_denominator: 4,
    }
}

struct Handlers;

#[derive(Default)]
struct Shared(Requests);

struct MainThread<'a> {
    shared: &'a Shared,
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
