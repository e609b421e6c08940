//! The plug-in and the commands as their users meet them, against truths from outside.

mod bundle;
mod contract;
mod formats;
mod host;
mod judged;
mod odd_hosts;
mod realtime;
mod reference;
mod render;
mod sessions;
mod signals;
mod sound;
#[cfg(target_os = "linux")]
mod system_calls;
mod vst3;
mod vst3_host;
mod window;
