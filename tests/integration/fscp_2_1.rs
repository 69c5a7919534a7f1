//! FSCP 2/1 over Type 2: the checker against the synthesiser's ledger, two implementations of the ends that share no code.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::io::Cursor;

use stopspan::capture::{Input, Run};
use stopspan::check::{Checker, EventKind, Outcome, Unchecked};
use stopspan::machine::{self, Direction, Machine};
use stopspan::synth::{self, Demands, FaultKind, Ledger, Plan, PlannedFault};
use stopspan::time::Span;
use stopspan::verdict::{self, Judgement, Verdict};

use super::support::block_starts;

/// The forms of the profile, each on two connections of the reel wrapping cell, so that each has a partner for addressing:
/// name, direction of the data, octets, format, more settings.
const FORMS: [(&str, &str, usize, &str, &str); 6] = [
    ("gate", "to_host", 2, "base", ""),
    ("lift", "to_device", 6, "base", ""),
    ("curtain", "to_host", 1, "extended", "initial_rollover = 0xFFFF"),
    ("turntable", "to_device", 4, "extended", "initial_time_stamp = 40000\ninitial_rollover = 255"),
    ("stop", "to_device", 1, "base", "time_correction = true\nconsumer_number = 3"),
    ("carriage", "to_host", 12, "extended", "time_correction = true\nconsumer_number = 1"),
];

/// Every form.
const ALL: [usize; 6] = [0, 1, 2, 3, 4, 5];

/// A machine file with these of the [`FORMS`], the first two among them for the function.
pub fn text(forms: &[usize]) -> String {
    let mut text = String::from(
        "schema = 1\nmachine = { name = \"Reel wrapping cell\", revision = \"D\" }\n\
         element = [{ id = \"switch\", worst_case = \"8 ms\" }, { id = \"logic\", worst_case = \"8 ms\" }, { id = \"drive\", worst_case = \"8 ms\" }]\n",
    );
    for index in forms {
        let (id, direction, data, format, more) = FORMS[*index];
        for twin in 0..2 {
            let serial = 2 * index + twin;
            write!(
                text,
                "[[connection]]\nid = \"{id}-{twin}\"\nprofile = \"FSCP 2/1\"\nworst_case = \"22 ms\"\nwatchdog = \"60 ms\"\n\
                 [connection.telegram]\n{direction}_data = {data}\nformat = \"{format}\"\n\
                 producer = {{ vendor = 1, device_serial = 0x1234_{serial:04}, connection_serial = {serial} }}\n\
                 consumer = {{ vendor = 2, device_serial = 77, connection_serial = {serial} }}\n\
                 packet_interval = \"10 ms\"\nping_interval = 8\ntimeout_multiplier = 2\n\
                 network_time_expectation = 400\n{more}\n\
                 [connection.to_device]\ncarrier = \"type2\"\nconnection_id = 0x2000_{serial:04}\n\
                 [connection.to_host]\ncarrier = \"type2\"\nconnection_id = 0x1000_{serial:04}\n",
            )
            .unwrap();
        }
    }
    text + "[[signal]]\nid = \"gate-open\"\nconnection = \"gate-0\"\ndirection = \"to_host\"\nbit = 9\nactive = \"low\"\n\
            [[signal]]\nid = \"lift-off\"\nconnection = \"lift-0\"\ndirection = \"to_device\"\nbit = 3\nactive = \"low\"\n\
            [[function]]\nid = \"gate-opens\"\ndemand = \"gate-open\"\nreaction = \"lift-off\"\n\
            path = [\"switch\", \"gate-0\", \"logic\", \"lift-0\", \"drive\"]\nrequired = { response_time = \"1 s\" }\n"
}

fn read(text: &str) -> Machine {
    machine::read("machine.toml", text).unwrap_or_else(|problems| panic!("{problems}"))
}

fn machine() -> Machine {
    read(&text(&ALL))
}

fn synthesise(machine: &Machine, plan: &Plan) -> (Vec<u8>, Ledger) {
    let mut octets = Vec::new();
    let ledger = synth::synthesise(machine, plan, &mut octets).unwrap_or_else(|error| panic!("{error}"));
    (octets, ledger)
}

fn check(machine: &Machine, octets: Vec<u8>) -> (Outcome, Verdict) {
    let mut run = Run::open([Input::stream("synthesised", Cursor::new(octets))]).unwrap();
    let mut checker = Checker::new(machine);
    while let Some(packet) = run.next_packet().unwrap() {
        checker.packet(&packet);
    }
    let outcome = checker.finish();
    let verdict = verdict::judge(machine, &outcome, &run.summary());
    (outcome, verdict)
}

/// Class, connection, direction, packet.
type Told = BTreeSet<(&'static str, String, &'static str, u64)>;

fn findings(machine: &Machine, outcome: &Outcome) -> Told {
    let findings = outcome.connections.iter().flat_map(|connection| &connection.findings);
    let told: Vec<_> = findings
        .map(|finding| {
            let id = machine.connections[finding.connection].id.clone();
            (finding.class.name(), id, finding.direction.name(), finding.location.packet)
        })
        .collect();
    let set: Told = told.iter().cloned().collect();
    assert_eq!(set.len(), told.len(), "each is told once: {told:?}");
    set
}

fn placed(ledger: &Ledger) -> Told {
    let fault =
        |fault: &synth::LedgerFault| (fault.class, fault.connection.clone(), fault.direction.name(), fault.packet);
    ledger.faults.iter().map(fault).collect()
}

/// Longer than a turn of the time stamps, 8.4 s, so that the rollover counts step.
#[test]
fn clean_runs_have_no_finding_from_start_up_and_from_the_middle() {
    let machine = machine();
    for seed in 0..8 {
        let plan = Plan { duration: Span::from_millis(13_000), seed, start_up: seed % 2 == 0, ..Plan::default() };
        let (octets, ledger) = synthesise(&machine, &plan);
        let (outcome, verdict) = check(&machine, octets);
        assert_eq!(findings(&machine, &outcome), Told::new(), "seed {seed}");
        assert_eq!((&verdict.gaps, verdict.result), (&vec![], Judgement::WithinLimits), "seed {seed}");
        assert!(outcome.reactions[0].sample.count() > 0 && !ledger.demands.is_empty());
        let packets: Vec<_> = ledger.demands.iter().map(|d| (d.demand_packet, d.reaction_packet)).collect();
        let measured = outcome.reactions[0].occurrences.iter().map(|o| (o.demand.packet, o.reaction.packet));
        assert_eq!(measured.collect::<Vec<_>>(), packets, "seed {seed}");
        assert!(outcome.contents.type2.by_key.len() == 24 && outcome.contents.type2.more == 0);
        for (connection, declared) in outcome.connections.iter().zip(&machine.connections) {
            let events: Vec<_> = connection.events.iter().map(|event| event.kind).collect();
            let expected = if plan.start_up { EventKind::Operating } else { EventKind::Joined };
            assert_eq!(events, [expected], "{} seed {seed}", declared.id);
            for line in [&connection.to_device, &connection.to_host] {
                assert!(line.confirmed + 2 >= line.telegrams && line.telegrams > 100, "{} {line:?}", declared.id);
            }
            assert!(verdict.connections.iter().all(|connection| connection.margin.is_some()));
        }
    }
}

#[test]
fn every_fault_alone_is_found_in_its_class_at_its_packet_and_nothing_else() {
    let (mut tried, mut kinds) = (0, BTreeSet::new());
    for form in ALL {
        let machine = if form < 2 { read(&text(&ALL[..2])) } else { read(&text(&[0, 1, form])) };
        // The first of its pair.
        let id = format!("{}-0", FORMS[form].0);
        let connection = machine.connections.iter().position(|connection| connection.id == id).unwrap();
        for direction in [Direction::ToDevice, Direction::ToHost] {
            for (seed, kind) in (100..).zip(FaultKind::ALL) {
                let fault = PlannedFault { kind, connection, direction, at: Span::from_millis(2_100) };
                let demands = Demands::List(Vec::new());
                let duration = Span::from_millis(4_300);
                let plan = Plan { duration, seed, demands, faults: vec![fault], ..Plan::default() };
                let mut octets = Vec::new();
                let what = format!("{} on {id} {}", kind.name(), direction.name());
                let ledger = match synth::synthesise(&machine, &plan, &mut octets) {
                    Ok(ledger) => ledger,
                    Err(synth::SynthError::NotApplicable { .. }) => continue,
                    Err(error) => panic!("{what}: {error}"),
                };
                tried += 1;
                kinds.insert(kind);
                let (outcome, verdict) = check(&machine, octets);
                if kind == FaultKind::TapLoss {
                    assert_eq!(findings(&machine, &outcome), Told::new(), "{what}");
                    assert_eq!(verdict.result, Judgement::NotExamined, "{what}");
                } else {
                    assert_eq!(findings(&machine, &outcome), placed(&ledger), "{what}");
                    assert_eq!(verdict.result, Judgement::Findings, "{what}");
                }
            }
        }
    }
    // Six kinds both ways on six forms; insertion where base data go.
    assert_eq!((tried, kinds.len()), (6 * 2 * 6 + 3, 7));
}

/// Packets that a tap lost in a row, from one to more than a turn of the time stamps.
#[test]
fn bursts_that_the_tap_lost_are_never_blamed_on_the_machine() {
    let machine = machine();
    let plan = Plan { duration: Span::from_millis(12_000), seed: 7, ..Plan::default() };
    let (octets, _) = synthesise(&machine, &plan);
    let starts = block_starts(&octets);
    for lost in [1, 2, 5, 30, 400, starts.len() - 4_400] {
        for from in (4_000..starts.len() - lost - 100).step_by(1_171) {
            let cut = [&octets[..starts[from]], &octets[starts[from + lost]..]].concat();
            let (outcome, verdict) = check(&machine, cut);
            assert_eq!(findings(&machine, &outcome), Told::new(), "{lost} packets lost from block {from} on");
            assert!(!outcome.tap_faults.is_empty(), "{lost} packets lost from block {from} on");
            assert_eq!(verdict.result, Judgement::NotExamined);
        }
    }
}

/// Without identities the CRCs are held against each other; with wrong ones the machine file is told to be wrong.
#[test]
fn unknown_and_wrong_identities_are_told_and_blame_nobody() {
    let whole = text(&ALL[..4]);
    let machine = read(&whole);
    let plan = Plan { duration: Span::from_millis(11_000), seed: 5, ..Plan::default() };
    let (octets, _) = synthesise(&machine, &plan);
    let unknown: Vec<&str> = whole.lines().filter(|line| !line.contains("_serial = ")).collect();
    let unknown = read(&unknown.join("\n"));
    let wrong = read(&whole.replace("vendor = ", "vendor = 1"));
    for (machine, is_told) in [
        (&unknown, (|why| matches!(why, Unchecked::NoIdentity(_))) as fn(Unchecked) -> bool),
        (&wrong, |why| matches!(why, Unchecked::IdentityDoesNotFit(_))),
    ] {
        let (outcome, verdict) = check(machine, octets.clone());
        assert_eq!(findings(machine, &outcome), Told::new());
        assert_eq!(verdict.result, Judgement::NotExamined);
        for (connection, declared) in outcome.connections.iter().zip(&machine.connections) {
            assert!(connection.unchecked.is_some_and(is_told), "{} {:?}", declared.id, connection.unchecked);
            for line in [&connection.to_device, &connection.to_host] {
                assert!(line.confirmed + 4 >= line.telegrams && line.telegrams > 100, "{} {line:?}", declared.id);
            }
        }
    }
}

/// What is wrong with a message shows in every form without an identity as well.
#[test]
fn corruption_is_found_without_identities() {
    let whole = text(&ALL[..4]);
    let machine = read(&whole);
    let unknown: Vec<&str> = whole.lines().filter(|line| !line.contains("_serial = ")).collect();
    let unknown = read(&unknown.join("\n"));
    for connection in 0..8 {
        for direction in [Direction::ToDevice, Direction::ToHost] {
            let fault =
                PlannedFault { kind: FaultKind::Corruption, connection, direction, at: Span::from_millis(2_100) };
            let demands = Demands::List(Vec::new());
            let (duration, faults) = (Span::from_millis(4_300), vec![fault]);
            let (octets, ledger) = synthesise(&machine, &Plan { duration, demands, faults, ..Plan::default() });
            let (outcome, _) = check(&unknown, octets);
            assert_eq!(findings(&unknown, &outcome), placed(&ledger));
        }
    }
}
