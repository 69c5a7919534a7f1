//! Runs put together by hand, judged.

use super::*;
use crate::check::{Checker, Class, Detail, Finding, Location, ReactionOutcome, Trip, TripCause, Unchecked};
use crate::machine::{self, Direction};
use crate::telegram::fscp_12_1::ResetReason;
use crate::time::{Instant, Span};

/// On the wire from the telegram of the gate to that of the drive: 24 + 8 + 20 ms, and 60 - 20 ms for one fault, 92 ms.
const MACHINE: &str = r#"
schema = 1
[machine]
name = "Reel wrapping cell"
revision = "C"
[[element]]
id = "switch"
worst_case = "8 ms"
[[element]]
id = "logic"
worst_case = "8 ms"
[[element]]
id = "power"
worst_case = "6 ms"
[[connection]]
id = "gate"
profile = "FSCP 12/1"
worst_case = "24 ms"
watchdog = "40 ms"
telegram = { connection_id = 7, device_address = 3, to_device_data = 2, to_host_data = 2 }
to_device = { carrier = "type12", address = 0x1000 }
to_host = { carrier = "type12", address = 0x2000 }
[[connection]]
id = "drive"
profile = "FSCP 12/1"
worst_case = "20 ms"
watchdog = "60 ms"
telegram = { connection_id = 8, device_address = 4, to_device_data = 2, to_host_data = 2 }
to_device = { carrier = "type12", address = 0x1100 }
to_host = { carrier = "type12", address = 0x2100 }
[[signal]]
id = "gate-open"
connection = "gate"
direction = "to_host"
bit = 0
[[signal]]
id = "drive-stop"
connection = "drive"
direction = "to_device"
bit = 0
[[function]]
id = "gate-opens"
demand = "gate-open"
reaction = "drive-stop"
path = ["switch", "gate", "logic", "drive", "power"]
required = { response_time = "120 ms" }
"#;

fn machine_with(limit: &str) -> Machine {
    machine::read("test", MACHINE.replace("120 ms", limit)).unwrap_or_else(|problems| panic!("{problems}"))
}

fn at(ms: i64) -> Location {
    Location { at: Instant::from_nanos(ms * 1_000_000), file: 0, packet: ms.unsigned_abs() }
}

/// A run of one second over both connections, without findings and without a demand.
fn clean(machine: &Machine) -> Outcome {
    let mut outcome = Checker::new(machine).finish();
    outcome.packets = 1_000;
    (outcome.first, outcome.last) = (Some(at(0).at), Some(at(1_000).at));
    for connection in &mut outcome.connections {
        connection.unchecked = None;
    }
    outcome
}

fn judged(limit: &str, change: impl FnOnce(&mut ReactionOutcome)) -> Verdict {
    let machine = machine_with(limit);
    let mut outcome = clean(&machine);
    change(&mut outcome.reactions[0]);
    judge(&machine, &outcome, &Summary::default())
}

fn status(limit: &str, change: impl FnOnce(&mut ReactionOutcome)) -> (FunctionStatus, Judgement) {
    let verdict = judged(limit, change);
    (verdict.functions[0].status, verdict.result)
}

#[test]
fn a_limit_is_met_or_missed_by_its_bound() {
    // 66 ms, and 60 - 20 ms for one fault.
    assert_eq!(status("106 ms", |_| ()), (FunctionStatus::Met, Judgement::WithinLimits));
    assert_eq!(status("105.999999 ms", |_| ()), (FunctionStatus::Missed, Judgement::Findings));
    // A fast run does not excuse it.
    let fast = |reaction: &mut ReactionOutcome| reaction.sample.record(Span::from_millis(10));
    assert_eq!(status("100 ms", fast), (FunctionStatus::Missed, Judgement::Findings));
    assert!(judged("106 ms", |_| ()).functions[0].measured.is_none());
}

#[test]
fn a_measurement_refutes_a_bound_but_never_makes_one() {
    let took = |ms: i64| move |reaction: &mut ReactionOutcome| reaction.sample.record(Span::from_millis(ms));
    assert_eq!(status("120 ms", took(92)), (FunctionStatus::Met, Judgement::WithinLimits));
    let late = |reaction: &mut ReactionOutcome| reaction.sample.record(Span::from_nanos(92_000_001));
    assert_eq!(status("120 ms", late), (FunctionStatus::Refuted, Judgement::Findings));
    // That the machine file is wrong about the machine is worse than a missed limit.
    assert_eq!(status("100 ms", late), (FunctionStatus::Refuted, Judgement::Findings));
}

/// 92 ms with a tap that may be late by 2 ms; the waits for the carrier, 24 and 20 ms for want of cycles, only lengthen.
#[test]
fn a_bound_is_refuted_beyond_the_uncertainty_only() {
    let text = MACHINE.replace("revision = \"C\"", "revision = \"C\"\ntap_delay = \"2 ms\"");
    let machine = machine::read("test", text).unwrap();
    let compared = |ms: i64| {
        let mut outcome = clean(&machine);
        outcome.reactions[0].sample.record(Span::from_millis(ms));
        let verdict = judge(&machine, &outcome, &Summary::default());
        let measured = verdict.functions[0].measured.clone().unwrap();
        assert_eq!(
            (measured.uncertainty.less(), measured.uncertainty.more()),
            (Span::from_millis(2), Span::from_millis(46))
        );
        (measured.comparison.unwrap(), verdict.functions[0].status)
    };
    assert_eq!(compared(46), (Comparison::Supports, FunctionStatus::Met));
    assert_eq!(compared(47), (Comparison::Within, FunctionStatus::Met));
    assert_eq!(compared(94), (Comparison::Within, FunctionStatus::Met));
    assert_eq!(compared(95), (Comparison::Refutes, FunctionStatus::Refuted));
}

/// What is certain by less than clock and tap allow is no finding; the worst that applies is the status.
#[test]
fn findings_on_a_function_have_their_status() {
    use crate::check::{Awaited, Missing, OutOfOrder, TooEarly};
    let judged = |rule: &str, tap: &str, changes: &[fn(&mut ReactionOutcome)]| {
        let text = MACHINE.replace("revision = \"C\"", &format!("revision = \"C\"\ntap_delay = \"{tap}\""));
        let text = text.replace("id = \"gate-opens\"", &format!("id = \"gate-opens\"\nwithout_demand = \"{rule}\""));
        let machine = machine::read("test", text).unwrap();
        let mut outcome = clean(&machine);
        changes.iter().for_each(|change| change(&mut outcome.reactions[0]));
        let verdict = judge(&machine, &outcome, &Summary::default());
        let function = &verdict.functions[0];
        (function.status, function.findings.len(), verdict.result)
    };
    let early: fn(&mut ReactionOutcome) = |reaction| {
        let (what, awaited, beyond) = (TooEarly::Withdrawal, Awaited::DemandEnd, Span::from_millis(2));
        let told = OutOfOrder { what, awaited, at: at(300), demand: at(0), end: None, acknowledged: None, beyond };
        reaction.order.too_early.list.push(told);
        reaction.order.too_early.total += 1;
    };
    let missing: fn(&mut ReactionOutcome) = |reaction| {
        let told = Missing { demand: at(100), next: at(600), beyond: Span::from_millis(2) };
        reaction.missing.list.push(told);
        reaction.missing.total += 1;
    };
    let alone: fn(&mut ReactionOutcome) = |reaction| {
        reaction.order.without_demand.list.push(at(200));
        reaction.order.without_demand.total += 1;
    };
    use FunctionStatus::{Met, OutOfOrder as Disordered, Unanswered, WithoutDemand};
    use Judgement::{Findings, WithinLimits};
    assert_eq!(judged("told", "1 ms", &[early]), (Disordered, 1, Findings));
    assert_eq!(judged("told", "2 ms", &[early, missing, alone]), (Met, 0, WithinLimits));
    assert_eq!(judged("told", "1 ms", &[early, missing, alone]), (Unanswered, 2, Findings));
    assert_eq!(judged("finding", "2 ms", &[early, missing, alone]), (WithoutDemand, 1, Findings));
    assert_eq!(judged("finding", "1 ms", &[early, missing, alone]), (Unanswered, 3, Findings));
}

#[test]
fn a_demand_is_unanswered_once_the_bound_has_passed() {
    let since = |ms: i64| move |reaction: &mut ReactionOutcome| reaction.waiting = Some(at(ms));
    assert_eq!(status("120 ms", since(907)), (FunctionStatus::Unanswered, Judgement::Findings));
    let verdict = judged("120 ms", since(908));
    assert_eq!((verdict.functions[0].status, verdict.result), (FunctionStatus::Met, Judgement::WithinLimits));
    assert_eq!(verdict.functions[0].measured.as_ref().unwrap().unanswered, 0);
}

#[test]
fn demands_that_could_not_be_measured_are_told_and_refute_nothing() {
    let changes: [fn(&mut ReactionOutcome); 3] = [
        |reaction| reaction.interrupted = 1,
        |reaction| reaction.already_reacted = 1,
        |reaction| reaction.disturbed = 1,
    ];
    for change in changes {
        let verdict = judged("120 ms", change);
        assert_eq!(verdict.functions[0].status, FunctionStatus::Met);
        assert_eq!(verdict.functions[0].measured.as_ref().unwrap().reaction.sample.count(), 0);
    }
}

#[test]
fn a_connection_is_as_healthy_as_the_worst_that_is_known_of_it() {
    let machine = machine_with("120 ms");
    let health = |change: fn(&mut crate::check::ConnectionOutcome)| {
        let mut outcome = clean(&machine);
        change(&mut outcome.connections[1]);
        let verdict = judge(&machine, &outcome, &Summary::default());
        assert_eq!(verdict.connections[0].health, Health::Good);
        (verdict.connections[1].health, verdict.communication(), verdict.result)
    };
    assert_eq!(health(|_| ()), (Health::Good, Judgement::WithinLimits, Judgement::WithinLimits));
    let trip: fn(&mut crate::check::ConnectionOutcome) = |connection| {
        let (cause, direction) = (TripCause::Reset(ResetReason::WATCHDOG), Direction::ToHost);
        connection.trips.push(Trip { location: at(5), connection: 1, direction, cause, last_good: [None, None] });
    };
    assert_eq!(health(trip), (Health::Tripped, Judgement::Findings, Judgement::Findings));
    assert_eq!(
        health(|connection| {
            let (class, direction) = (Class::Loss, Direction::ToHost);
            let detail = Detail::Missing { telegrams: 1 };
            connection.findings.push(Finding { connection: 1, direction, location: at(5), class, detail });
        }),
        (Health::Findings, Judgement::Findings, Judgement::Findings)
    );
    assert_eq!(
        health(|connection| connection.unchecked = Some(Unchecked::NeverConfirmed(Direction::ToHost))),
        (Health::NotExamined, Judgement::NotExamined, Judgement::NotExamined)
    );
}

#[test]
fn the_margin_is_that_of_the_longer_direction() {
    let machine = machine_with("120 ms");
    let mut outcome = clean(&machine);
    outcome.connections[0].to_device.intervals.times.record(Span::from_millis(41), at(7));
    outcome.connections[0].to_host.intervals.times.record(Span::from_millis(12), at(8));
    let verdict = judge(&machine, &outcome, &Summary::default());
    let (direction, longest) = verdict.connections[0].longest.unwrap();
    assert_eq!((direction, longest.place), (Direction::ToDevice, at(7)));
    assert_eq!(verdict.connections[0].margin, Some(Span::from_millis(-1)));
    assert_eq!((verdict.connections[1].longest, verdict.connections[1].margin), (None, None));
}

#[test]
fn a_hole_in_the_run_outranks_what_was_found() {
    let machine = machine_with("100 ms");
    let mut outcome = clean(&machine);
    assert_eq!(gaps(&machine, &outcome, &Summary::default()), []);
    outcome.contents.malformed = 3;
    outcome.contents.without_time = 2;
    outcome.connections[0].unchecked = Some(Unchecked::NeverSeen(Direction::ToHost));
    let verdict = judge(&machine, &outcome, &Summary::default());
    assert_eq!(
        verdict.gaps,
        [
            Gap::WithoutTime { packets: 2 },
            Gap::Malformed { packets: 3 },
            Gap::Connection { connection: 0, why: Unchecked::NeverSeen(Direction::ToHost) },
        ]
    );
    assert_eq!((verdict.functions[0].status, verdict.result), (FunctionStatus::Missed, Judgement::NotExamined));
    outcome.packets = 0;
    assert_eq!(gaps(&machine, &outcome, &Summary::default())[0], Gap::NoPackets);
    // Nothing was looked for, so nothing is clean; without functions too nothing was asked.
    outcome.packets = 1;
    let bare = Machine { connections: Vec::new(), ..machine };
    assert!(gaps(&bare, &outcome, &Summary::default()).contains(&Gap::NoConnection));
    assert!(!gaps(&Machine::default(), &outcome, &Summary::default()).contains(&Gap::NoConnection));
}

#[test]
fn budgets_are_judged_without_a_run() {
    let (functions, result) = judge_budgets(&machine_with("106 ms"));
    assert_eq!((functions[0].status, result), (FunctionStatus::Met, Judgement::WithinLimits));
    assert_eq!(judge_budgets(&machine_with("105 ms")).1, Judgement::Findings);
    assert_eq!(judge_budgets(&Machine::default()).1, Judgement::NotExamined);
}
