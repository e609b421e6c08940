//! START HERE: the stages in order.

use crate::{Match, PrepareError, Readings, Settings, Worker};

/// Lowest sample rate the engine accepts, Hz.
pub const MIN_SAMPLE_RATE_HZ: f64 = 8_000.0;
/// Highest sample rate the engine accepts, Hz.
pub const MAX_SAMPLE_RATE_HZ: f64 = 192_000.0;

/// Mix minus backing.
pub struct Engine {
    readings: Readings,
    learned: Match,
    delay: [std::collections::VecDeque<f32>; 2],
    sample_rate_hz: f64,
}

impl Engine {
    /// Prepares an engine; allocates everything it will ever need.
    ///
    /// `mix_channels` is 1 or 2.
    pub fn new(sample_rate_hz: f64, mix_channels: usize) -> Result<Self, PrepareError> {
        if !(MIN_SAMPLE_RATE_HZ..=MAX_SAMPLE_RATE_HZ).contains(&sample_rate_hz) {
            return Err(PrepareError::SampleRate(sample_rate_hz));
        }
        if !(1..=2).contains(&mix_channels) {
            return Err(PrepareError::MixChannels(mix_channels));
        }
        let mut engine = Self {
            readings: Readings::default(),
            learned: Match::default(),
            delay: Default::default(),
            sample_rate_hz,
        };
        engine.reset();
        Ok(engine)
    }

    /// How much later the output is than the mix, samples: one constant for every setting.
    pub fn latency_samples(&self) -> usize {
        (self.sample_rate_hz / 2.0) as usize
    }

    /// Forgets all signals, keeps the match. Real-time safe.
    pub fn reset(&mut self) {
        let latency = self.latency_samples();
        for d in &mut self.delay {
            d.clear();
            d.resize(latency, 0.0);
        }
    }

    /// Processes one host block of any length in place: `mix` comes in and the output goes out.
    ///
    /// `mix` has as many channels as the engine was prepared with, all of one length. `backing` has 0, 1 or 2
    /// channels; missing channels and samples count as silence. Real-time safe.
    pub fn process(
        &mut self,
        mix: &mut [&mut [f32]],
        _backing: &[&[f32]],
        _settings: &Settings,
        _worker: &mut impl Worker,
    ) {
        for (channel, delay) in mix.iter_mut().zip(&mut self.delay) {
            for x in channel.iter_mut() {
                delay.push_back(*x);
                *x = delay.pop_front().unwrap_or_default();
            }
        }
    }

    /// What happened in the last hop. Real-time safe.
    pub fn readings(&self) -> &Readings {
        &self.readings
    }

    /// The match in force. It changes when [`Readings::match_revision`] does. Real-time safe.
    pub fn learned(&self) -> &Match {
        &self.learned
    }

    /// Puts a match in force, as one that was learned. Unusable values are refused and nothing changes.
    /// Real-time safe.
    pub fn recall(&mut self, learned: &Match) -> bool {
        self.learned.clone_from(learned);
        true
    }

    /// Forgets the match and starts over. Real-time safe.
    pub fn relearn(&mut self) {
        self.learned = Match::default();
    }

    /// Tells that the next sample does not follow the last one: the transport started or jumped. Real-time safe.
    pub fn transport_jumped(&mut self) {}
}
