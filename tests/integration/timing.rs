//! The longest intervals with what stands around them, the cycles of the carriers, and telegrams that a standard controller copies:
//! held against the ledger of the synthesiser and against every interval told one by one.

use std::io::Cursor;

use stopspan::capture::{Input, Run};
use stopspan::check::{Checker, FrameKind, IntervalSeen, Outcome, Unchecked};
use stopspan::machine::{self, Direction, Machine};
use stopspan::synth::{Demands, FaultKind, Ledger, LedgerCopy, Plan, PlannedFault, synthesise};
use stopspan::time::Span;

use crate::support::{examine_octets, scenario};

/// Two connections between devices of one Type 12 segment, whose controller copies inputs to outputs; and one whose controller is a
/// gateway from Type 12 to Type 10.
pub const RELAYED: &str = r#"
schema = 1
machine = { name = "Reel wrapping cell", revision = "C" }
element = [{ id = "switch", worst_case = "8 ms" }, { id = "logic", worst_case = "8 ms" }]

[[connection]]
id = "gate"
profile = "FSCP 12/1"
cycles = { bus = "2 ms", host = "4 ms", device = "4 ms" }
worst_case = "40 ms"
watchdog = "100 ms"
telegram = { connection_id = 7, device_address = 3, to_device_data = 2, to_host_data = 2 }
[connection.to_device]
carrier = "type12"
address = 0x01000000
relayed_from = { carrier = "type12", address = 0x01000100 }
[connection.to_host]
carrier = "type12"
address = 0x01000110
relayed_to = { carrier = "type12", address = 0x01000010 }

[[connection]]
id = "curtain"
profile = "FSCP 3/1"
cycles = { bus = "2 ms", host = "4 ms", device = "4 ms" }
worst_case = "40 ms"
watchdog = "120 ms"
telegram = { to_device_data = 2, to_host_data = 2, parameter_crc = 1 }
[connection.to_device]
carrier = "type12"
address = 0x01000020
relayed_from = { carrier = "type10", frame_id = 0xC003 }
[connection.to_host]
carrier = "type12"
address = 0x01000120
relayed_to = { carrier = "type10", frame_id = 0xC002 }

[[function]]
id = "gate-opens"
path = ["switch", "gate", "logic"]
required = { response_time = "1 s" }
"#;

fn relayed() -> Machine {
    machine::read("machine.toml", RELAYED).unwrap_or_else(|problems| panic!("{problems}"))
}

fn run(machine: &Machine, seconds: i64, faults: Vec<PlannedFault>) -> (Vec<u8>, Ledger) {
    let (duration, demands) = (Span::from_millis(seconds * 1_000), Demands::List(Vec::new()));
    let plan = Plan { duration, seed: 5, faults, demands, ..Plan::default() };
    let mut capture = Vec::new();
    let ledger = synthesise(machine, &plan, &mut capture).unwrap();
    (capture, ledger)
}

/// Number, shortest, longest, packet of the longest, mean rounded up: from the ledger, and as told.
#[test]
fn the_time_of_each_copy_is_that_of_the_ledger_to_the_nanosecond() {
    let machine = relayed();
    let (capture, ledger) = run(&machine, 20, Vec::new());
    let examined = examine_octets(&machine, &capture).unwrap();
    assert_eq!(examined.gaps, []);
    for (connection, told) in machine.connections.iter().zip(&examined.outcome.connections) {
        assert_eq!((&told.findings[..], &told.trips[..]), (&[][..], &[][..]));
        for (direction, line) in [(Direction::ToDevice, &told.to_device), (Direction::ToHost, &told.to_host)] {
            let made = |copy: &&LedgerCopy| copy.connection == connection.id && copy.direction == direction;
            let made: Vec<&LedgerCopy> = ledger.copies.iter().filter(made).collect();
            let relay = line.relay.as_ref().unwrap();
            assert!(made.len() > 400, "{}", made.len());
            assert_eq!(relay.times.count(), made.len() as u64);
            let longest = made.iter().rev().max_by_key(|copy| copy.time).unwrap();
            let told = relay.times.longest().unwrap();
            assert_eq!((told.span, told.place.packet), (longest.time, longest.second_packet));
            assert_eq!(relay.times.shortest().map(|told| told.span), made.iter().map(|copy| copy.time).min());
            let sum: i64 = made.iter().map(|copy| copy.time.as_nanos()).sum();
            let number = i64::try_from(made.len()).unwrap();
            assert_eq!(relay.sample.mean().unwrap().as_nanos(), sum.div_euclid(number) + i64::from(sum % number > 0));
            assert_eq!((relay.missing, relay.changed, relay.disturbed), (0, 0, 0));
            assert!(relay.pending <= 1);
            // The controller's cycle is that of the bus, 2 ms, and the next frame is at most one cycle away, each with its jitter.
            assert!(told.span <= Span::from_micros(4_400), "{}", told.span);
        }
    }
}

#[test]
fn copies_that_the_tap_loses_are_not_measured_and_not_missed() {
    let machine = relayed();
    let fault = |kind, direction, at| PlannedFault { kind, connection: 0, direction, at: Span::from_millis(at) };
    let faults = vec![
        fault(FaultKind::TapLoss, Direction::ToHost, 3_000),
        fault(FaultKind::Loss, Direction::ToDevice, 5_000),
        fault(FaultKind::TapLoss, Direction::ToDevice, 7_000),
    ];
    let (capture, _) = run(&machine, 10, faults);
    let examined = examine_octets(&machine, &capture).unwrap();
    for told in &examined.outcome.connections {
        for relay in [&told.to_device, &told.to_host].map(|line| line.relay.as_ref().unwrap()) {
            assert_eq!((relay.missing, relay.changed), (0, 0));
            assert!(relay.times.longest().unwrap().span <= Span::from_micros(4_400));
        }
    }
    let disturbed = examined.outcome.connections.iter().flat_map(|told| [&told.to_device, &told.to_host]);
    assert!(disturbed.map(|line| line.relay.as_ref().unwrap().disturbed).sum::<u64>() > 0);
}

#[test]
fn a_second_place_where_nothing_comes_is_not_examined() {
    let (capture, _) = run(&relayed(), 4, Vec::new());
    let text = RELAYED.replace("address = 0x01000010", "address = 0x01000040");
    let machine = machine::read("machine.toml", &text).unwrap_or_else(|problems| panic!("{problems}"));
    let examined = examine_octets(&machine, &capture).unwrap();
    assert_eq!(examined.outcome.connections[0].unchecked, Some(Unchecked::NeverRelayed(Direction::ToHost)));
    assert_eq!(examined.outcome.connections[1].unchecked, None);
}

/// The outcome, and every interval one by one.
fn told_one_by_one(machine: &Machine, capture: &[u8]) -> (Outcome, Vec<IntervalSeen>) {
    let mut run = Run::open([Input::stream("capture", Cursor::new(capture.to_vec()))]).unwrap();
    let seen = std::cell::RefCell::new(Vec::new());
    let mut checker = Checker::new(machine).keep_longest(7).telling_intervals(|one| seen.borrow_mut().push(*one));
    while let Some(packet) = run.next_packet().unwrap() {
        checker.packet(&packet);
    }
    let outcome = checker.finish();
    (outcome, seen.into_inner())
}

/// Oracle: all intervals of a direction, sorted; those before and behind are their neighbours where they touch.
#[test]
fn the_longest_intervals_are_the_longest_of_all_with_their_neighbours() {
    let machine = scenario();
    let fault =
        |kind, connection, direction, at| PlannedFault { kind, connection, direction, at: Span::from_millis(at) };
    let faults = vec![
        fault(FaultKind::UnacceptableDelay, 0, Direction::ToHost, 4_000),
        fault(FaultKind::Loss, 3, Direction::ToDevice, 5_000),
        fault(FaultKind::TapLoss, 2, Direction::ToDevice, 6_000),
    ];
    let (capture, _) = run(&machine, 9, faults);
    let (outcome, seen) = told_one_by_one(&machine, &capture);
    for (index, connection) in outcome.connections.iter().enumerate() {
        for (direction, line) in
            [(Direction::ToDevice, &connection.to_device), (Direction::ToHost, &connection.to_host)]
        {
            let own = |one: &&IntervalSeen| one.connection == index && one.direction == Some(direction);
            let all: Vec<&IntervalSeen> = seen.iter().filter(own).collect();
            let mut order: Vec<usize> = (0..all.len()).collect();
            order.sort_by_key(|place| std::cmp::Reverse(all[*place].span));
            order.truncate(7);
            let told: Vec<_> = line.intervals.longest.iter().collect();
            assert_eq!(told.len(), 7);
            for (place, (span, long)) in order.into_iter().zip(told) {
                assert_eq!((span, long.end), (all[place].span, all[place].end));
                assert_eq!(long.end.at.since(long.start.at), span);
                let touches = |a: &IntervalSeen, b: &IntervalSeen| b.end.at.since(a.end.at) == b.span;
                let before =
                    place.checked_sub(1).map(|before| all[before]).filter(|before| touches(before, all[place]));
                let behind = all.get(place + 1).filter(|behind| touches(all[place], behind));
                assert_eq!(long.before, before.map(|before| before.span));
                assert_eq!(long.after, behind.map(|behind| behind.span));
            }
        }
    }
}

/// Oracle: every interval told one by one says when new telegrams came; the age of each is the time since the partner's last one. In
/// the scenario the sides wait for each other, so the two ages make up the interval.
#[test]
fn a_telegram_is_as_old_as_the_one_that_it_answers() {
    let machine = scenario();
    let (capture, _) = run(&machine, 9, Vec::new());
    let (outcome, seen) = told_one_by_one(&machine, &capture);
    for (index, connection) in outcome.connections.iter().enumerate() {
        let ends = |direction: Direction| -> Vec<_> {
            let own = |one: &&IntervalSeen| one.connection == index && one.direction == Some(direction);
            seen.iter().filter(own).map(|one| one.end.at).collect()
        };
        for (direction, line) in
            [(Direction::ToDevice, &connection.to_device), (Direction::ToHost, &connection.to_host)]
        {
            let partners = ends(direction.opposite());
            let expected: Vec<Span> = ends(direction)
                .into_iter()
                .filter_map(|end| Some(end.since(*partners.iter().rfind(|partner| **partner < end)?)))
                .collect();
            let ages = line.ages.as_ref().unwrap();
            assert!(expected.len() > 100 && ages.times.count() >= u64::try_from(expected.len()).unwrap());
            let longest = expected.iter().max().copied();
            assert_eq!(ages.times.longest().map(|extreme| extreme.span), longest, "{index} {direction:?}");
            assert_eq!(ages.times.shortest().map(|extreme| extreme.span), expected.iter().min().copied());
            assert_eq!(ages.maxima.as_ref().unwrap().longest().flatten().max(), longest);
            let (span, long) = ages.longest.iter().next().unwrap();
            assert_eq!((Some(span), long.end.at.since(long.start.at)), (longest, span));
            assert!(long.longest_frame_gap.is_some());
        }
        let sum = connection.to_host.ages.as_ref().unwrap().times.longest().unwrap().span;
        assert_eq!(connection.round_trip.times.longest().unwrap().span, sum);
    }
}

/// The device falls silent while the bus runs on: frames come every cycle, none of them brings anything new.
#[test]
fn a_silent_device_is_told_from_a_silent_carrier() {
    let machine = scenario();
    let fault = PlannedFault {
        kind: FaultKind::UnacceptableDelay,
        connection: 0,
        direction: Direction::ToHost,
        at: Span::from_millis(4_000),
    };
    let (capture, _) = run(&machine, 6, vec![fault]);
    let examined = examine_octets(&machine, &capture).unwrap();
    let (span, long) = examined.outcome.connections[0].to_host.intervals.longest.iter().next().unwrap();
    assert!(span > machine.connections[0].watchdog, "{span}");
    // A bus cycle is 4 ms with a jitter of at most 4 % at either end.
    let cycles = u64::try_from(span.as_nanos() / 4_000_000).unwrap();
    let frames = long.frames.unwrap();
    assert!(frames.abs_diff(cycles) <= 1 && long.copies.unwrap().abs_diff(cycles) <= 1, "{long:?}");
    assert!(long.longest_frame_gap.unwrap() < Span::from_micros(4_400), "{long:?}");
    assert_eq!(long.tap_faults, 0);
}

/// The synthesiser sends Type 12 frames every 4 ms and Type 10 frames every 8 ms, each off by a few hundredths at most.
#[test]
fn the_cycles_of_the_carriers_are_those_of_the_plant() {
    let machine = scenario();
    let (capture, _) = run(&machine, 10, Vec::new());
    let examined = examine_octets(&machine, &capture).unwrap();
    let (mut type12, mut type10) = (0, 0);
    for cycle in &examined.outcome.cycles {
        let (nominal, most_off) = match cycle.kind {
            FrameKind::Type12 { .. } => (Span::from_millis(4), Span::from_micros(400)),
            FrameKind::Type10 { .. } => (Span::from_millis(8), Span::from_micros(400)),
            _ => panic!("{:?}", cycle.kind),
        };
        type12 += usize::from(cycle.deviation.is_none());
        type10 += usize::from(cycle.deviation.is_some());
        let off = |span: Span| Span::from_nanos((span.as_nanos() - nominal.as_nanos()).abs());
        let (shortest, longest) = (cycle.intervals.shortest().unwrap(), cycle.intervals.longest().unwrap());
        assert!(off(shortest.span) < most_off && off(longest.span) < most_off, "{shortest:?} {longest:?}");
        assert!(off(cycle.intervals.quantile(0.5).unwrap()) < Span::from_micros(50));
        assert_eq!(cycle.intervals.count() + 1, cycle.frames);
        if let Some(deviation) = cycle.deviation {
            // The counter says 8 ms each time, so it is off by as much as the interval is.
            assert_eq!(deviation.most.0, Span::from_nanos(longest.span.as_nanos() - 8_000_000));
            assert_eq!(deviation.least.0, Span::from_nanos(shortest.span.as_nanos() - 8_000_000));
        }
    }
    // Type 12 out and back; Type 10 both ways.
    assert_eq!((type12, type10), (2, 2));
}
