//! How the window looks, as a session keeps it: no parameter, since it does not touch the sound.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};

/// Smallest and largest scale, percent.
const SCALE_PERCENT: (u32, u32) = (100, 300);

/// Shared by the session and the window: clones are the same one.
#[derive(Clone, Debug)]
pub struct Look {
    scale_percent: Arc<AtomicU32>,
    dark: Arc<AtomicBool>,
}

impl Default for Look {
    fn default() -> Self {
        Self { scale_percent: Arc::new(AtomicU32::new(SCALE_PERCENT.0)), dark: Arc::default() }
    }
}

impl Look {
    /// Scale of the window, percent.
    pub fn scale_percent(&self) -> u32 {
        self.scale_percent.load(Ordering::Relaxed)
    }

    /// Sets the scale; what is out of range is brought into it.
    pub fn set_scale_percent(&self, percent: u32) {
        self.scale_percent.store(percent.clamp(SCALE_PERCENT.0, SCALE_PERCENT.1), Ordering::Relaxed);
    }

    /// Whether it is dark.
    pub fn is_dark(&self) -> bool {
        self.dark.load(Ordering::Relaxed)
    }

    /// Makes it dark or not.
    pub fn set_dark(&self, dark: bool) {
        self.dark.store(dark, Ordering::Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_absurd_is_drawn() {
        let look = Look::default();
        for (asked, expected) in [(0, 100), (125, 125), (u32::MAX, 300)] {
            look.set_scale_percent(asked);
            assert_eq!(look.scale_percent(), expected);
        }
    }
}
