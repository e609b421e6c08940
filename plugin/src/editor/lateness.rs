//! Why a backing comes too late: by its clip, or by a host that delays what it sends to a sidechain.
//!
//! A host delays all other tracks by the plug-in's latency, so that everything is heard in time. Where it takes the backing
//! for the sidechain behind that delay, two clips at the same place arrive apart by the latency.

/// How far from the latency a delay still counts as the host's doing, s: files of one song differ by some samples.
const CLOSE_S: f64 = 1e-4;
/// The same at low sample rates, samples.
const CLOSE_SAMPLES: f64 = 4.0;

/// What makes a backing late.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lateness {
    /// The host: late by the plug-in's latency. That is always more than the plug-in can wait for, since waiting is only a part
    /// of what its latency is for.
    Host,
    /// Late by less: by the host, if the backing's file begins later in the song than the mix's, or by its clip.
    HostOrClip,
    /// Late by more than a host makes it.
    Clip,
}

impl Lateness {
    /// From how much later the mix plays than the backing, samples: less than 0.
    pub fn of(delay_samples: f64, latency_samples: u32, sample_rate_hz: f64) -> Self {
        let beyond = -delay_samples - f64::from(latency_samples);
        if beyond.abs() <= CLOSE_SAMPLES.max(CLOSE_S * sample_rate_hz) {
            Self::Host
        } else if beyond < 0.0 {
            Self::HostOrClip
        } else {
            Self::Clip
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_delay_by_the_latency_is_the_hosts_doing() {
        for (latency, rate_hz, close) in
            [(25_856, 44_100.0, 4.4), (4_700, 8_000.0, 4.0), (112_000, 192e3, 19.0)]
        {
            let of = |late: f64| Lateness::of(-late, latency, rate_hz);
            let exact = f64::from(latency);
            for late in [exact, exact + 0.37, exact - close, exact + close] {
                assert_eq!(of(late), Lateness::Host, "{late} of {latency}");
            }
            assert_eq!([exact - close - 1.0, 0.3 * exact].map(of), [Lateness::HostOrClip; 2]);
            assert_eq!([exact + close + 1.0, 10.0 * rate_hz].map(of), [Lateness::Clip; 2]);
        }
    }

    /// Two files that belong 400 ms apart, in a host that delays by 586 ms: 186 ms late.
    #[test]
    fn a_delay_by_less_may_be() {
        assert_eq!(Lateness::of(17_640.37 - 25_856.0, 25_856, 44_100.0), Lateness::HostOrClip);
    }
}
