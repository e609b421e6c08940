//! What was heard comes back: saved, duplicated, reopened, bounced.

use crate::host::Plugin;
use crate::signals::{RATE_HZ, Song, assert_same, difference, level_db, part, silence};
use crate::sound::{LEARN_S, PLAIN};

#[test]
fn a_session_reopened_with_hold_sounds_as_it_was_left() {
    // Delay, drift, level, polarity, movement: all off their neutral places in one song or the other, so that losing
    // any of them is heard.
    for song in [Song::swaying(LEARN_S), Song::off_clock(LEARN_S, 100.0)] {
        let mut plugin = Plugin::playing(&[]);
        plugin.bounce(&song.mix, &song.backing);
        plugin.set(&[("hold", "On"), ("trim", "0.5 dB"), ("lowcut", "120 Hz")]);
        let session = plugin.state();
        plugin.host.reset();
        let heard = plugin.bounce(&song.mix, &song.backing);
        let change_db = level_db(&difference(&heard, &song.mix)) - level_db(&song.mix);
        assert!(change_db > -20.0, "nothing is subtracted, so nothing is tested: {change_db:.1} dB");

        let reopened = Plugin::recalled(&session, &[]).bounce(&song.mix, &song.backing);
        assert_same(&reopened, &heard, "reopened");
        // Saved again without playing: the same session.
        let mut again = Plugin::new();
        again.host.load_state(&session).expect("a state that the plug-in saved is accepted");
        assert!(again.state() == session, "saved again");
    }
}

#[test]
fn loading_into_a_playing_instance_takes_over_its_match() {
    let song = Song::new(2, LEARN_S, RATE_HZ, 1_234, -0.7);
    let mut learner = Plugin::playing(&[]);
    learner.bounce(&song.mix, &song.backing);
    learner.set(&[("hold", "On")]);
    let session = learner.state();
    let expected = Plugin::recalled(&session, &[]).bounce(&song.mix, &song.backing);

    let mut playing = Plugin::playing(&PLAIN);
    let other = Song::copy(2, 1.0);
    playing.bounce(&other.mix, &other.backing);
    playing.host.load_state(&session).expect("a state that the plug-in saved is accepted");
    playing.host.reset();
    assert_same(&playing.bounce(&song.mix, &song.backing), &expected, "loaded while playing");
    assert!(playing.state() == session, "it saves something else than it was given");
}

#[test]
fn the_session_is_marked_changed_when_something_was_learned() {
    let song = Song::new(2, LEARN_S, RATE_HZ, 1_234, -0.7);
    let mut plugin = Plugin::playing(&PLAIN);
    let silent = silence(2, song.mix[0].len());
    plugin.bounce(&song.mix, &silent);
    assert!(!plugin.host.take_dirty(), "changed without a backing to learn from");
    plugin.bounce(&song.mix, &song.backing);
    assert!(plugin.host.take_dirty(), "what was learned would be lost");
    plugin.set(&[("hold", "On")]);
    plugin.host.take_dirty();
    plugin.bounce(&song.mix, &song.backing);
    assert!(!plugin.host.take_dirty(), "changed although the match is held");
}

/// Whoever has saved is not asked to save again unless there is something else to keep. What a control is set to the host
/// knows by itself.
#[test]
fn a_settled_match_marks_the_session_no_more_until_another_is_learned() {
    const LOW_HZ: f64 = 8_000.0;
    let song = Song::new(2, 110.0, LOW_HZ, 234, -0.7);
    let mut plugin = Plugin::new();
    plugin.activate(LOW_HZ);
    let marks = |plugin: &mut Plugin, song: &Song, from_s: usize, to_s: usize| -> usize {
        let [from, to] = [from_s, to_s].map(|s| s * LOW_HZ as usize);
        (from..to)
            .step_by(4_000)
            .filter(|&at| {
                let [mix, backing] = [&song.mix, &song.backing].map(|port| part(port, at, at + 4_000));
                plugin.play(&mix, &backing);
                plugin.host.take_dirty()
            })
            .count()
    };
    // Found within seconds; what leaks is known after some forty, when loud and soft moments have been heard for long enough.
    assert!(marks(&mut plugin, &song, 0, 3) > 0, "what was found would be lost");
    marks(&mut plugin, &song, 3, 46);
    assert_eq!(marks(&mut plugin, &song, 46, 106), 0, "changed over a minute in which nothing did");

    let all = [
        ("listen", "Backing"),
        ("trim", "2 dB"),
        ("nudge", "3 samples"),
        ("polarity", "Keep"),
        ("follow", "Off"),
        ("cleanup", "20 %"),
        ("lowcut", "200 Hz"),
        ("slope", "48 dB/oct"),
        ("output", "-3 dB"),
        ("backing_kind", "Estimated"),
        ("tone", "Off"),
        ("hold", "On"),
    ];
    for change in all {
        plugin.set(&[change]);
        assert!(!plugin.host.take_dirty(), "{change:?} is no learning");
    }
    assert_eq!(marks(&mut plugin, &song, 106, 108), 0, "changed by controls, with Hold on");

    // The backing moves.
    let mut plugin =
        Plugin::recalled_at(LOW_HZ, &plugin.state(), &[("hold", "Off"), ("tone", "Across sides")]);
    let moved = Song::new(2, 12.0, LOW_HZ, 1_234, -0.7);
    assert!(marks(&mut plugin, &moved, 0, 10) > 0, "another place would be lost");
    plugin.set(&[("hold", "On")]);
    marks(&mut plugin, &moved, 10, 11);
    plugin.set(&[("relearn", "On")]);
    assert_eq!(marks(&mut plugin, &moved, 11, 12), 1, "forgotten is changed, once");
}

#[test]
fn learning_goes_on_from_where_it_stopped() {
    // The second play starts from the match of the first: no search, so the first half second is down already.
    let song = Song::new(2, LEARN_S, RATE_HZ, 1_234, -1.0);
    let mut plugin = Plugin::playing(&PLAIN);
    plugin.bounce(&song.mix, &song.backing);
    let session = plugin.state();
    let out = Plugin::recalled(&session, &PLAIN).bounce(&song.mix, &song.backing);
    let half = RATE_HZ as usize / 2;
    let start = |audio: &Vec<Vec<f32>>| part(audio, 2_000, half);
    let left_db =
        level_db(&difference(&start(&out), &start(&song.voice))) - level_db(&start(&song.backing_in_mix));
    assert!(left_db <= -60.0, "{left_db:.1} dB left at once after reopening");
}

#[test]
fn learn_again_forgets() {
    let song = Song::new(2, LEARN_S, RATE_HZ, 1_234, -1.0);
    let mut plugin = Plugin::playing(&PLAIN);
    let fresh = plugin.state();
    let first = plugin.bounce(&song.mix, &song.backing);
    assert!(plugin.state() != fresh, "nothing was learned, so nothing is tested");
    plugin.set(&[("relearn", "On")]);
    plugin.set(&[("relearn", "Off")]);
    plugin.host.reset();
    assert_same(&plugin.bounce(&song.mix, &song.backing), &first, "learned again");
}
