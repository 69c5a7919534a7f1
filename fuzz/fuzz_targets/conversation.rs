//! A conversation with valid CRCs in Type 12 frames, wrong in places.

#![no_main]

libfuzzer_sys::fuzz_target!(|octets: &[u8]| stopspan_fuzz::conversation(octets));
