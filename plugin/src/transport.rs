//! Notices when the host's transport starts or jumps.

use nice_plug::prelude::Transport;

/// Hosts round the position they tell; nobody jumps by less on purpose.
const TOLERANCE_S: f64 = 1e-3;

/// Compares where the transport is with where it should be. Made anew whenever the signals are forgotten.
#[derive(Default)]
pub struct TransportWatch {
    before: Before,
}

/// The block before.
#[derive(Default)]
enum Before {
    /// There was none: what follows cannot jump.
    #[default]
    None,
    /// The transport stood.
    Standing,
    /// It played, and the next block begins here if nothing happens, s; `None` if the host told no position.
    Playing(Option<f64>),
}

impl TransportWatch {
    /// Whether no block was seen yet.
    pub fn is_fresh(&self) -> bool {
        matches!(self.before, Before::None)
    }

    /// To be called once for each block, of `num_samples`: true if its first sample does not follow the last one.
    /// Real-time safe.
    pub fn jumped(&mut self, transport: &Transport, num_samples: usize) -> bool {
        if !transport.playing {
            self.before = Before::Standing;
            return false;
        }
        // A position in beats alone is left out: it seems to jump whenever the tempo moves.
        let sample_rate_hz = f64::from(transport.sample_rate);
        let position_s =
            transport.pos_seconds.or(transport.pos_samples.map(|samples| samples as f64 / sample_rate_hz));
        let jumped = match (&self.before, position_s) {
            (Before::Standing, _) => true,
            (Before::Playing(Some(expected_s)), Some(position_s)) => {
                (position_s - expected_s).abs() > TOLERANCE_S
            }
            _ => false,
        };
        self.before = Before::Playing(position_s.map(|s| s + num_samples as f64 / sample_rate_hz));
        jumped
    }
}

/// Whether the host says that its transport stands. One that tells no position says nothing. Real-time safe.
pub fn stands(transport: &Transport) -> bool {
    let Transport { pos_samples, pos_seconds, pos_beats, .. } = transport;
    !transport.playing && (pos_samples.is_some() || pos_seconds.is_some() || pos_beats.is_some())
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: f32 = 48_000.0;

    fn at(seconds: Option<f64>) -> Transport {
        let mut transport = Transport::new(RATE_HZ);
        transport.playing = true;
        transport.pos_seconds = seconds;
        transport
    }

    #[test]
    fn starts_and_jumps_are_told_and_nothing_else() {
        let mut watch = TransportWatch::default();
        assert!(!watch.jumped(&Transport::new(RATE_HZ), 480), "standing");
        assert!(watch.jumped(&at(Some(1.0)), 480), "start");
        assert!(!watch.jumped(&at(Some(1.01)), 1));
        assert!(!watch.jumped(&at(Some(1.01 + 1.0 / 48_000.0)), 480), "a block of one sample");
        assert!(watch.jumped(&at(Some(0.0)), 480), "loop");
        assert!(!watch.jumped(&at(Some(0.0101)), 480), "rounded by the host");
        assert!(!watch.jumped(&Transport::new(RATE_HZ), 480), "stop");
        assert!(watch.jumped(&at(Some(0.02)), 480), "start where it stopped");
    }

    #[test]
    fn a_host_without_positions_never_jumps() {
        let mut watch = TransportWatch::default();
        assert!(!watch.jumped(&at(None), 64), "nothing before");
        assert!(!watch.jumped(&at(None), 64));
        assert!(!watch.jumped(&at(Some(9.0)), 64));
        assert!(watch.jumped(&at(Some(5.0)), 64));
    }

    #[test]
    fn a_transport_stands_where_the_host_says_so() {
        let mut transport = at(Some(1.0));
        assert!(!stands(&transport), "it plays");
        transport.playing = false;
        assert!(stands(&transport));
        assert!(!stands(&Transport::new(RATE_HZ)), "nothing is told");
    }
}
