//! How far the backing is down in the difference, told only where it can be told: where the voice rests.
//!
//! The level of the mix less that of the difference is not the depth: with voice and backing equally loud a perfect
//! null lowers the level by 3 dB only. In the rests of the voice the difference is residue, measured against the
//! backing that was subtracted there. That the voice rests shows in three ways, and all of them are asked for:
//!
//! - A gap: there are moments in which the difference is low, moments in which it is high, and next to none between. A
//!   voice with long reverberation has no such gap, nor has a null so shallow that the residue comes near the voice.
//! - Few are between: a voice 30 dB under the backing rests, so moments below that and yet beyond the gap are residue as
//!   well, or the short ends of notes. If they outnumber the rests, what is left is too uneven to tell.
//! - What is left is of the backing, and not the voice's own breath or reverberation: it rises and falls with the
//!   backing, or is coherent with it, or is as steady as noise.
//!
//! Where that cannot be told, a bound may be: whatever the difference is made of, the residue is no more than all of it.
//! With the powers r of the residue and v of anything else, the difference has r + v + 2 c sqrt(r v), c being their
//! correlation, and at any v that is at least (1 - c^2) r. To show a null 3 dB too deep takes a correlation of 0.7 over all
//! that is summed, a second at least; what knows nothing of the residue reaches a tenth of that by chance. But moments
//! chosen for being deep would bound themselves alone: residue comes and goes, with the drum or the encoder's mood. So the
//! bound is of all that lies within the rests, and those are told by time: half a word is not 30 dB down.

use crate::dsp::sizes::Sizes;
use crate::dsp::units::{power_to_db, range_of_nine_tenths};

/// What the null depth is told of: so many of the last seconds.
pub const NULL_DEPTH_S: f64 = 10.0;
/// Length of one moment, seconds.
const MOMENT_S: f64 = 0.05;
/// Memory, moments.
const MEMORY: usize = (NULL_DEPTH_S / MOMENT_S) as usize;
/// Least share of the moments that must be rests, and the most that is looked at.
const FEWEST: f64 = 0.05;
const MOST: f64 = 0.7;
/// The gap between rests and voice: so small a share of the moments spans so many dB. Found on 28 recordings whose voice
/// is known, at 3 to 5 % and 6 to 15 dB: here the reading is within 2 dB of the truth wherever a dry voice rests, and
/// voices with reverberation, which wider shares or smaller gaps take for residue, give none.
const GAP: f64 = 0.04;
const GAP_DB: f64 = 12.0;
/// A voice so far under the backing rests: as the null depth of a known voice is measured.
const RESTING_DB: f64 = 30.0;
/// Nobody sings while the difference is at least this far down: no voice is so soft all the time.
pub const NOBODY_DB: f64 = 20.0;
/// What a reading may be off, dB: it lies between the depth with and without the moments that may have a trace of voice.
const ERROR_DB: f64 = 3.0;
/// Moments needed before anything is told.
const ENOUGH: usize = 20;
/// A shallower reading is voice, not residue: then nothing is told.
const SHALLOWEST_DB: f64 = 6.0;
/// What is bounded is at least this deep, dB: a shallower null has moments in its rests that are not [`RESTING_DB`] down,
/// and would be told without its worst.
const BOUNDED_DB: f64 = 40.0;
/// So many louder moments in a row do not end a rest, for no word is so short: they are residue. Without them 62 bounds of
/// a null of 33 dB were 9 dB too deep (28 recordings), with them none.
const BRIDGED: usize = 2;
/// Moments left out at the begin and at the end of a rest, where notes end and begin. More of them leave rests of which
/// the residue is less than of others: 4 and 2 gave bounds that were 5 to 44 dB too deep, these none.
const MARGINS: [usize; 2] = [2, 1];
/// Backing this much below its loudest moment tells nothing (power ratio).
const AUDIBLE: f64 = 1e-5;
/// Quieter backing tells nothing either: mean square, -100 dB re full scale.
const QUIETEST: f64 = 1e-10;
/// Backing this much below the mean of its moment is silent (power ratio).
const SILENT: f64 = 1e-4;
/// Standard errors by which a correlation must be beyond chance.
const BEYOND_CHANCE: f64 = 3.0;
/// Share of what is left that two neighbouring samples of the backing explain, from which it is made of the backing. Of
/// what voices have of their own in their rests it was 0.05 at most, of what gains, filters and delays leave 0.1 to 0.6
/// (28 recordings).
const COHERENT: f64 = 0.1;
/// Range of the levels of steady noise in moments of 50 ms, dB, for nine tenths of them: dither showed 0.5, the least of
/// anything else was 3 (28 recordings). By the chi-squared distribution white noise has 0.3.
const STEADY_DB: f64 = 1.5;

/// Null depth in the rests of the voice, of moments each given by the powers of the difference and of the matched
/// backing, if that can be heard of powers alone. Sorts the moments. This is the rule for whoever looks at single bands;
/// what may be told of it [`Readings::told`](crate::Readings::told) says.
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
struct Rests {
    /// How many of the first moments they are.
    count: usize,
    /// Null depth in them, to [`ERROR_DB`].
    heard: Heard,
}

impl Rests {
    /// Sorts the moments.
    fn among<M>(moments: &mut [M], powers: impl Fn(&M) -> [f64; 2]) -> Option<Self> {
        if moments.len() < ENOUGH {
            return None;
        }
        moments.sort_unstable_by(|a, b| {
            let ([a, a_matched], [b, b_matched]) = (powers(a), powers(b));
            (a * b_matched).total_cmp(&(b * a_matched))
        });
        let share = |part: f64| (moments.len() as f64 * part) as usize;
        let (least, most, gap) = (share(FEWEST).max(4), share(MOST), share(GAP).max(3));
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

/// Level of a moment's difference re its matched backing, dB.
fn level_db([difference, matched]: [f64; 2]) -> f64 {
    power_to_db((difference / matched).max(1e-16))
}

/// Power of the matched backing re that of the difference over some moments, dB.
fn depth_db<M>(moments: &[M], powers: impl Fn(&M) -> [f64; 2]) -> f64 {
    let sum = |i: usize| moments.iter().map(|moment| powers(moment)[i]).sum::<f64>();
    power_to_db(sum(1) / sum(0).max(1e-20 * sum(1)))
}

/// One moment.
#[derive(Clone, Copy, Default)]
struct Moment {
    /// Powers of the difference and of the matched backing.
    powers: [f64; 2],
    /// Power of the part of the difference that two neighbouring samples of the matched backing explain: a gain and a
    /// fraction of a sample.
    coherent: f64,
    /// Sums over the hops, of the logarithms of both powers about their means in this moment: squares and product.
    squares: [f64; 2],
    product: f64,
    /// Hops in these sums, less one for the means.
    freedom: f64,
}

/// The null depth of the last ten seconds.
pub struct NullDepth {
    moments: Vec<Moment>,
    sorted: Vec<Moment>,
    levels_db: Vec<f64>,
    /// Powers of the hops of the moment that is heard.
    hops: Vec<[f64; 2]>,
    hops_per_moment: usize,
    samples_per_moment: f64,
    sides: [Side; 2],
    at: usize,
    heard: Option<Heard>,
}

impl NullDepth {
    /// Nothing known yet.
    pub fn new(sizes: Sizes) -> Self {
        let hops_per_moment = sizes.hops(MOMENT_S) as usize;
        Self {
            moments: vec![Moment::default(); MEMORY],
            sorted: Vec::with_capacity(MEMORY),
            levels_db: Vec::with_capacity(MEMORY),
            hops: Vec::with_capacity(hops_per_moment),
            hops_per_moment,
            samples_per_moment: (2 * sizes.hop() * hops_per_moment) as f64,
            sides: [Side::default(); 2],
            at: 0,
            heard: None,
        }
    }

    /// Forgets what it heard.
    pub fn reset(&mut self) {
        self.moments.fill(Moment::default());
        self.hops.clear();
        self.sides = [Side::default(); 2];
        (self.at, self.heard) = (0, None);
    }

    /// Takes difference and matched backing of one hop, left and right.
    pub fn add(&mut self, difference: [&[f32]; 2], matched: [&[f32]; 2]) -> Option<Heard> {
        let mut powers = [0.0; 2];
        for ((side, difference), matched) in self.sides.iter_mut().zip(difference).zip(matched) {
            let [d, m] = side.add(difference, matched);
            powers[0] += d;
            powers[1] += m;
        }
        self.hops.push(powers);
        if self.hops.len() == self.hops_per_moment {
            self.moments[self.at] = self.moment();
            self.at = (self.at + 1) % MEMORY;
            self.heard = self.measure();
        }
        self.heard
    }

    /// The moment that was heard.
    fn moment(&mut self) -> Moment {
        let sum = |i: usize| self.hops.iter().map(|powers| powers[i]).sum::<f64>();
        let mut moment = Moment { powers: [sum(0), sum(1)], ..Moment::default() };
        // Where the backing is silent, what is left cannot be of it; and no logarithm of nothing.
        let audible = SILENT * moment.powers[1] / self.hops.len() as f64;
        let logs = self.hops.iter().filter(|powers| powers[1] > audible);
        let logs = logs.map(|powers| [(powers[0] + 1e-16 * powers[1]).ln(), powers[1].ln()]);
        let count = logs.clone().count() as f64;
        let means = [0, 1].map(|i| logs.clone().map(|log| log[i]).sum::<f64>() / count.max(1.0));
        for log in logs {
            let [d, m] = [0, 1].map(|i| log[i] - means[i]);
            moment.squares[0] += d * d;
            moment.squares[1] += m * m;
            moment.product += d * m;
        }
        moment.freedom = (count - 1.0).max(0.0);
        self.hops.clear();
        moment.coherent = self.sides.iter_mut().map(Side::take_coherent).sum();
        moment
    }

    fn measure(&mut self) -> Option<Heard> {
        let loudest = self.moments.iter().map(|m| m.powers[1]).fold(0.0, f64::max);
        self.sorted.clear();
        let quietest = (QUIETEST * self.samples_per_moment).max(AUDIBLE * loudest);
        let is_audible = |m: &&Moment| m.powers[1] > quietest;
        let (newer, older) = self.moments.split_at(self.at);
        self.sorted.extend(older.iter().chain(newer).filter(is_audible));
        let bound = Self::bound(&self.sorted);
        if let Some(Rests { count, heard }) = Rests::among(&mut self.sorted, |moment| moment.powers) {
            let rests = &self.sorted[..count];
            if Self::is_of_the_backing(rests) || Self::is_steady(rests, &mut self.levels_db) {
                return Some(heard);
            }
        }
        bound
    }

    /// What the null is at least, of moments in the order of time.
    fn bound(moments: &[Moment]) -> Option<Heard> {
        let is_resting = |&idx: &usize| level_db(moments[idx].powers) < -RESTING_DB;
        let (mut powers, mut count, mut rest) = ([0.0; 2], 0, None);
        // The last rest ends with the moments.
        for idx in (0..moments.len()).filter(is_resting).chain([usize::MAX]) {
            if let Some((first, last)) = rest {
                if idx - last <= BRIDGED + 1 {
                    rest = Some((first, idx));
                    continue;
                }
                let within = first + MARGINS[0]..(last + 1).saturating_sub(MARGINS[1]);
                for moment in moments.get(within).unwrap_or_default() {
                    powers.iter_mut().zip(moment.powers).for_each(|(sum, power)| *sum += power);
                    count += 1;
                }
            }
            rest = Some((idx, idx));
        }
        let depth_db = -level_db(powers);
        (count >= ENOUGH && depth_db >= BOUNDED_DB).then(|| Heard {
            depth_db: depth_db as f32,
            beneath_voice: depth_db - self::depth_db(moments, |moment| moment.powers) > ERROR_DB,
            at_least: true,
        })
    }

    /// Whether what is left in some moments is made of the backing.
    fn is_of_the_backing(moments: &[Moment]) -> bool {
        let sum = |of: fn(&Moment) -> f64| moments.iter().map(of).sum::<f64>();
        let difference = sum(|m| m.powers[0]);
        // Do its levels rise and fall with those of the backing, more than by chance? By Fisher's transform atanh r has
        // a standard error of 1 / sqrt(n - 3) (R. A. Fisher, Metron 1, 1921), n being the values less their means.
        let correlation =
            sum(|m| m.product) / (sum(|m| m.squares[0]) * sum(|m| m.squares[1])).sqrt().max(1e-20);
        let errors = correlation.min(0.999).atanh() * (sum(|m| m.freedom) - 3.0).max(0.0).sqrt();
        errors > BEYOND_CHANCE || sum(|m| m.coherent) > COHERENT * difference || difference == 0.0
    }

    /// Whether what is left in some moments is noise: the same level in all of them.
    fn is_steady(moments: &[Moment], levels_db: &mut Vec<f64>) -> bool {
        levels_db.clear();
        levels_db.extend(moments.iter().map(|m| power_to_db(m.powers[0])));
        // A few moments are alike by chance.
        moments.len() >= ENOUGH && range_of_nine_tenths(levels_db) < STEADY_DB
    }
}

/// Sums over one side of a moment: of the difference with the matched backing now and a sample ago, and of these two.
#[derive(Clone, Copy, Default)]
struct Side {
    with_now: f64,
    with_before: f64,
    now: f64,
    before: f64,
    both: f64,
    last: f32,
}

impl Side {
    /// Takes a hop; its powers.
    fn add(&mut self, difference: &[f32], matched: &[f32]) -> [f64; 2] {
        let (mut power, mut matched_power) = (0.0, 0.0);
        for (&d, &m) in difference.iter().zip(matched) {
            let (d, now, before) = (f64::from(d), f64::from(m), f64::from(self.last));
            self.last = m;
            power += d * d;
            matched_power += now * now;
            self.with_now += d * now;
            self.with_before += d * before;
            self.before += before * before;
            self.both += now * before;
        }
        self.now += matched_power;
        [power, matched_power]
    }

    /// Power of the difference that the two samples explain, by least squares (the normal equations of two unknowns);
    /// begins anew.
    fn take_coherent(&mut self) -> f64 {
        let Self { with_now: a, with_before: b, now: p, before: q, both: s, last } = *self;
        *self = Self { last, ..Self::default() };
        let determinant = p * q - s * s;
        if determinant > 1e-9 * p * q {
            (a * a * q - 2.0 * a * b * s + b * b * p) / determinant
        } else {
            a * a / p.max(1e-30)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::noise::noise;

    /// Hops of 128 samples at 48 kHz.
    const HOP: usize = 128;
    const HOPS: usize = 4000;

    /// The readings, hop by hop, where something is left of a backing that is loud and soft by turns; `left` makes it of
    /// the sample's index and the backing's sample.
    fn heard(left: impl Fn(usize, f32) -> f32) -> Vec<Option<Heard>> {
        let loudness = |n: usize| if (n / 900).is_multiple_of(2) { 0.5 } else { 0.1 };
        let backing: Vec<f32> =
            noise(HOP * HOPS, 1).into_iter().enumerate().map(|(n, x)| loudness(n) * x).collect();
        let left: Vec<f32> = backing.iter().enumerate().map(|(n, &b)| left(n, b)).collect();
        let mut depth = NullDepth::new(Sizes::new(48_000.0));
        let hops = left.chunks(HOP).zip(backing.chunks(HOP));
        hops.map(|(left, backing)| depth.add([left, left], [backing, backing])).collect()
    }

    /// Their null depths, as far as more than a bound is told.
    fn readings(left: impl Fn(usize, f32) -> f32) -> Vec<Option<f32>> {
        let told = |heard: Heard| (!heard.at_least).then_some(heard.depth_db);
        heard(left).into_iter().map(|heard| told(heard?)).collect()
    }

    /// What is told in the end where this is left of the backing and something else is heard beside it; and the true null
    /// depth, dB, in those moments of the last ten seconds in which the latter is 30 dB under the backing.
    fn told_and_true(
        residue: impl Fn(usize, f32) -> f32,
        other: impl Fn(usize) -> f32,
    ) -> (Option<Heard>, Option<f64>) {
        // Of moments of 50 ms, backing, residue and the other.
        let powers = std::cell::RefCell::new(vec![[0.0; 3]; HOPS / 19 + 1]);
        let told = heard(|n, b| {
            let (r, o) = (residue(n, b), other(n));
            let moment = &mut powers.borrow_mut()[n / (19 * HOP)];
            moment.iter_mut().zip([b, r, o]).for_each(|(power, x)| *power += f64::from(x * x));
            r + o
        });
        let powers = powers.into_inner();
        let rests = powers[HOPS / 19 - MEMORY..HOPS / 19].iter().filter(|[b, _, o]| *o < 1e-3 * b);
        let sum = |i: usize| rests.clone().map(|powers| powers[i]).sum::<f64>();
        let has_rested = rests.clone().count() > 0;
        (told[HOPS - 1], has_rested.then(|| power_to_db(sum(0) / sum(1))))
    }

    /// A voice as loud as the backing that rests in every fourth part, of 400 hops each.
    fn voice() -> Vec<f32> {
        let sung = |n: usize| if n / (400 * HOP) % 4 == 3 { 0.0 } else { 0.4 };
        noise(HOP * HOPS, 2).into_iter().enumerate().map(|(n, x)| sung(n) * x).collect()
    }

    fn last(readings: &[Option<f32>]) -> Option<f32> {
        readings[HOPS - 1]
    }

    /// Residue at a hundredth of the backing, made so: 40 dB.
    #[test]
    fn reads_the_residue_in_the_rests_of_the_voice() {
        let voice = voice();
        let readings = readings(|n, b| 0.01 * b + voice[n]);
        assert!((last(&readings).unwrap() - 40.0).abs() < 0.1, "{:?}", last(&readings));
    }

    /// Residue that comes and goes by 9 dB, made so: the mean of its power counts.
    #[test]
    fn uneven_residue_counts_as_a_whole() {
        let voice = voice();
        let amount = |n: usize| if (n / (40 * HOP)).is_multiple_of(2) { 0.01 } else { 0.028_284 };
        let readings = readings(|n, b| amount(n) * b + voice[n]);
        // 10 log10(4.5e-4), to what leaving out the highest does to it.
        assert!((last(&readings).unwrap() - 33.5).abs() < 1.0, "{:?}", last(&readings));
    }

    #[test]
    fn a_song_without_a_voice_is_all_rest() {
        let Heard { depth_db, beneath_voice, .. } = heard(|_, b| 0.01 * b)[HOPS - 1].unwrap();
        assert!((depth_db - 40.0).abs() < 0.5 && !beneath_voice, "{depth_db}");
        // Sung for a moment now and then, 11 dB under the backing.
        let (sung, now) = (noise(HOP * HOPS, 2), |n: usize| (n / (40 * HOP)).is_multiple_of(50));
        let heard = heard(|n, b| 0.01 * b + if now(n) { 0.1 * sung[n] } else { 0.0 })[HOPS - 1].unwrap();
        assert!((heard.depth_db - 40.0).abs() < 0.5 && heard.beneath_voice, "{heard:?}");
    }

    /// Reverberation that dies away by 60 dB between the words is no residue, however deep the null.
    #[test]
    fn a_voice_that_dies_away_slowly_is_no_residue() {
        let sung = noise(HOP * HOPS, 2);
        let level = |n: usize| 0.4 * 10f32.powf(-3.0 * (n % (800 * HOP)) as f32 / (800 * HOP) as f32);
        let readings = readings(|n, b| 3e-5 * b + level(n) * sung[n]);
        assert!(readings[800..].iter().all(Option::is_none));
    }

    #[test]
    fn says_nothing_while_the_voice_never_rests() {
        let sung = noise(HOP * HOPS, 2);
        assert!(readings(|n, _| 0.4 * sung[n]).iter().all(Option::is_none));
    }

    /// A soft voice may sing all the time: what is left 15 dB down is not told, however even.
    #[test]
    fn a_shallow_null_without_a_rest_is_not_told() {
        assert!(readings(|_, b| 0.18 * b).iter().all(Option::is_none));
    }

    /// What is heard in the rests is the voice's own, 40 dB down and louder and softer with the breath: also where it
    /// begins together with the backing, after silence.
    #[test]
    fn breath_is_no_residue() {
        let (voice, breath) = (voice(), noise(HOP * HOPS, 3));
        let level = |n: usize| 0.003 * (1.0 + 0.5 * (n as f32 / 15_000.0).sin());
        assert!(readings(|n, _| level(n) * breath[n] + voice[n]).iter().all(Option::is_none));
        let mut depth = NullDepth::new(Sizes::new(48_000.0));
        let (silence, backing) = (vec![0.0; HOP], noise(HOP * HOPS, 1));
        for hop in 0..1000 {
            // In the middle of the first moment.
            let begun = hop >= 10;
            let at = HOP * hop..HOP * (hop + 1);
            let left: Vec<f32> = at.clone().map(|n| 3.0 * level(n) * breath[n]).collect();
            let [left, backing] = if begun { [&left[..], &backing[at]] } else { [&silence[..]; 2] };
            assert!(depth.add([left, left], [backing, backing]).is_none_or(|heard| heard.at_least));
        }
    }

    /// Residue that is of the backing, or is noise that is steady or moves, or is perfect for moments; beside it nobody, a
    /// voice that rests, one whose breath is heard in its rests, one that dies away, one that never rests. What is told is
    /// never more than 3 dB above the truth, and hardly below it where the rests are silent.
    #[test]
    fn a_bound_is_never_above_the_truth() {
        let [sung, grain, breath] = [2, 3, 4].map(|seed| noise(HOP * HOPS, seed));
        let voice = voice();
        let s = |n: usize| n as f32 / 48_000.0;
        let gain = |db: f32| 10f32.powf(db / 20.0);
        let others: [&dyn Fn(usize) -> f32; 5] = [
            &|_| 0.0,
            &|n| voice[n],
            &|n| voice[n] + 0.003 * (1.0 + 0.5 * (3.0 * s(n)).sin()) * breath[n],
            &|n| 0.4 * gain(-60.0 * (s(n) / 2.0).fract()) * sung[n],
            &|n| 0.1 * sung[n],
        ];
        let (mut num_bounds, mut num_tight) = (0, 0);
        for depth_db in [30.0, 45.0, 60.0, 90.0] {
            let left = gain(-depth_db);
            let residues: [&dyn Fn(usize, f32) -> f32; 4] = [
                &|_, b| left * b,
                &|n, _| 0.3 * left * grain[n],
                &|n, _| 0.3 * left * gain(10.0 * (1.3 * s(n)).sin()) * grain[n],
                &|n, b| if n / (20 * HOP) % 20 < 8 { 1e-7 * b } else { left * b.abs() * grain[n] },
            ];
            for (residue_idx, residue) in residues.iter().enumerate() {
                for (other_idx, other) in others.iter().enumerate() {
                    let (told, true_db) = told_and_true(residue, other);
                    let Some(told) = told else { continue };
                    let off_db = f64::from(told.depth_db) - true_db.unwrap_or_default();
                    let what = format!(
                        "residue {residue_idx} beside {other_idx} at {depth_db} dB: {told:?} of {true_db:?}"
                    );
                    assert!(off_db < 3.0, "{what}");
                    assert!(other_idx > 1 || off_db > -1.0, "{what}");
                    num_bounds += usize::from(told.at_least);
                    num_tight += usize::from(told.at_least && other_idx < 2);
                }
            }
        }
        // Lest nothing was told.
        assert!(num_bounds > 15 && num_tight > 8, "{num_bounds} bounds, {num_tight} of them over silence");
    }

    /// Steady noise is what is left, though the backing does not make it: its depth by arithmetic, with the same
    /// distribution of either.
    #[test]
    fn steady_noise_is_residue() {
        let (voice, hiss) = (voice(), noise(HOP * HOPS, 3));
        let readings = readings(|n, _| 0.003 * hiss[n] + voice[n]);
        // 10 log10(0.13 / 9e-6).
        assert!((last(&readings).unwrap() - 41.6).abs() < 0.5, "{:?}", last(&readings));
    }

    /// Residue of an encoder that makes the same of mix and backing for moments, and otherwise leaves what is 40 to 70 dB
    /// down: its best moments tell nothing of the others.
    #[test]
    fn what_is_perfect_for_moments_only_is_not_told() {
        let (voice, grain) = (voice(), noise(HOP * HOPS, 3));
        let level = |n: usize| match n / (20 * HOP) % 20 {
            0..8 => 1e-7,
            step => 10f32.powf(-2.0 - step as f32 * 0.1),
        };
        let readings = readings(|n, b| level(n) * b.abs() * grain[n] + voice[n]);
        assert_eq!(last(&readings), None);
    }

    #[test]
    fn reset_forgets() {
        let (backing, voice) = (noise(HOP * 400, 1), noise(HOP * 400, 2));
        let play = |depth: &mut NullDepth| -> Vec<Option<Heard>> {
            let hops = backing.chunks(HOP).zip(voice.chunks(HOP)).enumerate();
            hops.map(|(hop, (backing, voice))| {
                let left: Vec<f32> = backing
                    .iter()
                    .zip(voice)
                    .map(|(b, v)| 0.01 * b + if hop < 200 { 0.0 } else { *v })
                    .collect();
                depth.add([&left[..], &left[..]], [backing, backing])
            })
            .collect()
        };
        let mut depth = NullDepth::new(Sizes::new(48_000.0));
        let first = play(&mut depth);
        assert!(first[399].is_some());
        depth.reset();
        assert_eq!(play(&mut depth), first);
    }

    /// A moment that is broken off lends nothing to the first one after: what is left there is not of the backing.
    #[test]
    fn reset_forgets_what_was_not_a_whole_moment() {
        let (backing, breath, voice) = (noise(HOP * 400, 1), noise(HOP * 400, 3), noise(HOP * 400, 2));
        let mut depth = NullDepth::new(Sizes::new(48_000.0));
        let loud = [1e3; HOP];
        depth.add([&loud, &loud], [&loud, &loud]);
        depth.reset();
        for at in (0..HOP * 400).step_by(HOP) {
            let left = |n: usize| {
                let level = 0.003 * (1.0 + 0.5 * (n as f32 / 15_000.0).sin());
                level * breath[n] + if n < 200 * HOP { 0.0 } else { voice[n] }
            };
            let left: Vec<f32> = (at..at + HOP).map(left).collect();
            let backing = &backing[at..at + HOP];
            assert_eq!(depth.add([&left, &left], [backing, backing]), None);
        }
    }
}
