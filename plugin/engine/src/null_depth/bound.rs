//! What the null is at least, where no more can be known: whatever the difference is made of, the residue is no more than
//! all of it.
//!
//! With the powers r of the residue and v of anything else, the difference has r + v + 2 c sqrt(r v), c being their
//! correlation, and at any v that is at least (1 - c^2) r. To show a null 3 dB too deep takes a correlation of 0.7 over all
//! that is summed, a second at least; what knows nothing of the residue reaches a tenth of that by chance. But moments
//! chosen for being deep would bound themselves alone: residue comes and goes, with the drum or the encoder's mood. So the
//! bound is of all that lies within the rests, and those are found by time: half a word is not 30 dB down.

use crate::null_depth::rests::{ERROR_DB, Heard, MIN_MOMENTS, RESTING_DB, depth_db, level_db};

/// What is bounded is at least this deep, dB: a shallower null has moments in its rests that are not [`RESTING_DB`] down,
/// and would be reported without its worst. Chosen by hand; not measured.
const SHALLOWEST_BOUND_DB: f64 = 40.0;
/// So many louder moments in a row do not end a rest, for no word is so short: they are residue. Without them 62 bounds of
/// a null of 33 dB were 9 dB too deep (28 recordings), with them none.
const BRIDGED_MOMENTS: usize = 2;
/// Moments left out at the begin and at the end of a rest, where notes end and begin. More of them leave rests of which
/// the residue is less than of others: 4 and 2 gave bounds that were 5 to 44 dB too deep, these none.
const MARGIN_MOMENTS: [usize; 2] = [2, 1];

/// What the null is at least, of moments in the order of time; `powers_of` gives those of difference and matched backing.
pub fn bound<M>(moments: &[M], powers_of: impl Fn(&M) -> [f64; 2]) -> Option<Heard> {
    let is_resting = |&idx: &usize| level_db(powers_of(&moments[idx])) < -RESTING_DB;
    let (mut powers, mut count, mut rest) = ([0.0; 2], 0, None);
    // The last rest ends with the moments.
    for idx in (0..moments.len()).filter(is_resting).chain([usize::MAX]) {
        if let Some((first, last)) = rest {
            if idx - last <= BRIDGED_MOMENTS + 1 {
                rest = Some((first, idx));
                continue;
            }
            let within = first + MARGIN_MOMENTS[0]..(last + 1).saturating_sub(MARGIN_MOMENTS[1]);
            for moment in moments.get(within).unwrap_or_default() {
                powers.iter_mut().zip(powers_of(moment)).for_each(|(sum, power)| *sum += power);
                count += 1;
            }
        }
        rest = Some((idx, idx));
    }
    let deep_db = -level_db(powers);
    (count >= MIN_MOMENTS && deep_db >= SHALLOWEST_BOUND_DB).then(|| Heard {
        depth_db: deep_db as f32,
        beneath_voice: deep_db - depth_db(moments, &powers_of) > ERROR_DB,
        at_least: true,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rests by level, in dB; each stretch is so many moments long.
    fn bound_db(stretches: &[(usize, f64)]) -> Option<f32> {
        let level = |&(len, db): &(usize, f64)| std::iter::repeat_n(10f64.powf(0.1 * db), len);
        let moments: Vec<f64> = stretches.iter().flat_map(level).collect();
        bound(&moments, |&power| [power, 1.0]).map(|heard| heard.depth_db)
    }

    #[test]
    fn a_bound_is_of_all_within_the_rests() {
        let rest = |len| (len, -50.0);
        // The first two moments and the last one of a rest do not count.
        assert_eq!(bound_db(&[(10, 0.0), rest(MIN_MOMENTS + 2), (10, 0.0)]), None);
        let whole = bound_db(&[(10, 0.0), rest(MIN_MOMENTS + 3), (10, 0.0)]).unwrap();
        assert!((whole - 50.0).abs() < 1e-3);
        // Two louder moments are residue, which makes it too shallow; three are a word.
        assert_eq!(bound_db(&[rest(12), (2, 0.0), rest(12)]), None);
        assert!((bound_db(&[rest(13), (3, 0.0), rest(13)]).unwrap() - 50.0).abs() < 1e-3);
    }
}
