//! The residual model: how much of the backing is left in the difference, by band. Plain values, kept with the match.
//!
//! In each band it holds the quiet floor of the difference in two loudness classes of the backing. A residue rises and
//! falls with the backing; the floor of the voice's own effects does not. So the share of the backing that is left follows
//! from the two classes. That rule is ours.

/// Bands at most, at the highest rate.
pub const MAX_GROUPS: usize = 40;
/// Quantile of the cells of a band that counts as quiet, and its value for a residue of power 1 (exponential distribution).
/// The quantile was chosen by hand; not measured.
pub const QUIET_QUANTILE: f32 = 0.2;
pub const QUIET_CELL: f32 = 0.223;
/// Quantile of the cells that counts as lowest, and its value for a residue of power 1. It bounds the residue, for a voice
/// can only raise it. Chosen by hand; not measured.
pub const LOWEST_QUANTILE: f32 = 0.02;
pub const LOWEST_CELL: f32 = 0.0202;
/// Steps in either class before anything is taken out. Chosen by hand; not measured.
pub const MIN_CLASS_STEPS: u32 = 120;
/// Where counting stops: every rate is at its slowest long before.
pub const MAX_STEPS: u32 = 100_000;
/// Most that the quiet floor of a residue lies over its lowest cells: twice what it does if all of it is noise.
/// Chosen by hand; not measured.
const MAX_FLOOR_OVER_LOWEST: f32 = 2.0 * QUIET_CELL / LOWEST_CELL;
/// How far beyond that bound (5 dB) the quiet floor may lie and still be evidence of a residue. Higher still it is a voice
/// that sings whenever the backing is loud. At 1 three mixes with codecs lost 0.6 to 1.7 dB, at 10 one with a wowing
/// tape 6 dB; from 2.2 to 3.2 it and two of the three were within 0.1 dB of their best.
const EVIDENCE_BEYOND_BOUND: f32 = 3.2;
/// Part of the quiet floor that must follow the backing: from where the clean-up begins and where it is whole. Chosen by
/// hand; not measured.
const FOLLOWING_PART: (f32, f32) = (0.3, 0.6);
/// Logarithms beyond this cannot have been heard: about 260 dB.
const MAX_LOGARITHM: f32 = 60.0;

/// The residual model.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ResidualModel {
    /// By band, from the lowest on, in mid and side; what is beyond the last band was never heard.
    pub groups: [[BandResidual; MAX_GROUPS]; 2],
}

/// What is known of the residue in one band, in mid or side.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BandResidual {
    /// Mean loudness of the backing, natural logarithm of the power in a cell.
    pub mean: f32,
    /// Steps with a backing, and those of them in which it was loud.
    pub steps: u32,
    /// See [`BandResidual::steps`].
    pub loud_steps: u32,
    /// While the backing is soft, and while it is loud.
    pub classes: [LoudnessClass; 2],
    /// Lowest cells re loud backing, natural logarithm: where the voice rests, or sings elsewhere.
    pub lowest: f32,
}

/// One loudness class: the quiet floor re the backing, and the backing's own power, natural logarithms.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LoudnessClass {
    /// Quiet cells of the difference re the backing.
    pub floor: f32,
    /// Loudness of the backing.
    pub backing: f32,
    /// Steps heard in this class.
    pub steps: u32,
}

impl ResidualModel {
    /// Nothing heard.
    pub const UNKNOWN: Self = Self { groups: [[BandResidual::SILENT; MAX_GROUPS]; 2] };

    /// Whether every value is within what could have been heard.
    pub fn is_sound(&self) -> bool {
        let in_reach = |x: f32| x.abs() <= MAX_LOGARITHM;
        self.groups.iter().flatten().all(|group| {
            let classes = group.classes.iter().flat_map(|class| [class.floor, class.backing]);
            let steps = group.classes.iter().map(|class| class.steps);
            classes.chain([group.mean, group.lowest]).all(in_reach)
                && steps.chain([group.steps, group.loud_steps]).all(|steps| steps <= MAX_STEPS)
        })
    }

    /// How much more one takes out than the other, power re the backing's, as far as either knows the backing.
    pub fn apart(&self, other: &Self) -> f64 {
        let (mut apart, mut whole) = (0.0, 1e-30);
        for (a, b) in self.groups.iter().flatten().zip(other.groups.iter().flatten()) {
            let backing = f64::from(a.classes[1].backing.max(b.classes[1].backing)).exp();
            if a.steps.max(b.steps) > 0 {
                apart += backing * f64::from((a.share() - b.share()).abs());
                whole += backing;
            }
        }
        apart / whole
    }

    /// Starts the classes over, for when a better match is in force. The lowest cells known stay: a better match leaves no
    /// more than that.
    pub(crate) fn relearn(&mut self) {
        for class in self.groups.iter_mut().flatten().flat_map(|group| &mut group.classes) {
            class.steps = class.steps.min(1);
        }
    }
}

impl BandResidual {
    const SILENT: Self = Self {
        mean: 0.0,
        steps: 0,
        loud_steps: 0,
        classes: [LoudnessClass { floor: 0.0, backing: 0.0, steps: 0 }; 2],
        lowest: 0.0,
    };

    /// Whether both classes were heard for long enough.
    fn is_known(&self) -> bool {
        self.classes.iter().all(|class| class.steps >= MIN_CLASS_STEPS)
    }

    /// Quiet floor that follows the backing, re the backing; and which part of the whole floor that is.
    fn following(&self) -> (f32, f32) {
        let [soft, loud] = &self.classes;
        // floor = QUIET_CELL (share + voice / backing): two classes, two unknowns.
        let (u_soft, u_loud) = (soft.floor.exp(), loud.floor.exp());
        let (b_soft, b_loud) = ((-soft.backing).exp(), (-loud.backing).exp());
        let floor = (u_loud * b_soft - u_soft * b_loud) / (b_soft - b_loud);
        (floor, floor / u_loud)
    }

    /// Most that the lowest cells allow of the quiet floor.
    fn bound(&self) -> f32 {
        MAX_FLOOR_OVER_LOWEST * self.lowest.exp()
    }

    /// Evidence that the quiet floor is a residue's, 0 to 1: the part that follows the backing, as far as a residue can
    /// reach that high.
    pub(crate) fn evidence(&self) -> f32 {
        if !self.is_known() {
            return 0.0;
        }
        let (floor, part) = self.following();
        part * (EVIDENCE_BEYOND_BOUND * self.bound() / floor.max(f32::MIN_POSITIVE)).min(1.0)
    }

    /// Share of the backing's power that is left in the difference.
    pub(crate) fn share(&self) -> f32 {
        if !self.is_known() {
            return 0.0;
        }
        let floor = self.following().0.min(self.bound());
        let part = floor / self.classes[1].floor.exp();
        let follows = ((part - FOLLOWING_PART.0) / (FOLLOWING_PART.1 - FOLLOWING_PART.0)).clamp(0.0, 1.0);
        if follows > 0.0 { follows * floor / QUIET_CELL } else { 0.0 }
    }
}

#[cfg(test)]
pub mod tests {
    use super::*;

    /// A band with this much residue and voice in it, power re loud backing; soft backing is 10 dB down.
    pub fn band(residue: f32, voice: f32) -> BandResidual {
        let class = |backing: f32| LoudnessClass {
            floor: (QUIET_CELL * (residue + voice / backing)).ln(),
            backing: backing.ln(),
            steps: MIN_CLASS_STEPS,
        };
        BandResidual {
            steps: 3 * MIN_CLASS_STEPS,
            loud_steps: MIN_CLASS_STEPS,
            lowest: (LOWEST_CELL * (residue + voice)).ln(),
            classes: [class(0.1), class(1.0)],
            ..BandResidual::SILENT
        }
    }

    #[test]
    fn the_share_is_the_part_that_follows_the_backing() {
        for residue in [0.1, 0.003] {
            assert!((band(residue, 0.0).share() / residue - 1.0).abs() < 1e-3);
            assert!(band(residue, 0.0).evidence() > 0.99);
        }
        // A voice three times as loud leaves a quarter that follows.
        assert_eq!(band(0.01, 0.03).share(), 0.0);
        assert!((band(0.01, 0.03).evidence() - 0.25).abs() < 1e-3);
    }

    #[test]
    fn only_what_can_have_been_heard_is_sound() {
        assert!(ResidualModel::UNKNOWN.is_sound());
        let wrong = |class: LoudnessClass| {
            let mut model = ResidualModel::UNKNOWN;
            model.groups[1][3].classes[0] = class;
            !model.is_sound()
        };
        assert!(wrong(LoudnessClass { floor: f32::NAN, backing: 0.0, steps: 0 }));
        assert!(wrong(LoudnessClass { floor: 0.0, backing: 0.0, steps: u32::MAX }));
    }
}
