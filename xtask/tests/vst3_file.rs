//! The VST3 as it is shipped, in a small host: its factory, its buses, and blocks of sound.

use std::{env, ffi::c_void, path::PathBuf, ptr};

use libloading::{Library, Symbol};
use vst3::Steinberg::Vst::{
    AudioBusBuffers, AudioBusBuffers__type0, BusDirections, BusDirections_, BusInfo, IAudioProcessor,
    IAudioProcessorTrait, IComponent, IComponentTrait, MediaTypes_, ProcessData, ProcessModes_, ProcessSetup,
    SymbolicSampleSizes_,
};
use vst3::Steinberg::{
    FUnknown, IPluginBaseTrait, IPluginFactory, IPluginFactoryTrait, PClassInfo, PFactoryInfo, kResultOk,
};
use vst3::{ComPtr, Interface};

const RATE_HZ: usize = 48_000;
const BLOCK: usize = 512;

/// The library in the bundle beside the CLAP of `MINUEND_BUNDLE`, or in one that is made ("VST 3 plug-in format structure" in the
/// VST 3 developer portal).
fn library() -> PathBuf {
    let bundle = env::var_os("MINUEND_BUNDLE").map_or_else(
        || xtask::bundle::Bundles::ship().expect("the plug-in can be bundled").vst3,
        |clap| PathBuf::from(clap).with_extension("vst3"),
    );
    let machine = env::consts::ARCH;
    bundle.join("Contents").join(if cfg!(windows) {
        format!("{machine}-win/minuend.vst3")
    } else if cfg!(target_os = "macos") {
        "MacOS/minuend".to_owned()
    } else {
        format!("{machine}-linux/minuend.so")
    })
}

/// Names of the functions that a host calls first and last, with whether the first is handed the library ("VST 3 module" in the
/// headers' documentation; from memory).
const ENTRY: (&str, &str, bool) = if cfg!(windows) {
    ("InitDll", "ExitDll", false)
} else if cfg!(target_os = "macos") {
    ("bundleEntry", "bundleExit", true)
} else {
    ("ModuleEntry", "ModuleExit", true)
};

fn text(chars: &[i8]) -> String {
    chars.iter().take_while(|c| **c != 0).map(|c| *c as u8 as char).collect()
}

#[test]
fn the_bundled_vst3_plays() {
    let path = library();
    // SAFETY: the library is the plug-in, and what is called is declared as here in the headers.
    unsafe {
        let library = Library::new(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        let (enter, leave, is_handed) = ENTRY;
        // Who is handed a handle that tells nothing takes it all the same: only macOS' wrappers look into it.
        let entered = if is_handed {
            let enter: Symbol<unsafe extern "C" fn(*mut c_void) -> bool> =
                library.get(enter.as_bytes()).unwrap();
            enter(ptr::dangling_mut())
        } else {
            let enter: Symbol<unsafe extern "C" fn() -> bool> = library.get(enter.as_bytes()).unwrap();
            enter()
        };
        assert!(entered);
        let factory: Symbol<unsafe extern "system" fn() -> *mut c_void> =
            library.get(b"GetPluginFactory").unwrap();
        let factory = ComPtr::from_raw(factory().cast::<IPluginFactory>()).expect("a factory");
        let mut maker: PFactoryInfo = std::mem::zeroed();
        assert_eq!((factory.getFactoryInfo(&mut maker), factory.countClasses()), (kResultOk, 1));
        let mut class: PClassInfo = std::mem::zeroed();
        assert_eq!(factory.getClassInfo(0, &mut class), kResultOk);
        assert_eq!([text(&class.name), text(&class.category)], ["Minuend", "Audio Module Class"]);

        let mut object = ptr::null_mut();
        let made = factory.createInstance(class.cid.as_ptr(), IComponent::IID.as_ptr().cast(), &mut object);
        assert_eq!(made, kResultOk);
        let component = ComPtr::from_raw(object.cast::<IComponent>()).expect("a component");
        assert_eq!(component.initialize(ptr::null_mut::<FUnknown>()), kResultOk);
        let buses = |direction: BusDirections| {
            let (audio, direction) = (MediaTypes_::kAudio as i32, direction as i32);
            let bus = |idx| {
                let mut bus: BusInfo = std::mem::zeroed();
                assert_eq!(component.getBusInfo(audio, direction, idx, &mut bus), kResultOk);
                let name: Vec<u16> = bus.name.iter().take_while(|c| **c != 0).copied().collect();
                (String::from_utf16(&name).unwrap(), bus.channelCount, bus.busType)
            };
            (0..component.getBusCount(audio, direction)).map(bus).collect::<Vec<_>>()
        };
        // Main first, then the sidechain: `kMain` and `kAux` of the headers.
        let inputs = buses(BusDirections_::kInput);
        assert_eq!(
            inputs.iter().map(|bus| (bus.1, bus.2)).collect::<Vec<_>>(),
            [(2, 0), (2, 1)],
            "{inputs:?}"
        );
        assert_eq!(inputs[1].0, "Backing");
        assert_eq!(buses(BusDirections_::kOutput).len(), 1);

        let processor = component.cast::<IAudioProcessor>().expect("an effect");
        let mut setup = ProcessSetup {
            processMode: ProcessModes_::kOffline as i32,
            symbolicSampleSize: SymbolicSampleSizes_::kSample32 as i32,
            maxSamplesPerBlock: BLOCK as i32,
            sampleRate: RATE_HZ as f64,
        };
        assert_eq!(processor.setupProcessing(&mut setup), kResultOk);
        assert_eq!(component.setActive(1), kResultOk);
        processor.setProcessing(1);
        let latency = processor.getLatencySamples() as usize;
        assert!((RATE_HZ / 4..RATE_HZ).contains(&latency), "{latency}");

        // The backing alone as the mix: it passes until it is found, and then goes.
        let num_samples = 8 * RATE_HZ;
        let song = minuend_files::noise::samples(1, num_samples);
        let mut played = Vec::new();
        for block in song.chunks_exact(BLOCK) {
            let mut channels = [block.to_vec(), block.to_vec(), block.to_vec(), block.to_vec()];
            let mut out = [vec![f32::NAN; BLOCK], vec![f32::NAN; BLOCK]];
            let mut lists = channels.each_mut().map(|channel| channel.as_mut_ptr());
            let mut out_list = out.each_mut().map(|channel| channel.as_mut_ptr());
            let bus = |list: *mut *mut f32| AudioBusBuffers {
                numChannels: 2,
                silenceFlags: 0,
                __field0: AudioBusBuffers__type0 { channelBuffers32: list },
            };
            let mut in_buses = [bus(lists.as_mut_ptr()), bus(lists.as_mut_ptr().add(2))];
            let mut out_bus = bus(out_list.as_mut_ptr());
            let mut data: ProcessData = std::mem::zeroed();
            data.processMode = setup.processMode;
            data.symbolicSampleSize = setup.symbolicSampleSize;
            data.numSamples = BLOCK as i32;
            (data.numInputs, data.numOutputs) = (2, 1);
            (data.inputs, data.outputs) = (in_buses.as_mut_ptr(), &raw mut out_bus);
            assert_eq!(processor.process(&mut data), kResultOk);
            played.extend_from_slice(&out[0]);
        }
        let energy = |signal: &[f32]| signal.iter().map(|x| x * x).sum::<f32>();
        let level_db = |from: usize, to: usize| {
            10.0 * (energy(&played[from + latency..to + latency]) / energy(&song[from..to])).log10()
        };
        // Its low-cut takes the lowest tones of noise, 0.01 dB of it.
        let [first, last] = [level_db(0, RATE_HZ / 2), level_db(6 * RATE_HZ, 7 * RATE_HZ)];
        assert!(first.abs() < 0.5 && last < -60.0, "{first} dB, then {last} dB");

        processor.setProcessing(0);
        component.setActive(0);
        component.terminate();
        drop((processor, component, factory));
        let leave: Symbol<unsafe extern "C" fn() -> bool> = library.get(leave.as_bytes()).unwrap();
        assert!(leave());
        // Not unloaded, since a thread of its may still be ending.
        std::mem::forget(library);
    }
}
