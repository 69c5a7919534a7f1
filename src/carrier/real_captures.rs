//! Walks real Type 12 captures, where a folder `shared/captures` stands beside the crate or above it. Without it, or
//! without a capture in it, there is nothing to test here and the tests pass.

use std::fs;
use std::path::Path;

use super::{Kind, LINK_TYPE_ETHERNET, Pass, Payload, Walker};

fn capture(name: &str) -> Option<Vec<u8>> {
    let folders = Path::new(env!("CARGO_MANIFEST_DIR")).ancestors();
    let capture = folders.map(|folder| folder.join("shared/captures").join(name)).find_map(|path| fs::read(path).ok());
    if capture.is_none() {
        eprintln!("skipped: no folder shared/captures with {name}");
    }
    capture
}

/// The octets of the enhanced packet blocks (type 6) of a little-endian pcapng file.
fn packets(file: &[u8]) -> Vec<&[u8]> {
    let number = |at: usize| usize::try_from(u32::from_le_bytes(file[at..at + 4].try_into().unwrap())).unwrap();
    let mut found = Vec::new();
    let mut block = 0;
    while block < file.len() {
        if number(block) == 6 {
            found.push(&file[block + 28..][..number(block + 20)]);
        }
        block += number(block + 4);
    }
    found
}

/// Half of the packets go out and half return, in pairs by the index of the frame; `unanswered` of the returning ones
/// come back with all working counters at zero. The figures were counted by a separate script that reads the octets.
fn every_frame_goes_out_and_returns(name: &str, count: usize, unanswered: usize) {
    let Some(file) = capture(name) else { return };
    let packets = packets(&file);
    assert_eq!(packets.len(), count);
    let mut walker = Walker::default();
    let (mut out, mut back, mut silent) = (0, 0, 0);
    let mut under_way = [0_i32; 256];
    for (place, octets) in packets.into_iter().enumerate() {
        let mut served = 0;
        let kind = walker.walk(LINK_TYPE_ETHERNET, octets, |_, payload| match payload {
            Payload::Type12 { datagram, .. } => served += u32::from(datagram.working_counter),
            other => panic!("packet {}: {other:?}", place + 1),
        });
        match kind {
            Ok(Kind::Type12 { pass: Pass::Outgoing, via_udp: false, first_index }) => {
                out += 1;
                under_way[usize::from(first_index)] += 1;
                assert_eq!(served, 0, "packet {}", place + 1);
            }
            Ok(Kind::Type12 { pass: Pass::Returning, via_udp: false, first_index }) => {
                back += 1;
                silent += usize::from(served == 0);
                under_way[usize::from(first_index)] -= 1;
                assert!(under_way[usize::from(first_index)] >= 0, "packet {} returned but never went out", place + 1);
            }
            other => panic!("packet {}: {other:?}", place + 1),
        }
    }
    assert_eq!((out, back, silent), (count / 2, count / 2, unanswered));
}

#[test]
fn cyclic_exchange_of_2_ms() {
    every_frame_goes_out_and_returns("type12/cyclic-2ms.pcapng", 2_976, 20);
}

#[test]
fn cyclic_exchange_with_distributed_clock() {
    every_frame_goes_out_and_returns("type12/cyclic-distributed-clock.pcapng", 3_604, 25);
}
