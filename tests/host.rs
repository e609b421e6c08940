//! The plug-in in a host, as the tests need it: [`Plugin`] plays whole signals through the project's embedded host,
//! [`Bare`] does what only odd hosts do.

use std::ffi::CString;
use std::path::Path;

use clack_extensions::audio_ports::{AudioPortFlags, AudioPortInfoBuffer, PluginAudioPorts};
use clack_extensions::audio_ports_config::{AudioPortsConfigBuffer, PluginAudioPortsConfig};
use clack_extensions::latency::PluginLatency;
use clack_extensions::params::PluginParams;
use clack_extensions::render::{PluginRender, RenderMode};
use clack_host::events::event_types::ParamValueEvent;
use clack_host::events::io::InputEventBuffer;
use clack_host::prelude::*;
use xtask::host::{Event, Host};

use crate::signals::{Audio, Noise, RATE_HZ};

/// Largest block that is announced.
pub const MAX_BLOCK: u32 = 4096;

/// Block lengths from 1 to 4096, seeded, small ones as often as large ones.
pub fn random_blocks(seed: u64) -> Vec<usize> {
    let mut noise = Noise::new(seed);
    (0..1000)
        .map(|_| {
            let octave = noise.between(0, 12);
            noise.between(1, 1 << octave)
        })
        .collect()
}

/// A point of automation: the sample of the input at which it lands, the parameter, what the user would type.
pub type Change<'a> = (usize, &'a str, &'a str);

/// One instance of the plug-in, in a host that bounces: offline, so that learning is never late.
pub struct Plugin {
    /// The host around it.
    pub host: Host,
}

impl Plugin {
    /// The plug-in as linked into this test, not yet active.
    pub fn new() -> Self {
        Self::of(Host::from_entry(&minuend::clap_entry).expect("the linked plug-in has a sound entry"))
    }

    /// The plug-in as a user installs it, not yet active.
    pub fn from_file(path: &Path) -> Self {
        Self::of(Host::load(path).expect("the bundled plug-in can be loaded"))
    }

    fn of(mut host: Host) -> Self {
        quiet_panics();
        host.set_render_mode(RenderMode::Offline).expect("the render mode is accepted");
        Self { host }
    }

    /// An active instance at [`RATE_HZ`] with these settings.
    pub fn playing(settings: &[(&str, &str)]) -> Self {
        let mut plugin = Self::new();
        plugin.set(settings);
        plugin.activate(RATE_HZ);
        plugin
    }

    /// An active instance at [`RATE_HZ`] that goes on where a saved one stopped, with these settings on top.
    pub fn recalled(state: &[u8], settings: &[(&str, &str)]) -> Self {
        Self::recalled_at(RATE_HZ, state, settings)
    }

    /// [`Self::recalled`] at another rate.
    pub fn recalled_at(rate_hz: f64, state: &[u8], settings: &[(&str, &str)]) -> Self {
        let mut plugin = Self::new();
        plugin.host.load_state(state).expect("a state that the plug-in saved is accepted");
        plugin.set(settings);
        plugin.activate(rate_hz);
        plugin
    }

    /// Activates with blocks of up to [`MAX_BLOCK`].
    pub fn activate(&mut self, rate_hz: f64) {
        self.host
            .activate(rate_hz, MAX_BLOCK)
            .unwrap_or_else(|error| panic!("{rate_hz} Hz is refused: {error}"));
    }

    /// Turns controls to what the user types.
    pub fn set(&mut self, settings: &[(&str, &str)]) {
        let events: Vec<_> = settings.iter().map(|(id, text)| self.event(0, id, text)).collect();
        self.host.flush(&events).expect("parameters can be flushed");
    }

    fn event(&mut self, at_sample: usize, id: &str, text: &str) -> Event {
        let param = clap_id(id);
        let value =
            self.host.text_to_value(param, text).unwrap_or_else(|| panic!("{id} does not take {text:?}"));
        Event { at_sample, param, value }
    }

    /// Present value of a parameter, as the user reads it.
    pub fn shown(&mut self, id: &str) -> String {
        let value = self.host.value(clap_id(id)).expect("the parameter exists");
        self.host.value_to_text(clap_id(id), value).expect("every value has a text")
    }

    /// Plays a signal in blocks of 512 and gives what comes out, sample for sample.
    pub fn play(&mut self, mix: &[Vec<f32>], backing: &[Vec<f32>]) -> Audio {
        self.play_in(mix, backing, &[512], &[])
    }

    /// Plays a signal in these blocks with automation.
    pub fn play_in(
        &mut self,
        mix: &[Vec<f32>],
        backing: &[Vec<f32>],
        blocks: &[usize],
        changes: &[Change],
    ) -> Audio {
        let events: Vec<_> = changes.iter().map(|(at, id, text)| self.event(*at, id, text)).collect();
        let [mix, backing] = [mix, backing].map(|port| port.iter().map(Vec::as_slice).collect::<Vec<_>>());
        self.host.process(&[&mix, &backing], &events, blocks).expect("process succeeds")
    }

    /// Plays a signal and gives what a bounce would: latency taken off, as long as the signal.
    pub fn bounce(&mut self, mix: &[Vec<f32>], backing: &[Vec<f32>]) -> Audio {
        self.bounce_with(mix, backing, &[])
    }

    /// [`Self::bounce`] with automation.
    pub fn bounce_with(&mut self, mix: &[Vec<f32>], backing: &[Vec<f32>], changes: &[Change]) -> Audio {
        let latency = self.host.latency_samples();
        let mut longer = mix.to_vec();
        longer.iter_mut().for_each(|channel| channel.resize(channel.len() + latency, 0.0));
        let mut out = self.play_in(&longer, backing, &[512], changes);
        out.iter_mut().for_each(|channel| drop(channel.drain(..latency)));
        out
    }

    /// The state as a session keeps it.
    pub fn state(&mut self) -> Vec<u8> {
        self.host.save_state().expect("the state can be saved")
    }
}

/// Puts the standard panic message back: the framework's, set up when a plug-in is loaded, passes the test runner by
/// and adds pages of backtrace.
fn quiet_panics() {
    drop(std::panic::take_hook());
}

/// The number that hosts keep for a parameter id: the framework's hash, base 31 over the bytes, top bit cleared.
pub fn clap_id(id: &str) -> ClapId {
    ClapId::new(
        id.bytes().fold(0u32, |hash, byte| hash.wrapping_mul(31).wrapping_add(byte.into())) & !(1 << 31),
    )
}

struct Handlers;

impl HostHandlers for Handlers {
    type Shared<'a> = ();
    type MainThread<'a> = ();
    type AudioProcessor<'a> = ();
}

/// An instance at the level of single blocks, for layouts other than the first, ports without channels, buffers
/// shared by input and output, and events of a test's own making.
pub struct Bare {
    // Declared before the instance, which must outlive it.
    processor: Option<StartedPluginAudioProcessor<Handlers>>,
    instance: PluginInstance<Handlers>,
}

/// What stands in the descriptor and is offered as layouts.
#[derive(Debug, PartialEq)]
pub struct Face {
    /// Id written into sessions.
    pub id: String,
    /// Name shown.
    pub name: String,
    /// What kind of plug-in it says it is.
    pub features: Vec<String>,
    /// Names of the layouts.
    pub layouts: Vec<String>,
}

impl Bare {
    /// An instance, offline, not yet active.
    pub fn new() -> Self {
        // SAFETY: the entry is the plug-in's own and lives as long as the process.
        let entry = unsafe { PluginEntry::load_from_raw(&minuend::clap_entry, c"") }.expect("a sound entry");
        quiet_panics();
        let factory = entry.get_plugin_factory().expect("a plug-in factory");
        let id = factory.plugin_descriptor(0).and_then(|d| d.id()).expect("an id");
        let info = HostInfo::new("Test", "Test", "", "1").expect("no NUL inside");
        let mut instance = PluginInstance::new(|_| (), |_| (), &entry, id, &info).expect("an instance");
        let handle = instance.plugin_handle();
        let render = handle.get_extension::<PluginRender>().expect("the render extension");
        render.set(&handle, RenderMode::Offline).expect("the render mode is accepted");
        Self { processor: None, instance }
    }

    /// Descriptor and layouts.
    pub fn face(&mut self) -> Face {
        let factory = self.instance.entry().get_plugin_factory().expect("a plug-in factory");
        assert_eq!(factory.plugin_count(), 1);
        let descriptor = factory.plugin_descriptor(0).expect("a descriptor");
        let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).expect("UTF-8");
        Face {
            id: text(descriptor.id().expect("an id").to_bytes()),
            name: text(descriptor.name().expect("a name").to_bytes()),
            features: descriptor.features().map(|f| text(f.to_bytes())).collect(),
            layouts: self.layouts().into_iter().map(|(_, name)| name).collect(),
        }
    }

    fn layouts(&mut self) -> Vec<(ClapId, String)> {
        let handle = self.instance.plugin_handle();
        let config = handle.get_extension::<PluginAudioPortsConfig>().expect("layouts are offered");
        let mut buffer = AudioPortsConfigBuffer::new();
        (0..config.count(&handle))
            .map(|index| {
                let layout = config.get(&handle, index, &mut buffer).expect("index is in range");
                (layout.id, String::from_utf8_lossy(layout.name).into_owned())
            })
            .collect()
    }

    /// Selects a layout and gives its ports as (name, channels, main), inputs first.
    pub fn select(&mut self, index: usize) -> Vec<(String, u32, bool)> {
        let id = self.layouts()[index].0;
        let handle = self.instance.plugin_handle();
        let config = handle.get_extension::<PluginAudioPortsConfig>().expect("layouts are offered");
        config.select(&handle, id).expect("an offered layout can be selected");
        let ports = handle.get_extension::<PluginAudioPorts>().expect("there are ports");
        let mut buffer = AudioPortInfoBuffer::new();
        [true, false]
            .into_iter()
            .flat_map(|inputs| (0..ports.count(&handle, inputs)).map(move |index| (inputs, index)))
            .map(|(inputs, index)| {
                let port = ports.get(&handle, index, inputs, &mut buffer).expect("index is in range");
                let name = String::from_utf8_lossy(port.name).into_owned();
                (name, port.channel_count, port.flags.contains(AudioPortFlags::IS_MAIN))
            })
            .collect()
    }

    /// Activates and starts.
    pub fn activate(&mut self, rate_hz: f64) {
        let configuration = PluginAudioConfiguration {
            sample_rate: rate_hz,
            min_frames_count: 1,
            max_frames_count: MAX_BLOCK,
        };
        let stopped = self.instance.activate(|_, _| (), configuration).expect("activation succeeds");
        self.processor = Some(stopped.start_processing().expect("an active plug-in starts"));
    }

    /// Reported latency, samples.
    pub fn latency(&mut self) -> usize {
        let handle = self.instance.plugin_handle();
        handle.get_extension::<PluginLatency>().expect("latency is reported").get(&handle) as usize
    }

    /// Turns a control to what the user types; only while not active.
    pub fn set(&mut self, id: &str, typed: &str) {
        let handle = self.instance.plugin_handle();
        let params = handle.get_extension::<PluginParams>().expect("there are parameters");
        let text = CString::new(typed).expect("no NUL inside");
        let value = params.text_to_value(&handle, clap_id(id), &text).expect("the text is understood");
        let event = [ParamValueEvent::new(0, clap_id(id), Pckn::match_all(), value)];
        let mut handle = self.instance.inactive_plugin_handle().expect("not active");
        params.flush(&mut handle, &InputEvents::from_buffer(&event), &mut OutputEvents::void());
    }

    /// Processes one block. `backing` may have no channels, or not be given as a port at all; `in_place` gives the
    /// main output the main input's buffers.
    pub fn block(
        &mut self,
        mix: &[Vec<f32>],
        backing: Option<&[Vec<f32>]>,
        in_place: bool,
        events: &impl InputEventBuffer,
    ) -> Audio {
        let (mut mix, mut channels) = (mix.to_vec(), backing.unwrap_or_default().to_vec());
        // What a host leaves in an output buffer is anything but silence.
        let mut out = vec![vec![f32::NAN; mix[0].len()]; mix.len()];
        let (mut inputs, mut outputs) = (AudioPorts::with_capacity(4, 2), AudioPorts::with_capacity(2, 1));
        let inputs = inputs.with_input_buffers([&mut mix, &mut channels].map(|port| AudioPortBuffer {
            latency: 0,
            channels: AudioPortBufferType::f32_input_only(port.iter_mut().map(InputChannel::variable)),
        }));
        let mut outputs = outputs.with_output_buffers([AudioPortBuffer {
            latency: 0,
            channels: AudioPortBufferType::f32_output_only(out.iter_mut().map(Vec::as_mut_slice)),
        }]);
        let mut ports = inputs.as_raw_buffers().to_vec();
        match backing {
            None => ports.truncate(1),
            Some([]) => ports[1].data32 = std::ptr::null_mut(),
            Some(_) => {}
        }
        if in_place {
            outputs.as_raw_buffers()[0].data32 = ports[0].data32;
        }
        // SAFETY: the same buffers as before, but for a port without channels, whose pointer is never followed.
        let inputs = unsafe { InputAudioBuffers::from_raw_buffers(&ports, mix[0].len() as u32) };
        let processor = self.processor.as_mut().expect("active");
        let events = InputEvents::from_buffer(events);
        processor
            .process(&inputs, &mut outputs, &events, &mut OutputEvents::void(), None, None)
            .expect("process succeeds");
        if in_place { mix } else { out }
    }

    /// Plays a signal.
    pub fn play(&mut self, mix: &[Vec<f32>], backing: Option<&[Vec<f32>]>, in_place: bool) -> Audio {
        let (length, block) = (mix[0].len(), MAX_BLOCK as usize);
        let mut out = vec![Vec::with_capacity(length); mix.len()];
        for from in (0..length).step_by(block) {
            let cut = |port: &[Vec<f32>]| crate::signals::part(port, from, (from + block).min(length));
            for (whole, block) in
                out.iter_mut().zip(self.block(&cut(mix), backing.map(cut).as_deref(), in_place, &()))
            {
                whole.extend(block);
            }
        }
        out
    }
}
