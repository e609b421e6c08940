//! Which part of an MPEG-4 file is heard.
#![no_main]

use std::io::Cursor;

use libfuzzer_sys::fuzz_target;
use minuend_files::read::mp4_edit::heard;

fuzz_target!(|content: &[u8]| {
    let _ = heard(&mut Cursor::new(content), 44_100);
});
