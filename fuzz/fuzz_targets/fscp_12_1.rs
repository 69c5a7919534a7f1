//! Any octets as an FSCP 12/1 telegram.

#![no_main]

libfuzzer_sys::fuzz_target!(|octets: &[u8]| stopspan_fuzz::fscp_12_1(octets));
