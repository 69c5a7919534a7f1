//! Profiles beside those of the shipped captures: the checker against the synthesiser's ledger, over each carrier.

use std::collections::BTreeSet;

use stopspan::capture::{Input, Run};
use stopspan::check::{Checker, Outcome, Unchecked};
use stopspan::machine::{self, Direction, Machine};
use stopspan::report;
use stopspan::synth::{self, Demands, FaultKind, Ledger, Plan, PlannedFault};
use stopspan::time::Span;
use stopspan::verdict::{self, Judgement, Verdict};

use super::support::block_starts;

/// IEC 62541-15: the curtain and the gate alike but for their IDs, the enabling device with its data first and no IDs given.
pub const IEC_62541_15: &str = r#"
schema = 1
machine = { name = "Reel wrapping cell", revision = "C" }
element = [{ id = "switch", worst_case = "8 ms" }, { id = "logic", worst_case = "8 ms" }, { id = "drive", worst_case = "8 ms" }]
[[connection]]
id = "gate"
profile = "IEC 62541-15"
worst_case = "24 ms"
watchdog = "110 ms"
sil = 3
[connection.telegram]
to_host_data = 4
base_id = "72962B91-FA75-4AE6-8D28-B404DC7DAF63"
provider_id = 0xE0EA6B40
structure_signature = 0xDE7329FD
consumer_id = 0x11223344
[connection.to_device]
carrier = "udp"
destination_port = 34001
[connection.to_host]
carrier = "udp"
destination_port = 34002
offset = 7
[[connection]]
id = "curtain"
profile = "IEC 62541-15"
worst_case = "24 ms"
watchdog = "110 ms"
sil = 2
[connection.telegram]
to_host_data = 4
base_id = "72962B91-FA75-4AE6-8D28-B404DC7DAF63"
provider_id = 2
structure_signature = 0xDE7329FD
consumer_id = 0x11223345
[connection.to_device]
carrier = "udp"
destination_port = 34003
offset = 2
[connection.to_host]
carrier = "udp"
destination_port = 34004
[[connection]]
id = "enabling"
profile = "IEC 62541-15"
worst_case = "24 ms"
watchdog = "150 ms"
[connection.telegram]
to_host_data = 61
layout = "data first"
[connection.to_device]
carrier = "udp"
destination_port = 34005
[connection.to_host]
carrier = "udp"
destination_port = 34006
[[signal]]
id = "gate-open"
connection = "gate"
direction = "to_host"
bit = 9
active = "low"
[[signal]]
id = "curtain-stopped"
connection = "curtain"
direction = "to_host"
bit = 3
[[function]]
id = "gate-opens"
demand = "gate-open"
reaction = "curtain-stopped"
path = ["switch", "gate", "logic", "curtain", "drive"]
required = { response_time = "1 s" }
"#;

/// FSCP 13/1: gate and curtain alike but for their addresses, over Type 13 and UDP; the lift with CRCs of two octets; the
/// enabling device without UDID.
pub const FSCP_13_1: &str = r#"
schema = 1
machine = { name = "Reel wrapping cell", revision = "C" }
element = [{ id = "switch", worst_case = "8 ms" }, { id = "logic", worst_case = "8 ms" }, { id = "drive", worst_case = "8 ms" }]
[[connection]]
id = "gate"
profile = "FSCP 13/1"
worst_case = "24 ms"
watchdog = "100 ms"
[connection.telegram]
to_device_data = 2
to_host_data = 4
to_device_address = 1
to_host_address = 2
udid = "00:60:65:01:02:03"
domain = 1
time_base = "100 us"
max_delay = "60 ms"
[connection.to_device]
carrier = "type13"
message = "PReq"
node = 5
[connection.to_host]
carrier = "type13"
message = "PRes"
node = 5
offset = 3
[[connection]]
id = "curtain"
profile = "FSCP 13/1"
worst_case = "24 ms"
watchdog = "100 ms"
[connection.telegram]
to_device_data = 2
to_host_data = 4
to_device_address = 3
to_host_address = 0x3FF
udid = "00:60:65:01:02:03"
[connection.to_device]
carrier = "udp"
destination_port = 9877
source = "192.0.2.1"
[connection.to_host]
carrier = "udp"
destination_port = 9877
source = "192.0.2.2"
[[connection]]
id = "lift"
profile = "FSCP 13/1"
worst_case = "24 ms"
watchdog = "120 ms"
[connection.telegram]
to_device_data = 9
to_host_data = 20
to_device_address = 5
to_host_address = 6
udid = "00:60:65:01:02:03"
time_base = "1 ms"
[connection.to_device]
carrier = "type13"
message = "PReq"
node = 6
[connection.to_host]
carrier = "type13"
message = "PRes"
node = 6
[[connection]]
id = "enabling"
profile = "FSCP 13/1"
worst_case = "24 ms"
watchdog = "120 ms"
[connection.telegram]
to_device_data = 1
to_host_data = 8
to_device_address = 7
to_host_address = 8
[connection.to_device]
carrier = "type13"
message = "PReq"
node = 7
[connection.to_host]
carrier = "type13"
message = "PRes"
node = 7
[[signal]]
id = "gate-open"
connection = "gate"
direction = "to_host"
bit = 9
[[signal]]
id = "lift-off"
connection = "lift"
direction = "to_device"
bit = 3
[[function]]
id = "gate-opens"
demand = "gate-open"
reaction = "lift-off"
path = ["switch", "gate", "logic", "lift", "drive"]
required = { response_time = "1 s" }
"#;

fn machine(text: &str) -> Machine {
    machine::read("machine.toml", text).unwrap_or_else(|problems| panic!("{problems}"))
}

fn check(machine: &Machine, octets: Vec<u8>) -> (Outcome, Verdict) {
    let mut run = Run::open([Input::stream("synthesised", std::io::Cursor::new(octets))]).unwrap();
    let mut checker = Checker::new(machine);
    while let Some(packet) = run.next_packet().unwrap() {
        checker.packet(&packet);
    }
    let outcome = checker.finish();
    let verdict = verdict::judge(machine, &outcome, &run.summary());
    (outcome, verdict)
}

/// Class, connection, direction, packet.
type Told = BTreeSet<(&'static str, String, Direction, u64)>;

fn findings(machine: &Machine, outcome: &Outcome) -> Told {
    let findings = outcome.connections.iter().flat_map(|connection| &connection.findings);
    let told: Vec<_> = findings
        .map(|f| (f.class.name(), machine.connections[f.connection].id.clone(), f.direction, f.location.packet))
        .collect();
    let set: Told = told.iter().cloned().collect();
    assert_eq!(set.len(), told.len(), "each once: {told:?}");
    set
}

fn placed(ledger: &Ledger) -> Told {
    ledger.faults.iter().map(|f| (f.class, f.connection.clone(), f.direction, f.packet)).collect()
}

fn measured(machine: &Machine, outcome: &Outcome) -> BTreeSet<(String, u64, u64, i64)> {
    let reactions = outcome.reactions.iter();
    let each = reactions.flat_map(|reaction| reaction.occurrences.iter().map(move |o| (reaction.function, o)));
    each.map(|(f, o)| (machine.functions[f].id.clone(), o.demand.packet, o.reaction.packet, o.span.as_nanos()))
        .collect()
}

fn demanded(ledger: &Ledger) -> BTreeSet<(String, u64, u64, i64)> {
    let demands = ledger.demands.iter();
    demands.map(|d| (d.function.clone(), d.demand_packet, d.reaction_packet, d.reaction.as_nanos())).collect()
}

fn clean_runs(machine: &Machine, unchecked: &[Option<Unchecked>]) {
    for seed in 20..24 {
        let plan = Plan { duration: Span::from_millis(8_000), seed, start_up: seed % 2 == 0, ..Plan::default() };
        let mut octets = Vec::new();
        let ledger = synth::synthesise(machine, &plan, &mut octets).unwrap_or_else(|error| panic!("{error}"));
        let (outcome, _) = check(machine, octets);
        assert_eq!(findings(machine, &outcome), Told::new(), "seed {seed}");
        let told: Vec<_> = outcome.connections.iter().map(|connection| connection.unchecked).collect();
        assert_eq!(told, unchecked, "seed {seed}");
        assert!(outcome.connections.iter().all(|connection| connection.trips.is_empty()), "seed {seed}");
        assert!(!ledger.demands.is_empty(), "seed {seed}");
        assert_eq!(measured(machine, &outcome), demanded(&ledger), "seed {seed}");
        for (connection, declared) in outcome.connections.iter().zip(&machine.connections) {
            for line in [&connection.to_device, &connection.to_host] {
                // A few requests before the partner is there have no answer.
                let told = format!("{} {seed}: {} of {}", declared.id, line.confirmed, line.telegrams);
                assert!(line.confirmed > 100 && line.confirmed + 6 >= line.telegrams, "{told}");
                assert!(line.intervals.times.longest().unwrap().span < declared.watchdog, "{} {seed}", declared.id);
            }
        }
    }
}

/// Each kind of fault alone on each connection and direction; gives how many combinations apply.
fn every_fault_alone(machine: &Machine, seeds: std::ops::Range<u64>) -> usize {
    let mut tried = 0;
    for (connection, declared) in machine.connections.iter().enumerate() {
        for direction in [Direction::ToDevice, Direction::ToHost] {
            for kind in FaultKind::ALL.into_iter().filter(|kind| *kind != FaultKind::TapLoss) {
                for seed in seeds.clone() {
                    let faults = vec![PlannedFault { kind, connection, direction, at: Span::from_millis(2_000) }];
                    let demands = Demands::List(Vec::new());
                    let plan = Plan { duration: Span::from_millis(3_500), seed, demands, faults, ..Plan::default() };
                    let mut octets = Vec::new();
                    let Ok(ledger) = synth::synthesise(machine, &plan, &mut octets) else { continue };
                    tried += 1;
                    let (outcome, verdict) = check(machine, octets);
                    let what = format!("{} on {} {}, seed {seed}", kind.name(), declared.id, direction.name());
                    assert_eq!(findings(machine, &outcome), placed(&ledger), "{what}");
                    // Where the file gives no IDs the run is not fully examined besides.
                    assert_ne!(verdict.result, Judgement::WithinLimits, "{what}");
                }
            }
        }
    }
    tried
}

#[test]
fn clean_runs_of_iec_62541_15_have_no_finding() {
    clean_runs(&machine(IEC_62541_15), &[None, None, Some(Unchecked::NoSpduIds)]);
}

#[test]
fn every_fault_of_iec_62541_15_alone_is_found_in_its_class() {
    // Eight kinds, both ways; addressing needs a partner with the same layout and another SafetyConsumerID.
    assert_eq!(every_fault_alone(&machine(IEC_62541_15), 100..101), 2 * (8 + 8 + 7));
}

#[test]
fn clean_runs_of_fscp_13_1_have_no_finding() {
    clean_runs(&machine(FSCP_13_1), &[None, None, None, Some(Unchecked::NoUdid)]);
}

#[test]
fn every_fault_of_fscp_13_1_alone_is_found_in_its_class() {
    // Six kinds besides addressing, without UDID five; nobody has the data lengths of lift and enabling device.
    assert_eq!(every_fault_alone(&machine(FSCP_13_1), 100..101), 2 * (7 + 7 + 6 + 5));
}

/// Octets of captures with findings changed at random: nothing panics, and all that is told can be written down.
#[test]
fn damaged_captures_of_all_profiles_end_and_are_told() {
    for (text, kind) in [(IEC_62541_15, FaultKind::Masquerade), (FSCP_13_1, FaultKind::UnintendedRepetition)] {
        let machine = machine(text);
        let faults =
            vec![PlannedFault { kind, connection: 0, direction: Direction::ToHost, at: Span::from_millis(2_000) }];
        let plan = Plan { duration: Span::from_millis(3_500), faults, ..Plan::default() };
        let plan = Plan { demands: Demands::List(Vec::new()), ..plan };
        let mut whole = Vec::new();
        synth::synthesise(&machine, &plan, &mut whole).unwrap();
        let starts = block_starts(&whole);
        // Linear congruential generator of Knuth's MMIX.
        let mut state = 7_u64;
        let mut next = |below: usize| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            usize::try_from(state >> 33).unwrap() % below
        };
        for changes in [1, 50, 5_000] {
            let mut octets = whole.clone();
            for _ in 0..changes {
                // Behind the head of a block of a packet and the Ethernet addresses, before its trailing length.
                let block = 3 + next(starts.len() - 5);
                let places = starts[block] + 28 + 12..starts[block + 1] - 4;
                octets[places.start + next(places.len())] ^= 1 << next(8);
            }
            let mut run = Run::open([Input::stream("damaged", std::io::Cursor::new(octets))]).unwrap();
            let mut checker = Checker::new(&machine);
            while let Some(packet) = run.next_packet().unwrap() {
                checker.packet(&packet);
            }
            let outcome = checker.finish();
            for connection in &outcome.connections {
                assert!(connection.findings.iter().map(|f| f.location).is_sorted(), "{changes} changes");
            }
            let verdict = verdict::judge(&machine, &outcome, &run.summary());
            assert_ne!(verdict.result, Judgement::WithinLimits, "{changes} changes");
            let named = Some(("machine.toml", &machine));
            let told = report::analyze(named, &outcome, &run.summary(), &verdict, verdict.communication());
            assert!(report::text(&told, 100, true).contains(machine.connections[0].profile.name()));
            report::json(&told).unwrap();
        }
    }
}
