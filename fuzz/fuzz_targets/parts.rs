//! A conversation whose check is cut: merged parts are the whole.

#![no_main]

libfuzzer_sys::fuzz_target!(|octets: &[u8]| stopspan_fuzz::parts(octets));
