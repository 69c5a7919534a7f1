//! Captures without faults.

use super::cell::{self, Capture, cell, plan};
use super::follow::{Verdict, follow};
use crate::machine::{Direction, Machine, Step};
use crate::synth::{Demands, Plan, synthesise};
use crate::time::Span;

/// Whether a signal is active in each telegram that carries it and process data: packet, time in nanoseconds, level.
fn levels(machine: &Machine, capture: &Capture, signal: usize) -> Vec<(u64, i64, bool)> {
    let signal = &machine.signals[signal];
    let telegrams = &capture.telegrams[signal.connection];
    let verdicts = follow(&machine.connections[signal.connection], telegrams);
    let data = telegrams.iter().zip(verdicts).filter_map(|(seen, verdict)| match verdict {
        Verdict::Data(data) if seen.direction == signal.direction => {
            let high = data[signal.bit / 8] >> (signal.bit % 8) & 1 == 1;
            Some((seen.packet, seen.at.as_nanos(), high == signal.active_high))
        }
        _ => None,
    });
    data.collect()
}

/// Packets in which the signal becomes active, with their times.
fn edges(machine: &Machine, capture: &Capture, signal: usize) -> Vec<(u64, i64)> {
    let levels = levels(machine, capture, signal);
    assert!(!levels[0].2, "inactive at first");
    levels.windows(2).filter(|w| !w[0].2 && w[1].2).map(|w| (w[1].0, w[1].1)).collect()
}

/// The part of a function's worst case that lies between the two signals.
fn visible_bound(machine: &Machine, function: usize) -> i64 {
    let function = &machine.functions[function];
    let worst = |step: &Step| match step {
        Step::Element(index) => machine.elements[*index].worst_case.as_nanos(),
        Step::Connection(index) => machine.connections[*index].worst_case.as_nanos(),
    };
    let signal = |signal: Option<usize>| &machine.signals[signal.unwrap()];
    let (demand, reaction) = (signal(function.demand), signal(function.reaction));
    let place = |connection| function.path.iter().position(|step| *step == Step::Connection(connection)).unwrap();
    let (from, to) = (place(demand.connection), place(reaction.connection));
    let mut bound: i64 = function.path[from..=to].iter().map(worst).sum();
    if reaction.direction == Direction::ToHost {
        bound += function.path[to + 1..].iter().map(worst).sum::<i64>();
    }
    bound
}

#[test]
fn every_telegram_of_a_clean_run_fits() {
    let machine = cell();
    let capture = cell::capture(&machine, &plan(20));
    for (index, connection) in machine.connections.iter().enumerate() {
        let telegrams = &capture.telegrams[index];
        let verdicts = follow(connection, telegrams);
        assert!(!verdicts.contains(&Verdict::Unfit), "{}", connection.id);
        let data = verdicts.iter().filter(|verdict| matches!(verdict, Verdict::Data(_))).count();
        assert!(data > 1_000, "{}: {data} data telegrams", connection.id);
        let last_other = verdicts.iter().rposition(|verdict| !matches!(verdict, Verdict::Data(_))).unwrap();
        assert!(last_other < 40, "{}: runs once it has started", connection.id);
        for direction in [Direction::ToDevice, Direction::ToHost] {
            let new = telegrams.iter().filter(|seen| seen.direction == direction).count();
            let entry =
                capture.ledger.telegrams.iter().find(|t| t.connection == connection.id && t.direction == direction);
            assert_eq!(entry.unwrap().new, u64::try_from(new).unwrap(), "{} {}", connection.id, direction.name());
        }
    }
    assert_eq!((capture.ledger.lost_packets, capture.ledger.faults.len()), (0, 0));
}

/// Commands and contents of the start-up, by section 'contents per command' of the profile's description.
#[test]
fn the_start_up_sends_what_the_machine_file_says() {
    let machine = cell();
    let capture = cell::capture(&machine, &plan(2));
    let contents = |connection: usize, direction, command: u8, chunk: usize| -> Vec<u8> {
        let telegrams = &capture.telegrams[connection];
        let verdicts = follow(&machine.connections[connection], telegrams);
        let of_direction = telegrams.iter().zip(verdicts).filter(|(seen, _)| seen.direction == direction);
        let chunks = of_direction.filter_map(|(_, verdict)| match verdict {
            Verdict::Other(seen, data) if seen == command => Some(data[..chunk].to_vec()),
            _ => None,
        });
        chunks.flatten().collect()
    };
    for direction in [Direction::ToDevice, Direction::ToHost] {
        // Connection ID 7, address 0x107; watchdog 100 ms, 3 octets of application parameters, filled up to the chunk.
        assert_eq!(contents(cell::LIFT, direction, 0x64, 4), [7, 0, 7, 1]);
        assert_eq!(contents(cell::LIFT, direction, 0x52, 4), [2, 0, 100, 0, 3, 0, 1, 2, 3, 0, 0, 0]);
        assert_eq!(contents(cell::CARRIAGE, direction, 0x64, 1), [12, 0, 12, 1]);
        assert_eq!(contents(cell::CARRIAGE, direction, 0x52, 1), [2, 0, 100, 0, 1, 0, 5]);
        assert_eq!(contents(cell::CARRIAGE, direction, 0x4E, 1).len(), 2, "two exchanges for the session ID");
    }
}

#[test]
fn the_ledger_has_every_edge_and_no_reaction_is_late() {
    let machine = cell();
    let capture = cell::capture(&machine, &plan(60));
    for (index, function) in machine.functions.iter().enumerate() {
        let entries: Vec<_> = capture.ledger.demands.iter().filter(|d| d.function == function.id).collect();
        assert!(entries.len() > 3, "{}: {} demands", function.id, entries.len());
        let seen = edges(&machine, &capture, function.demand.unwrap());
        let noted: Vec<_> = entries.iter().map(|d| (d.demand_packet, d.demand_at.as_nanos())).collect();
        assert_eq!(noted, seen, "{}", function.id);
        let reactions = edges(&machine, &capture, function.reaction.unwrap());
        for entry in entries {
            let next = reactions.iter().find(|(packet, _)| *packet > entry.demand_packet).unwrap();
            assert_eq!((entry.reaction_packet, entry.reaction_at.as_nanos()), *next, "{}", function.id);
            assert_eq!(entry.reaction.as_nanos(), next.1 - entry.demand_at.as_nanos());
            let bound = visible_bound(&machine, index);
            assert!((1..=bound).contains(&entry.reaction.as_nanos()), "{}: {}", function.id, entry.reaction);
        }
    }
}

#[test]
fn listed_demands_come_when_they_are_planned() {
    let machine = cell();
    let at = Span::from_millis(4_000);
    let list = Demands::List(vec![(2, Span::from_millis(8_000)), (0, at)]);
    let capture = cell::capture(&machine, &Plan { demands: list, ..plan(12) });
    let functions: Vec<_> = capture.ledger.demands.iter().map(|d| d.function.as_str()).collect();
    assert_eq!(functions, ["gate-lift", "gate-turntable", "curtain-lift"], "all functions of the signal react");
    let delay = capture.ledger.demands[0].demand_at.since(capture.ledger.start).as_nanos() - at.as_nanos();
    assert!((0..=machine.connections[cell::GATE].worst_case.as_nanos()).contains(&delay));
}

#[test]
fn the_same_plan_gives_the_same_octets() {
    let machine = cell();
    let make = |plan: &Plan| {
        let mut bytes = Vec::new();
        let ledger = synthesise(&machine, plan, &mut bytes).unwrap();
        (bytes, ledger)
    };
    let first = make(&plan(3));
    assert!(first == make(&plan(3)));
    assert!(first.0 != make(&Plan { seed: 43, ..plan(3) }).0);
    // A longer run begins with the same octets: chance does not depend on the plan's length.
    assert!(
        make(&Plan { demands: Demands::List(Vec::new()), ..plan(4) })
            .0
            .starts_with(&make(&Plan { demands: Demands::List(Vec::new()), ..plan(3) }).0)
    );
}

#[test]
fn a_capture_may_join_a_running_machine() {
    let machine = cell();
    let capture = cell::capture(&machine, &Plan { start_up: false, ..plan(5) });
    for (connection, telegrams) in machine.connections.iter().zip(&capture.telegrams) {
        assert!(telegrams.len() > 100, "{}", connection.id);
        if matches!(connection.profile, crate::machine::Profile::Fscp12_1(_)) {
            assert!(telegrams.iter().all(|seen| seen.octets[0] == 0x36), "{}: data from the first", connection.id);
        }
    }
    assert!(!capture.ledger.demands.is_empty());
}
