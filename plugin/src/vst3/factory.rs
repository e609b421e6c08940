//! Where hosts enter, and what makes instances.

use std::ffi::c_void;
use std::ptr;

use nice_plug::wrapper::setup_logger;
use nice_plug::wrapper::vst3::vst3::Steinberg::{
    FIDString, FUnknown, IPluginFactory, IPluginFactory2, IPluginFactory2Trait, IPluginFactory3,
    IPluginFactory3Trait, IPluginFactoryTrait, PClassInfo, PClassInfo2, PClassInfoW, PFactoryInfo, TUID,
    int32, kInvalidArgument, kResultOk, tresult,
};
use nice_plug::wrapper::vst3::vst3::{Class, ComWrapper};
use nice_plug::wrapper::vst3::{PluginInfo, Wrapper};

use super::rim::Rim;
use crate::Minuend;
use crate::host_link;

/// Makes instances.
struct Factory(PluginInfo);

impl Class for Factory {
    type Interfaces = (IPluginFactory, IPluginFactory2, IPluginFactory3);
}

/// Writes an answer where the host has room for it.
///
/// # Safety
///
/// `to` is null or room for a `T`.
unsafe fn answer<T>(index: int32, to: *mut T, answer: impl FnOnce() -> T) -> tresult {
    if index != 0 || to.is_null() {
        return kInvalidArgument;
    }
    // SAFETY: there is room.
    unsafe { to.write(answer()) };
    kResultOk
}

impl IPluginFactoryTrait for Factory {
    unsafe fn getFactoryInfo(&self, info: *mut PFactoryInfo) -> tresult {
        // SAFETY: the host gives room or null.
        unsafe { answer(0, info, || self.0.create_factory_info()) }
    }

    unsafe fn countClasses(&self) -> int32 {
        1
    }

    unsafe fn getClassInfo(&self, index: int32, info: *mut PClassInfo) -> tresult {
        // SAFETY: the host gives room or null.
        unsafe { answer(index, info, || self.0.create_class_info()) }
    }

    unsafe fn createInstance(&self, cid: FIDString, iid: FIDString, obj: *mut *mut c_void) -> tresult {
        // SAFETY: both ids are 16 bytes or null, and there is room for a pointer.
        unsafe {
            if cid.is_null() || iid.is_null() || obj.is_null() || *cid.cast::<[u8; 16]>() != *self.0.cid {
                return kInvalidArgument;
            }
            let (instance, link) =
                host_link::making(ptr::null(), || ComWrapper::new(Wrapper::<Minuend>::new()));
            Rim::put_round(&instance, &link);
            let unknown = instance.as_com_ref::<FUnknown>().expect("every class is one").as_ptr();
            ((*(*unknown).vtbl).queryInterface)(unknown, iid.cast::<TUID>(), obj)
        }
    }
}

impl IPluginFactory2Trait for Factory {
    unsafe fn getClassInfo2(&self, index: int32, info: *mut PClassInfo2) -> tresult {
        // SAFETY: the host gives room or null.
        unsafe { answer(index, info, || self.0.create_class_info_2()) }
    }
}

impl IPluginFactory3Trait for Factory {
    unsafe fn getClassInfoUnicode(&self, index: int32, info: *mut PClassInfoW) -> tresult {
        // SAFETY: the host gives room or null.
        unsafe { answer(index, info, || self.0.create_class_info_unicode()) }
    }

    unsafe fn setHostContext(&self, _context: *mut FUnknown) -> tresult {
        kResultOk
    }
}

/// Where hosts enter.
#[allow(non_snake_case)]
#[unsafe(no_mangle)]
pub extern "system" fn GetPluginFactory() -> *mut c_void {
    ComWrapper::new(Factory(PluginInfo::for_plugin::<Minuend>()))
        .to_com_ptr::<IPluginFactory>()
        .map_or(ptr::null_mut(), |factory| factory.into_raw().cast())
}

/// What hosts call first and last; the names are the platform's (`linuxmain.cpp`, `macmain.cpp` and `dllmain.cpp` of the
/// VST3 SDK).
#[cfg(all(target_family = "unix", not(target_os = "macos")))]
#[allow(non_snake_case)]
mod module {
    use super::*;

    #[unsafe(no_mangle)]
    extern "C" fn ModuleEntry(_library: *mut c_void) -> bool {
        setup_logger::<Minuend>();
        true
    }

    #[unsafe(no_mangle)]
    extern "C" fn ModuleExit() -> bool {
        true
    }
}

#[cfg(target_os = "macos")]
#[allow(non_snake_case)]
mod module {
    use super::*;

    #[unsafe(no_mangle)]
    extern "C" fn bundleEntry(_bundle: *mut c_void) -> bool {
        setup_logger::<Minuend>();
        true
    }

    #[unsafe(no_mangle)]
    extern "C" fn bundleExit() -> bool {
        true
    }
}

#[cfg(target_os = "windows")]
#[allow(non_snake_case)]
mod module {
    use super::*;

    #[unsafe(no_mangle)]
    extern "system" fn InitDll() -> bool {
        setup_logger::<Minuend>();
        true
    }

    #[unsafe(no_mangle)]
    extern "system" fn ExitDll() -> bool {
        true
    }
}
