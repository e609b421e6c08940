//! The plug-in as it is shipped: a file on disk, built for release.

use std::path::PathBuf;

use crate::host::Plugin;
use crate::signals::Song;
use crate::sound::learned;

/// `MINUEND_BUNDLE`, or the bundle as `cargo xtask bundle minuend --release` makes it of the present sources.
pub fn bundle() -> PathBuf {
    std::env::var_os("MINUEND_BUNDLE").map_or_else(
        || xtask::bundle::Bundles::ship().expect("the plug-in can be bundled").clap,
        PathBuf::from,
    )
}

#[test]
fn the_bundled_file_sounds_as_the_sources_do() {
    let song = Song::copy(2, 3.0);
    let [shipped, linked] = [Plugin::from_file(&bundle()), Plugin::new()].map(|mut plugin| {
        plugin.activate(crate::signals::RATE_HZ);
        let face = (plugin.host.id(), plugin.host.params(), plugin.host.latency_samples(), plugin.state());
        let learning = plugin.bounce(&song.mix, &song.backing);
        plugin.host.load_state(learned()).expect("a state that the plug-in saved is accepted");
        plugin.host.reset();
        (face, learning, plugin.bounce(&song.mix, &song.backing))
    });
    assert_eq!(shipped.0, linked.0);
    assert!(shipped.1 == linked.1, "the first play differs");
    assert!(shipped.2 == linked.2, "the second play differs");
}

/// Otherwise it would differ by where it was built, and tell it. Where cargo keeps what it downloads: The Cargo Book,
/// "Cargo Home".
#[test]
fn the_bundled_file_names_no_folder_of_the_machine_that_built_it() {
    let shipped = std::fs::read(bundle()).expect("the bundle can be read");
    let shipped = String::from_utf8_lossy(&shipped);
    let sources = xtask::bundle::workspace_root().join("plugin").join("src");
    let built = xtask::bundle::target_folder().expect("cargo knows its folder").join("release");
    let [packages, repositories] = [["registry", "src"], ["git", "checkouts"]].map(PathBuf::from_iter);
    for folder in [sources, built, packages, repositories] {
        let name = folder.to_str().expect("a name in Unicode");
        let count = shipped.matches(name).count();
        assert_eq!(count, 0, "of {name}; RUSTFLAGS in the environment would be the cause");
    }
}
