#![no_main]

#[path = "../properties.rs"]
#[allow(dead_code, reason = "every target takes one of them")]
mod properties;

libfuzzer_sys::fuzz_target!(|data: &[u8]| properties::lists(data));
