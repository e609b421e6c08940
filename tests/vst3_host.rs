//! A small VST3 host: plays whole signals through the plug-in linked into these tests.

use std::ptr;

use nice_plug::wrapper::vst3::vst3::Steinberg::Vst::{
    AudioBusBuffers, AudioBusBuffers__type0, IAudioProcessor, IAudioProcessorTrait, IComponent,
    IComponentTrait, ProcessData, ProcessModes_, ProcessSetup, SymbolicSampleSizes_,
};
use nice_plug::wrapper::vst3::vst3::Steinberg::{
    IPluginBaseTrait, IPluginFactory, IPluginFactoryTrait, PClassInfo, kResultOk,
};
use nice_plug::wrapper::vst3::vst3::{ComPtr, Interface};

use crate::signals::{Audio, part};

const BLOCK: usize = 512;

/// Speakers of the VST3 headers (`vstspeaker.h`) for one channel or two.
fn speakers(num_channels: usize) -> u64 {
    if num_channels == 1 { 1 << 19 } else { 0b11 }
}

/// A bit for each channel whose samples are all zero.
fn silent_channels(audio: &[Vec<f32>]) -> u64 {
    let is_silent = |channel: &Vec<f32>| channel.iter().all(|x| *x == 0.0);
    audio.iter().enumerate().map(|(c, channel)| u64::from(is_silent(channel)) << c).sum()
}

/// One instance, active, that renders offline.
pub struct Vst3Plugin {
    processor: ComPtr<IAudioProcessor>,
    component: ComPtr<IComponent>,
}

impl Vst3Plugin {
    /// For so many channels of mix and backing, which the host sets before anything else.
    pub fn playing(rate_hz: f64, mix_channels: usize, backing_channels: usize) -> Self {
        let mut inputs = [mix_channels, backing_channels].map(speakers);
        let mut output = [speakers(mix_channels)];
        let mut setup = ProcessSetup {
            processMode: ProcessModes_::kOffline as i32,
            symbolicSampleSize: SymbolicSampleSizes_::kSample32 as i32,
            maxSamplesPerBlock: BLOCK as i32,
            sampleRate: rate_hz,
        };
        // SAFETY: the functions are called in the order of the headers, on one thread, with as much as they are told.
        unsafe {
            let factory =
                ComPtr::from_raw(minuend::GetPluginFactory().cast::<IPluginFactory>()).expect("a factory");
            let mut info: PClassInfo = std::mem::zeroed();
            assert_eq!(factory.getClassInfo(0, &mut info), kResultOk);
            let mut object = ptr::null_mut();
            let created =
                factory.createInstance(info.cid.as_ptr(), IComponent::IID.as_ptr().cast(), &mut object);
            assert_eq!(created, kResultOk);
            let component = ComPtr::from_raw(object.cast::<IComponent>()).expect("a component");
            let processor = component.cast::<IAudioProcessor>().expect("an effect");
            assert_eq!(component.initialize(ptr::null_mut()), kResultOk);
            let arranged = processor.setBusArrangements(inputs.as_mut_ptr(), 2, output.as_mut_ptr(), 1);
            assert_eq!(arranged, kResultOk);
            assert_eq!(processor.setupProcessing(&mut setup), kResultOk);
            assert_eq!(component.setActive(1), kResultOk);
            processor.setProcessing(1);
            Self { processor, component }
        }
    }

    /// Plays a signal and gives what a bounce would: latency taken off, as long as the signal.
    pub fn bounce(&self, mix: &Audio, backing: &Audio) -> Audio {
        // SAFETY: the instance is active.
        let latency = unsafe { self.processor.getLatencySamples() } as usize;
        let length = mix[0].len() + latency;
        let pad = |audio: &Audio| -> Audio {
            let padded = |channel: &Vec<f32>| {
                channel.iter().copied().chain(std::iter::repeat(0.0)).take(length).collect()
            };
            audio.iter().map(padded).collect()
        };
        let (mix, backing) = (pad(mix), pad(backing));
        let mut out = vec![Vec::new(); mix.len()];
        for from in (0..length).step_by(BLOCK) {
            let cut = |audio: &Audio| part(audio, from, (from + BLOCK).min(length));
            for (channel, block) in out.iter_mut().zip(self.block(cut(&mix), cut(&backing))) {
                channel.extend(block);
            }
        }
        part(&out, latency, length)
    }

    fn block(&self, mut mix: Audio, mut backing: Audio) -> Audio {
        // What a host leaves in an output buffer is anything but silence.
        let mut out = vec![vec![f32::NAN; mix[0].len()]; mix.len()];
        let mut lists = [&mut mix, &mut backing, &mut out]
            .map(|port| port.iter_mut().map(|channel| channel.as_mut_ptr()).collect::<Vec<_>>());
        let [mix_bus, backing_bus, mut out_bus] = lists.each_mut().map(|list| AudioBusBuffers {
            numChannels: list.len() as i32,
            silenceFlags: 0,
            __field0: AudioBusBuffers__type0 { channelBuffers32: list.as_mut_ptr() },
        });
        // Nor are its flags those of this block.
        out_bus.silenceFlags = u64::MAX;
        let mut inputs = [mix_bus, backing_bus];
        let mut data = ProcessData {
            processMode: ProcessModes_::kOffline as i32,
            symbolicSampleSize: SymbolicSampleSizes_::kSample32 as i32,
            numSamples: out[0].len() as i32,
            numInputs: 2,
            numOutputs: 1,
            inputs: inputs.as_mut_ptr(),
            outputs: &raw mut out_bus,
            inputParameterChanges: ptr::null_mut(),
            outputParameterChanges: ptr::null_mut(),
            inputEvents: ptr::null_mut(),
            outputEvents: ptr::null_mut(),
            processContext: ptr::null_mut(),
        };
        // SAFETY: all that is counted is there, and outlives the call.
        assert_eq!(unsafe { self.processor.process(&mut data) }, kResultOk);
        assert_eq!(
            out_bus.silenceFlags,
            silent_channels(&out),
            "silence is told of what is silent, and of nothing else"
        );
        out
    }
}

impl Drop for Vst3Plugin {
    fn drop(&mut self) {
        // SAFETY: active; in the order of the headers.
        unsafe {
            self.processor.setProcessing(0);
            self.component.setActive(0);
            self.component.terminate();
        }
    }
}
