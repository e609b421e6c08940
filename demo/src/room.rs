//! A room to stand in.

use crate::stereo::{SAMPLE_RATE_HZ, Stereo};

/// A room's character.
pub struct Room {
    /// Time to fall by 60 dB, s.
    pub decay_s: f64,
    /// Above this, sound dies sooner, Hz.
    pub damping_hz: f64,
    /// Level of the direct sound.
    pub dry: f32,
    /// Level of the room.
    pub wet: f32,
}

/// Puts a signal into a room: a feedback delay network of four lines (Jot 1991) with a Householder matrix, two lines
/// heard on each side.
pub fn room(dry: &Stereo, room: &Room) -> Stereo {
    // Lengths without a common factor, so that echoes do not pile up.
    const LINES: [usize; 4] = [1433, 1601, 1867, 2053];
    let rate = f64::from(SAMPLE_RATE_HZ);
    let damping = 1.0 - (-std::f64::consts::TAU * room.damping_hz / rate).exp() as f32;
    let gains = LINES.map(|n| 10f64.powf(-3.0 * n as f64 / rate / room.decay_s) as f32);
    let mut rings = LINES.map(|n| vec![0.0f32; n]);
    let mut lows = [0.0f32; 4];
    let mut out = dry.clone();
    for i in 0..dry[0].len() {
        let mut taps = [0.0; 4];
        for line in 0..4 {
            let heard = rings[line][i % LINES[line]];
            lows[line] += damping * (heard - lows[line]);
            taps[line] = gains[line] * lows[line];
        }
        let sum: f32 = taps.iter().sum();
        for line in 0..4 {
            rings[line][i % LINES[line]] = dry[line % 2][i] + taps[line] - 0.5 * sum;
        }
        for (side, out) in out.iter_mut().enumerate() {
            out[i] = room.dry * out[i] + room.wet * (taps[side] + taps[side + 2]);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The decay time is by definition the time to fall by 60 dB. Without damping the network must keep to it; 6 dB
    /// are left for the ripple of so few lines.
    #[test]
    fn dies_away_in_its_time() {
        let num_samples = 2 * SAMPLE_RATE_HZ as usize;
        let mut click = [vec![0.0; num_samples], vec![0.0; num_samples]];
        click[0][0] = 1.0;
        click[1][0] = 1.0;
        let decay_s = 1.0;
        let wet = room(&click, &Room { decay_s, damping_hz: 1e9, dry: 0.0, wet: 1.0 });
        let window = SAMPLE_RATE_HZ as usize / 5;
        let level_db = |from: usize| {
            let energy: f32 = wet[0][from..from + window].iter().map(|x| x * x).sum();
            10.0 * energy.log10()
        };
        let fall_db = level_db(window) - level_db(window + SAMPLE_RATE_HZ as usize);
        assert!((fall_db - 60.0).abs() < 6.0, "{fall_db}");
    }
}
