//! A capture of the reel wrapping cell: checked, judged and reported.

#![no_main]

libfuzzer_sys::fuzz_target!(|octets: &[u8]| stopspan_fuzz::analyze(octets));
