//! Any octets as a machine file.

#![no_main]

libfuzzer_sys::fuzz_target!(|octets: &[u8]| stopspan_fuzz::machine_file(octets));
