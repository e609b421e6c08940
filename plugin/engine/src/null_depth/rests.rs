//! Finds the moments in which the voice rests, by the powers of difference and matched backing alone.
//!
//! That the voice rests shows in two ways, and both are asked for:
//!
//! - A gap: there are moments in which the difference is low, moments in which it is high, and next to none between. A
//!   voice with long reverberation has no such gap, nor has a null so shallow that the residue comes near the voice.
//! - Few are between: a voice 30 dB under the backing rests, so moments below that and yet beyond the gap are residue as
//!   well, or the short ends of notes. If they outnumber the rests, what is left is too uneven to be measured.

use crate::dsp::units::power_to_db;

/// Moments needed before anything is reported. Chosen by hand; not measured.
pub const MIN_MOMENTS: usize = 20;
/// What a reading may be off, dB: it lies between the depth with and without the moments that may have a trace of voice.
/// Chosen by hand; not measured.
pub const ERROR_DB: f64 = 3.0;
/// A voice so far under the backing rests: as the null depth of a known voice is measured.
pub const RESTING_DB: f64 = 30.0;
/// Nobody sings while the difference is at least this far down: no voice is so soft all the time. Chosen by hand; not
/// measured.
pub const NOBODY_DB: f64 = 20.0;
/// Least share of the moments that must be rests, and the most that is searched. Chosen by hand; not measured.
const REST_SHARES: (f64, f64) = (0.05, 0.7);
/// Least number of moments that must be rests, and of those that the gap may hold. Chosen by hand; not measured.
const MIN_RESTS: usize = 4;
const MIN_GAP_MOMENTS: usize = 3;
/// The gap between rests and voice: so small a share of the moments spans so many dB. Found on 28 recordings whose voice
/// is known, at 3 to 5 % and 6 to 15 dB: here the reading is within 2 dB of the truth wherever a dry voice rests, and
/// voices with reverberation, which wider shares or smaller gaps take for residue, give none.
const GAP_SHARE: f64 = 0.04;
const GAP_DB: f64 = 12.0;
/// A shallower reading is voice, not residue: then nothing is reported. Chosen by hand; not measured.
const SHALLOWEST_DB: f64 = 6.0;
/// Least power of a difference re the matched backing: beyond it all nulls are alike (-160 dB).
const LEAST_RATIO: f64 = 1e-16;

/// Null depth in the rests of the voice, of moments each given by the powers of the difference and of the matched
/// backing, if that can be heard of powers alone. Sorts the moments. This is the rule for single bands of the
/// spectrum; [`Readings::told`](crate::Readings::told) says what may be reported of it.
pub fn heard(moments: &mut [[f64; 2]]) -> Option<Heard> {
    Rests::among(moments, |&powers| powers).map(|rests| rests.heard)
}

/// A null depth that was heard.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heard {
    /// Null depth where the voice rests, dB.
    pub depth_db: f32,
    /// Whether anything beside it is heard: a voice, beneath which more may be left.
    pub beneath_voice: bool,
    /// Whether the null is at least so deep: what is left where the voice rests may be something else than the backing.
    pub at_least: bool,
}

/// The rests of the voice among moments that are sorted by difference re backing.
pub struct Rests {
    /// How many of the first moments they are.
    pub count: usize,
    /// Null depth in them, to [`ERROR_DB`].
    pub heard: Heard,
}

impl Rests {
    /// Sorts the moments; `powers` gives those of difference and matched backing.
    pub fn among<M>(moments: &mut [M], powers: impl Fn(&M) -> [f64; 2]) -> Option<Self> {
        if moments.len() < MIN_MOMENTS {
            return None;
        }
        moments.sort_unstable_by(|a, b| {
            let ([a, a_matched], [b, b_matched]) = (powers(a), powers(b));
            (a * b_matched).total_cmp(&(b * a_matched))
        });
        let share = |part: f64| (moments.len() as f64 * part) as usize;
        let (least, most) = (share(REST_SHARES.0).max(MIN_RESTS), share(REST_SHARES.1));
        let gap = share(GAP_SHARE).max(MIN_GAP_MOMENTS);
        let level_db = |idx: usize| level_db(powers(&moments[idx]));
        let depth_db = |count: usize| depth_db(&moments[..count], &powers);
        let first =
            (least..most.saturating_sub(gap)).find(|&idx| level_db(idx + gap) - level_db(idx) > GAP_DB);
        let (fewest, count) = if let Some(first) = first {
            // Those between the first that has the gap above it and the widest step may have a trace of voice.
            let step_db = |idx: usize| level_db(idx + 1) - level_db(idx);
            let last = (first..first + gap).max_by(|&a, &b| step_db(a).total_cmp(&step_db(b)))?;
            (first + 1, last + 1)
        } else {
            let nobody_sings = level_db(most) - level_db(least) < GAP_DB && level_db(most) < -NOBODY_DB;
            nobody_sings.then_some((most, most))?
        };
        let resting = (count..moments.len()).take_while(|&idx| level_db(idx) < -RESTING_DB).count();
        let [deepest_db, shallowest_db, whole_db] = [fewest, count, moments.len()].map(depth_db);
        let depth_db = 0.5 * (deepest_db + shallowest_db);
        let is_even = resting <= count && depth_db - shallowest_db < ERROR_DB;
        let beneath_voice = depth_db - whole_db > ERROR_DB;
        let heard = Heard { depth_db: depth_db as f32, beneath_voice, at_least: false };
        (is_even && depth_db >= SHALLOWEST_DB).then_some(Self { count, heard })
    }
}

/// Level of a difference re its matched backing, dB, of their powers.
pub fn level_db([difference, matched]: [f64; 2]) -> f64 {
    power_to_db((difference / matched).max(LEAST_RATIO))
}

/// Power of the matched backing re that of the difference over some moments, dB.
pub fn depth_db<M>(moments: &[M], powers: impl Fn(&M) -> [f64; 2]) -> f64 {
    let sum = |i: usize| moments.iter().map(|moment| powers(moment)[i]).sum::<f64>();
    power_to_db(sum(1) / sum(0).max(1e-20 * sum(1)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A hundred moments: so many rests at -60 dB, so many at a level between, and the others are sung.
    fn moments(rests: usize, between: usize, between_db: f64) -> Vec<[f64; 2]> {
        let level_db = |idx: usize| match idx {
            idx if idx < rests => -60.0,
            idx if idx < rests + between => between_db,
            _ => 0.0,
        };
        (0..100).map(|idx| [10f64.powf(0.1 * level_db(idx)), 1.0]).collect()
    }

    #[test]
    fn rests_show_by_a_gap_with_few_between() {
        let is_deep = |mut moments: Vec<[f64; 2]>| {
            heard(&mut moments).map(|heard| (heard.depth_db - 60.0).abs() < 0.01).unwrap_or_default()
        };
        assert!(is_deep(moments(30, 0, 0.0)) && !is_deep(moments(2, 0, 0.0)));
        // All at one level: nobody sings if it is deep.
        assert!(is_deep(moments(100, 0, 0.0)));
        assert_eq!(heard(&mut moments(0, 100, -15.0)), None);
        // Fewer than rests may lie between at -40 dB, but not more.
        assert!(is_deep(moments(30, 20, -40.0)) && !is_deep(moments(10, 20, -40.0)));
        assert_eq!(heard(&mut moments(30, 0, 0.0)[..MIN_MOMENTS - 1]), None);
    }
}
