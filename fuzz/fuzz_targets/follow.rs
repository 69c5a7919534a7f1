//! A conversation of any profile, wrong in places.

#![no_main]

libfuzzer_sys::fuzz_target!(|octets: &[u8]| stopspan_fuzz::follow(octets));
