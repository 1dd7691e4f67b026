//! See `checks/content.rs`.
#![no_main]

#[path = "../checks/mod.rs"]
mod checks;

libfuzzer_sys::fuzz_target!(|data: &[u8]| checks::run("content", data));
