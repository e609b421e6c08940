//! The VST3 factory: the framework's plug-in behind a rim that closes what the framework leaves open.
//!
//! - A host may hand over fewer buses or channels than were declared, or longer blocks; the framework would read past
//!   the end. What is missing is silence.
//! - The framework looks for the backing's channels among the mix's, so that it never finds a layout in which they are
//!   not as many. It keeps to stereo, and the plug-in learns from the link to the host how many channels there are.
//! - How the host renders is told with a setup, and in force at once; the framework would believe the one before.
//! - A host is told of an output whether it is silent; the framework would leave what the host had told itself.
//! - A refused session is reported as refused.
//! - The buses have the names they are called by everywhere else.
//!
//! An instance's tables of functions are replaced by ours for the two interfaces concerned; every other call goes to the
//! framework as ever.

mod factory;
mod rim;

pub use factory::GetPluginFactory;
