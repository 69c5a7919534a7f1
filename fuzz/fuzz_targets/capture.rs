//! Any octets as a capture file.

#![no_main]

use std::io::Cursor;

use libfuzzer_sys::fuzz_target;
use stopspan::capture::{Input, Run};

fuzz_target!(|octets: &[u8]| {
    let Ok(mut run) = Run::open([Input::stream("fuzz", Cursor::new(octets.to_vec()))]) else { return };
    let (mut packets, mut kept, mut last) = (0, 0, 0);
    while let Some(packet) = run.next_packet().expect("reading from memory does not fail") {
        assert!(packet.number > last, "numbers ascend");
        last = packet.number;
        packets += 1;
        kept += packet.octets.len();
    }
    let file = &run.summary().files[0];
    assert!(file.finished);
    assert_eq!(packets + file.unknown_interface, file.packets, "every packet is handed out or told");
    assert!(u64::try_from(kept).unwrap() <= file.octets);
    assert!(file.interfaces.len() <= 65_536);
});
