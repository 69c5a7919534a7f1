//! Any octets as an Ethernet frame.

#![no_main]

libfuzzer_sys::fuzz_target!(|octets: &[u8]| stopspan_fuzz::carrier(octets));
