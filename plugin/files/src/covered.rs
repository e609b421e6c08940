//! What of a song is subtracted, in words.

use minuend_engine::{Section as MapSection, SongMap};

use crate::{
    passes::sections::{Section, State},
    report::clock,
};

/// Stretches that are named one by one; more are counted.
const MOST_NAMED: usize = 3;
/// Shorter ones, s, are not named: a song ends within what is judged at a time.
const SHORTEST_S: f64 = 0.25;
/// Least jump of the delay that is told, s: what differs by less is one alignment to the engine.
const JUMP_S: f64 = 1.5e-4;

/// Part of the song, as far as the mix is more than silence, from which the backing is subtracted, 0 to 1.
pub fn share(sections: &[Section]) -> f64 {
    let length_s = |of: &dyn Fn(&&Section) -> bool| -> f64 {
        sections.iter().filter(|section| of(section)).map(Section::length_s).sum()
    };
    length_s(&|section| section.state.is_subtracted())
        / length_s(&|section| section.state != State::MixSilent).max(1e-9)
}

/// Where the backing is over, s: from there on it is silent to the song's end.
fn backing_end_s(sections: &[Section]) -> Option<f64> {
    let (last, before) = sections.split_last()?;
    let is_over = last.state == State::Silent && before.iter().any(|section| section.state.is_subtracted());
    is_over.then_some(last.range_s.0)
}

/// What a listener should know of where the backing is subtracted and where not, as parts of a sentence.
pub fn words(sections: &[Section]) -> Vec<String> {
    let end_s = backing_end_s(sections);
    let mut words = Vec::new();
    if let Some(end_s) = end_s {
        words.push(format!("the backing ends at {}, from there the mix passes", clock(end_s, 0)));
    }
    let rest = if end_s.is_some() { &sections[..sections.len() - 1] } else { sections };
    for (is, what) in [
        (
            &(|state| matches!(state, State::NotFound(_))) as &dyn Fn(State) -> bool,
            "the backing was not found",
        ),
        (&|state| state == State::Silent, "the backing is silent"),
        (&|state| state == State::Nothing, "next to nothing is taken"),
        (&|state| state == State::HoldsMore, "the backing holds what the mix does not"),
    ] {
        // Whatever the delay is, what goes on is one stretch.
        let alike = rest.chunk_by(|a, b| is(a.state) == is(b.state)).filter(|stretch| is(stretch[0].state));
        let ranges: Vec<String> = alike.filter_map(range).collect();
        words.extend(named(what, "from", &ranges));
    }
    words
}

/// What is so in these places, named or counted; `None` if there are none.
fn named(what: &str, preposition: &str, places: &[String]) -> Option<String> {
    match places.len() {
        0 => None,
        count if count <= MOST_NAMED => Some(format!("{what} {preposition} {}", places.join(", "))),
        count => Some(format!("{what} in {count} places, first {preposition} {}", places[0])),
    }
}

/// Where the delay jumps by more than a clock makes of it in a moment: the song was cut there, or a buffer was lost. Not before
/// anything is subtracted.
pub fn jumps(song: &SongMap, sections: &[Section], sample_rate_hz: f64) -> Option<String> {
    let begun_s = sections.iter().find(|section| section.state.is_subtracted())?.range_s.0;
    let jumps = |pair: &[MapSection]| {
        let at = pair[1].begin;
        let delay = |section: &MapSection| section.model.map(|model| model.at(at));
        (delay(&pair[1])? - delay(&pair[0])?).abs().ge(&(JUMP_S * sample_rate_hz)).then_some(at)
    };
    let places = song.as_slice().windows(2).filter_map(jumps).map(|at| at as f64 / sample_rate_hz);
    let places: Vec<String> = places.filter(|at_s| *at_s > begun_s).map(|at_s| clock(at_s, 0)).collect();
    named("the delay jumps", "at", &places)
}

/// From when to when, to a tenth of a second if it is shorter than one; `None` if it is not named.
fn range(stretch: &[Section]) -> Option<String> {
    let (from, to) = (stretch[0].range_s.0, stretch[stretch.len() - 1].range_s.1);
    let decimals = usize::from(to - from < 1.0);
    (to - from >= SHORTEST_S).then(|| format!("{} to {}", clock(from, decimals), clock(to, decimals)))
}

#[cfg(test)]
mod tests {
    use minuend_engine::{DelayModel, Lock};

    use super::*;

    fn sections(states: &[(f64, State)]) -> Vec<Section> {
        let mut begin_s = 0.0;
        let section = |&(length_s, state): &(f64, State)| {
            let range_s = (begin_s, begin_s + length_s);
            begin_s = range_s.1;
            Section { range_s, state, delay_samples: 0.0, confirmed_s: 0.0 }
        };
        states.iter().map(section).collect()
    }

    #[test]
    fn what_is_not_subtracted_is_named() {
        let lost = State::NotFound(Lock::Lost);
        let (plays, silent, more) = (State::Subtracted, State::Silent, State::HoldsMore);
        for (states, says) in [
            (&[(37.5, plays)][..], &[][..]),
            (&[(10.0, plays), (27.5, silent)], &["the backing ends at 0:10, from there the mix passes"]),
            (&[(10.0, plays), (5.0, lost), (60.0, plays)], &["the backing was not found from 0:10 to 0:15"]),
            (&[(4.0, silent), (60.0, plays)], &["the backing is silent from 0:00 to 0:04"]),
            (
                &[(12.0, plays), (5.0, more), (3.0, more), (1.0, plays), (3.0, more)],
                &["the backing holds what the mix does not from 0:12 to 0:20, 0:21 to 0:24"],
            ),
            (&[(9.0, silent)], &["the backing is silent from 0:00 to 0:09"]),
            (
                &[(12.2, plays), (0.5, lost), (9.0, plays), (0.02, State::Nothing)],
                &["the backing was not found from 0:12.2 to 0:12.7"],
            ),
            (
                &[
                    (1.0, lost),
                    (1.0, plays),
                    (1.0, lost),
                    (1.0, plays),
                    (1.0, lost),
                    (1.0, plays),
                    (1.0, lost),
                ],
                &["the backing was not found in 4 places, first from 0:00 to 0:01"],
            ),
        ] {
            assert_eq!(words(&sections(states)), says);
        }
    }

    #[test]
    fn jumps_of_the_delay_are_named() {
        let told = |silent_s: f64, delays: &[Option<f64>]| {
            let mut map = SongMap::default();
            for (n, delay) in delays.iter().enumerate() {
                let model = delay.map(DelayModel::still);
                assert!(map.push(MapSection { begin: 60_000 * n as i64, model }));
            }
            jumps(&map, &sections(&[(silent_s, State::Silent), (600.0, State::Subtracted)]), 1_000.0)
        };
        let map = |delays: &[Option<f64>]| told(0.0, delays);
        // What is found while nothing plays yet is no jump.
        assert_eq!(told(90.0, &[Some(20.0), Some(-10.0)]), None);
        // Where the mix passes in between, what is taken up again is no jump.
        assert_eq!(map(&[Some(20.0), Some(20.1), None, Some(70.0)]), None);
        assert_eq!(map(&[Some(20.0), Some(-10.0)]).as_deref(), Some("the delay jumps at 1:00"));
        assert_eq!(
            map(&[Some(0.0), Some(1.0), Some(2.0), Some(3.0), Some(4.0)]).as_deref(),
            Some("the delay jumps in 4 places, first at 1:00")
        );
    }

    #[test]
    fn the_share_is_that_of_the_song() {
        let (plays, more, silent) = (State::Subtracted, State::HoldsMore, State::Silent);
        let song = sections(&[(4.0, State::MixSilent), (10.0, plays), (5.0, more), (15.0, silent)]);
        assert!((share(&song) - 0.5).abs() < 1e-12);
        // A mix that ends before its backing does is no backing that ends.
        assert!(
            words(&sections(&[(4.0, State::MixSilent), (10.0, plays), (3.0, State::MixSilent)])).is_empty()
        );
        assert_eq!(share(&[]), 0.0);
    }
}
