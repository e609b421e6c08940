//! The sections of a song: where it is subtracted from, at which delay, and where not.

use minuend_engine::{Claims, Energies, Lock, Misfit};

use super::series::{Point, Series};

/// A jump of the delay that begins a new section, s: what wow does to it from one point to the next is far less.
const JUMP_S: f64 = 1e-3;
/// Rests of the backing that are shorter, s, are part of the music.
const REST_S: f64 = 2.0;
/// Length of what is looked at to tell whether the mix holds what the backing claims of it, s: seconds are needed for that, and a
/// line of a voice is hardly shorter.
const LOOK_S: f64 = 2.5;

/// A stretch of the song in one state, at one delay.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Section {
    /// Where it begins and ends, s.
    pub range_s: (f64, f64),
    /// What happens in it.
    pub state: State,
    /// Delay at its begin, samples; not a number where nothing is subtracted.
    pub delay_samples: f64,
    /// Length of what is known to belong to the mix in it, s.
    pub confirmed_s: f64,
}

/// What happens in a section.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// The backing is subtracted.
    Subtracted,
    /// The same, but the mix does not hold all that is taken.
    HoldsMore,
    /// Next to nothing of the backing is taken, or the mix does not hold it and the guard lets the mix pass.
    Nothing,
    /// The backing is silent, or over: the mix passes.
    Silent,
    /// The mix is silence: there is nothing to take the backing from.
    MixSilent,
    /// The backing was not found: the mix passes.
    NotFound(Lock),
}

impl State {
    /// Whether anything is subtracted.
    pub fn is_subtracted(self) -> bool {
        matches!(self, Self::Subtracted | Self::HoldsMore)
    }

    fn of(point: &Point) -> Self {
        match point.lock {
            _ if point.mix_is_silent => Self::MixSilent,
            Lock::NoBacking => Self::Silent,
            Lock::Locked if point.energies.is_silent() => Self::Silent,
            Lock::Locked => Self::Subtracted,
            lock => Self::NotFound(lock),
        }
    }
}

impl Section {
    /// Length, s.
    pub fn length_s(&self) -> f64 {
        self.range_s.1 - self.range_s.0
    }
}

/// Whether the delay jumps from one section to another, beyond a drift in parts in a million.
pub fn delay_jumps(sections: &[Section], drift_ppm: f64, sample_rate_hz: f64) -> bool {
    let known: Vec<_> = sections.iter().filter(|section| section.state.is_subtracted()).collect();
    known.windows(2).any(|pair| {
        let drift = 1e-6 * drift_ppm * sample_rate_hz * (pair[1].range_s.0 - pair[0].range_s.0);
        (pair[1].delay_samples - pair[0].delay_samples - drift).abs() > JUMP_S * sample_rate_hz
    })
}

/// The sections of a song that ends at so many seconds: a new one begins where the state changes, or where the delay jumps.
pub fn sections(series: &Series, end_s: f64, sample_rate_hz: f64) -> Vec<Section> {
    let jump_samples = JUMP_S * sample_rate_hz;
    let points: Vec<Point> = series.points().collect();
    let mut states: Vec<State> = points.iter().map(State::of).collect();
    let at = |idx: usize| points.get(idx).map_or(end_s, |point| point.at_s);
    // Short rests belong to what they interrupt.
    for (from, to) in runs(states.len(), |idx| states[idx] == states[idx - 1]) {
        let around = [from.checked_sub(1), Some(to)].map(|idx| idx.and_then(|idx| states.get(idx)).copied());
        if matches!(states[from], State::Silent | State::MixSilent) && at(to) - at(from) < REST_S {
            let state = around.into_iter().flatten().next().unwrap_or(states[from]);
            states[from..to].fill(state);
        }
    }
    let goes_on = |idx: usize| {
        // Not a jump while either is unknown.
        let jumped = (points[idx].delay_samples - points[idx - 1].delay_samples).abs() > jump_samples;
        states[idx] == states[idx - 1] && !jumped
    };
    let mut sections: Vec<Section> = Vec::new();
    for (begin, to) in runs(points.len(), goes_on) {
        let mut from = begin;
        let (mut claims, mut energies) = (Claims::default(), Energies::default());
        for idx in begin..to {
            claims += points[idx].claims;
            energies += points[idx].energies;
            if at(idx + 1) - at(from) < LOOK_S && idx + 1 < to {
                continue;
            }
            let state = match states[from] {
                State::Subtracted if matches!(energies.misfit(), Some(Misfit::Nothing | Misfit::Foreign)) => {
                    State::Nothing
                }
                State::Subtracted if claims.are_false() => State::HoldsMore,
                state => state,
            };
            let delay_samples = points[from].delay_samples;
            let goes_on = from > begin && sections.last().is_some_and(|last| last.state == state);
            if !goes_on {
                let range_s = (at(from), at(from));
                sections.push(Section { range_s, state, delay_samples, confirmed_s: 0.0 });
            }
            if let Some(last) = sections.last_mut() {
                last.range_s.1 = at(idx + 1);
                last.confirmed_s += if claims.are_true() { at(idx + 1) - at(from) } else { 0.0 };
            }
            (from, claims, energies) = (idx + 1, Claims::default(), Energies::default());
        }
    }
    sections
}

/// Runs of so many: where each begins, and where the next does. `goes_on` says of all but the first whether it is of one run with
/// the one before.
fn runs(len: usize, goes_on: impl Fn(usize) -> bool) -> Vec<(usize, usize)> {
    let begins = (0..len).filter(|&idx| idx == 0 || !goes_on(idx));
    let bounds: Vec<usize> = begins.chain([len]).collect();
    bounds.windows(2).map(|bound| (bound[0], bound[1])).collect()
}

#[cfg(test)]
mod tests {
    use minuend_engine::Readings;

    use super::*;

    const RATE_HZ: f64 = 8_000.0;

    /// A second of a song in each of these states, at a delay in samples, with so much of the claims true; none if nothing is.
    fn song(seconds: &[(Lock, f64, f64)]) -> Vec<Section> {
        let mut series = Series::default();
        for (n, &(lock, delay_samples, truth)) in seconds.iter().enumerate() {
            let backing = if truth == 0.0 { 0.0 } else { 1.0 };
            let energies = Energies { mix: 2.0, backing, product: backing };
            let claims = Claims { claimed: backing, raised: backing - truth };
            let readings = Readings { lock, delay_samples, ..Readings::default() };
            series.add(n as f64, &readings, energies, claims, 0);
        }
        sections(&series, seconds.len() as f64, RATE_HZ)
    }

    fn told(seconds: &[(Lock, f64, f64)]) -> Vec<(f64, f64, State)> {
        song(seconds).iter().map(|section| (section.range_s.0, section.range_s.1, section.state)).collect()
    }

    #[test]
    fn sections_begin_at_jumps_and_not_along_a_drift() {
        let mut seconds: Vec<_> = (0..30).map(|n| (Lock::Locked, 100.0 + 0.5 * f64::from(n), 1.0)).collect();
        seconds.extend([(Lock::Locked, -700.0, 1.0); 30]);
        seconds.extend([(Lock::Lost, -700.0, 1.0); 10]);
        seconds.extend([(Lock::Locked, -700.0, 1.0); 30]);
        let found = song(&seconds);
        let (subtracted, lost) = (State::Subtracted, State::NotFound(Lock::Lost));
        assert_eq!(
            told(&seconds),
            [
                (0.0, 30.0, subtracted),
                (30.0, 60.0, subtracted),
                (60.0, 70.0, lost),
                (70.0, 100.0, subtracted)
            ]
        );
        assert_eq!((found[0].delay_samples, found[1].delay_samples), (100.0, -700.0));
        assert!(found[2].delay_samples.is_nan());
    }

    /// A second of silence is a rest; more is told, whether the lock holds or not.
    #[test]
    fn a_backing_that_is_silent_for_long_is_told() {
        let plays = (Lock::Locked, 0.0, 1.0);
        let rests = (Lock::Locked, 0.0, 0.0);
        let gone = (Lock::NoBacking, 0.0, 0.0);
        assert_eq!(told(&[plays, plays, rests, plays]), [(0.0, 4.0, State::Subtracted)]);
        assert_eq!(
            told(&[plays, plays, rests, gone, gone]),
            [(0.0, 2.0, State::Subtracted), (2.0, 5.0, State::Silent)]
        );
    }

    /// Before a mix begins and after it has ended there is nothing to be subtracted from, whatever the backing does.
    #[test]
    fn a_silent_mix_is_no_silent_backing() {
        let mut series = Series::default();
        for n in 0..9 {
            let mix_db = if (3..6).contains(&n) { -20.0 } else { -110.0 };
            let energies = Energies { mix: 2.0, backing: 1.0, product: 1.0 };
            let claims = Claims { claimed: 1.0, raised: 0.0 };
            let readings = Readings { lock: Lock::Locked, mix_db, ..Readings::default() };
            series.add(f64::from(n), &readings, energies, claims, 0);
        }
        let told = sections(&series, 9.0, RATE_HZ);
        let told: Vec<_> = told.iter().map(|section| (section.range_s, section.state)).collect();
        let (silent, plays) = (State::MixSilent, State::Subtracted);
        assert_eq!(told, [((0.0, 3.0), silent), ((3.0, 6.0), plays), ((6.0, 9.0), silent)]);
    }

    /// 60 % of what is claimed is no chance; 95 % may be.
    #[test]
    fn what_the_mix_does_not_hold_is_told() {
        let seconds =
            [1.0, 1.0, 1.0, 0.6, 0.6, 0.6, 0.95, 0.95, 0.95].map(|truth| (Lock::Locked, 0.0, truth));
        assert_eq!(
            told(&seconds),
            [(0.0, 3.0, State::Subtracted), (3.0, 6.0, State::HoldsMore), (6.0, 9.0, State::Subtracted)]
        );
    }
}
