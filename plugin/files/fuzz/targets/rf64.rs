//! The header of RF64 files.
#![no_main]

use std::io::Cursor;

use libfuzzer_sys::fuzz_target;
use minuend_files::read::rf64::long_sizes;

fuzz_target!(|content: &[u8]| {
    let _ = long_sizes(&mut Cursor::new(content));
});
