//! Minuend as a plug-in: ports, ids, life cycle and exports around the engine.

use std::ops::RangeInclusive;
use std::sync::Arc;
use std::sync::atomic::Ordering;

use minuend_engine::{Engine, MAX_SAMPLE_RATE_HZ, MIN_SAMPLE_RATE_HZ};
use nice_plug::prelude::*;
use triple_buffer::{Input, Output};

mod buffers;
mod clap;
pub mod editor;
mod host_link;
pub mod look;
pub mod match_files;
pub mod meters;
pub mod params;
pub mod state;
pub mod transport;
mod vst3;
pub mod worker;

pub use clap::clap_entry;
pub use vst3::GetPluginFactory;

use buffers::MAX_CHANNELS;
use editor::{Repaint, ShownEditor};
use host_link::HostLink;
use meters::Meters;
use state::{MatchPort, MinuendParams};
use transport::TransportWatch;
use worker::JobRunner;

/// Rates at which a host may run, Hz: from 8 to 192 kHz the engine works, and at the others the mix passes, which is better
/// than no sound at all. What lies outside is no rate but a mistake.
const SAMPLE_RATES_HZ: RangeInclusive<f64> = 1e3..=1e6;

/// Longest block accepted, samples: far above any host's, far below what would exhaust the memory.
const MAX_BLOCK_SAMPLES: u32 = 1 << 20;

const fn layout(mix_channels: u32, backing: &'static [NonZeroU32], name: &'static str) -> AudioIOLayout {
    AudioIOLayout {
        main_input_channels: NonZeroU32::new(mix_channels),
        main_output_channels: NonZeroU32::new(mix_channels),
        aux_input_ports: backing,
        names: PortNames {
            layout: Some(name),
            // The framework gives the main input's name to the output too; `clap` names both.
            main_input: None,
            aux_inputs: &["Backing"],
            ..PortNames::const_default()
        },
        ..AudioIOLayout::const_default()
    }
}

const MONO: &[NonZeroU32] = &[new_nonzero_u32(1)];
const STEREO: &[NonZeroU32] = &[new_nonzero_u32(2)];

/// Mix minus backing, on the channel of the mix.
pub struct Minuend {
    params: Arc<MinuendParams>,
    host: Arc<HostLink>,
    prepared: Option<Prepared>,
    /// As [`params::Controls::relearn_presses`], as far as acted upon.
    relearn_presses: u32,
    transport: TransportWatch,
    meters: Input<Meters>,
    /// As last told to the window.
    told: Meters,
    repaint: Repaint,
    /// Until the editor is made.
    meters_for_editor: Option<Output<Meters>>,
}

/// What depends on the sample rate and the channels.
struct Prepared {
    sample_rate_hz: f64,
    mix_channels: usize,
    backing_channels: usize,
    /// `None` at a rate at which the engine does not work: the mix passes, and the session stays as it is.
    subtraction: Option<Subtraction>,
}

/// What takes the backing out of the mix.
struct Subtraction {
    engine: Engine,
    jobs: JobRunner,
    matches: MatchPort,
}

impl Default for Minuend {
    fn default() -> Self {
        let (meters, meters_for_editor) = meters::meters();
        let params = Arc::<MinuendParams>::default();
        Self {
            host: HostLink::new(params.clone()),
            params,
            prepared: None,
            relearn_presses: 0,
            transport: TransportWatch::default(),
            meters,
            told: Meters::default(),
            repaint: Repaint::default(),
            meters_for_editor: Some(meters_for_editor),
        }
    }
}

impl Plugin for Minuend {
    const NAME: &'static str = "Minuend";
    const VENDOR: &'static str = "Minuend";
    const URL: &'static str = "";
    const EMAIL: &'static str = "";
    const VERSION: &'static str = env!("CARGO_PKG_VERSION");

    const AUDIO_IO_LAYOUTS: &'static [AudioIOLayout] = &[
        layout(2, STEREO, "Stereo, stereo backing"),
        layout(2, MONO, "Stereo, mono backing"),
        layout(1, MONO, "Mono, mono backing"),
        layout(1, STEREO, "Mono, stereo backing"),
    ];

    const SAMPLE_ACCURATE_AUTOMATION: bool = true;

    type Editor = ShownEditor;
    type SysExMessage = ();
    type BackgroundTask = ();

    fn params(&self) -> Arc<dyn Params> {
        self.params.clone()
    }

    fn editor(&mut self, _executor: AsyncExecutor<Self>) -> Option<Self::Editor> {
        editor::create(self.params.clone(), self.meters_for_editor.take()?, self.repaint.clone())
    }

    fn filter_state(state: &mut PluginState) {
        if let Err(error) = state::admit(state) {
            nice_error!("Minuend does not open the session: {error}");
            host_link::refuse_state();
        }
    }

    fn activate(
        &mut self,
        layout: &AudioIOLayout,
        config: &BufferConfig,
        context: &mut impl ActivateContext<Self>,
    ) -> bool {
        match self.prepare(layout, config) {
            Ok(latency_samples) => {
                match context.plugin_api() {
                    PluginApi::Clap => self.host.set_latency_samples(latency_samples),
                    _ => context.set_latency_samples(latency_samples),
                }
                true
            }
            Err(error) => {
                nice_error!("Minuend cannot be activated: {error}");
                false
            }
        }
    }

    fn reset(&mut self) {
        if let Some(Prepared { subtraction: Some(subtraction), .. }) = &mut self.prepared {
            subtraction.engine.reset();
        }
        self.transport = TransportWatch::default();
    }

    fn process(
        &mut self,
        mix: &mut Buffer,
        aux: &mut AuxiliaryBuffers,
        context: &mut impl ProcessContext<Self>,
    ) -> ProcessStatus {
        let Some(prepared) = &mut self.prepared else {
            return ProcessStatus::Error("processed before it was activated");
        };
        let &mut Prepared { sample_rate_hz, mix_channels, backing_channels, ref mut subtraction } = prepared;
        let Some(Subtraction { engine, jobs, matches }) = subtraction else {
            // What comes in stands in the output already. As in the engine, what is not a number counts as silence, and so
            // does what is too small for a float's full precision.
            for sample in mix.as_slice().iter_mut().flat_map(|channel| channel.iter_mut()) {
                *sample = if sample.is_normal() { *sample } else { 0.0 };
            }
            self.tell(Meters { sample_rate_hz, ..Meters::default() });
            return ProcessStatus::Normal;
        };
        let controls = &self.params.controls;

        jobs.set_offline(self.host.is_offline());
        let presses = controls.relearn_presses.load(Ordering::Relaxed);
        if matches.take(engine) {
            // The button comes pressed out of a session that was saved so: that is no press.
            self.relearn_presses = presses;
            // One that was taken from a file is not yet in the session.
            self.host.match_changed();
        }
        if presses != self.relearn_presses {
            self.relearn_presses = presses;
            engine.relearn();
        }
        let transport = context.transport();
        let stands = transport::stands(transport);
        let first = self.transport.is_fresh();
        let jumped = self.transport.jumped(transport, mix.samples());
        if let Some(position) = transport.pos_samples().filter(|_| transport.playing && (first || jumped)) {
            engine.song_at(position);
        }
        if jumped {
            engine.transport_jumped();
        }

        // Whatever the host has not given is silence; never does the mix stand in for the backing.
        let mut backing: [&[f32]; MAX_CHANNELS] = [&[]; MAX_CHANNELS];
        if let Some(port) = aux.inputs.first() {
            for (channel, given) in backing.iter_mut().zip(port.as_slice_immutable()) {
                *channel = &given[..given.len().min(mix.samples())];
            }
        }
        let mix = &mut mix.as_slice()[..mix_channels];
        let settings = controls.settings();
        engine.set_spectra_read(self.repaint.is_seen());
        engine.process(mix, &backing[..backing_channels], &settings, jobs);
        if matches.give(engine) {
            self.host.match_changed();
        }

        let latency_samples = engine.latency_samples() as u32;
        let meters = Meters {
            readings: *engine.readings(),
            spectra: *engine.spectra(),
            sample_rate_hz,
            latency_samples,
            stands,
            by_hand: settings.are_by_hand(),
        };
        self.tell(meters);
        ProcessStatus::Tail(latency_samples)
    }
}

impl Minuend {
    /// Tells the window. Real-time safe.
    fn tell(&mut self, meters: Meters) {
        self.meters.write(meters);
        if !meters.looks_like(&self.told) {
            self.told = meters;
            self.repaint.request();
        }
    }

    /// Makes everything for a sample rate and a layout, or keeps what fits; gives the latency, samples.
    fn prepare(&mut self, layout: &AudioIOLayout, config: &BufferConfig) -> Result<u32, String> {
        let frames = config.max_buffer_size;
        if !(1..=MAX_BLOCK_SAMPLES).contains(&frames) {
            return Err(format!("blocks of {frames} samples: set the host to 1 to {MAX_BLOCK_SAMPLES}"));
        }
        let sample_rate_hz = f64::from(config.sample_rate);
        if !SAMPLE_RATES_HZ.contains(&sample_rate_hz) {
            return Err(format!("a sample rate of {sample_rate_hz} Hz: set the host to 8000 to 192000 Hz"));
        }
        let [mix_channels, backing_channels] = self.host.channels().unwrap_or_else(|| {
            [layout.main_output_channels.as_ref(), layout.aux_input_ports.first()]
                .map(|port| port.map_or(0, |count| count.get() as usize))
        });

        let fits = |p: &Prepared| p.sample_rate_hz == sample_rate_hz && p.mix_channels == mix_channels;
        if !self.prepared.as_ref().is_some_and(fits) {
            let works = (MIN_SAMPLE_RATE_HZ..=MAX_SAMPLE_RATE_HZ).contains(&sample_rate_hz);
            let subtraction = works.then(|| self.subtraction(sample_rate_hz, mix_channels)).transpose()?;
            self.prepared = Some(Prepared { sample_rate_hz, mix_channels, backing_channels, subtraction });
        }
        let prepared = self.prepared.as_mut().expect("made above");
        prepared.backing_channels = backing_channels;
        let subtraction = prepared.subtraction.as_ref();
        Ok(subtraction.map_or(0, |subtraction| subtraction.engine.latency_samples() as u32))
    }

    fn subtraction(&mut self, sample_rate_hz: f64, mix_channels: usize) -> Result<Subtraction, String> {
        let mut engine = Engine::new(sample_rate_hz, mix_channels).map_err(|e| e.to_string())?;
        // Jobs belong to their engine: a job that is out ends with the old one. The thread is made whatever the mode, which
        // may change without a new activation.
        let jobs = JobRunner::new().map_err(|error| {
            format!("no thread can be had to learn on ({error}): end other programs, then try again")
        })?;
        let matches = self.params.session.connect(&mut engine);
        self.relearn_presses = self.params.controls.relearn_presses.load(Ordering::Relaxed);
        Ok(Subtraction { engine, jobs, matches })
    }
}

impl ClapPlugin for Minuend {
    const CLAP_ID: &'static str = "audio.minuend.minuend";
    const CLAP_DESCRIPTION: Option<&'static str> =
        Some("Mix minus backing: subtracts the instrumental on its sidechain from a mix");
    const CLAP_MANUAL_URL: Option<&'static str> = None;
    const CLAP_SUPPORT_URL: Option<&'static str> = None;
    const CLAP_FEATURES: &'static [ClapFeature] = &[
        ClapFeature::AudioEffect,
        ClapFeature::Utility,
        ClapFeature::Mixing,
        ClapFeature::Restoration,
        ClapFeature::Stereo,
        ClapFeature::Mono,
    ];
}

impl Vst3Plugin for Minuend {
    const VST3_CLASS_ID: [u8; 16] = *b"MinuendMixMinusB";
    const VST3_SUBCATEGORIES: &'static [Vst3SubCategory] =
        &[Vst3SubCategory::Fx, Vst3SubCategory::Tools, Vst3SubCategory::Restoration];
}
