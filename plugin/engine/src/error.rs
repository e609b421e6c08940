//! Why an engine cannot be prepared.

use std::fmt;

/// Returned by [`crate::Engine::new`]; each variant carries the offending value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum PrepareError {
    /// The sample rate, in Hz, lies outside [`crate::MIN_SAMPLE_RATE_HZ`] to [`crate::MAX_SAMPLE_RATE_HZ`].
    SampleRate(f64),
    /// The mix has this many channels; the engine takes 1 or 2.
    MixChannels(usize),
}

impl fmt::Display for PrepareError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::SampleRate(hz) => {
                write!(
                    f,
                    "sample rate {hz} Hz is outside 8000 to 192000 Hz: set the host or the file to a rate in between"
                )
            }
            Self::MixChannels(n) => write!(f, "the mix has {n} channels: use a mono or a stereo channel"),
        }
    }
}

impl std::error::Error for PrepareError {}
