//! Whose a key is under Windows: the host's, but for those that the window has a use for.

#![cfg(windows)]

use std::{env, path::PathBuf, thread, time::Duration};

use windows_sys::Win32::UI::{
    Input::KeyboardAndMouse::{VK_ESCAPE, VK_SPACE, VK_TAB},
    WindowsAndMessaging::{GW_CHILD, GetWindow, PostMessageW, WM_KEYDOWN, WM_KEYUP},
};
use xtask::window::{Stage, situation::Situation};

const NONE: [u16; 0] = [];

/// Presses a key for the plug-in's window, as Windows does for one that was clicked, and tells which keys the host's window got.
fn keys_of_host(stage: &mut Stage, key: u16) -> Vec<u16> {
    // SAFETY: the window is open.
    unsafe {
        let inside = GetWindow(stage.screen().id, GW_CHILD);
        assert!(!inside.is_null());
        PostMessageW(inside, WM_KEYDOWN, key.into(), 1);
        PostMessageW(inside, WM_KEYUP, key.into(), 0xC000_0001_u32 as i32 as isize);
    }
    // The window answers with its next picture.
    for _ in 0..20 {
        assert!(stage.serve().unwrap(), "the window has closed");
        thread::sleep(Duration::from_millis(20));
    }
    stage.screen().take_keys()
}

#[test]
fn keys_that_the_window_does_not_want_are_the_hosts() {
    let bundle = env::var_os("MINUEND_BUNDLE")
        .map_or_else(|| xtask::bundle::Bundles::build().unwrap().clap, PathBuf::from);
    let mut stage = Stage::open(&bundle, Situation::Demo, 1.0).unwrap();
    assert_eq!(keys_of_host(&mut stage, VK_SPACE), [VK_SPACE]);
    // A control takes the keyboard, and gives it back.
    assert_eq!(keys_of_host(&mut stage, VK_TAB), NONE);
    assert_eq!(keys_of_host(&mut stage, VK_SPACE), NONE);
    assert_eq!(keys_of_host(&mut stage, VK_ESCAPE), NONE);
    assert_eq!(keys_of_host(&mut stage, VK_SPACE), [VK_SPACE]);
}
