//! Sound and events through the plug-in.

use anyhow::{Context, Result, bail, ensure};
use clack_extensions::params::PluginParams;
use clack_host::{
    events::{
        EventFlags, EventHeader, Pckn,
        event_types::{ParamValueEvent, TransportEvent, TransportFlags},
        spaces::CoreEventSpace,
    },
    prelude::*,
    utils::{BeatTime, SecondsTime},
};

use super::{Event, Host, Move, Port};

impl Host {
    /// Plays signals through the plug-in and returns its main output, one vector a channel.
    ///
    /// `inputs` is `[port_idx][channel_idx][sample_idx]`; a channel that is missing or too short is silence, and
    /// what is longer than the first channel of the first port is not played. `events` are in order of time.
    /// `block_samples` gives the length of each block in turn and is repeated from its start when it runs out;
    /// it must not be empty nor hold a zero. The transport runs, unless [`Host::stand`] stopped it.
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
            Some(&transport(self.played_samples as f64 / self.sample_rate_hz, !self.stands)),
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
}

/// A transport at this position, 120 beats a minute.
fn transport(seconds: f64, plays: bool) -> TransportEvent {
    const BEATS_PER_MINUTE: f64 = 120.0;
    TransportEvent {
        header: EventHeader::new_core(0, EventFlags::empty()),
        flags: if plays { TransportFlags::IS_PLAYING } else { TransportFlags::empty() }
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
