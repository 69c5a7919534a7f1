//! Packets that the capture cut, through the whole checker.

use super::*;
use crate::capture::Packet;
use crate::carrier::type12::{self, Datagram};
use crate::carrier::{Headers, LINK_TYPE_ETHERNET, Mac, Pass, compose, type2, udp};

fn link() -> Headers {
    let mut r = crate::bytes::Reader::new("test", &[1, 1, 5, 1, 1, 1, 2, 0, 0, 0, 0, 1, 0x88, 0xA4]);
    let headers = Headers::parse(&mut r).unwrap();
    assert_eq!(headers.source, Mac([2, 0, 0, 0, 0, 1]));
    headers
}

/// The telegrams of connection "gate" in Type 12 frames of their own, the last `cut` octets of one of them not captured.
fn check_cut(telegrams: &[(Direction, Vec<u8>)], which: usize, cut: usize) -> Outcome {
    let machine = machine();
    let mut checker = Checker::new(&machine);
    let mut number = 0;
    for (index, (direction, octets)) in telegrams.iter().enumerate() {
        let (command, address) = match direction {
            ToDevice => (type12::Command::Lwr, 0x1000_u32),
            ToHost => (type12::Command::Lrd, 0x2000),
        };
        for (pass, working_counter) in [(Pass::Outgoing, 0), (Pass::Returning, 1)] {
            let datagram = Datagram {
                command,
                index: u8::try_from(index).unwrap(),
                address_field: address.to_le_bytes(),
                circulated: false,
                more_follow: false,
                interrupt: 0,
                data: octets,
                working_counter,
            };
            let frame = compose::type12(&link(), pass, &[datagram]).unwrap();
            number += 1;
            let kept = if index == which { frame.len() - cut } else { frame.len() };
            checker.packet(&Packet {
                file: 0,
                number,
                at: Some(Instant::from_nanos(i64::try_from(number).unwrap() * 1_000_000)),
                interface: 0,
                link_type: LINK_TYPE_ETHERNET,
                original_length: u32::try_from(frame.len()).unwrap(),
                octets: &frame[..kept],
            });
        }
    }
    checker.finish()
}

#[test]
fn a_telegram_behind_the_cut_is_no_loss_of_the_machine() {
    let telegrams = Pair::new(7, [8, 12]).exchange(8);
    let whole = check_cut(&telegrams, 8, 0);
    assert_eq!((found(&whole.connections[0]), whole.contents.cut_short), (vec![], 0));
    assert_eq!(whole.connections[0].unchecked, None);
    for which in [8, 9] {
        // Padding can be missing without harm, the telegram can not.
        let outcome = check_cut(&telegrams, which, 40);
        let gate = &outcome.connections[0];
        assert_eq!(outcome.contents.cut_short, 2);
        assert_eq!(found(gate), [], "telegram {which}");
        assert_eq!(gate.to_device.tap_losses + gate.to_host.tap_losses, 1, "telegram {which}");
    }
}

/// The same connection over Type 2 and behind an EtherType, one packet of each cut at every length.
#[test]
fn every_cut_of_type_2_packets_and_of_frames_is_no_loss_of_the_machine() {
    let places = [
        (
            "to_device = { carrier = \"type12\", address = 0x1000 }",
            "to_device = { carrier = \"type2\", connection_id = 9, class = 1 }",
        ),
        (
            "to_host = { carrier = \"type12\", address = 0x2000 }",
            "to_host = { carrier = \"ethernet\", ethertype = 0xB62C, offset = 3 }",
        ),
    ];
    let text = places.iter().fold(MACHINE.to_owned(), |text, (from, to)| text.replacen(from, to, 1));
    let machine = machine::read("test", text).unwrap_or_else(|problems| panic!("{problems}"));
    let telegrams = Pair::new(7, [8, 12]).exchange(16);
    let frames: Vec<Vec<u8>> = (0..).zip(&telegrams).map(|(sequence, telegram)| frame(sequence, telegram)).collect();
    for which in [24, 25] {
        let length = frames[which].len();
        // The telegrams end where the frames do, but for padding.
        let end = if which == 24 { 14 + 28 + 2 + 12 + 4 + 2 + 19 } else { 14 + 3 + 27 };
        for kept in 0..=length {
            let mut checker = Checker::new(&machine);
            for (index, frame) in frames.iter().enumerate() {
                let octets = if index == which { &frame[..kept] } else { &frame[..] };
                let number = u64::try_from(index).unwrap() + 1;
                let original_length = u32::try_from(frame.len()).unwrap();
                let at = Some(Instant::from_nanos(i64::try_from(number).unwrap() * 1_000_000));
                checker.packet(&Packet {
                    file: 0,
                    number,
                    at,
                    interface: 0,
                    link_type: LINK_TYPE_ETHERNET,
                    original_length,
                    octets,
                });
            }
            let outcome = checker.finish();
            let gate = &outcome.connections[0];
            assert_eq!(found(gate), [], "{which} cut to {kept} of {length}");
            let lost = gate.to_device.tap_losses + gate.to_host.tap_losses;
            assert_eq!(lost, u64::from(kept < end), "{which} cut to {kept} of {length}");
        }
    }
}

/// A Type 2 packet with a sequence count, or a frame with three octets before the telegram.
fn frame(sequence: u32, (direction, octets): &(Direction, Vec<u8>)) -> Vec<u8> {
    if *direction == ToHost {
        return compose::other(&link(), 0xB62C, &[&[7, 7, 7][..], octets].concat());
    }
    let data = [&[1, 1][..], octets].concat();
    let connected = type2::Connected { connection_id: 9, sequence: Some(sequence / 2), data: &data };
    let addresses = udp::Addresses::V4 { source: [192, 0, 2, 1].into(), destination: [192, 0, 2, 2].into() };
    let datagram = udp::Datagram { addresses, source_port: 2_222, destination_port: 0, checksum: 0, payload: &[] };
    compose::type2(&link(), &datagram, &connected).unwrap()
}
