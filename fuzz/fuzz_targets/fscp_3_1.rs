//! Any octets as an FSCP 3/1 telegram.

#![no_main]

libfuzzer_sys::fuzz_target!(|octets: &[u8]| stopspan_fuzz::fscp_3_1(octets));
