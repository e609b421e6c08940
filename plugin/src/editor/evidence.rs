//! Whether what is subtracted belongs to the mix, by what the last seconds of it tell: the engine's own rules, as for files.

use std::collections::VecDeque;

use minuend_engine::{Claims, Energies, Lock, Misfit};

use crate::meters::Meters;

/// Length of a stretch, s of music in which something is subtracted.
const STRETCH_S: f64 = 1.0;
/// Stretches that count: ten seconds, as the null depth covers, and long enough that a verdict does not come and go with a line
/// of the voice.
const MOST_STRETCHES: usize = 10;
/// Stretches from which on anything is told: in the first seconds the match is still being learned.
const LEAST_STRETCHES: usize = 5;
/// Music that is left out after something was set by hand, s: more than the latency, after which it is heard no more.
const SETTLES_S: f64 = 1.0;

/// Why what is subtracted does not belong to the mix.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Doubt {
    /// By its energies.
    Misfit(Misfit),
    /// The backing holds what the mix does not.
    HoldsMore,
}

/// What was subtracted of late.
#[derive(Default)]
pub struct Evidence {
    /// What the engine had counted when it was asked last.
    counted: Option<Energies>,
    num_frames: u64,
    stretch: Stretch,
    stretches: VecDeque<Stretch>,
    left_out_s: f64,
    doubt: Option<Doubt>,
}

#[derive(Clone, Copy, Default)]
struct Stretch {
    length_s: f64,
    energies: Energies,
    claims: Claims,
}

impl Evidence {
    /// Takes what the meters say, so much music after the last time.
    pub fn take(&mut self, meters: &Meters, passed_s: f64) {
        let Meters { readings, spectra, by_hand, .. } = meters;
        let counted = self.counted.replace(readings.energies);
        let last_frame = std::mem::replace(&mut self.num_frames, spectra.num_frames);
        self.left_out_s = if *by_hand { SETTLES_S } else { (self.left_out_s - passed_s).max(0.0) };
        // What was heard of another match, or of what the user made of it, tells nothing of this one.
        if self.left_out_s > 0.0 || readings.kept == Lock::Searching {
            (self.stretch, self.doubt) = (Stretch::default(), None);
            self.stretches.clear();
            return;
        }
        let Some(counted) = counted else { return };
        let energies = readings.energies - counted;
        if energies.mix > 0.0 && !energies.is_silent() {
            self.stretch.length_s += passed_s;
            self.stretch.energies += energies;
        }
        if spectra.num_frames != last_frame {
            self.stretch.claims += Claims::of(spectra);
        }
        if self.stretch.length_s >= STRETCH_S {
            self.stretches.push_back(std::mem::take(&mut self.stretch));
            if self.stretches.len() > MOST_STRETCHES {
                self.stretches.pop_front();
            }
            self.doubt = self.judge();
        }
    }

    /// What speaks against the match.
    pub fn doubt(&self) -> Option<Doubt> {
        self.doubt
    }

    fn judge(&self) -> Option<Doubt> {
        if self.stretches.len() < LEAST_STRETCHES {
            return None;
        }
        let (mut energies, mut claims) = (Energies::default(), Claims::default());
        for stretch in &self.stretches {
            energies += stretch.energies;
            claims += stretch.claims;
        }
        let misfit = energies.misfit().map(Doubt::Misfit);
        misfit.or_else(|| claims.are_false().then_some(Doubt::HoldsMore))
    }
}

#[cfg(test)]
mod tests {
    use minuend_engine::{Readings, Spectra};

    use super::*;

    /// Seconds between two looks of the window.
    const LOOK_S: f64 = 0.06;

    /// A window on music in which the engine counts on.
    #[derive(Default)]
    struct Heard {
        evidence: Evidence,
        meters: Meters,
    }

    impl Heard {
        /// Plays so many seconds of music with these energies in a second, and so much of what the backing claims louder than
        /// the mix; every verdict meanwhile.
        fn play(
            &mut self,
            seconds: f64,
            [mix, backing, product]: [f64; 3],
            raised: f32,
        ) -> Vec<Option<Doubt>> {
            let look = |_| {
                let Meters { readings, spectra, .. } = &mut self.meters;
                let part = |energy| energy * LOOK_S;
                readings.energies +=
                    Energies { mix: part(mix), backing: part(backing), product: part(product) };
                spectra.num_frames += 1;
                // Of 20 bands, by loudness.
                for band in 10..30 {
                    let is_raised = (band as f32 - 10.0) < 20.0 * raised;
                    (spectra.mix[band], spectra.matched[band]) = (1e-3, 1e-3);
                    spectra.difference[band] = if is_raised { 2e-3 } else { 1e-4 };
                }
                self.evidence.take(&self.meters, LOOK_S);
                self.evidence.doubt()
            };
            (0..(seconds / LOOK_S) as usize).map(look).collect()
        }
    }

    fn locked() -> Heard {
        let readings = Readings { lock: Lock::Locked, kept: Lock::Locked, ..Readings::default() };
        let mut heard = Heard { meters: Meters { readings, ..Meters::default() }, ..Heard::default() };
        // The first look says where to count from.
        heard.play(LOOK_S, FITS, 0.0);
        heard
    }

    /// Energies of the mix and of the backing, and of their product: a voice as loud as the music.
    const FITS: [f64; 3] = [2.0, 1.0, 1.0];
    const SWAPPED: [f64; 3] = [1.0, 2.0, 1.0];
    const FOREIGN: [f64; 3] = [2.0, 1.0, 0.1];
    const NOTHING: [f64; 3] = [2.0, 1e-3, 1e-3];
    /// Nothing is subtracted; the backing rests.
    const PASSES: [f64; 3] = [0.0; 3];
    const RESTS: [f64; 3] = [2.0, 1e-9, 1e-9];

    #[test]
    fn each_doubt_is_told_and_not_at_once() {
        let misfit = |misfit| Some(Doubt::Misfit(misfit));
        for (energies, raised, doubt) in [
            (FITS, 0.0, None),
            (FITS, 0.1, None),
            (FITS, 0.2, Some(Doubt::HoldsMore)),
            (SWAPPED, 0.5, misfit(Misfit::Swapped)),
            (FOREIGN, 0.5, misfit(Misfit::Foreign)),
            (NOTHING, 0.0, misfit(Misfit::Nothing)),
        ] {
            let verdicts = locked().play(12.0, energies, raised);
            let told = verdicts.iter().position(|verdict| *verdict == doubt && doubt.is_some());
            let told_s = told.map(|look| look as f64 * LOOK_S);
            assert!(told_s.is_none_or(|s| (4.9..5.5).contains(&s)), "{doubt:?} after {told_s:?} s");
            assert_eq!(told.is_some(), doubt.is_some());
            let rest = &verdicts[told.unwrap_or(0)..];
            assert!(rest.iter().all(|verdict| *verdict == doubt), "{doubt:?}");
        }
    }

    /// Time in which nothing is subtracted, or the backing rests, neither counts nor wears a verdict out.
    #[test]
    fn only_what_is_subtracted_tells() {
        let swapped = Some(Doubt::Misfit(Misfit::Swapped));
        for pause in [PASSES, RESTS] {
            let mut heard = locked();
            assert_eq!(heard.play(4.5, SWAPPED, 0.0).last(), Some(&None));
            assert_eq!(heard.play(60.0, pause, 0.0).last(), Some(&None));
            assert_eq!(heard.play(1.5, SWAPPED, 0.0).last(), Some(&swapped));
            assert_eq!(heard.play(60.0, pause, 0.0).last(), Some(&swapped));
        }
    }

    /// It turns once, when there is more of the one than of the other in the last ten seconds.
    #[test]
    fn a_verdict_is_of_the_last_ten_seconds() {
        let mut heard = locked();
        heard.play(60.0, FITS, 0.0);
        let turns = |verdicts: Vec<Option<Doubt>>| verdicts.windows(2).filter(|two| two[0] != two[1]).count();
        assert_eq!(turns(heard.play(12.0, FOREIGN, 0.0)), 1);
        assert_eq!(heard.evidence.doubt(), Some(Doubt::Misfit(Misfit::Foreign)));
        assert_eq!(turns(heard.play(12.0, FITS, 0.0)), 1);
        assert_eq!(heard.evidence.doubt(), None);
    }

    /// Nor when that is over, before its latency has passed and as much was heard anew.
    #[test]
    fn what_is_set_by_hand_is_no_fault_of_the_match() {
        let mut heard = locked();
        heard.play(8.0, SWAPPED, 0.0);
        heard.meters.by_hand = true;
        assert!(heard.play(20.0, FOREIGN, 1.0).iter().all(Option::is_none));
        heard.meters.by_hand = false;
        assert!(heard.play(0.9, FOREIGN, 1.0).iter().all(Option::is_none));
        assert!(heard.play(20.0, FITS, 0.0).iter().all(Option::is_none));
    }

    #[test]
    fn another_match_starts_anew() {
        let mut heard = locked();
        heard.play(8.0, SWAPPED, 0.0);
        heard.meters.readings.kept = Lock::Searching;
        heard.play(LOOK_S * 1.5, PASSES, 0.0);
        assert_eq!(heard.evidence.doubt(), None);
        heard.meters.readings.kept = Lock::Locked;
        assert!(heard.play(4.5, SWAPPED, 0.0).iter().all(Option::is_none));
    }

    /// A frame that was heard before is no news.
    #[test]
    fn every_frame_counts_once() {
        let mut heard = locked();
        let mut spectra = Spectra { num_frames: heard.meters.spectra.num_frames + 1, ..Spectra::default() };
        (spectra.mix[20], spectra.matched[20]) = (1e-3, 1e-3);
        heard.meters.spectra = spectra;
        heard.evidence.take(&heard.meters, LOOK_S);
        let once = heard.evidence.stretch.claims;
        heard.evidence.take(&heard.meters, LOOK_S);
        assert_eq!(heard.evidence.stretch.claims, once);
    }
}
