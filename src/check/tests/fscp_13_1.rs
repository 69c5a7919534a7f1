//! FSCP 13/1: what a follower says of telegrams put together here.

use super::{found, hex};
use crate::check::follower::{Follower, Siblings};
use crate::check::{Class, ConnectionOutcome, Detail, EventKind, Location, TripCause, Unchecked};
use crate::machine::{self, Direction, Machine};
use crate::telegram::fscp_13_1::{Fields, Message, Order, Polynomial, Udid, Wire, emit};
use crate::time::{Instant, Span};
use Direction::{ToDevice, ToHost};

const UDID: Udid = Udid([0, 1, 2, 3, 4, 5]);
const HOST: u16 = 5;
const DEVICE: u16 = 0x2A5;
const VALID: Message = Message::Data { valid: true };
const INVALID: Message = Message::Data { valid: false };

fn machine(keys: &str) -> Machine {
    let text = format!(
        r#"
schema = 1
machine = {{ name = "Reel wrapping cell", revision = "C" }}
element = [{{ id = "switch", worst_case = "8 ms" }}, {{ id = "logic", worst_case = "8 ms" }}]
[[connection]]
id = "gate"
profile = "FSCP 13/1"
worst_case = "20 ms"
watchdog = "45 ms"
telegram = {{ to_device_data = 2, to_host_data = 9, to_device_address = 5, to_host_address = 0x2A5{keys} }}
to_device = {{ carrier = "type13", message = "PReq", node = 5 }}
to_host = {{ carrier = "udp", destination_port = 9877 }}
[[function]]
id = "gate-opens"
path = ["switch", "gate", "logic"]
required = {{ response_time = "1 s" }}
"#
    );
    machine::read("test", text).unwrap_or_else(|problems| panic!("{problems}"))
}

const ALL_KEYS: &str = r#", udid = "00:01:02:03:04:05", domain = 1, time_base = "1 ms", max_delay = "8 ms""#;

/// Time of the packet in milliseconds, direction, octets.
type Packet = (i64, Direction, Vec<u8>);

fn fields(direction: Direction, message: Message, time: u16) -> Fields {
    let address = if direction == ToDevice { HOST } else { DEVICE };
    Fields { message, address, domain: 1, time, target: 0, time_request: 0 }
}

fn octets(fields: &Fields, data: &[u8], wire: Wire) -> Vec<u8> {
    let mut out = Vec::new();
    emit(fields, data, UDID, wire, &mut out).unwrap();
    out
}

/// A telegram with data that come from its time.
fn telegram(direction: Direction, message: Message, time: u16) -> Vec<u8> {
    let [low, high] = time.to_le_bytes();
    let data = if direction == ToDevice { vec![low, high] } else { vec![low; 9] };
    octets(&fields(direction, message, time), &data, Wire::default())
}

/// Telegrams of both nodes, 10 ms apart, by clocks of a millisecond that are `clocks` at time `from`.
fn rounds(from: i64, count: u16, clocks: [u16; 2]) -> Vec<Packet> {
    let [host, device] = clocks;
    let round = |n: u16| {
        let at = from + 10 * i64::from(n);
        let time = |clock: u16, later| clock.wrapping_add(10 * n + later);
        [
            (at, ToDevice, telegram(ToDevice, VALID, time(host, 0))),
            (at + 4, ToHost, telegram(ToHost, VALID, time(device, 4))),
        ]
    };
    (0..count).flat_map(round).collect()
}

fn follow(machine: &Machine, packets: &[Packet]) -> ConnectionOutcome {
    let place = |index: usize, ms: i64| {
        let (at, packet) = (Instant::from_nanos(ms * 1_000_000), u64::try_from(index).unwrap() + 1);
        Location { at, file: 0, packet }
    };
    super::in_parts::both(machine, 0, |cut| {
        let mut follower = Follower::new(0, &machine.connections[0]);
        for (index, (ms, direction, octets)) in packets.iter().enumerate() {
            follower.telegram(*direction, octets, place(index, *ms), Siblings { before: &[], after: &[] });
            cut(&mut follower);
        }
        follower.finish(packets.last().map(|(ms, ..)| place(0, *ms).at))
    })
}

fn kinds(outcome: &ConnectionOutcome) -> Vec<EventKind> {
    outcome.events.iter().map(|event| event.kind).collect()
}

/// A telegram that was worked out before there was an encoder here: SPDO, ADR 5, SDN 1, CT 0x1234, data AA55.
#[test]
fn a_telegram_from_elsewhere_is_confirmed() {
    let machine = machine(r#", udid = "00:01:02:03:04:05", domain = 1"#);
    let outcome = follow(&machine, &[(0, ToDevice, hex("05c40234aa556204c5100304af55db"))]);
    assert_eq!((found(&outcome), outcome.to_device.confirmed), (vec![], 1));
    assert_eq!(outcome.unchecked, Some(Unchecked::NeverSeen(ToHost)));
}

#[test]
fn both_clocks_may_turn_over() {
    let outcome = follow(&machine(&ALL_KEYS.replace(", max_delay = \"8 ms\"", "")), &rounds(0, 12, [0xFFE0, 0x00F8]));
    assert_eq!((found(&outcome), outcome.unchecked), (vec![], None));
    assert_eq!((outcome.to_device.confirmed, outcome.to_host.confirmed), (12, 12));
    assert_eq!(kinds(&outcome), [EventKind::Joined]);
    assert_eq!(outcome.round_trip.times.count(), 0, "nobody waits for an answer");
}

#[test]
fn a_flipped_bit_is_a_corruption_with_and_without_the_udid() {
    for keys in [ALL_KEYS, ""] {
        let machine = machine(keys);
        for index in [8, 9] {
            for bit in 0..8 * rounds(0, 6, [0, 0])[index].2.len() {
                let mut packets = rounds(0, 6, [0x1234, 0x4321]);
                packets[index].2[bit / 8] ^= 1 << (bit % 8);
                let outcome = follow(&machine, &packets);
                let expected = [(Class::Corruption, packets[index].1, u64::try_from(index).unwrap() + 1)];
                assert_eq!(found(&outcome), expected, "octet {} bit {} {keys}", bit / 8, bit % 8);
            }
        }
    }
}

#[test]
fn without_the_udid_it_says_so_and_with_a_wrong_one_too() {
    let outcome = follow(&machine(""), &rounds(0, 6, [0, 0]));
    assert_eq!((found(&outcome), outcome.unchecked), (vec![], Some(Unchecked::NoUdid)));
    assert_eq!((outcome.to_device.confirmed, outcome.to_host.confirmed), (5, 5), "each against the one before");
    let outcome = follow(&machine(r#", udid = "10:01:02:03:04:05""#), &rounds(0, 6, [0, 0]));
    assert_eq!((found(&outcome), outcome.unchecked), (vec![], Some(Unchecked::UdidDoesNotFit)));
    assert!(outcome.to_device.confirmed >= 3);
}

#[test]
fn another_domain_is_a_parameter_and_later_an_insertion() {
    let keys = ALL_KEYS.replace("domain = 1", "domain = 3");
    let mut packets = rounds(0, 4, [0, 0]);
    let outcome = follow(&machine(&keys), &packets);
    assert_eq!(found(&outcome), [(Class::ParameterMismatch, ToDevice, 1)]);
    assert_eq!(outcome.findings[0].detail, Detail::Field { name: "SDN", expected: 3, seen: 1 });
    packets[6].2 = octets(&Fields { domain: 9, ..fields(ToDevice, VALID, 30) }, &[1, 2], Wire::default());
    assert_eq!(found(&follow(&machine(ALL_KEYS), &packets)), [(Class::Insertion, ToDevice, 7)]);
    packets[6].2 = octets(&Fields { address: 77, ..fields(ToDevice, VALID, 30) }, &[1, 2], Wire::default());
    let outcome = follow(&machine(ALL_KEYS), &packets);
    assert_eq!(found(&outcome), [(Class::Insertion, ToDevice, 7)]);
    assert_eq!(outcome.findings[0].detail, Detail::UnknownId { name: "ADR", seen: 77 });
}

#[test]
fn the_time_must_go_on() {
    let change = |index: usize, time: u16| {
        let mut packets = rounds(0, 8, [100, 500]);
        packets[index].2 = octets(&fields(ToDevice, VALID, time), &[0xEE, 1], Wire::default());
        found(&follow(&machine(ALL_KEYS), &packets))
    };
    assert_eq!(change(8, 141), [], "round 4, due 140");
    assert_eq!(change(8, 130), [(Class::IncorrectSequence, ToDevice, 9)], "the time has not changed");
    assert_eq!(change(8, 129), [(Class::IncorrectSequence, ToDevice, 9)]);
    assert_eq!(change(8, 130 + 0x8000), [(Class::IncorrectSequence, ToDevice, 9)]);
    let mut packets = rounds(0, 8, [100, 500]);
    packets[8].2 = packets[2].2.clone();
    assert_eq!(found(&follow(&machine(ALL_KEYS), &packets)), [(Class::UnintendedRepetition, ToDevice, 9)]);
    // The copy shows without the UDID too.
    assert_eq!(found(&follow(&machine(""), &packets)), [(Class::UnintendedRepetition, ToDevice, 9)]);
}

#[test]
fn a_clock_that_begins_anew_is_told_once_and_followed() {
    let mut packets = rounds(0, 4, [1_000, 1_000]);
    packets.extend(rounds(40, 4, [3, 1_040]));
    let outcome = follow(&machine(ALL_KEYS), &packets);
    assert_eq!(found(&outcome), [(Class::IncorrectSequence, ToDevice, 9)]);
    assert_eq!(kinds(&outcome), [EventKind::Joined, EventKind::Restart]);
}

/// The device asks; the host's answer makes its telegrams' age known. From 100 ms on they come 12 ms late.
#[test]
fn a_delay_above_the_limit_is_told_when_it_begins() {
    let mut packets = rounds(0, 30, [100, 500]);
    let ask = Fields { target: HOST, time_request: 7, ..fields(ToHost, Message::TimeRequest { valid: true }, 514) };
    packets[3].2 = octets(&ask, &[1; 9], Wire::default());
    let answer =
        Fields { target: DEVICE, time_request: 7, ..fields(ToDevice, Message::TimeResponse { valid: true }, 120) };
    packets[4].2 = octets(&answer, &[1, 2], Wire::default());
    let outcome = follow(&machine(ALL_KEYS), &packets);
    assert_eq!((found(&outcome), outcome.unchecked), (vec![], None), "asked at 14 ms, answered at 20 ms");
    assert_eq!(outcome.round_trip.times.longest().unwrap().span, Span::from_millis(6));
    // As old as the round trip, a step of the clock, and 1 in 1000 of the time since the request.
    let ages = &outcome.to_device.ages.as_ref().unwrap().times;
    let age = |extreme: Option<crate::timing::Extreme<Location>>| extreme.unwrap().span;
    assert_eq!(
        (ages.count(), age(ages.shortest()), age(ages.longest())),
        (28, Span::from_micros(7_006), Span::from_micros(7_276))
    );
    assert_eq!(outcome.to_host.ages.as_ref().unwrap().times.count(), 0, "the host has not asked");
    let late = |packets: &mut Vec<Packet>| {
        packets.iter_mut().skip(20).for_each(|(at, ..)| *at += 12);
    };
    late(&mut packets);
    let outcome = follow(&machine(ALL_KEYS), &packets);
    assert_eq!(found(&outcome), [(Class::UnacceptableDelay, ToDevice, 21)]);
    // 112 - 14 ms by the tap, 200 - 120 by the host.
    let (limit, delay) = (Span::from_millis(8), Span::from_millis(18));
    assert_eq!(outcome.findings[0].detail, Detail::Delay { limit, delay });
    let longest = outcome
        .to_device
        .ages
        .as_ref()
        .unwrap()
        .longest
        .iter()
        .next()
        .map(|(age, long)| (age, long.start, long.end.packet));
    assert_eq!(longest.map(|(age, start, end)| (age, start.packet, end)), Some((Span::from_micros(19_288), 4, 59)));
    let mut packets = rounds(0, 30, [100, 500]);
    late(&mut packets);
    let outcome = follow(&machine(ALL_KEYS), &packets);
    assert_eq!((found(&outcome), outcome.unchecked), (vec![], Some(Unchecked::NoTimeResponse)));
}

#[test]
fn silence_longer_than_the_safety_control_time_is_a_delay() {
    let mut packets = rounds(0, 10, [100, 500]);
    packets.drain(6..16);
    let outcome = follow(&machine(ALL_KEYS), &packets);
    assert_eq!(found(&outcome), [(Class::UnacceptableDelay, ToDevice, 7), (Class::UnacceptableDelay, ToHost, 8)]);
}

#[test]
fn a_connection_that_is_no_longer_valid_has_tripped() {
    let mut packets = vec![(0, ToDevice, telegram(ToDevice, INVALID, 90)), (4, ToHost, telegram(ToHost, INVALID, 494))];
    packets.extend(rounds(10, 3, [100, 500]));
    packets.push((40, ToDevice, telegram(ToDevice, INVALID, 130)));
    packets.extend(rounds(50, 3, [140, 540]));
    let outcome = follow(&machine(ALL_KEYS), &packets);
    assert_eq!(found(&outcome), []);
    assert_eq!(kinds(&outcome), [EventKind::Operating, EventKind::Operating, EventKind::EndOfFailSafe]);
    let trips: Vec<_> = outcome.trips.iter().map(|trip| (trip.cause, trip.location.packet)).collect();
    assert_eq!(trips, [(TripCause::NotValid, 9)]);
}

#[test]
fn the_other_order_and_the_other_polynomial_are_taken_and_told() {
    let wire = Wire { order: Order::SecondLeads, polynomial: Some(Polynomial::P5935) };
    let mut packets = rounds(0, 5, [0, 0]);
    for (n, packet) in (0..).zip(packets.iter_mut().skip(1).step_by(2)) {
        packet.2 = octets(&fields(ToHost, VALID, 10 * n), &[3; 9], wire);
    }
    let outcome = follow(&machine(ALL_KEYS), &packets);
    assert_eq!(found(&outcome), []);
    let polynomial = 0x5935;
    let told = [EventKind::Joined, EventKind::SecondSubframeLeads, EventKind::OtherPolynomial { polynomial }];
    assert_eq!(kinds(&outcome), told);
}

#[test]
fn forty_bit_times_are_not_checkable() {
    let mut packets = rounds(0, 6, [0, 0]);
    for (_, _, octets) in packets.iter_mut().filter(|(_, direction, _)| *direction == ToDevice) {
        // TR bit 4, in octet 4 of subframe 2, which begins behind 7 octets.
        octets[7 + 4] ^= 0x10 << 2;
        octets[7 + 6] ^= 0x55;
    }
    // What is XORed there besides is not known; the copies of the data stay.
    let outcome = follow(&machine(ALL_KEYS), &packets);
    assert_eq!((found(&outcome), outcome.unchecked), (vec![], Some(Unchecked::ExtendedTime)));
}

/// Management and object access, in datagrams of their own, are checked and leave the process data alone.
#[test]
fn telegrams_beside_the_process_data_are_checked() {
    let beside = [
        // SNMT guard, ADR 5, and slim SSDO of 10 octets, ADR 1.
        hex("05b00100084504b00005000870"),
        hex("01e80a0100010203040506070809356104e9020608d2b5"),
    ];
    let mut packets = rounds(0, 6, [0, 0]);
    for octets in &beside {
        packets.insert(7, (33, ToHost, octets.clone()));
        packets.insert(4, (22, ToHost, octets.clone()));
    }
    let outcome = follow(&machine(ALL_KEYS), &packets);
    assert_eq!((found(&outcome), outcome.to_host.telegrams), (vec![], 6));
    // The last octet is part of CRC2: subframe 1 still says that it is a telegram.
    let last = packets[4].2.len() - 1;
    packets[4].2[last] ^= 1;
    assert_eq!(found(&follow(&machine(ALL_KEYS), &packets)), [(Class::Corruption, ToHost, 5)]);
    // What the process image holds is told once, and anew when it comes again behind process data.
    let wrong = packets[4].clone();
    packets.insert(5, wrong.clone());
    assert_eq!(found(&follow(&machine(ALL_KEYS), &packets)), [(Class::Corruption, ToHost, 5)]);
    packets.insert(11, wrong);
    assert_eq!(
        found(&follow(&machine(ALL_KEYS), &packets)),
        [(Class::Corruption, ToHost, 5), (Class::Corruption, ToHost, 12)]
    );
    packets.remove(11);
    packets.remove(5);
    // Something else on the port.
    packets[4].2 = vec![1, 2, 3];
    assert_eq!(found(&follow(&machine(ALL_KEYS), &packets)), []);
}

/// Clocks of 1 ms turn over in 65.536 s, of which the first half is ahead: behind a hole of 40 s their times look like times of before.
/// How fast a clock runs only the machine file says.
#[test]
fn a_hole_longer_than_half_a_turn_of_the_clocks_says_nothing_of_the_order() {
    let later = |ms: i64| {
        let clock = |begin: i64| u16::try_from((begin + ms) & 0xFFFF).unwrap();
        let mut packets = rounds(0, 6, [7, 9]);
        packets.extend(rounds(ms, 6, [clock(7), clock(9)]));
        packets
    };
    let with_base = ALL_KEYS.replace(", max_delay = \"8 ms\"", "");
    let without = with_base.replace(", time_base = \"1 ms\"", "");
    for (keys, ms) in [(&with_base, 40_000), (&with_base, 60_000), (&without, 40_000), (&with_base, 70_000)] {
        let outcome = follow(&machine(keys), &later(ms));
        assert_eq!(found(&outcome), [(Class::UnacceptableDelay, ToDevice, 13), (Class::UnacceptableDelay, ToHost, 14)]);
        assert_eq!(kinds(&outcome), [EventKind::Joined], "{ms} ms");
        assert_eq!((outcome.to_device.confirmed, outcome.to_host.confirmed), (12, 12));
    }
    // In a shorter time the clock can't turn over.
    let mut packets = rounds(0, 6, [7_000, 9_000]);
    packets.extend(rounds(20_000, 6, [7_000 - 500, 9_000 - 500]));
    let outcome = follow(&machine(&with_base), &packets);
    assert_eq!(
        found(&outcome)[..2],
        [(Class::IncorrectSequence, ToDevice, 13), (Class::IncorrectSequence, ToHost, 14)]
    );
}

/// No number tells that telegrams are missing. A silence without frames was the machine's if the connection falls out of operation.
#[test]
fn a_silence_without_frames_is_the_captures_if_the_connection_goes_on() {
    let machine = machine(ALL_KEYS);
    for (trips, frames) in [(false, false), (true, false), (false, true)] {
        let mut follower = Follower::new(0, &machine.connections[0]);
        let mut packets = rounds(0, 6, [0, 0]);
        packets.extend(rounds(300, 10, [300, 300]));
        for (index, (ms, direction, octets)) in packets.iter().enumerate() {
            let (at, packet) = (Instant::from_nanos(ms * 1_000_000), u64::try_from(index).unwrap() + 1);
            if [12, 13].contains(&index) && !frames {
                follower.base.watch.frames_late(*direction, Span::from_millis(250));
            }
            let octets = match direction {
                ToHost if trips && index == 15 => telegram(ToHost, INVALID, 314),
                _ => octets.clone(),
            };
            let at = Location { at, file: 0, packet };
            follower.telegram(*direction, &octets, at, Siblings { before: &[], after: &[] });
        }
        let lost = follower.base.watch.lost_with_frames().map(|(telegrams, at)| (telegrams, at.packet));
        let outcome = follower.finish(None);
        let both = vec![(Class::UnacceptableDelay, ToDevice, 13), (Class::UnacceptableDelay, ToHost, 14)];
        let (expected, missing) = if trips || frames { (both, None) } else { (vec![], Some((2, 13))) };
        assert_eq!((found(&outcome), lost), (expected, missing), "trips {trips}, frames {frames}");
        let longest = outcome.to_host.intervals.times.longest().unwrap().span;
        assert_eq!(longest, Span::from_millis(if frames { 250 } else { 10 }));
    }
}
