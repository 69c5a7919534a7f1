//! The shipped captures: the checker against the synthesiser's ledger, two implementations that share no code.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use serde_json::Value;
use stopspan::capture::{Input, Run};
use stopspan::check::{Checker, Outcome};
use stopspan::machine::{self, Direction, Machine};
use stopspan::synth::{self, Demands, FaultKind, Ledger, Plan, PlannedFault};
use stopspan::time::Span;
use stopspan::verdict::{self, Judgement, Verdict};

use super::support::block_starts;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("captures").join("reel-wrapper")
}

fn machine() -> Machine {
    let text = std::fs::read(folder().join("machine.toml")).unwrap();
    machine::read("machine.toml", text).unwrap_or_else(|problems| panic!("{problems}"))
}

fn check(machine: &Machine, input: Input) -> (Outcome, Verdict) {
    let mut run = Run::open([input]).unwrap();
    let mut checker = Checker::new(machine);
    while let Some(packet) = run.next_packet().unwrap() {
        checker.packet(&packet);
    }
    let outcome = checker.finish();
    let verdict = verdict::judge(machine, &outcome, &run.summary());
    (outcome, verdict)
}

/// Class, connection, direction, packet, time.
type Told = BTreeSet<(String, String, String, u64, i64)>;

fn findings(machine: &Machine, outcome: &Outcome) -> Told {
    let findings = outcome.connections.iter().flat_map(|connection| &connection.findings);
    findings
        .map(|finding| {
            let id = machine.connections[finding.connection].id.clone();
            let (class, direction) = (finding.class.name().to_owned(), finding.direction.name().to_owned());
            (class, id, direction, finding.location.packet, finding.location.at.as_nanos())
        })
        .collect()
}

fn placed(ledger: &Value) -> Told {
    let faults = ledger["faults"].as_array().unwrap();
    faults
        .iter()
        .map(|fault| {
            let text = |key: &str| fault[key].as_str().unwrap().to_owned();
            let (packet, at) = (fault["packet"].as_u64().unwrap(), fault["at_ns"].as_i64().unwrap());
            (text("class"), text("connection"), text("direction"), packet, at)
        })
        .collect()
}

fn ledger(name: &str) -> Value {
    serde_json::from_slice(&std::fs::read(folder().join(name)).unwrap()).unwrap()
}

/// Function, packet of the demand, packet of the reaction, time between them.
type Reactions = BTreeSet<(String, u64, u64, i64)>;

fn measured(machine: &Machine, outcome: &Outcome) -> Reactions {
    outcome
        .reactions
        .iter()
        .flat_map(|reaction| {
            let id = &machine.functions[reaction.function].id;
            reaction
                .occurrences
                .iter()
                .map(move |o| (id.clone(), o.demand.packet, o.reaction.packet, o.span.as_nanos()))
        })
        .collect()
}

fn demanded(ledger: &Value) -> Reactions {
    let demands = ledger["demands"].as_array().unwrap();
    demands
        .iter()
        .map(|demand| {
            let number = |key: &str| demand[key].as_u64().unwrap();
            let function = demand["function"].as_str().unwrap().to_owned();
            (function, number("demand_packet"), number("reaction_packet"), demand["reaction_ns"].as_i64().unwrap())
        })
        .collect()
}

#[test]
fn the_clean_capture_is_within_limits() {
    let machine = machine();
    let (outcome, verdict) = check(&machine, Input::file(folder().join("clean.pcapng")));
    assert_eq!(findings(&machine, &outcome), Told::new());
    assert!(outcome.connections.iter().all(|connection| connection.trips.is_empty()));
    assert_eq!(verdict.gaps, []);
    assert_eq!(verdict.result, Judgement::WithinLimits);
    let ledger = ledger("clean.ledger.json");
    assert_eq!(measured(&machine, &outcome), demanded(&ledger));
    assert_eq!(outcome.packets, ledger["packets"].as_u64().unwrap());
    assert!(outcome.reactions.len() >= 6 && outcome.reactions.iter().all(|reaction| reaction.sample.count() > 0));
    for connection in &outcome.connections {
        assert!(connection.to_device.held + connection.to_host.held > 0, "the bus holds telegrams");
    }
}

#[test]
fn every_fault_of_the_faulty_capture_is_found_in_its_class_at_its_packet_and_nothing_else() {
    let machine = machine();
    let (outcome, verdict) = check(&machine, Input::file(folder().join("faulty.pcapng")));
    let ledger = ledger("faulty.ledger.json");
    assert_eq!(findings(&machine, &outcome), placed(&ledger));
    assert_eq!(measured(&machine, &outcome), demanded(&ledger));
    assert_eq!(verdict.gaps, []);
    assert_eq!(verdict.result, Judgement::Findings);
    let classes: BTreeSet<_> = placed(&ledger).into_iter().map(|(class, ..)| class).collect();
    assert_eq!(classes.len(), 9, "every class of IEC 61784-3 and a wrong parameter: {classes:?}");
}

fn synthesise(machine: &Machine, plan: &Plan) -> (Vec<u8>, Ledger) {
    let mut octets = Vec::new();
    let ledger = synth::synthesise(machine, plan, &mut octets).unwrap_or_else(|error| panic!("{error}"));
    (octets, ledger)
}

fn check_octets(machine: &Machine, octets: Vec<u8>) -> (Outcome, Verdict) {
    check(machine, Input::stream("synthesised", std::io::Cursor::new(octets)))
}

#[test]
fn clean_runs_of_any_seed_have_no_finding_from_start_up_and_from_the_middle() {
    let machine = machine();
    for seed in 10..16 {
        let plan = Plan { duration: Span::from_millis(6_000), seed, start_up: seed % 2 == 0, ..Plan::default() };
        let (octets, ledger) = synthesise(&machine, &plan);
        let (outcome, verdict) = check_octets(&machine, octets);
        assert_eq!(findings(&machine, &outcome), Told::new(), "seed {seed}");
        assert_eq!((&verdict.gaps, verdict.result), (&vec![], Judgement::WithinLimits), "seed {seed}");
        assert_eq!(measured(&machine, &outcome), demanded(&serde_json::to_value(&ledger).unwrap()));
    }
}

/// Each kind of fault alone, on each connection and direction that it applies to.
/// Packets that a tap lost in a row, from two to more than any counter of telegrams bridges.
#[test]
fn bursts_that_the_tap_lost_are_never_blamed_on_the_machine() {
    let machine = machine();
    let plan = Plan { duration: Span::from_millis(12_000), seed: 7, ..Plan::default() };
    let (octets, _) = synthesise(&machine, &plan);
    let starts = block_starts(&octets);
    for lost in [2, 6, 40, 900] {
        for from in (200..starts.len() - 1_000).step_by(997) {
            let cut = [&octets[..starts[from]], &octets[starts[from + lost]..]].concat();
            let (outcome, verdict) = check_octets(&machine, cut);
            assert_eq!(findings(&machine, &outcome), Told::new(), "{lost} packets lost from block {from} on");
            assert!(!outcome.tap_faults.is_empty(), "{lost} packets lost from block {from} on");
            assert_eq!(verdict.result, Judgement::NotExamined);
            // 900 packets are more telegrams than can be counted, 2 may hold none that was new.
            let lost_telegrams = outcome.connections.iter().any(|c| c.to_host.tap_losses + c.to_device.tap_losses > 0);
            assert!(lost_telegrams || lost != 40, "40 packets lost from block {from} on");
        }
    }
}

/// A clock that is set back, and one packet with a time far ahead of its neighbours.
#[test]
fn steps_of_the_capture_clock_are_not_silences_of_the_machine() {
    let machine = machine();
    let plan = Plan { duration: Span::from_millis(6_000), seed: 7, ..Plan::default() };
    let (octets, _) = synthesise(&machine, &plan);
    let starts = block_starts(&octets);
    let shift = |octets: &mut [u8], start: usize, seconds: i64| {
        let word = |at: usize| u64::from(u32::from_le_bytes(octets[at..at + 4].try_into().unwrap()));
        let ticks = (word(start + 12) << 32 | word(start + 16)).checked_add_signed(seconds * 1_000_000_000).unwrap();
        let [a, b, c, d, e, f, g, h] = ticks.to_be_bytes();
        octets[start + 12..start + 20].copy_from_slice(&[d, c, b, a, h, g, f, e]);
    };
    let mut back = octets.clone();
    starts[3_000..starts.len() - 1].iter().for_each(|start| shift(&mut back, *start, -5));
    let (outcome, verdict) = check_octets(&machine, back);
    assert_eq!((findings(&machine, &outcome), verdict.result), (Told::new(), Judgement::NotExamined));
    let mut ahead = octets;
    shift(&mut ahead, starts[3_000], 1_000);
    let (outcome, verdict) = check_octets(&machine, ahead);
    let to_the_end = findings(&machine, &outcome).iter().filter(|(_, _, _, packet, _)| *packet > 3_000).count();
    assert_eq!((to_the_end, verdict.result), (0, Judgement::NotExamined));
}

#[test]
fn every_fault_alone_is_found_in_its_class() {
    let machine = machine();
    let mut tried = 0;
    for (connection, declared) in machine.connections.iter().enumerate() {
        for direction in [Direction::ToDevice, Direction::ToHost] {
            for (seed, kind) in (100..).zip(FaultKind::ALL) {
                let fault = PlannedFault { kind, connection, direction, at: Span::from_millis(2_000) };
                let plan = Plan {
                    duration: Span::from_millis(3_500),
                    seed,
                    demands: Demands::List(Vec::new()),
                    faults: vec![fault],
                    ..Plan::default()
                };
                let mut octets = Vec::new();
                let Ok(ledger) = synth::synthesise(&machine, &plan, &mut octets) else { continue };
                tried += 1;
                let (outcome, verdict) = check_octets(&machine, octets);
                let what = format!("{} on {} {}", kind.name(), declared.id, direction.name());
                if kind == FaultKind::TapLoss {
                    assert_eq!(findings(&machine, &outcome), Told::new(), "{what}");
                    assert_eq!(verdict.result, Judgement::NotExamined, "{what}");
                } else {
                    assert_eq!(findings(&machine, &outcome), placed(&serde_json::to_value(&ledger).unwrap()), "{what}");
                    assert_eq!(verdict.result, Judgement::Findings, "{what}");
                }
            }
        }
    }
    assert!(tried >= 100, "only {tried} combinations apply");
}

#[test]
fn the_shipped_captures_are_what_their_commands_make() {
    // The README of the folder holds the commands; the clean one is repeated here octet for octet.
    let machine = machine();
    let plan = Plan { duration: Span::from_millis(21_000), seed: 1, ..Plan::default() };
    let (octets, _) = synthesise(&machine, &plan);
    assert!(
        octets == std::fs::read(folder().join("clean.pcapng")).unwrap(),
        "made from another machine file or program"
    );
}
