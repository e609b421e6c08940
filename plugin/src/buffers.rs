//! What a host hands over of a port, and what stands in for what it does not, in either plug-in format.

use std::cell::Cell;
use std::{ptr, slice};

/// As many as any port of ours has.
pub const MAX_CHANNELS: usize = 2;

/// The channels of a port: null for those that the host does not give.
pub type Channels = [*mut f32; MAX_CHANNELS];

/// Those of the first channels in a host's list that are there.
///
/// # Safety
///
/// The list has that many channels, or is null.
pub unsafe fn given(list: *const *mut f32, num_channels: usize) -> Channels {
    let mut channels = [ptr::null_mut(); MAX_CHANNELS];
    if !list.is_null() {
        for (c, channel) in channels.iter_mut().enumerate().take(num_channels) {
            // SAFETY: there are that many.
            *channel = unsafe { *list.add(c) };
        }
    }
    channels
}

/// A bit for each channel whose samples are all zero, as VST3 hosts are told of an output so that they need not go on
/// working with it (`ivstaudioprocessor.h`, silenceFlags). Never of a channel that is not there, nor of a
/// block without samples.
///
/// # Safety
///
/// Each channel that is there has that many samples, which nobody writes meanwhile.
pub unsafe fn silent(channels: Channels, num_samples: usize) -> u64 {
    let is_silent = |channel: *mut f32| {
        // SAFETY: as the caller says.
        let samples = || unsafe { slice::from_raw_parts(channel, num_samples) };
        !channel.is_null() && num_samples > 0 && samples().iter().all(|sample| *sample == 0.0)
    };
    channels.into_iter().enumerate().map(|(c, channel)| u64::from(is_silent(channel)) << c).sum()
}

/// What stands in for a channel that the host does not give: as long as the longest block.
#[derive(Default)]
pub struct StandIns {
    silence: Vec<f32>,
    /// Outputs that nobody hears.
    unheard: [Vec<Cell<f32>>; MAX_CHANNELS],
}

impl StandIns {
    /// For blocks of up to so many samples.
    pub fn new(longest: usize) -> Self {
        let unheard = std::array::from_fn(|_| vec![Cell::new(0.0); longest]);
        Self { silence: vec![0.0; longest], unheard }
    }

    /// Longest block, samples.
    pub fn longest(&self) -> usize {
        self.silence.len()
    }

    /// To be read from only: silence for what is missing.
    pub fn input(&self, channels: Channels) -> Channels {
        channels.map(|channel| if channel.is_null() { self.silence.as_ptr().cast_mut() } else { channel })
    }

    /// To be written to, on one thread.
    pub fn output(&self, mut channels: Channels) -> Channels {
        for (channel, unheard) in channels.iter_mut().zip(&self.unheard) {
            if channel.is_null() {
                *channel = unheard.as_ptr().cast_mut().cast();
            }
        }
        channels
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(list: &[*mut f32], num_channels: usize) -> Channels {
        let first = if list.is_empty() { ptr::null() } else { list.as_ptr() };
        // SAFETY: the list has no fewer.
        unsafe { given(first, num_channels) }
    }

    #[test]
    fn only_what_the_host_gives_is_read() {
        let none = ptr::null_mut();
        let mut samples = [0.0_f32; 3];
        let [a, b, c] = samples.each_mut().map(ptr::from_mut);
        assert_eq!(found(&[a, b], 2), [a, b]);
        assert_eq!(found(&[c], 1), [c, none]);
        assert_eq!(found(&[a, b, c], 3), [a, b], "more than asked for");
        assert_eq!(found(&[none, b], 2), [none, b], "a channel without samples");
        assert_eq!(found(&[], 2), [none, none], "no list");
        assert_eq!(found(&[a, b], 0), [none, none], "a list of none");
    }

    #[test]
    fn silence_is_told_of_channels_that_are_there_and_silent_throughout() {
        let (mut silence, mut click) = ([0.0, -0.0, 0.0], [0.0, 0.0, f32::MIN_POSITIVE]);
        let [silence, click] = [&mut silence, &mut click].map(|samples| samples.as_mut_ptr());
        // SAFETY: there are no more samples asked for than there are.
        let told = |channels, num_samples| unsafe { silent(channels, num_samples) };
        assert_eq!(told([silence, click], 3), 0b01);
        assert_eq!(told([click, silence], 3), 0b10);
        assert_eq!(told([click, silence], 2), 0b11, "the click is after the block");
        assert_eq!(told([silence, ptr::null_mut()], 3), 0b01);
        assert_eq!(told([silence; 2], 0), 0);
    }

    #[test]
    fn what_is_missing_is_silence_and_not_heard() {
        let none = ptr::null_mut();
        let mut sample = 0.5_f32;
        let there = ptr::from_mut(&mut sample);
        let stand_ins = StandIns::new(3);
        let [silence, given] = stand_ins.input([none, there]);
        assert_eq!(given, there);
        // SAFETY: as long as the longest block.
        assert_eq!(unsafe { std::slice::from_raw_parts(silence, 3) }, [0.0; 3]);
        let [given, unheard] = stand_ins.output([there, none]);
        assert_eq!(given, there);
        // SAFETY: made to be written to.
        unsafe { *unheard.add(2) = 1.0 };
        let [other, same] = stand_ins.output([none, none]);
        assert!(same == unheard && other != unheard && other != silence);
    }
}
