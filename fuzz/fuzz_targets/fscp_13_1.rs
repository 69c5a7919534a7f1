//! Any octets as FSCP 13/1 telegrams.

#![no_main]

libfuzzer_sys::fuzz_target!(|octets: &[u8]| stopspan_fuzz::fscp_13_1(octets));
