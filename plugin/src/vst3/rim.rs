//! The rim round one instance: what hosts call of it.

use std::mem::offset_of;
use std::ptr::{self, NonNull};
use std::slice;
use std::sync::{Arc, Weak};

use nice_plug::wrapper::vst3::Wrapper;
use nice_plug::wrapper::vst3::vst3::ComWrapper;
use nice_plug::wrapper::vst3::vst3::Steinberg::Vst::{
    AudioBusBuffers, AudioBusBuffers__type0, BusDirection, BusDirections_, BusInfo, IAudioProcessor,
    IAudioProcessorVtbl, IComponent, IComponentVtbl, MediaType, MediaTypes_, ProcessData, ProcessModes_,
    ProcessSetup, SpeakerArrangement, SymbolicSampleSizes_,
};
use nice_plug::wrapper::vst3::vst3::Steinberg::{
    IBStream, TBool, int32, kInvalidArgument, kResultFalse, kResultOk, tresult,
};

use crate::buffers::{self, Channels, MAX_CHANNELS, StandIns};
use crate::host_link::{self, HostLink, MAIN_PORTS};
use crate::{MAX_BLOCK_SAMPLES, Minuend, SAMPLE_RATES_HZ};

// The constants of the headers are unsigned or signed as the platform's compiler has it.
const AUDIO: MediaType = MediaTypes_::kAudio as MediaType;
const INPUT: BusDirection = BusDirections_::kInput as BusDirection;
const FLOAT_32: int32 = SymbolicSampleSizes_::kSample32 as int32;
const OFFLINE: int32 = ProcessModes_::kOffline as int32;

/// Indices of the input buses.
const MIX: usize = 0;
const BACKING: usize = 1;

/// One instance: what the host calls, and the framework's functions behind it.
pub struct Rim {
    processor: IAudioProcessorVtbl,
    component: IComponentVtbl,
    inner_processor: IAudioProcessorVtbl,
    inner_component: IComponentVtbl,
    link: Weak<HostLink>,
    /// Speakers of mix and backing, and of the output, as the host has set them. The framework is never told: to it, and
    /// with silence and outputs that nobody hears, every bus is stereo.
    inputs: [SpeakerArrangement; 2],
    output: SpeakerArrangement,
    stand_ins: StandIns,
}

/// Stereo in the bits of the VST3 headers (`vstspeaker.h`): left and right.
const STEREO: SpeakerArrangement = 0b11;

fn num_channels(speakers: SpeakerArrangement) -> usize {
    speakers.count_ones() as usize
}

/// A rim that is freed with the instance it belongs to.
struct OwnedRim(NonNull<Rim>);

// SAFETY: nothing is done with it but to free it, on whichever thread lets go of the instance.
unsafe impl Send for OwnedRim {}
// SAFETY: as above.
unsafe impl Sync for OwnedRim {}

impl Drop for OwnedRim {
    fn drop(&mut self) {
        // SAFETY: it was a box, and the instance that points to it is gone.
        drop(unsafe { Box::from_raw(self.0.as_ptr()) });
    }
}

impl Rim {
    /// Puts a rim round an instance that no host has seen yet.
    pub fn put_round(instance: &ComWrapper<Wrapper<Minuend>>, link: &Arc<HostLink>) {
        let processor = instance.as_com_ref::<IAudioProcessor>().expect("an effect").as_ptr();
        let component = instance.as_com_ref::<IComponent>().expect("a component").as_ptr();
        // SAFETY: both are interfaces of an instance that is known here alone; their tables are static.
        unsafe {
            let (inner_processor, inner_component) = (*(*processor).vtbl, *(*component).vtbl);
            let rim = NonNull::from(Box::leak(Box::new(Self {
                processor: IAudioProcessorVtbl {
                    setBusArrangements: set_bus_arrangements,
                    getBusArrangement: get_bus_arrangement,
                    setupProcessing: setup_processing,
                    process,
                    ..inner_processor
                },
                component: IComponentVtbl {
                    getBusInfo: get_bus_info,
                    activateBus: activate_bus,
                    setState: set_state,
                    ..inner_component
                },
                inner_processor,
                inner_component,
                link: Arc::downgrade(link),
                inputs: [STEREO; 2],
                output: STEREO,
                stand_ins: StandIns::default(),
            })));
            (*processor).vtbl = &raw const (*rim.as_ptr()).processor;
            (*component).vtbl = &raw const (*rim.as_ptr()).component;
            link.keep(OwnedRim(rim));
        }
    }

    /// Speakers of an audio bus.
    fn speakers(&self, direction: BusDirection, index: int32) -> Option<SpeakerArrangement> {
        let buses = if direction == INPUT { &self.inputs[..] } else { slice::from_ref(&self.output) };
        buses.get(usize::try_from(index).ok()?).copied()
    }
}

/// The rim of an interface that the host holds.
///
/// # Safety
///
/// `this` is the interface of an instance that has a rim, and lives.
unsafe fn of_processor(this: *mut IAudioProcessor) -> *mut Rim {
    // SAFETY: the interface begins with a pointer to the table, which is in the rim.
    unsafe { (*this).vtbl.cast_mut().byte_sub(offset_of!(Rim, processor)).cast() }
}

/// As [`of_processor`].
///
/// # Safety
///
/// As for [`of_processor`].
unsafe fn of_component<'a>(this: *mut IComponent) -> &'a Rim {
    // SAFETY: as for the other interface. The host is not setting up meanwhile, which is what changes fields.
    unsafe { &*(*this).vtbl.cast_mut().byte_sub(offset_of!(Rim, component)).cast::<Rim>() }
}

unsafe extern "system" fn set_bus_arrangements(
    this: *mut IAudioProcessor,
    inputs: *mut SpeakerArrangement,
    num_inputs: int32,
    outputs: *mut SpeakerArrangement,
    num_outputs: int32,
) -> tresult {
    // SAFETY: the host gives its instance, and as many arrangements as it says.
    unsafe {
        // Nothing else is called meanwhile that reads the fields set.
        let rim = &mut *of_processor(this);
        if inputs.is_null() || outputs.is_null() {
            return kInvalidArgument;
        }
        if (num_inputs, num_outputs) != (2, 1) {
            return kResultFalse;
        }
        let (given, output) = ([*inputs, *inputs.add(BACKING)], *outputs);
        let channels = given.map(num_channels);
        if channels.iter().any(|count| !(1..=MAX_CHANNELS).contains(count))
            || num_channels(output) != channels[MIX]
        {
            return kResultFalse;
        }
        (rim.inputs, rim.output) = (given, output);
        if let Some(link) = rim.link.upgrade() {
            link.set_channels(channels);
        }
        kResultOk
    }
}

unsafe extern "system" fn get_bus_arrangement(
    this: *mut IAudioProcessor,
    direction: BusDirection,
    index: int32,
    speakers: *mut SpeakerArrangement,
) -> tresult {
    // SAFETY: the host gives its instance, and room for the answer or null.
    unsafe {
        let rim = &*of_processor(this);
        match rim.speakers(direction, index) {
            Some(found) if !speakers.is_null() => {
                *speakers = found;
                kResultOk
            }
            _ => kInvalidArgument,
        }
    }
}

unsafe extern "system" fn setup_processing(this: *mut IAudioProcessor, setup: *mut ProcessSetup) -> tresult {
    // SAFETY: the host gives its instance, and a setup or null.
    unsafe {
        // Nothing else is called meanwhile that reads the fields set.
        let rim = &mut *of_processor(this);
        let Some(given) = setup.as_ref() else { return kInvalidArgument };
        if given.symbolicSampleSize != FLOAT_32 {
            return kResultFalse;
        }
        // Hosts that learn it from the setup can say it to the user; activation would fail later.
        let blocks = 1..=MAX_BLOCK_SAMPLES as int32;
        if !SAMPLE_RATES_HZ.contains(&given.sampleRate) || !blocks.contains(&given.maxSamplesPerBlock) {
            return kResultFalse;
        }
        let longest = given.maxSamplesPerBlock as usize;
        if longest != rim.stand_ins.longest() {
            rim.stand_ins = StandIns::new(longest);
        }
        // In force at once: the framework hands a mode on at the next activation, and then the one of the setup before.
        if let Some(link) = rim.link.upgrade() {
            link.set_offline(given.processMode == OFFLINE);
        }
        (rim.inner_processor.setupProcessing)(this, setup)
    }
}

unsafe extern "system" fn process(this: *mut IAudioProcessor, data: *mut ProcessData) -> tresult {
    // SAFETY: the host gives its instance, and a block or null.
    let (rim, given) = unsafe { (&*of_processor(this), data.as_ref()) };
    let Some(given) = given else { return kInvalidArgument };
    let Ok(length) = usize::try_from(given.numSamples) else { return kInvalidArgument };
    if length > rim.stand_ins.longest()
        || rim.stand_ins.longest() == 0
        || given.symbolicSampleSize != FLOAT_32
    {
        return kInvalidArgument;
    }
    let mut whole = *given;
    let [mix_channels, backing_channels] = rim.inputs.map(num_channels);
    // SAFETY: `given` is a host's block.
    let (mix, backing, output) = unsafe {
        (
            channels(given.inputs, given.numInputs, MIX, mix_channels),
            channels(given.inputs, given.numInputs, BACKING, backing_channels),
            channels(given.outputs, given.numOutputs, 0, mix_channels),
        )
    };
    if output.iter().all(|channel| channel.is_null()) {
        // Hosts that only bring parameters: no time passes.
        whole.numSamples = 0;
    }

    // The framework only reads from the inputs.
    let (mut mix, mut backing) = (rim.stand_ins.input(mix), rim.stand_ins.input(backing));
    let mut written = rim.stand_ins.output(output);
    let bus = |channels: &mut Channels| AudioBusBuffers {
        numChannels: MAX_CHANNELS as int32,
        silenceFlags: 0,
        __field0: AudioBusBuffers__type0 { channelBuffers32: channels.as_mut_ptr() },
    };
    let mut inputs = [bus(&mut mix), bus(&mut backing)];
    let mut outputs = [bus(&mut written)];
    (whole.numInputs, whole.inputs) = (inputs.len() as int32, inputs.as_mut_ptr());
    (whole.numOutputs, whole.outputs) = (outputs.len() as int32, outputs.as_mut_ptr());
    // SAFETY: all that is pointed to outlives the call, and there are as many outputs as the host says.
    unsafe {
        let result = (rim.inner_processor.process)(this, &mut whole);
        if given.numOutputs > 0
            && let Some(heard) = given.outputs.as_mut()
        {
            // What the host left there is of another block.
            heard.silenceFlags = buffers::silent(output, whole.numSamples as usize);
        }
        result
    }
}

/// The channels of a bus that the host gives, of those that were agreed upon.
///
/// # Safety
///
/// There are that many buses, or none if the pointer is null.
unsafe fn channels(
    buses: *const AudioBusBuffers,
    num_buses: int32,
    index: usize,
    num_channels: usize,
) -> Channels {
    if buses.is_null() || index as i64 >= i64::from(num_buses) {
        return [ptr::null_mut(); MAX_CHANNELS];
    }
    // SAFETY: there are that many buses, and that many channels in each that is there.
    unsafe {
        let bus = &*buses.add(index);
        buffers::given(bus.__field0.channelBuffers32, num_channels.min(bus.numChannels.max(0) as usize))
    }
}

unsafe extern "system" fn get_bus_info(
    this: *mut IComponent,
    media: MediaType,
    direction: BusDirection,
    index: int32,
    info: *mut BusInfo,
) -> tresult {
    // SAFETY: the host gives its instance, and room for the answer or null.
    unsafe {
        let rim = of_component(this);
        // The framework takes what is below the first for the first.
        if index < 0 {
            return kInvalidArgument;
        }
        let result = (rim.inner_component.getBusInfo)(this, media, direction, index, info);
        if result == kResultOk && media == AUDIO {
            if index == 0 {
                let name = MAIN_PORTS[usize::from(direction != INPUT)].to_bytes_with_nul();
                for (to, from) in (*info).name.iter_mut().zip(name) {
                    *to = u16::from(*from) as _;
                }
            }
            if let Some(speakers) = rim.speakers(direction, index) {
                (*info).channelCount = num_channels(speakers) as int32;
            }
        }
        result
    }
}

unsafe extern "system" fn activate_bus(
    this: *mut IComponent,
    media: MediaType,
    direction: BusDirection,
    index: int32,
    state: TBool,
) -> tresult {
    // SAFETY: the host gives its instance.
    unsafe {
        if index < 0 {
            return kInvalidArgument;
        }
        (of_component(this).inner_component.activateBus)(this, media, direction, index, state)
    }
}

unsafe extern "system" fn set_state(this: *mut IComponent, state: *mut IBStream) -> tresult {
    // SAFETY: the host gives its instance and a stream.
    let (result, refused) =
        host_link::loading(|| unsafe { (of_component(this).inner_component.setState)(this, state) });
    if refused { kResultFalse } else { result }
}

#[cfg(test)]
mod tests {
    use std::cell::RefCell;
    use std::process::Command;

    use nice_plug::wrapper::vst3::vst3::ComPtr;
    use nice_plug::wrapper::vst3::vst3::Interface;
    use nice_plug::wrapper::vst3::vst3::Steinberg::Vst::{IAudioProcessorTrait, IComponentTrait};
    use nice_plug::wrapper::vst3::vst3::Steinberg::{
        IPluginBaseTrait, IPluginFactory, IPluginFactoryTrait, PClassInfo,
    };

    use super::*;
    use crate::vst3::GetPluginFactory;

    const MONO: SpeakerArrangement = 1 << 19;
    const OUTPUT: BusDirection = BusDirections_::kOutput as BusDirection;
    const BLOCK: usize = 4;

    /// A pointer that nobody may follow.
    const NOWHERE: *mut f32 = ptr::without_provenance_mut(8);

    struct Instance {
        processor: ComPtr<IAudioProcessor>,
        component: ComPtr<IComponent>,
    }

    impl Instance {
        fn new() -> Self {
            // SAFETY: as a host does it.
            unsafe {
                let factory = ComPtr::from_raw(GetPluginFactory().cast::<IPluginFactory>()).unwrap();
                let mut info: PClassInfo = std::mem::zeroed();
                assert_eq!(factory.getClassInfo(0, &mut info), kResultOk);
                let mut object = ptr::null_mut();
                let created =
                    factory.createInstance(info.cid.as_ptr(), IComponent::IID.as_ptr().cast(), &mut object);
                assert_eq!(created, kResultOk);
                let component = ComPtr::from_raw(object.cast::<IComponent>()).unwrap();
                let processor = component.cast::<IAudioProcessor>().unwrap();
                assert_eq!(component.initialize(ptr::null_mut()), kResultOk);
                Self { processor, component }
            }
        }

        fn arrange(&self, mix: SpeakerArrangement, backing: SpeakerArrangement) -> tresult {
            let (mut inputs, mut outputs) = ([mix, backing], [mix]);
            // SAFETY: as many as are said.
            unsafe { self.processor.setBusArrangements(inputs.as_mut_ptr(), 2, outputs.as_mut_ptr(), 1) }
        }

        fn start(&self) {
            let mut setup = setup(48_000.0);
            // SAFETY: as a host does it.
            unsafe {
                assert_eq!(self.processor.setupProcessing(&mut setup), kResultOk);
                assert_eq!(self.component.setActive(1), kResultOk);
                self.processor.setProcessing(1);
            }
        }

        /// One block of buses, of which the host counts the first ones.
        fn process(
            &self,
            buses: &mut [Vec<*mut f32>],
            num_inputs: usize,
            output: &mut [*mut f32],
        ) -> tresult {
            let mut inputs: Vec<_> = buses.iter_mut().map(|bus| bus_of(bus)).collect();
            let mut outputs = [bus_of(output)];
            let mut data = data(&mut inputs, num_inputs, &mut outputs);
            // SAFETY: what is counted is there.
            unsafe { self.processor.process(&mut data) }
        }

        /// The channels that reach the framework: of the mix, of the backing, and how many it may write.
        fn seen(&self, mix: &[f32], backing: &[f32], num_inputs: usize) -> (Vec<f32>, Vec<f32>, usize) {
            let constant = |value: &f32| vec![*value; BLOCK];
            let mut samples = [mix, backing].map(|bus| bus.iter().map(constant).collect::<Vec<_>>());
            let mut buses = samples
                .each_mut()
                .map(|bus| bus.iter_mut().map(|channel| channel.as_mut_ptr()).collect::<Vec<_>>());
            let mut out = [0.0; BLOCK];
            // SAFETY: this is the only thread that knows the instance.
            unsafe { (*of_processor(self.processor.as_ptr())).inner_processor.process = spy };
            assert_eq!(self.process(&mut buses, num_inputs, &mut [out.as_mut_ptr()]), kResultOk);
            assert_eq!(out, [7.0; BLOCK]);
            SEEN.take()
        }
    }

    thread_local! {
        static SEEN: RefCell<(Vec<f32>, Vec<f32>, usize)> = const { RefCell::new((vec![], vec![], 0)) };
    }

    /// In the framework's place.
    unsafe extern "system" fn spy(_: *mut IAudioProcessor, data: *mut ProcessData) -> tresult {
        // SAFETY: the rim hands over two whole inputs and an output.
        unsafe {
            let channels = |bus: &AudioBusBuffers| {
                slice::from_raw_parts(bus.__field0.channelBuffers32, bus.numChannels as usize)
            };
            let read = |bus: &AudioBusBuffers| {
                let read = |channel: &*mut f32| slice::from_raw_parts(*channel, BLOCK);
                channels(bus).iter().map(|c| read(c).iter().sum::<f32>() / BLOCK as f32).collect::<Vec<_>>()
            };
            let inputs = slice::from_raw_parts((*data).inputs, (*data).numInputs as usize);
            let outputs = channels(&*(*data).outputs);
            for channel in outputs {
                slice::from_raw_parts_mut(*channel, BLOCK).fill(7.0);
            }
            SEEN.set((read(&inputs[0]), read(&inputs[1]), outputs.len()));
        }
        kResultOk
    }

    fn setup(rate_hz: f64) -> ProcessSetup {
        ProcessSetup {
            processMode: ProcessModes_::kOffline as int32,
            symbolicSampleSize: FLOAT_32,
            maxSamplesPerBlock: BLOCK as int32,
            sampleRate: rate_hz,
        }
    }

    fn bus_of(channels: &mut [*mut f32]) -> AudioBusBuffers {
        AudioBusBuffers {
            numChannels: channels.len() as int32,
            silenceFlags: 0,
            __field0: AudioBusBuffers__type0 { channelBuffers32: channels.as_mut_ptr() },
        }
    }

    fn data(
        inputs: &mut [AudioBusBuffers],
        num_inputs: usize,
        outputs: &mut [AudioBusBuffers],
    ) -> ProcessData {
        ProcessData {
            processMode: ProcessModes_::kOffline as int32,
            symbolicSampleSize: FLOAT_32,
            numSamples: BLOCK as int32,
            numInputs: num_inputs as int32,
            numOutputs: outputs.len() as int32,
            inputs: inputs.as_mut_ptr(),
            outputs: outputs.as_mut_ptr(),
            inputParameterChanges: ptr::null_mut(),
            outputParameterChanges: ptr::null_mut(),
            inputEvents: ptr::null_mut(),
            outputEvents: ptr::null_mut(),
            processContext: ptr::null_mut(),
        }
    }

    #[test]
    fn buses_are_named_and_as_wide_as_the_host_has_set_them() {
        let instance = Instance::new();
        let bus = |direction, index| {
            // SAFETY: there is room for the answers.
            unsafe {
                let mut info: BusInfo = std::mem::zeroed();
                let mut speakers = 0;
                let got = instance.component.getBusInfo(AUDIO, direction, index, &mut info);
                assert_eq!(got, instance.processor.getBusArrangement(direction, index, &mut speakers));
                (got == kResultOk).then(|| {
                    let name = info.name.iter().map(|c| *c as u8).take_while(|c| *c != 0);
                    assert_eq!(info.channelCount, speakers.count_ones() as int32);
                    (String::from_utf8(name.collect()).unwrap(), speakers)
                })
            }
        };
        for mix in [STEREO, MONO] {
            for backing in [STEREO, MONO] {
                assert_eq!(instance.arrange(mix, backing), kResultOk);
                assert_eq!(bus(INPUT, 0), Some(("Mix".into(), mix)));
                assert_eq!(bus(INPUT, 1), Some(("Backing".into(), backing)));
                assert_eq!(bus(OUTPUT, 0), Some(("Difference".into(), mix)));
                assert_eq!(bus(INPUT, 2), None);
            }
        }
        assert_eq!(instance.arrange(0b111, STEREO), kResultFalse);
        assert_eq!(instance.arrange(STEREO, 0b111), kResultFalse);
        assert_eq!(bus(INPUT, 0), Some(("Mix".into(), MONO)), "a refusal changes nothing");
    }

    #[test]
    fn the_framework_is_given_whole_buses_whatever_the_host_gives() {
        let seen = |mix, backing, given: (&[f32], &[f32], usize)| {
            let instance = Instance::new();
            assert_eq!(instance.arrange(mix, backing), kResultOk);
            instance.start();
            instance.seen(given.0, given.1, given.2)
        };
        // One output channel is given in all of these.
        let whole = |mix: [f32; 2], backing: [f32; 2]| (mix.to_vec(), backing.to_vec(), 2);
        assert_eq!(seen(STEREO, STEREO, (&[1., 2.], &[3., 4.], 2)), whole([1., 2.], [3., 4.]));
        assert_eq!(seen(STEREO, MONO, (&[1., 2.], &[3.], 2)), whole([1., 2.], [3., 0.]));
        assert_eq!(seen(MONO, MONO, (&[1.], &[3.], 2)), whole([1., 0.], [3., 0.]));
        assert_eq!(seen(MONO, STEREO, (&[1.], &[3., 4.], 2)), whole([1., 0.], [3., 4.]));
        assert_eq!(seen(STEREO, STEREO, (&[1., 2.], &[3.], 2)), whole([1., 2.], [3., 0.]), "half a bus");
        assert_eq!(seen(STEREO, STEREO, (&[1., 2.], &[3., 4.], 1)), whole([1., 2.], [0., 0.]), "no bus");
        assert_eq!(seen(STEREO, STEREO, (&[1.], &[3., 4.], 2)), whole([1., 0.], [3., 4.]), "half a mix");
        assert_eq!(seen(STEREO, STEREO, (&[], &[3., 4.], 2)), whole([0., 0.], [3., 4.]), "no mix");
        assert_eq!(seen(STEREO, MONO, (&[1., 2., 9.], &[3., 9.], 2)), whole([1., 2.], [3., 0.]), "too many");
    }

    /// Whether the host has activated the plug-in anew since, or not.
    #[test]
    fn the_mode_of_a_setup_is_in_force_at_once() {
        let instance = Instance::new();
        // SAFETY: this is the only thread that knows the instance.
        let link = unsafe { (*of_processor(instance.processor.as_ptr())).link.upgrade().unwrap() };
        instance.start();
        assert!(link.is_offline());
        for (mode, is_offline) in [
            (ProcessModes_::kRealtime, false),
            (ProcessModes_::kOffline, true),
            (ProcessModes_::kPrefetch, false),
        ] {
            let mut setup = ProcessSetup { processMode: mode as int32, ..setup(48_000.0) };
            // SAFETY: as a host does it that goes from one to the other without a pause.
            assert_eq!(unsafe { instance.processor.setupProcessing(&mut setup) }, kResultOk);
            assert_eq!(link.is_offline(), is_offline, "{mode}");
        }
    }

    #[test]
    fn blocks_that_were_not_agreed_upon_are_refused() {
        let instance = Instance::new();
        let (mut mix, mut out) = ([0.0; BLOCK], [0.0; BLOCK]);
        let mut buses = vec![vec![mix.as_mut_ptr(); 2]; 2];
        let output = &mut [out.as_mut_ptr(); 2];
        assert_eq!(instance.process(&mut buses, 2, output), kInvalidArgument, "before any setup");
        instance.start();
        let mut inputs: Vec<_> = buses.iter_mut().map(|bus| bus_of(bus)).collect();
        let mut outputs = [bus_of(output)];
        for num_samples in [-1, BLOCK as int32 + 1] {
            let mut data = data(&mut inputs, 2, &mut outputs);
            data.numSamples = num_samples;
            // SAFETY: refused before anything is read.
            assert_eq!(unsafe { instance.processor.process(&mut data) }, kInvalidArgument);
        }
        // SAFETY: nothing is read.
        assert_eq!(unsafe { instance.processor.process(ptr::null_mut()) }, kInvalidArgument);
        let setup = |rate_hz, frames| {
            let mut setup = ProcessSetup { maxSamplesPerBlock: frames, ..setup(rate_hz) };
            // SAFETY: as a host does it.
            unsafe { instance.processor.setupProcessing(&mut setup) }
        };
        for rate_hz in [0.0, -48_000.0, 999.0, 1_000_001.0, f64::INFINITY, f64::NAN] {
            assert_eq!(setup(rate_hz, BLOCK as int32), kResultFalse, "{rate_hz} Hz");
        }
        for frames in [int32::MIN, 0, MAX_BLOCK_SAMPLES as int32 + 1] {
            assert_eq!(setup(48_000.0, frames), kResultFalse, "blocks of {frames}");
        }
    }

    const CHILD: &str = "MINUEND_TEST_WITHOUT_RIM";

    /// A host with one input bus, behind which lies what is no bus. With the rim nothing of it is read. Without it, in a
    /// copy of this program, the framework follows it and dies: should that copy live, this part of the rim may go.
    #[test]
    #[cfg(unix)]
    fn a_bus_that_is_not_there_is_never_read() {
        use std::os::unix::process::ExitStatusExt;

        let instance = Instance::new();
        instance.start();
        if std::env::var_os(CHILD).is_some() {
            // SAFETY: this is the only thread that knows the instance.
            unsafe {
                let rim = of_processor(instance.processor.as_ptr());
                (*instance.processor.as_ptr()).vtbl = &raw const (*rim).inner_processor;
            }
        }
        let (mut mix, mut out) = ([0.25; BLOCK], [0.0; BLOCK]);
        let mut buses = vec![vec![mix.as_mut_ptr(); 2], vec![NOWHERE; 2]];
        for _ in 0..20_000 {
            assert_eq!(instance.process(&mut buses, 1, &mut [out.as_mut_ptr(); 2]), kResultOk);
        }
        assert!(out.iter().all(|x| x.is_finite()));
        if std::env::var_os(CHILD).is_none() {
            let child = Command::new(std::env::current_exe().unwrap())
                .args(["--exact", "vst3::rim::tests::a_bus_that_is_not_there_is_never_read"])
                .env(CHILD, "1")
                .output()
                .unwrap();
            assert!(child.status.signal().is_some(), "{:?}", child.status);
        }
    }
}
