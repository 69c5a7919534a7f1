//! The connections of the reel wrapping cell, found without its machine file.

use stopspan::capture::{Input, Packet, Run};
use stopspan::carrier::{Kind, Pass, Walker};
use stopspan::machine::{Carrier, Direction, Profile};
use stopspan::survey::{Address, Found, Keys, Outcome, Side, Survey};

use super::survey;
use crate::support::scenario;

const CLEAN: &[u8] = include_bytes!("../../../captures/reel-wrapper/clean.pcapng");
const FAULTY: &[u8] = include_bytes!("../../../captures/reel-wrapper/faulty.pcapng");

/// What tells a side: carrier address with the octet in it, octets of safe data.
fn found(side: &Side) -> (Carrier, usize, usize) {
    let (carrier, offset) = match side.address {
        Address::Type12Logical { address, .. } => {
            let address = address + u32::try_from(side.offset).unwrap();
            (Carrier::Type12Logical { address, working_counter: None }, 0)
        }
        Address::Type10 { frame_id, source, .. } => (Carrier::Type10 { frame_id, source: Some(source.0) }, side.offset),
        other => panic!("{other:?}"),
    };
    (carrier, offset, side.safe_data)
}

/// The keys as the machine file has them.
fn is_key_of(found: &Found, profile: &Profile) -> bool {
    match (&found.keys, profile) {
        (Keys::Fscp12_1 { connection_id, .. }, Profile::Fscp12_1(p)) => *connection_id == p.connection_id,
        (Keys::Fscp3_1(crc1), Profile::Fscp3_1(p)) => crc1.value == p.crc1,
        _ => false,
    }
}

/// Every connection of the machine file was found, whole and at its place, and nothing else.
fn assert_all(outcome: &Outcome) {
    let machine = scenario();
    for connection in &machine.connections {
        let of_it: Vec<_> = outcome.connections.iter().filter(|found| is_key_of(found, &connection.profile)).collect();
        let [one] = of_it[..] else { panic!("{}: {of_it:#?}", connection.id) };
        assert_eq!(one.profile, connection.profile.name());
        assert!(one.is_directed);
        for direction in [Direction::ToDevice, Direction::ToHost] {
            let side = if direction == Direction::ToDevice { &one.to_device } else { &one.to_host };
            let side = side.as_ref().unwrap_or_else(|| panic!("{} {}", connection.id, direction.name()));
            let place = connection.place(direction);
            let data = connection.profile.safe_data_length(direction);
            assert_eq!(found(side), (place.carrier.clone(), place.offset, data), "{}", connection.id);
            assert!(side.tally.confirmed * 100 >= side.tally.telegrams * 95, "{} {:?}", connection.id, side.tally);
            assert!(side.bits >= outcome.search.needed());
        }
    }
    assert_eq!(outcome.connections.len(), machine.connections.len());
}

#[test]
fn all_connections_are_found_in_a_clean_run() {
    let outcome = survey(CLEAN, |_| true);
    assert_all(&outcome);
    // Watchdog and address are those of the machine file, read from the transfer of parameters.
    for connection in &scenario().connections {
        let Profile::Fscp12_1(p) = &connection.profile else { continue };
        let ms = u16::try_from(connection.watchdog.as_nanos() / 1_000_000).unwrap();
        let keys = Keys::Fscp12_1 {
            connection_id: p.connection_id,
            device_address: Some(p.device_address),
            watchdog_ms: Some(ms),
        };
        assert!(outcome.connections.iter().any(|found| found.keys == keys), "{keys:?}");
    }
}

#[test]
fn faults_on_purpose_hide_nothing() {
    assert_all(&survey(FAULTY, |_| true));
}

#[test]
fn a_part_from_the_middle_is_enough() {
    for first in [5_001, 9_000, 12_345] {
        assert_all(&survey(CLEAN, |packet| (first..first + 5_000).contains(&packet.number)));
    }
}

fn pass(walker: &mut Walker, packet: &Packet<'_>) -> Option<Pass> {
    match walker.walk(packet.link_type, packet.octets, |_, _| ()) {
        Ok(Kind::Type12 { pass, .. }) => Some(pass),
        _ => None,
    }
}

/// Octets of safe data of the connections, the direction with less of them first.
fn lengths(outcome: &Outcome) -> Vec<[usize; 2]> {
    let data = |side: &Option<Side>| side.as_ref().map_or(0, |side| side.safe_data);
    let mut lengths: Vec<_> =
        outcome.connections.iter().map(|found| [data(&found.to_device), data(&found.to_host)]).collect();
    lengths.iter_mut().for_each(|pair| pair.sort_unstable());
    lengths.sort_unstable();
    lengths
}

/// A master that reads and writes in one datagram sends the inputs out again, and all comes back: so one pass has all, but
/// not which is which. That only the start-ups in it tell.
#[test]
fn one_pass_alone_does_not_tell_the_directions_but_a_start_up_does() {
    for wanted in [Pass::Outgoing, Pass::Returning] {
        let mut walker = Walker::default();
        let outcome = survey(CLEAN, |packet| pass(&mut walker, packet) == Some(wanted));
        // Behind the start-up nothing tells it.
        let (mut walker, mut packets) = (Walker::default(), 0);
        let later = survey(CLEAN, |packet| {
            packets += 1;
            pass(&mut walker, packet) == Some(wanted) && packets > 8_000
        });
        assert!(!later.connections.is_empty() && later.connections.iter().all(|found| !found.is_directed));
        // In the image of the cell the outputs come first.
        for found in &outcome.connections {
            let [to_device, to_host] = [&found.to_device, &found.to_host].map(|side| side.as_ref().unwrap().offset);
            assert!(found.is_directed && to_device < to_host, "{found:#?}");
        }
        assert_eq!(lengths(&outcome), [[1, 1], [1, 2], [2, 2], [2, 4], [4, 4], [4, 6], [6, 8]]);
    }
}

/// From four octets of safe data on a telegram proves itself; two or one need the partner.
#[test]
fn a_direction_alone_is_found_where_it_can_be_proven() {
    // The image of the cell: outputs in 72 octets, inputs behind them; the data begin behind 26 octets of headers.
    let without = |octets: std::ops::Range<usize>| {
        let mut run = Run::open([Input::stream("clean", CLEAN)]).unwrap();
        let mut survey = Survey::default();
        while let Some(packet) = run.next_packet().unwrap() {
            let mut changed = packet.octets.to_vec();
            if changed[12..14] == [0x88, 0xA4] {
                let end = octets.end.min(changed.len());
                changed[octets.start.min(end)..end].fill(0);
                survey.packet(&Packet { octets: &changed, ..packet });
            }
        }
        survey.finish()
    };
    for (octets, direction, expected) in [
        (26 + 72..usize::MAX, Direction::ToDevice, vec![[0, 4], [0, 4], [0, 6]]),
        (26..26 + 72, Direction::ToHost, vec![[0, 4], [0, 4], [0, 6], [0, 8]]),
    ] {
        let outcome = without(octets);
        assert_eq!(lengths(&outcome), expected);
        let mut sides = outcome.connections.iter().flat_map(Found::sides);
        assert!(sides.all(|(found, _)| found == direction));
    }
    // Of the FSCP 3/1 connection one sender is enough to know that it is one.
    let one = survey(CLEAN, |packet| packet.octets[6..12] == [2, 0, 0, 0, 1, 1]);
    let [found] = &one.connections[..] else { panic!("{:#?}", one.connections) };
    assert_eq!((found.profile, found.is_directed, found.sides().count()), ("FSCP 3/1", false, 1));
}
