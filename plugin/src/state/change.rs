//! Whether a match differs so much from another that it is heard.

use minuend_engine::{DelayModel, Match, Section};

/// Error of a delay, at the start or after a second, that leaves -40 dB at 4 kHz: there, 2 sin(pi 4/48 0.02) is 0.01.
const MATERIAL_SAMPLES: f64 = 0.02;

/// Whether a session that keeps `old` would play noticeably otherwise than one with `new`: what the one subtracts and
/// the other does not is less than 40 dB below the backing.
pub fn differs(old: Option<&Match>, new: Option<&Match>) -> bool {
    let (Some(old), Some(new)) = (old, new) else { return old.is_some() != new.is_some() };
    let power =
        |taps: &mut dyn Iterator<Item = f32>| taps.map(|tap| f64::from(tap) * f64::from(tap)).sum::<f64>();
    let pairs = || old.taps.h.iter().flatten().flatten().zip(new.taps.h.iter().flatten().flatten());
    let (old_sections, new_sections) = (old.sections.as_slice(), new.sections.as_slice());
    let moved = |a: &DelayModel, b: &DelayModel| {
        let start_samples = (a.delay_samples - b.delay_samples).abs();
        let second_samples = (a.motion.rate - b.motion.rate).abs() * new.sample_rate_hz;
        start_samples.max(second_samples) > MATERIAL_SAMPLES || a.motion.moves() != b.motion.moves()
    };
    let differ = |(a, b): (&Section, &Section)| {
        a.begin != b.begin
            || match (&a.model, &b.model) {
                (Some(a), Some(b)) => moved(a, b),
                (a, b) => a.is_some() != b.is_some(),
            }
    };
    let followed = |learned: &Match| learned.bands.map(|band| band.is_followed());
    old_sections.len() != new_sections.len()
        || old_sections.iter().zip(new_sections).any(differ)
        || old.following_helps != new.following_helps
        || old.bend != new.bend
        || old.dynamics != new.dynamics
        || old.verdict != new.verdict
        || followed(old) != followed(new)
        || old.taps.num_taps() != new.taps.num_taps()
        || old.residual.apart(&new.residual) > 1e-4
        || power(&mut pairs().map(|(a, b)| a - b)) > 1e-4 * power(&mut pairs().map(|(a, _)| *a))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::state::example::learned;
    use minuend_engine::{Bend, DynamicsModel, Verdict};

    #[test]
    fn only_what_is_heard_is_a_material_change() {
        let old = Some(learned());
        let with = |change: fn(&mut Match)| {
            let mut new = learned();
            change(&mut new);
            differs(old.as_ref(), Some(&new))
        };
        assert!(!with(|_| ()));
        assert!(!with(|new| new.taps.h[0][1][4] = 0.005), "41 dB below");
        assert!(with(|new| new.taps.h[0][1][4] = 0.007), "38 dB below");
        assert!(with(|new| new.bend = Bend::NONE));
        assert!(with(|new| new.dynamics = DynamicsModel::NONE));
        assert!(with(|new| new.verdict = Verdict::Recording));
        let moved = |delay: f64, rate: f64, process: f64| {
            let mut new = learned();
            let mut model = new.sections.as_slice()[0].model.unwrap();
            model.delay_samples += delay;
            model.motion.rate += rate;
            model.motion.process *= process;
            new.sections.correct(0, model);
            differs(old.as_ref(), Some(&new))
        };
        assert!(!moved(0.01, 0.0, 1.0));
        assert!(moved(0.03, 0.0, 1.0));
        assert!(!moved(0.0, 3e-7, 1.0));
        assert!(moved(0.0, 1e-6, 1.0));
        assert!(moved(0.0, 0.0, 0.0));
        assert!(with(|new| new.sections.put(900_000, 1_000_000, None)));
        assert!(with(|new| new.following_helps = false));
        assert!(!with(|new| new.bands[3].pays = 0.4) && with(|new| new.bands[3].pays = 0.1));
        let leaks = |floor: f32| {
            let mut new = learned();
            new.residual.groups[0][2].classes.iter_mut().for_each(|class| class.floor += floor);
            differs(old.as_ref(), Some(&new))
        };
        assert!(!leaks(0.001) && leaks(0.1));
        assert!(differs(old.as_ref(), None) && differs(None, old.as_ref()) && !differs(None, None));
    }
}
