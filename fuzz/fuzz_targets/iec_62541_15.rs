//! Any octets as a request or response of IEC 62541-15.

#![no_main]

libfuzzer_sys::fuzz_target!(|octets: &[u8]| stopspan_fuzz::iec_62541_15(octets));
