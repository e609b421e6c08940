//! A small CLAP host: loads a plug-in from its bundled file or from this process, and plays buffers through it as a
//! host on disk or on stage would. Everything runs on the calling thread, which stands for the host's main thread
//! and, inside [`Host::process`], for its audio thread.

mod play;
mod requests;
mod window;

use std::{
    ffi::CString,
    io::Cursor,
    ops::RangeInclusive,
    path::Path,
    sync::atomic::{AtomicBool, Ordering::Relaxed},
};

use anyhow::{Context, Result, anyhow, ensure};
use clack_extensions::{
    audio_ports::{AudioPortFlags, AudioPortInfoBuffer, PluginAudioPorts},
    latency::PluginLatency,
    params::{ParamInfoBuffer, ParamInfoFlags, PluginParams},
    render::PluginRender,
    state::PluginState,
};
use clack_host::{prelude::*, utils::ClapId};

pub use clack_extensions::render::RenderMode;
pub use clack_host::entry::EntryDescriptor;
pub use window::WindowId;

use requests::{Handlers, MainThread, Requests, Shared};

/// One plug-in, instantiated.
pub struct Host {
    // The processor goes first: it must be gone before its instance is.
    processor: Option<PluginAudioProcessor<Handlers>>,
    instance: PluginInstance<Handlers>,
    inputs: Vec<Port>,
    outputs: Vec<Port>,
    sample_rate_hz: f64,
    played_samples: u64,
    /// Whether the transport stands.
    stands: bool,
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
            stands: false,
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

    /// Stops the transport, for good: what is processed from now on is what a host sends that stands still.
    pub fn stand(&mut self) {
        self.stands = true;
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
