//! Holes of the tap: frames that the capture of a clean run did not take. Nothing of it may be blamed on the machine, the run is not
//! clean, and what is wrong behind the hole is found as ever.

use std::collections::BTreeSet;
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
use super::variants::{CHAINED, VARIANTS};

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
        Payload::Type10(frame) => take(frame.frame_id < 0xC011),
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

#[test]
fn fscp_12_1() {
    for variant in [&CHAINED[0], &CHAINED[2]] {
        let machine = variant.machine();
        for (millis, fault) in [(20, 0), (300, 1), (1_000, 0)] {
            for way in [None, Some(Direction::ToDevice), Some(Direction::ToHost)] {
                let hole = Hole { millis, way };
                let (told, staged, trips, gaps) = examine(&machine, hole, DIRECTIONS[fault]);
                assert_eq!((&told, trips), (&staged, 0), "{} {hole:?}", variant.name);
                assert!(gaps.iter().any(|gap| matches!(gap, Gap::Tap { .. })), "{} {hole:?}", variant.name);
            }
        }
    }
}

/// A clean run in mid operation, and what its UDP telegrams of FSCP 12/1 are told apart by: port, command, first data and CRC_0.
struct Clean {
    machine: Machine,
    octets: Vec<u8>,
    telegrams: Vec<Option<(u16, Vec<u8>)>>,
}

impl Clean {
    fn new(machine: Machine, seed: u64) -> Self {
        let demands = Demands::List(Vec::new());
        let plan = Plan { seed, duration: Span::from_millis(1_500), demands, start_up: false, ..Plan::default() };
        let mut octets = Vec::new();
        synth::synthesise(&machine, &plan, &mut octets).unwrap();
        let mut clean = Self { machine, octets, telegrams: Vec::new() };
        let (mut walker, mut telegrams) = (Walker::default(), Vec::new());
        let mut run = clean.run();
        while let Some(packet) = run.next_packet().unwrap() {
            let mut telegram = None;
            let take = |_: &_, payload: Payload<'_>| {
                if let Payload::Udp(datagram) = payload {
                    telegram = Some((datagram.destination_port, datagram.payload[..5].to_vec()));
                }
            };
            walker.walk(packet.link_type, packet.octets, take).unwrap();
            telegrams.push(telegram);
        }
        clean.telegrams = telegrams;
        clean
    }

    fn run(&self) -> Run {
        Run::open([Input::stream("synthesised", std::io::Cursor::new(self.octets.clone()))]).unwrap()
    }

    /// Nobody is blamed for the packets that are `missing`, and if a whole telegram is, the capture is.
    fn hold(&self, what: &str, missing: impl Fn(usize) -> bool) {
        let (mut checker, mut run) = (Checker::new(&self.machine), self.run());
        let (mut index, mut kept) = (0, BTreeSet::new());
        while let Some(packet) = run.next_packet().unwrap() {
            if !missing(index) {
                checker.packet(&packet);
                kept.insert(&self.telegrams[index]);
            }
            index += 1;
        }
        let outcome = checker.finish();
        assert_eq!(told(&self.machine, &outcome), [], "{what}");
        let gone = self.telegrams.iter().filter(|telegram| telegram.is_some() && !kept.contains(telegram)).count();
        let gaps = verdict::gaps(&self.machine, &outcome, &run.summary());
        assert!(gone == 0 || gaps.iter().any(|gap| matches!(gap, Gap::Tap { .. })), "{what}: {gone}, {gaps:?}");
    }
}

/// From one frame to two cycles and more of all four telegrams.
#[test]
fn fscp_12_1_frames_in_a_row() {
    for variant in &CHAINED[..2] {
        let clean = Clean::new(variant.machine(), 3);
        for (number, first) in [1, 2, 3, 5, 8, 13].into_iter().zip(500..) {
            for first in (first..first + 72).step_by(18) {
                let missing = first..first + number;
                clean.hold(&format!("{} {missing:?}", variant.name), |index| missing.contains(&index));
            }
        }
    }
}

#[test]
fn fscp_12_1_frames_by_chance() {
    for (variant, percent) in CHAINED.iter().zip([3, 3, 3, 1]) {
        let clean = Clean::new(variant.machine(), 4);
        for seed in 1..6_u64 {
            // Knuth's multiplier; the run is known before the first is missing.
            let chance = |index: usize| (index as u64 ^ seed << 20).wrapping_mul(6_364_136_223_846_793_005) >> 33;
            clean.hold(&format!("{} {seed}", variant.name), |index| index > 200 && chance(index) % 100 < percent);
        }
    }
}
