//! What the capture did not see: a hole of any length blames nobody and is told once, on the capture; what the bus did not bring back is
//! the bus's.

use stopspan::check::{Class, Sign, TapFault};
use stopspan::machine::{self, Direction, Machine};
use stopspan::synth::{self, Demands, FaultKind, Plan, PlannedFault, TapFault as Planned, TapFaultKind, TapPlan};
use stopspan::time::Span;
use stopspan::verdict::trip::{self, Cause};
use stopspan::verdict::{self, Gap};

use super::matrix::variants::NUMBER_HIDDEN;
use super::support::{Examined, block_starts, examine_octets, run, scenario, scenario_file};
use super::trips::{Stage, stages};

const fn ms(millis: i64) -> Span {
    Span::from_millis(millis)
}

/// The capture of a run that lasts so many milliseconds, with the faults given, and its packets.
fn capture(machine: &Machine, millis: i64, seed: u64, faults: Vec<PlannedFault>, tap: Vec<Planned>) -> (Vec<u8>, u64) {
    let tap = TapPlan { faults: tap, ..TapPlan::default() };
    let demands = Demands::List(Vec::new());
    let plan = Plan { duration: ms(millis), seed, demands, faults, tap, ..Plan::default() };
    let mut octets = Vec::new();
    let ledger = synth::synthesise(machine, &plan, &mut octets).unwrap();
    (octets, ledger.packets)
}

/// A hole of `hole` milliseconds from `from` on.
fn hole(machine: &Machine, from: i64, hole: i64) -> Planned {
    let (_, packets) = capture(machine, 1_000, 1, Vec::new(), Vec::new());
    let lost = u32::try_from(packets).unwrap() / 100 * u32::try_from(hole / 10).unwrap();
    Planned { kind: TapFaultKind::Lost(lost), at: ms(from) }
}

/// The decided causes of all losses, by connection.
fn causes(machine: &Machine, told: &Examined) -> Vec<Vec<Option<Cause>>> {
    let all = machine.connections.iter().zip(&told.outcome.connections);
    all.map(|(connection, outcome)| {
        let story = |loss| trip::tell(connection, outcome, loss, told.outcome.first).unwrap();
        (0..outcome.losses.len()).map(|loss| story(loss).decided).collect()
    })
    .collect()
}

fn findings(told: &Examined) -> Vec<(Class, Direction, u64)> {
    let findings = told.outcome.connections.iter().flat_map(|connection| &connection.findings);
    findings.map(|finding| (finding.class, finding.direction, finding.location.packet)).collect()
}

/// Stages whose numbers tell where a connection goes on.
fn by_number() -> impl Iterator<Item = Stage> {
    stages().into_iter().filter(|stage| ["FSCP 12/1", "FSCP 3/1", "declared"].contains(&stage.name))
}

#[test]
fn a_hole_is_one_loss_of_each_connection_and_the_captures() {
    for stage in by_number() {
        for (seed, millis) in (1..).zip([300, 1_100, 2_500, 5_000]) {
            let (octets, _) =
                capture(&stage.machine, 8_000, seed, Vec::new(), vec![hole(&stage.machine, 2_000, millis)]);
            let told = examine_octets(&stage.machine, &octets).unwrap();
            let what = format!("{}, {millis} ms", stage.name);
            assert_eq!(findings(&told), [], "{what}");
            for causes in causes(&stage.machine, &told) {
                assert_eq!(causes, [Some(Cause::CaptureLoss)], "{what}");
            }
            assert!(told.gaps.iter().any(|gap| matches!(gap, Gap::Tap { .. })), "{what}");
        }
    }
}

/// The connection has begun anew in the hole, and its numbers are others.
#[test]
fn a_hole_that_hides_a_start_blames_nobody() {
    let stages =
        stages().into_iter().filter(|stage| ["FSCP 12/1", "FSCP 3/1", "FSCP 2/1", "declared"].contains(&stage.name));
    for stage in stages {
        for (seed, kind) in (1..).zip([FaultKind::Restart, FaultKind::DeviceStall]) {
            let direction = if kind == FaultKind::Restart { Direction::ToDevice } else { Direction::ToHost };
            for &connection in stage.tried {
                if kind == FaultKind::Restart && ["declared", "FSCP 2/1"].contains(&stage.name) {
                    continue;
                }
                // The time stamp of FSCP 2/1 has gone round once.
                let at = if stage.name == "FSCP 2/1" { 9_500 } else { 4_000 };
                let fault = PlannedFault { kind, connection, direction, at: ms(at) };
                let lost = vec![hole(&stage.machine, at - 100, 1_500)];
                let (octets, _) = capture(&stage.machine, at + 3_000, seed, vec![fault], lost);
                let told = examine_octets(&stage.machine, &octets).unwrap();
                let what = format!("{} {} {}", stage.name, kind.name(), stage.machine.connections[connection].id);
                assert_eq!(findings(&told), [], "{what}");
                assert!(
                    causes(&stage.machine, &told).concat().iter().all(|cause| *cause == Some(Cause::CaptureLoss)),
                    "{what}"
                );
                let unchecked: Vec<_> = told.outcome.connections.iter().filter_map(|one| one.unchecked).collect();
                assert_eq!(unchecked, [], "{what}");
            }
        }
    }
}

/// Frames of Type 12 that the bus did not bring back, as the connection shows by giving up: no fault of the capture.
#[test]
fn frames_that_the_bus_kept_are_no_fault_of_the_capture() {
    let machine = scenario();
    let mut unreturned = 0;
    for seed in 1..9 {
        let fault =
            PlannedFault { kind: FaultKind::BusGap, connection: 0, direction: Direction::ToHost, at: ms(2_600) };
        let (octets, _) = capture(&machine, 4_000, seed, vec![fault], Vec::new());
        let told = examine_octets(&machine, &octets).unwrap();
        let faults: Vec<_> = told.outcome.tap_faults.iter().map(|(fault, _, _)| fault).collect();
        assert!(faults.iter().all(|fault| *fault == TapFault::UnreturnedType12Frames), "{seed}: {faults:?}");
        unreturned += faults.len();
        assert_eq!(verdict::tap_faults(&machine, &told.outcome), [], "{seed}");
        assert_eq!(told.gaps, [], "{seed}");
        assert_eq!(causes(&machine, &told)[0], [Some(Cause::BusGap)], "{seed}");
    }
    assert!(unreturned > 0);
    // Besides, the capture lost some.
    let fault = PlannedFault { kind: FaultKind::BusGap, connection: 0, direction: Direction::ToHost, at: ms(2_600) };
    let lost = Planned { kind: TapFaultKind::Lost(1), at: ms(1_000) };
    for seed in 1..9 {
        let (octets, _) = capture(&machine, 4_000, seed, vec![fault], vec![lost]);
        let told = examine_octets(&machine, &octets).unwrap();
        assert!(!told.gaps.is_empty(), "{seed}");
    }
}

/// Parts of a run in the wrong order: the times say so, and nobody is blamed.
#[test]
fn parts_in_the_wrong_order_blame_nobody() {
    let swapped = |octets: &[u8]| {
        let starts = block_starts(octets);
        // Section and interface, then packets of about 10 s.
        let [head, first, second] = [2, starts.len() / 3, starts.len() * 2 / 3].map(|block| starts[block]);
        [&octets[..head], &octets[second..], &octets[first..second], &octets[head..first]].concat()
    };
    for stage in by_number() {
        let (octets, _) = capture(&stage.machine, 15_000, 7, Vec::new(), Vec::new());
        let told = examine_octets(&stage.machine, &swapped(&octets)).unwrap();
        assert_eq!(findings(&told), [], "{}", stage.name);
        assert!(told.gaps.contains(&Gap::Tap { fault: TapFault::ClockStepsBack, count: 2 }), "{:?}", told.gaps);
        let told = causes(&stage.machine, &told).concat();
        assert!(told.iter().all(|cause| *cause == Some(Cause::CaptureLoss)), "{}: {told:?}", stage.name);
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("swapped.pcapng");
    let (octets, _) = capture(&scenario(), 15_000, 7, Vec::new(), Vec::new());
    std::fs::write(&path, swapped(&octets)).unwrap();
    let ran = run(["verify", scenario_file().to_str().unwrap(), path.to_str().unwrap()]);
    assert_eq!(ran.code, 2, "{}", ran.err);
    assert!(ran.out.contains("packets, the last one by its time 4.99"), "{}", ran.out);
    assert!(!ran.out.contains("The capture begins -"), "{}", ran.out);
}

/// A connection that restarts behind a hole over which the others ran on is not lost by the bus. They restart, too, but far behind it.
#[test]
fn a_restart_behind_a_hole_that_others_ran_over_is_not_the_bus() {
    for stage in stages().into_iter().filter(|stage| ["FSCP 12/1", "FSCP 3/1"].contains(&stage.name)) {
        let mut behind = 0;
        for millis in (1_000..1_250).step_by(30) {
            // The hole ends somewhere in the restart.
            let restart = |connection| {
                let at = ms(if connection == 0 { 3_000 } else { 3_650 });
                PlannedFault { kind: FaultKind::Restart, connection, direction: Direction::ToDevice, at }
            };
            let faults = (0..stage.machine.connections.len()).map(restart).collect();
            let lost = vec![hole(&stage.machine, 2_000, millis)];
            let (octets, _) = capture(&stage.machine, 5_500, 3, faults, lost);
            let told = examine_octets(&stage.machine, &octets).unwrap();
            assert_eq!(findings(&told), [], "{} {millis}", stage.name);
            for cause in causes(&stage.machine, &told).concat() {
                let is_right = matches!(cause, Some(Cause::CaptureLoss | Cause::OrderlyStop));
                assert!(is_right, "{} {millis}: {cause:?}", stage.name);
            }
            let first = &told.outcome.connections[0].losses[0];
            let mut signs = first.further.iter().map(|(_, _, sign)| *sign).chain([first.sign]);
            let gave_up = signs.any(|sign| matches!(sign, Sign::Restart | Sign::FailSafe | Sign::Told(_)));
            behind += u32::from(gave_up && first.others.over_gap > 0);
        }
        assert!(behind > 0, "{}", stage.name);
    }
}

/// A layout whose number is not sent, over UDP.
const HIDDEN: &str = r#"
schema = 1
machine = { name = "Reel wrapping cell", revision = "E" }
element = [{ id = "switch", worst_case = "8 ms" }, { id = "drive", worst_case = "8 ms" }]
function = [{ id = "gate-opens", path = ["switch", "gate", "drive"], required = { response_time = "1 s" } }]

[[connection]]
id = "gate"
profile = "layout"
worst_case = "20 ms"
watchdog = "60 ms"
telegram = { layout = "cell-link", to_device = { source = 257, seed = 7439 }, to_host = { source = 513, seed = 7440 } }
to_device = { carrier = "udp", destination_port = 34005 }
to_host = { carrier = "udp", destination_port = 34006 }
"#;

/// Over UDP nothing counts frames. One direction is missing for three seconds, or from some time on: what the other one sends meanwhile,
/// or the number behind it, shows that it was there.
#[test]
fn a_direction_that_is_missing_for_a_while_or_to_the_end_blames_nobody() {
    let fscp_3_1 = stages().into_iter().find(|stage| stage.name == "FSCP 3/1").unwrap().machine;
    let hidden =
        machine::read("machine.toml", [HIDDEN, NUMBER_HIDDEN].concat()).unwrap_or_else(|problems| panic!("{problems}"));
    for (name, machine, to_the_end) in
        [("hidden", &hidden, false), ("FSCP 3/1", &fscp_3_1, false), ("FSCP 3/1", &fscp_3_1, true)]
    {
        let (octets, _) = capture(machine, 8_000, 4, Vec::new(), Vec::new());
        let starts = block_starts(&octets);
        for port in [34_005_u16, 34_006] {
            let blocks = starts.windows(2).enumerate();
            let kept = blocks.filter(|(place, ends)| {
                let is_missing = place * 8 > starts.len() * 3 && (to_the_end || place * 8 < starts.len() * 6);
                let port_of = octets.get(ends[0] + 28 + 36..ends[0] + 28 + 38);
                !(is_missing && port_of == Some(&port.to_be_bytes()))
            });
            let seen: Vec<u8> = kept.flat_map(|(_, ends)| &octets[ends[0]..ends[1]]).copied().collect();
            assert!(seen.len() < octets.len());
            let told = examine_octets(machine, &seen).unwrap();
            assert_eq!(findings(&told), [], "{name} {port} {to_the_end}");
            assert!(
                told.gaps.iter().any(|gap| matches!(gap, Gap::Tap { .. })),
                "{name} {port} {to_the_end}: {:?}",
                told.gaps
            );
        }
    }
}
