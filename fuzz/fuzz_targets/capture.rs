//! Any octets as a capture file.

#![no_main]

libfuzzer_sys::fuzz_target!(|octets: &[u8]| stopspan_fuzz::capture(octets));
