//! A running stream of any profile with flipped bits.

#![no_main]

libfuzzer_sys::fuzz_target!(|octets: &[u8]| stopspan_fuzz::flip(octets));
