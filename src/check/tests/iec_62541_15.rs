//! IEC 62541-15: what a follower says of requests and responses put together here.

use super::{found, place};
use crate::check::follower::{Follower, Siblings};
use crate::check::tests::follow_in;
use crate::check::{Class, ConnectionOutcome, Detail, EventKind, Location, TripCause, Unchecked};
use crate::machine::{self, Direction, Machine};
use crate::telegram::iec_62541_15::{
    Base, Layout, Level, Request, RequestFlags, Response, ResponseFlags, SpduIds, next_number,
};
use crate::time::{Instant, Span};
use Direction::{ToDevice, ToHost};

const CONSUMER: u32 = 0x1122_3344;

/// IDs of the published example of edition 1.05.04 (SIL 3).
const IDS: SpduIds = SpduIds([0xAC3C_B67F, 0x9495_D388, 0x87F1_3E11]);

fn machine(keys: &str) -> Machine {
    let text = format!(
        r#"
schema = 1
machine = {{ name = "Reel wrapping cell", revision = "C" }}
element = [{{ id = "switch", worst_case = "8 ms" }}, {{ id = "logic", worst_case = "8 ms" }}]
[[connection]]
id = "gate"
profile = "IEC 62541-15"
worst_case = "20 ms"
watchdog = "35 ms"
telegram = {{ to_host_data = 2{keys} }}
to_device = {{ carrier = "udp", destination_port = 34001 }}
to_host = {{ carrier = "udp", destination_port = 34002 }}
[[function]]
id = "gate-opens"
path = ["switch", "gate", "logic"]
required = {{ response_time = "1 s" }}
"#
    );
    machine::read("test", text).unwrap_or_else(|problems| panic!("{problems}"))
}

const ALL_KEYS: &str = r#", base_id = "72962B91-FA75-4AE6-8D28-B404DC7DAF63", provider_id = 0xE0EA6B40, structure_signature = 0xDE7329FD, level = 3, consumer_id = 0x11223344"#;

fn request(number: u32, flags: u8) -> (Direction, Vec<u8>) {
    let mut out = Vec::new();
    Request { consumer_id: CONSUMER, monitoring_number: number, flags: RequestFlags(flags) }.emit(&mut out);
    (ToDevice, out)
}

fn response(number: u32, data: [u8; 2], flags: u8) -> (Direction, Vec<u8>) {
    let mut out = Vec::new();
    let flags = ResponseFlags(flags);
    let response =
        Response { data: &data, flags, spdu_ids: IDS, consumer_id: CONSUMER, monitoring_number: number, crc: 0 };
    Layout::TrailerFirst.emit(&response.sealed(), &mut out);
    (ToHost, out)
}

/// Exchanges from `number` on.
fn exchanges(number: u32, count: u8) -> Vec<(Direction, Vec<u8>)> {
    let mut number = number;
    let mut telegrams = Vec::new();
    for n in 0..count {
        telegrams.extend([request(number, 0), response(number, [n / 3, 7], 0)]);
        number = next_number(number);
    }
    telegrams
}

fn follow(machine: &Machine, telegrams: &[(Direction, Vec<u8>)]) -> ConnectionOutcome {
    follow_in(machine, 0, telegrams, &[], Some(place(telegrams.len()).at))
}

fn kinds(outcome: &ConnectionOutcome) -> Vec<EventKind> {
    outcome.events.iter().map(|event| event.kind).collect()
}

#[test]
fn a_capture_may_begin_anywhere_and_the_number_leaves_out_the_reserved_ones() {
    for skip in 0..2 {
        let telegrams = exchanges(0xFFFF_FFFC, 8);
        let outcome = follow(&machine(ALL_KEYS), &telegrams[skip..]);
        assert_eq!((found(&outcome), outcome.unchecked), (vec![], None));
        assert_eq!(kinds(&outcome), [EventKind::Joined]);
        let confirmed = 8 - u64::try_from(skip).unwrap();
        assert_eq!((outcome.to_device.confirmed, outcome.to_host.confirmed), (confirmed, confirmed));
        assert_eq!(outcome.to_host.intervals.times.count(), confirmed - 1);
        assert_eq!(
            outcome.to_host.intervals.times.longest().unwrap().span.as_nanos(),
            10_000_000,
            "from the request on"
        );
    }
}

#[test]
fn ids_that_the_file_does_not_give_are_learnt() {
    for keys in ["", ", base_id = \"72962B91-FA75-4AE6-8D28-B404DC7DAF63\", provider_id = 0xE0EA6B40"] {
        let outcome = follow(&machine(keys), &exchanges(5_000, 4));
        assert_eq!((found(&outcome), outcome.unchecked), (vec![], Some(Unchecked::NoSpduIds)));
        assert_eq!(outcome.to_host.confirmed, 4);
    }
}

#[test]
fn ids_other_than_the_files_are_told_once_each() {
    let keys = ALL_KEYS.replace("level = 3", "level = 2").replace("0x11223344", "5");
    let outcome = follow(&machine(&keys), &exchanges(5_000, 4));
    let Base([word, ..]) = "72962B91-FA75-4AE6-8D28-B404DC7DAF63".parse().unwrap();
    let told: Vec<_> = outcome.findings.iter().map(|f| (f.class, f.location.packet, f.detail.clone())).collect();
    let field = |name, expected: u32, seen: u32| Detail::Field { name, expected: expected.into(), seen: seen.into() };
    assert_eq!(
        told,
        [
            (Class::ParameterMismatch, 2, field("SPDU_ID_1 (level and base ID)", word ^ Level::Sil2.id(), 0xAC3C_B67F)),
            (Class::ParameterMismatch, 2, field("SafetyConsumerID", 5, CONSUMER)),
        ]
    );
}

/// Another layout, another edition: no response has ever a right CRC.
#[test]
fn responses_that_never_fit_are_not_checkable_rather_than_wrong() {
    let keys = format!("{ALL_KEYS}, layout = \"data first\"");
    let outcome = follow(&machine(&keys), &exchanges(5_000, 6));
    let too_few = Unchecked::TooFew { direction: ToDevice, telegrams: 6 };
    assert_eq!((found(&outcome), outcome.unchecked), (vec![], Some(too_few)));
    let outcome = follow(&machine(&keys), &exchanges(5_000, 40));
    assert_eq!((found(&outcome), outcome.unchecked), (vec![], Some(Unchecked::NeverConfirmed(ToDevice))));
}

/// The provider answers the corrupted request, the consumer then reports the error and goes on from the right number.
#[test]
fn a_flipped_bit_of_a_request_is_a_corruption_unless_it_makes_an_earlier_request() {
    for bit in 0..64 {
        let mut telegrams = exchanges(0x7F3C, 8);
        let mut wrong = request(0x7F44, 0);
        wrong.1[bit / 8] ^= 1 << (bit % 8);
        let seen = Request::parse(&wrong.1).unwrap();
        let mut out = Vec::new();
        let answer = Response {
            data: &[9, 9],
            flags: ResponseFlags(0),
            spdu_ids: IDS,
            consumer_id: seen.consumer_id,
            monitoring_number: seen.monitoring_number,
            crc: 0,
        };
        Layout::TrailerFirst.emit(&answer.sealed(), &mut out);
        telegrams.extend([wrong, (ToHost, out)]);
        telegrams.extend([request(0x7F45, 5), response(0x7F45, [1, 1], 0)]);
        telegrams.extend(exchanges(0x7F46, 3));
        let outcome = follow(&machine(ALL_KEYS), &telegrams);
        // 0x7F44 without bit 2 is the request of 4 exchanges before.
        let class = if bit == 34 { Class::UnintendedRepetition } else { Class::Corruption };
        assert_eq!(found(&outcome), [(class, ToDevice, 17)], "bit {bit}");
        let causes: Vec<_> = outcome.trips.iter().map(|trip| (trip.cause, trip.location.packet)).collect();
        assert_eq!(causes, [(TripCause::CommunicationError, 19)], "bit {bit}");
    }
}

#[test]
fn a_flipped_bit_of_a_response_is_a_corruption_wherever_it_is() {
    let clean = exchanges(0x7F3C, 8);
    for bit in 0..8 * clean[15].1.len() {
        let mut telegrams = clean.clone();
        telegrams[15].1[bit / 8] ^= 1 << (bit % 8);
        telegrams.extend([request(0x7F44, 5), response(0x7F44, [1, 1], 0)]);
        telegrams.extend(exchanges(0x7F45, 3));
        assert_eq!(found(&follow(&machine(ALL_KEYS), &telegrams)), [(Class::Corruption, ToHost, 16)], "bit {bit}");
    }
}

#[test]
fn telegrams_that_the_tap_did_not_see_are_missing_once() {
    let clean = exchanges(5_000, 8);
    for (gone, expected) in [
        (vec![8], vec![(Class::Loss, ToDevice, 10)]),
        (vec![9], vec![(Class::Loss, ToHost, 11)]),
        (vec![8, 9], vec![(Class::Loss, ToDevice, 9), (Class::Loss, ToHost, 10)]),
    ] {
        let telegrams: Vec<_> =
            clean.iter().enumerate().filter(|(i, _)| !gone.contains(i)).map(|(_, t)| t.clone()).collect();
        let outcome = follow(&machine(ALL_KEYS), &telegrams);
        assert_eq!(found(&outcome), expected, "{gone:?}");
        assert_eq!(outcome.trips, []);
    }
}

/// 35 ms from the request on: the telegrams are 10 ms apart, the held ones say nothing.
#[test]
fn a_late_answer_is_a_delay_and_the_answer_given_up_is_not_taken() {
    let mut telegrams = exchanges(5_000, 4);
    let silence = |n: u32| std::iter::repeat_n(request(n, 0), 3);
    telegrams.extend(silence(5_004));
    telegrams.extend([request(5_005, 5), response(5_004, [1, 1], 0), response(5_005, [1, 1], 0)]);
    telegrams.extend(exchanges(5_006, 3));
    let outcome = follow(&machine(ALL_KEYS), &telegrams);
    assert_eq!(found(&outcome), [(Class::UnacceptableDelay, ToHost, 13)]);
    assert_eq!(
        outcome.findings[0].detail,
        Detail::Silence { watchdog: Span::from_millis(35), silence: Span::from_millis(40), to_the_end: false }
    );
    assert_eq!(kinds(&outcome), [EventKind::Joined, EventKind::EndOfFailSafe]);
}

#[test]
fn only_the_first_answer_to_a_request_counts() {
    let mut telegrams = exchanges(5_000, 4);
    telegrams.push(response(5_003, [0xAA, 0xAA], 0));
    telegrams.extend(exchanges(5_004, 3));
    let outcome = follow(&machine(ALL_KEYS), &telegrams);
    assert_eq!((found(&outcome), outcome.to_host.confirmed), (vec![], 7));
}

#[test]
fn flags_are_events() {
    let mut telegrams = vec![request(9_000, 4), request(9_001, 4), response(9_001, [0, 0], 2)];
    telegrams.extend([request(9_002, 0), response(9_002, [1, 0], 2), request(9_003, 0), response(9_003, [1, 0], 4)]);
    telegrams.extend([request(9_004, 4), response(9_004, [1, 0], 0), request(70_000, 4), response(70_000, [1, 0], 0)]);
    let outcome = follow(&machine(ALL_KEYS), &telegrams);
    assert_eq!(found(&outcome), []);
    assert_eq!(
        kinds(&outcome),
        [EventKind::Operating, EventKind::EndOfFailSafe, EventKind::TestMode, EventKind::FailSafe, EventKind::Restart]
    );
    assert_eq!(outcome.trips, []);
}

/// A sequence that goes on from where it jumped to has jumped at its sender.
#[test]
fn a_number_that_jumps_is_an_incorrect_sequence() {
    let mut telegrams = exchanges(5_000, 4);
    telegrams.extend(exchanges(8_000, 3));
    assert_eq!(found(&follow(&machine(ALL_KEYS), &telegrams)), [(Class::IncorrectSequence, ToDevice, 9)]);
    let mut telegrams = exchanges(5_000, 4);
    telegrams.extend([request(5_004, 0), response(8_000, [1, 1], 0), request(5_005, 5), response(5_005, [1, 1], 0)]);
    assert_eq!(found(&follow(&machine(ALL_KEYS), &telegrams)), [(Class::IncorrectSequence, ToHost, 10)]);
}

/// The next exchange each 20 ms, but for those that `is_missing` names by their index and direction.
fn with_holes(count: u32, is_missing: impl Fn(u32, Direction) -> bool) -> ConnectionOutcome {
    let machine = machine(ALL_KEYS);
    super::in_parts::both(&machine, 0, |cut| {
        let mut follower = Follower::new(0, &machine.connections[0]);
        for index in 0..count {
            let [data, _, _, _] = index.to_le_bytes();
            for (later, (direction, octets)) in
                (0..).zip([request(5_000 + index, 0), response(5_000 + index, [data, 7], 0)])
            {
                let number = 2 * i64::from(index) + later;
                let at = Instant::from_nanos(number * 10_000_000);
                let at = Location { at, file: 0, packet: u64::try_from(number).unwrap() };
                if !is_missing(index, direction) {
                    follower.telegram(direction, &octets, at, Siblings { before: &[], after: &[] });
                    cut(&mut follower);
                }
            }
        }
        follower.finish(None)
    })
}

/// What was found but for the silence.
fn but_delays(outcome: &ConnectionOutcome) -> Vec<(Class, Direction, u64)> {
    found(outcome).into_iter().filter(|(class, ..)| *class != Class::UnacceptableDelay).collect()
}

/// More numbers than any that is nearby. What is missing fits into the time, so it is missing, once in each direction.
#[test]
fn behind_a_long_hole_the_exchange_goes_on() {
    let hole = |index| (10..410).contains(&index);
    let outcome = with_holes(450, |index, _| hole(index));
    assert_eq!(but_delays(&outcome), [(Class::Loss, ToDevice, 820), (Class::Loss, ToHost, 821)]);
    assert_eq!((outcome.to_device.confirmed, outcome.to_host.confirmed), (50, 50));
    // The responses go on, each the next of the one before: nothing is wrong with them.
    let outcome = with_holes(450, |index, direction| hole(index) && direction == ToDevice);
    assert_eq!(but_delays(&outcome), [(Class::Loss, ToDevice, 820)]);
    assert_eq!((outcome.to_device.confirmed, outcome.to_host.confirmed), (50, 450));
    let outcome = with_holes(450, |index, direction| hole(index) && direction == ToHost);
    assert_eq!(but_delays(&outcome), [(Class::Loss, ToHost, 821)]);
    assert_eq!((outcome.to_device.confirmed, outcome.to_host.confirmed), (50, 50));
}

/// The consumer has gone on without an error, so it had the answer before.
#[test]
fn an_answer_that_shows_only_behind_the_next_request_was_not_captured_before() {
    let mut telegrams = exchanges(5_000, 4);
    telegrams.extend([request(5_004, 0), request(5_005, 0), response(5_004, [1, 1], 0), response(5_005, [1, 1], 0)]);
    telegrams.extend(exchanges(5_006, 3));
    let machine = machine(ALL_KEYS);
    let mut follower = Follower::new(0, &machine.connections[0]);
    for (index, (direction, octets)) in telegrams.iter().enumerate() {
        follower.telegram(*direction, octets, place(index + 1), Siblings { before: &[], after: &[] });
    }
    assert_eq!(follower.base.watch.lost_with_frames(), Some((1, place(11))));
    let outcome = follower.finish(None);
    assert_eq!((found(&outcome), outcome.to_host.confirmed), (vec![], 9));
    assert_eq!(outcome.to_host.intervals.times.longest().unwrap().span, Span::from_millis(10));
}
