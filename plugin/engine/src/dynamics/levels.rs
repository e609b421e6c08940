//! How loud mix and backing are, as the detectors of compressors hear it.

use crate::dynamics::band_powers::{FramePowers, NUM_BANDS};

/// How many bands a detector hears: its own, its neighbours too, or all.
#[derive(Clone, Copy)]
enum Width {
    Own,
    Neighbours,
    All,
}

/// Detectors of a band: what they hear, attack and release, ms. A compressor whose times lie between is told by several together.
/// With the four that hear one band and all, slowly, the model won 0.4 to 0.9 dB less on three multiband masters.
const DETECTORS: [(Width, f64, f64); NUM_DETECTORS] = [
    (Width::Own, 5.0, 60.0),
    (Width::Own, 20.0, 100.0),
    (Width::Own, 60.0, 400.0),
    (Width::Neighbours, 5.0, 60.0),
    (Width::Neighbours, 10.0, 200.0),
    (Width::All, 5.0, 60.0),
    (Width::All, 10.0, 200.0),
];
/// See [`DETECTORS`].
pub const NUM_DETECTORS: usize = 7;
/// Power under which nothing is told apart: -120 dB.
const SILENCE: f32 = 1e-12;

/// Levels of mix and backing by detector, dB re full scale.
pub type BandLevels = [[f32; 2]; NUM_DETECTORS];

/// The detectors of all bands.
#[derive(Clone)]
pub struct Levels {
    /// Share of the old level that stays, by detector: as it rises and as it falls.
    stays: [[f32; 2]; NUM_DETECTORS],
    powers: [BandLevels; NUM_BANDS],
}

impl Levels {
    /// At rest; hears a frame every `step_s` seconds.
    pub fn new(step_s: f64) -> Self {
        let stays = |time_ms: f64| (-1e3 * step_s / time_ms).exp() as f32;
        Self {
            stays: DETECTORS.map(|(_, attack_ms, release_ms)| [stays(attack_ms), stays(release_ms)]),
            powers: [[[SILENCE; 2]; NUM_DETECTORS]; NUM_BANDS],
        }
    }

    /// Forgets what was heard.
    pub fn reset(&mut self) {
        self.powers = [[[SILENCE; 2]; NUM_DETECTORS]; NUM_BANDS];
    }

    /// Hears a frame.
    ///
    /// The power of the mix is taken as that of its two parts. In truth a frame of it is louder where they happen to agree; that
    /// is where the backing seems louder in the mix, too, and a model would learn the accident.
    pub fn hear(&mut self, frame: &FramePowers) {
        let heard = frame.each_ref().map(|band| [band.difference + band.backing, band.backing]);
        for band in 0..NUM_BANDS {
            for (detector, (width, ..)) in DETECTORS.iter().enumerate() {
                let bands = match width {
                    Width::Own => band..band + 1,
                    Width::Neighbours => band.saturating_sub(1)..NUM_BANDS.min(band + 2),
                    Width::All => 0..NUM_BANDS,
                };
                let [rises, falls] = self.stays[detector];
                for signal in 0..2 {
                    let new = SILENCE + heard[bands.clone()].iter().map(|powers| powers[signal]).sum::<f32>();
                    let power = &mut self.powers[band][detector][signal];
                    let stays = if new > *power { rises } else { falls };
                    *power = stays * *power + (1.0 - stays) * new;
                }
            }
        }
    }

    /// What the detectors of a band tell.
    pub fn levels_db(&self, band: usize) -> BandLevels {
        self.powers[band].map(|signals| signals.map(|power| 10.0 * power.log10()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dynamics::band_powers::BandPower;

    /// After its attack time a detector has taken 1 - 1/e of a step up, after its release time given as much of a step down
    /// (textbook, one pole).
    #[test]
    fn a_detector_keeps_its_times() {
        let mut levels = Levels::new(1e-3);
        let mut frame = FramePowers::default();
        frame[3] = BandPower { backing: 0.5, difference: 0.5, ..BandPower::default() };
        (0..20).for_each(|_| levels.hear(&frame));
        let share = 1.0 - (-1.0f32).exp();
        let found = levels.levels_db(3)[1];
        assert!((found[0] - 10.0 * share.log10()).abs() < 0.01, "{found:?}");
        assert!((found[1] - 10.0 * (0.5 * share).log10()).abs() < 0.01, "{found:?}");
        (0..100).for_each(|_| levels.hear(&FramePowers::default()));
        let found = levels.levels_db(3)[1][0];
        assert!((found - 10.0 * (share * (-1.0f32).exp()).log10()).abs() < 0.01, "{found}");
        // The neighbours hear it from their side, and all hear it in the sum.
        assert!(levels.levels_db(4)[3][0] > -30.0 && levels.levels_db(5)[3][0] < -110.0);
        assert!(levels.levels_db(8)[6][0] > -30.0);
    }
}
