//! Holes of the tap: frames that the capture of a clean run did not take. Nothing of it may be blamed on the machine, the run is not
//! clean, and what is wrong behind the hole is found as ever.

use std::ops::Range;

use stopspan::capture::{Input, Packet, Run};
use stopspan::carrier::type13::MessageType;
use stopspan::carrier::{Payload, Walker};
use stopspan::check::Checker;
use stopspan::machine::{Direction, Machine};
use stopspan::synth::{self, Demands, FaultKind, Plan, PlannedFault};
use stopspan::time::Span;
use stopspan::verdict::{self, Gap};

use super::cells::{Told, staged, told};
use super::table::DIRECTIONS;
use super::variants::VARIANTS;

/// Milliseconds from the beginning of the run to the hole.
const BEFORE: i64 = 900;

/// Frames that are missing: in a stretch of time, of one direction or of both.
#[derive(Clone, Copy, Debug)]
struct Hole {
    millis: i64,
    way: Option<Direction>,
}

/// The direction of the telegram in a packet, by the places of the variants.
fn direction(walker: &mut Walker, packet: &Packet<'_>) -> Option<Direction> {
    let mut found = None;
    let mut take = |to_device| found = Some(if to_device { Direction::ToDevice } else { Direction::ToHost });
    let walked = walker.walk(packet.link_type, packet.octets, |_, payload| match payload {
        Payload::Udp(datagram) => take(datagram.destination_port < 34_011),
        Payload::Type2 { connected, .. } => take(connected.connection_id >= 0x2000_0000),
        Payload::Type13(frame) if frame.message_type == MessageType::PReq => take(true),
        Payload::Type13(frame) if frame.message_type == MessageType::PRes => take(false),
        _ => {}
    });
    walked.unwrap();
    found
}

/// What is told of a run with a hole and a corruption a second behind it, and what should be.
fn examine(machine: &Machine, hole: Hole, way: Direction) -> (Told, Told, usize, Vec<Gap>) {
    let at = Span::from_millis(BEFORE + hole.millis + 1_000);
    let faults = vec![PlannedFault { kind: FaultKind::Bits(2), connection: 0, direction: way, at }];
    let duration = at.checked_add(Span::from_millis(1_500)).unwrap();
    let demands = Demands::List(Vec::new());
    let plan = Plan { seed: 7, duration, faults, demands, start_up: false, ..Plan::default() };
    let mut octets = Vec::new();
    let ledger = synth::synthesise(machine, &plan, &mut octets).unwrap();
    let missing = |millis: i64| (BEFORE..BEFORE + hole.millis).contains(&millis);
    let (mut checker, mut walker) = (Checker::new(machine), Walker::default());
    let mut run = Run::open([Input::stream("synthesised", std::io::Cursor::new(octets))]).unwrap();
    while let Some(packet) = run.next_packet().unwrap() {
        let millis = packet.at.unwrap().since(plan.start).as_nanos() / 1_000_000;
        let mut is_its = || hole.way.is_none_or(|way| direction(&mut walker, &packet) == Some(way));
        if !(missing(millis) && is_its()) {
            checker.packet(&packet);
        }
    }
    let outcome = checker.finish();
    // The corruption makes the connection trip.
    let early = |trip: &&stopspan::check::Trip| trip.location.at.since(plan.start) < at;
    let trips = outcome.connections.iter().flat_map(|connection| &connection.trips).filter(early).count();
    let gaps = verdict::gaps(machine, &outcome, &run.summary());
    (told(machine, &outcome), staged(&ledger), trips, gaps)
}

/// Holes in some of the variants.
fn hold(variants: Range<usize>) {
    for variant in &VARIANTS[variants] {
        let machine = variant.machine();
        for millis in [300, 3_000] {
            for way in [None, Some(Direction::ToDevice), Some(Direction::ToHost)] {
                for fault in DIRECTIONS {
                    let hole = Hole { millis, way };
                    let (told, staged, trips, gaps) = examine(&machine, hole, fault);
                    assert_eq!((&told, trips), (&staged, 0), "{} {hole:?} {fault:?}", variant.name);
                    assert!(gaps.iter().any(|gap| matches!(gap, Gap::Tap { .. })), "{} {hole:?}", variant.name);
                }
            }
        }
    }
}

#[test]
fn fscp_13_1() {
    hold(4..7);
}

#[test]
fn fscp_2_1() {
    hold(7..10);
}

#[test]
fn iec_62541_15() {
    hold(10..11);
}
