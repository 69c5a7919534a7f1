//! Any octets as FSCP 2/1 messages.

#![no_main]

libfuzzer_sys::fuzz_target!(|octets: &[u8]| stopspan_fuzz::fscp_2_1(octets));
