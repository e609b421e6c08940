//! A whole file, of whatever format, through every library that reads it. Begin with the files in `reference/formats`.
#![no_main]

use std::fs;

use libfuzzer_sys::fuzz_target;
use minuend_files::read::read_all;

fuzz_target!(|content: &[u8]| {
    let path = std::env::temp_dir().join(format!("minuend-fuzz-{}", std::process::id()));
    fs::write(&path, content).expect("temporary files can be written");
    if let Err(error) = read_all(&path) {
        // Even then the file is named.
        assert!(format!("{error:#}").contains("minuend-fuzz-"), "{error:#}");
    }
});
