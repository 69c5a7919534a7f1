//! Layouts as a machine file has them, and telegrams.

#![no_main]

libfuzzer_sys::fuzz_target!(|octets: &[u8]| stopspan_fuzz::declared(octets));
