//! A declared layout put together from octets, and telegrams.

#![no_main]

libfuzzer_sys::fuzz_target!(|octets: &[u8]| stopspan_fuzz::layout(octets));
