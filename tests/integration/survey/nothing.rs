//! Traffic without safety telegrams: nothing may be found in it.

use stopspan::capture::Packet;
use stopspan::carrier::type12::{Command, Datagram};
use stopspan::carrier::udp::Addresses;
use stopspan::carrier::{Headers, Mac, Pass, compose, type10, type13, udp};
use stopspan::survey::{Outcome, Survey};
use stopspan::time::Instant;

use super::survey;
use crate::support::published_captures;

/// Frames that are looked at; more by setting STOPSPAN_RANDOM_FRAMES.
const FRAMES: u64 = 100_000;

/// A generator of its own (Steele, Lea, Flood 2014), so that nothing of the crate makes its test data.
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn octets(&mut self, length: usize) -> Vec<u8> {
        std::iter::repeat_with(|| self.next().to_le_bytes()).flatten().take(length).collect()
    }
}

/// Surveys a run of frames, a millisecond apart.
fn frames(frames: impl Iterator<Item = Vec<u8>>) -> Outcome {
    let mut survey = Survey::default();
    for (number, octets) in (1..).zip(frames) {
        survey.packet(&Packet {
            file: 0,
            number,
            at: Some(Instant::from_nanos(i64::try_from(number).unwrap() * 1_000_000)),
            interface: 0,
            link_type: 1,
            original_length: u32::try_from(octets.len()).unwrap(),
            octets: &octets,
        });
    }
    survey.finish()
}

/// A frame of a carrier with these data; `sender` tells the address.
fn frame(carrier: u64, sender: u64, data: &[u8]) -> Vec<u8> {
    let mac = |last| Mac([0, 0, 0, 0, 0, last]);
    let sender = u16::try_from(sender).unwrap();
    let link = Headers { destination: mac(1), source: mac(2), ..Headers::default() };
    match carrier {
        0 => {
            let datagram = Datagram {
                command: Command::Lrw,
                index: 0,
                address_field: (0x0100_0000 + 64 * u32::from(sender)).to_le_bytes(),
                circulated: false,
                more_follow: false,
                interrupt: 0,
                data,
                working_counter: 3,
            };
            let pass = if data[0] & 1 == 0 { Pass::Outgoing } else { Pass::Returning };
            compose::type12(&link, pass, &[datagram]).unwrap()
        }
        1 => {
            let trailer =
                type10::Trailer { cycle_counter: 0, data_status: type10::DataStatus(0x35), transfer_status: 0 };
            compose::type10(&link, &type10::Frame { frame_id: 0x8001 + sender, data, trailer: Some(trailer) })
        }
        2 => {
            let head = type13::Head::Cyclic(type13::Cyclic::default());
            let message_type = type13::MessageType::PRes;
            let frame = type13::Frame {
                message_type,
                destination: 255,
                source: 1 + u8::try_from(sender % 250).unwrap(),
                head,
                payload: data,
            };
            compose::type13(&link, &frame).unwrap()
        }
        _ => {
            let addresses = Addresses::V4 { source: [192, 0, 2, 1].into(), destination: [192, 0, 2, 2].into() };
            let datagram = udp::Datagram {
                addresses,
                source_port: 9 + sender,
                destination_port: 4_840,
                checksum: 0,
                payload: data,
            };
            compose::udp(&link, &datagram).unwrap()
        }
    }
}

fn assert_nothing(outcome: &Outcome) {
    assert!(outcome.connections.is_empty(), "{:#?}", outcome.connections);
}

#[test]
fn nothing_is_found_in_random_octets() {
    let count = std::env::var("STOPSPAN_RANDOM_FRAMES").map_or(FRAMES, |text| text.parse().unwrap());
    let mut dice = Dice(1);
    let outcome = frames((0..count).map(|number| {
        let length = 8 + usize::try_from(dice.next() % 56).unwrap();
        // Each address is searched thoroughly before it changes.
        frame(number % 4, number / 1_024, &dice.octets(length))
    }));
    assert_eq!(outcome.packets, count);
    assert!(outcome.search.tried() > u128::from(count) * 100);
    assert_nothing(&outcome);
}

/// Counters, ramps, flags and copies as plain process data have them, with octets that look like commands among them.
#[test]
fn nothing_is_found_in_orderly_process_data() {
    let mut dice = Dice(2);
    let outcome = frames((0..20_000_u64).map(|number| {
        let mut data = vec![0; 48];
        data[0..4].copy_from_slice(&u32::try_from(number).unwrap().to_le_bytes());
        data[4] = 0x36;
        data[5..7].copy_from_slice(&u16::try_from(number % 65_536).unwrap().to_be_bytes());
        data[9..11].copy_from_slice(&[7, 0]);
        data[12] = if number % 2 == 0 { 0x20 } else { 0 };
        data[13..16].copy_from_slice(&[u8::try_from(number % 2).unwrap(); 3]);
        data[20..24].copy_from_slice(&u32::try_from(number / 3).unwrap().to_be_bytes());
        let inverted: Vec<u8> = data[20..24].iter().map(|octet| !octet).collect();
        data[27..31].copy_from_slice(&inverted);
        data[32] = dice.octets(1)[0] & 3;
        data[40] = 0x84;
        frame(number % 4, 0, &data)
    }));
    assert_nothing(&outcome);
}

#[test]
fn nothing_is_found_in_published_captures_without_safety_telegrams() {
    let Some(folder) = published_captures() else { return };
    let mut folders = vec![folder];
    let mut seen = 0;
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|extension| extension == "pcapng") {
                assert_nothing(&survey(&std::fs::read(&path).unwrap(), |_| true));
                seen += 1;
            }
        }
    }
    assert!(seen >= 50, "{seen}");
}

#[test]
fn what_could_not_be_read_is_told() {
    let mut survey = Survey::default();
    let fragment = {
        let addresses = Addresses::V4 { source: [192, 0, 2, 1].into(), destination: [192, 0, 2, 2].into() };
        let datagram = udp::Datagram { addresses, source_port: 1, destination_port: 2, checksum: 0, payload: &[1; 40] };
        let mut frame = compose::udp(&Headers::default(), &datagram).unwrap();
        // More fragments follow; the header checksum is 0, which is not checked.
        frame[20] |= 0x20;
        frame
    };
    let malformed = [&[0; 12][..], &[0x08, 0x00, 0x46]].concat();
    for (link_type, octets) in [(113, &[0; 60][..]), (113, &[1; 60]), (101, &[2; 60]), (1, &fragment), (1, &malformed)]
    {
        let original_length = u32::try_from(octets.len()).unwrap();
        survey.packet(&Packet { file: 0, number: 1, at: None, interface: 0, link_type, original_length, octets });
    }
    let unread = survey.finish().unread;
    assert_eq!(unread.link_types, [(Some(101), 1), (Some(113), 2)].into());
    assert_eq!((unread.fragments, unread.malformed), (1, 1));
}
