//! The learned match as bytes: the same in a session and in a file of its own.

use minuend_engine::{
    BandDynamics, BandMovement, BandResidual, Bend, Curve, DelayModel, DelayMotion, EstimateModel, KNOTS,
    LoudnessClass, MAX_SAMPLE_RATE_HZ, MIN_SAMPLE_RATE_HZ, Match, Movement, ResidualModel, Section, Taps,
    Verdict,
};

/// More taps than any filter of ours has: a session that claims more is refused before room is made for them.
const MAX_TAPS: usize = 1 << 16;
/// By their number in the bytes.
const VERDICTS: [Verdict; 3] = [Verdict::Undecided, Verdict::Recording, Verdict::Estimate];

/// A flag whether there is a match; then its rate and movement (3, f64 each), the number of sections
/// (u32), of each its begin (i64) and whether there is a place (u8) with its delay and wander (2, f64 each), whether
/// following pays (u8), how much music it was learned from (f64), what leaks: the number of groups (u32) and each of
/// them in mid, then each in side, its loudness and lowest cells (2, f32 each), its steps and the loud ones (2, u32
/// each), of either class floor and loudness (2, f32 each) and steps (u32); of each band its movement and what
/// following pays (4, f64 each); taps of each response (u32), and of the four responses, side by side, the stretch that
/// is not silent: where it begins (u32), its length (u32), its taps (f32). Last whether both were bent (u8), and if so of either
/// side the last knot of its curve (f32), the slopes at all knots (f32 each) and the backing's level (f32); what the backing is
/// (u8: not decided, a recording, an estimate), whether anything is known of an estimate (u8), and if so all of it (f32 each); whether
/// the bands move with how loud both are (u8), and if so all numbers of every band (f32 each).
pub fn write_match(learned: Option<&Match>, bytes: &mut Vec<u8>) {
    bytes.push(u8::from(learned.is_some()));
    let Some(learned) = learned else { return };
    let Match {
        sections,
        sample_rate_hz,
        taps,
        learned_s,
        movement,
        following_helps,
        bands,
        residual,
        bend,
        dynamics,
        ..
    } = learned;
    bytes.extend(sample_rate_hz.to_le_bytes());
    write_movement(movement, bytes);
    bytes.extend((sections.as_slice().len() as u32).to_le_bytes());
    for Section { begin, model } in sections.as_slice() {
        bytes.extend(begin.to_le_bytes());
        bytes.push(u8::from(model.is_some()));
        if let Some(DelayModel { delay_samples, motion: DelayMotion { process, rate } }) = model {
            bytes.extend([*delay_samples, *process, *rate].into_iter().flat_map(f64::to_le_bytes));
        }
    }
    bytes.push(u8::from(*following_helps));
    bytes.extend(learned_s.to_le_bytes());
    write_leak(residual, bytes);
    for BandMovement { movement, pays } in bands {
        write_movement(movement, bytes);
        bytes.extend(pays.to_le_bytes());
    }
    bytes.extend((taps.num_taps() as u32).to_le_bytes());
    for response in taps.h.iter().flatten() {
        let begin = response.iter().position(|&tap| tap != 0.0).unwrap_or_default();
        let end = response.iter().rposition(|&tap| tap != 0.0).map_or(begin, |last| last + 1);
        bytes.extend((begin as u32).to_le_bytes());
        bytes.extend(((end - begin) as u32).to_le_bytes());
        bytes.extend(response[begin..end].iter().flat_map(|tap| tap.to_le_bytes()));
    }
    write_bend(bend, bytes);
    bytes.push(VERDICTS.iter().position(|&verdict| verdict == learned.verdict).unwrap_or_default() as u8);
    let is_estimate = learned.estimate != EstimateModel::UNKNOWN;
    bytes.push(u8::from(is_estimate));
    if is_estimate {
        bytes.extend(learned.estimate.numbers().flat_map(f32::to_le_bytes));
    }
    bytes.push(u8::from(!dynamics.is_none()));
    if !dynamics.is_none() {
        bytes.extend(dynamics.bands.iter().flat_map(BandDynamics::numbers).flat_map(f32::to_le_bytes));
    }
}

fn write_movement(&Movement { process, tau_s, measurement }: &Movement, bytes: &mut Vec<u8>) {
    bytes.extend([process, tau_s, measurement].into_iter().flat_map(f64::to_le_bytes));
}

fn write_bend(bend: &Bend, bytes: &mut Vec<u8>) {
    bytes.push(u8::from(!bend.is_none()));
    if bend.is_none() {
        return;
    }
    for (curve, level) in bend.curves.iter().zip(bend.backing_levels) {
        let numbers = [curve.span()].into_iter().chain(*curve.slopes()).chain([level]);
        bytes.extend(numbers.flat_map(f32::to_le_bytes));
    }
}

fn write_leak(residual: &ResidualModel, bytes: &mut Vec<u8>) {
    let heard =
        |side: &[BandResidual]| side.iter().rposition(|group| group.steps > 0).map_or(0, |last| last + 1);
    let num_groups = residual.groups.iter().map(|side| heard(side)).max().unwrap_or_default();
    bytes.extend((num_groups as u32).to_le_bytes());
    for BandResidual { mean, lowest, steps, loud_steps, classes } in
        residual.groups.iter().flat_map(|side| &side[..num_groups])
    {
        bytes.extend([*mean, *lowest].into_iter().flat_map(f32::to_le_bytes));
        bytes.extend([*steps, *loud_steps].into_iter().flat_map(u32::to_le_bytes));
        for LoudnessClass { floor, backing, steps } in classes {
            bytes.extend([*floor, *backing].into_iter().flat_map(f32::to_le_bytes));
            bytes.extend(steps.to_le_bytes());
        }
    }
}

/// What [`write_match`] wrote; `None` if it cannot have.
pub fn read_match(reader: &mut Reader) -> Option<Option<Match>> {
    if !reader.flag()? {
        return Some(None);
    }
    let mut learned = Match::unknown(reader.number()?, 0);
    learned.movement = reader.movement()?;
    for _ in 0..reader.length()? {
        let begin = i64::from_le_bytes(reader.array()?);
        let model = if reader.flag()? { Some(reader.model()?) } else { None };
        if !learned.sections.push(Section { begin, model }) {
            return None;
        }
    }
    learned.following_helps = reader.flag()?;
    learned.learned_s = reader.number()?;
    let num_groups = reader.length()?;
    for side in &mut learned.residual.groups {
        for group in side.get_mut(..num_groups)? {
            *group = reader.group()?;
        }
    }
    for band in &mut learned.bands {
        *band = BandMovement { movement: reader.movement()?, pays: reader.number()? };
    }
    let num_taps = reader.length().filter(|n| (2..=MAX_TAPS).contains(n))?;
    learned.taps = Taps::silent(num_taps);
    for response in learned.taps.h.iter_mut().flatten() {
        let (begin, length) = (reader.length()?, reader.length()?);
        for tap in response.get_mut(begin..)?.get_mut(..length)? {
            *tap = f32::from_le_bytes(reader.array()?);
        }
    }
    if reader.flag()? {
        learned.bend = reader.bend()?;
    }
    let [verdict] = reader.array()?;
    learned.verdict = *VERDICTS.get(usize::from(verdict))?;
    if reader.flag()? {
        for number in learned.estimate.numbers_mut() {
            *number = reader.short_number()?;
        }
    }
    if reader.flag()? {
        for number in learned.dynamics.bands.iter_mut().flat_map(BandDynamics::numbers_mut) {
            *number = reader.short_number()?;
        }
    }
    let rate_is_ours = (MIN_SAMPLE_RATE_HZ..=MAX_SAMPLE_RATE_HZ).contains(&learned.sample_rate_hz);
    (rate_is_ours && learned.is_known() && learned.is_sound()).then_some(Some(learned))
}

/// Takes bytes from the front, as long as there are any.
pub struct Reader<'a>(pub &'a [u8]);

impl<'a> Reader<'a> {
    /// So many bytes.
    pub fn slice(&mut self, length: usize) -> Option<&'a [u8]> {
        let (slice, rest) = self.0.split_at_checked(length)?;
        self.0 = rest;
        Some(slice)
    }

    /// So many bytes, for a number.
    pub fn array<const N: usize>(&mut self) -> Option<[u8; N]> {
        self.slice(N)?.try_into().ok()
    }

    /// A length.
    pub fn length(&mut self) -> Option<usize> {
        Some(u32::from_le_bytes(self.array()?) as usize)
    }

    fn number(&mut self) -> Option<f64> {
        self.array().map(f64::from_le_bytes)
    }

    fn movement(&mut self) -> Option<Movement> {
        Some(Movement { process: self.number()?, tau_s: self.number()?, measurement: self.number()? })
    }

    fn model(&mut self) -> Option<DelayModel> {
        let delay_samples = self.number()?;
        Some(DelayModel {
            delay_samples,
            motion: DelayMotion { process: self.number()?, rate: self.number()? },
        })
    }

    fn short_number(&mut self) -> Option<f32> {
        self.array().map(f32::from_le_bytes)
    }

    fn bend(&mut self) -> Option<Bend> {
        let mut bend = Bend::NONE;
        for (curve, level) in bend.curves.iter_mut().zip(&mut bend.backing_levels) {
            let span = self.short_number()?;
            let mut slopes = [0.0; KNOTS];
            for slope in &mut slopes {
                *slope = self.short_number()?;
            }
            *curve = Curve::new(span, slopes)?;
            *level = self.short_number()?;
        }
        Some(bend)
    }

    fn count(&mut self) -> Option<u32> {
        self.array().map(u32::from_le_bytes)
    }

    fn group(&mut self) -> Option<BandResidual> {
        let (mean, lowest) = (self.short_number()?, self.short_number()?);
        let (steps, loud_steps) = (self.count()?, self.count()?);
        let mut class = || {
            Some(LoudnessClass {
                floor: self.short_number()?,
                backing: self.short_number()?,
                steps: self.count()?,
            })
        };
        Some(BandResidual { mean, lowest, steps, loud_steps, classes: [class()?, class()?] })
    }

    /// A yes or a no.
    pub fn flag(&mut self) -> Option<bool> {
        match self.array()? {
            [0] => Some(false),
            [1] => Some(true),
            _ => None,
        }
    }
}
