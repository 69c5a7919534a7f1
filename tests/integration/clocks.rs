//! The clock of the capture goes back once, or two packets change places: what happens behind that is found as ever.

use stopspan::check::{Class, TapFault};
use stopspan::machine::{Direction, Machine};
use stopspan::synth::{self, Demands, FaultKind, Plan, PlannedFault, TapFault as Planned, TapFaultKind, TapPlan};
use stopspan::time::Span;

use super::support::{Examined, examine_octets, run, scenario_file};
use super::trips::stages;

const fn ms(millis: i64) -> Span {
    Span::from_millis(millis)
}

/// All kinds of steps: below, about and above a usual pause.
fn steps() -> impl Iterator<Item = TapFaultKind> {
    let by = [-1_000, -2_500, -3_000, -4_000, -5_000, -6_000, -8_000, -300_000];
    let steps = by.map(|us| TapFaultKind::ClockStep(Span::from_nanos(us * 1_000)));
    [TapFaultKind::Reordered].into_iter().chain(steps)
}

/// Connection 0 loses two telegrams, the next one is silent for too long.
fn faults(machine: &Machine) -> Vec<PlannedFault> {
    let fault = |kind, connection, direction, at| PlannedFault { kind, connection, direction, at: ms(at) };
    let last = machine.connections.len() - 1;
    vec![
        fault(FaultKind::Losses(2), 0, Direction::ToHost, 3_000),
        fault(FaultKind::UnacceptableDelay, last, Direction::ToHost, 5_000),
    ]
}

fn examined(machine: &Machine, tap: TapPlan) -> Examined {
    let demands = Demands::List(Vec::new());
    let plan = Plan { duration: ms(6_500), seed: 4, demands, faults: faults(machine), tap, ..Plan::default() };
    let mut octets = Vec::new();
    synth::synthesise(machine, &plan, &mut octets).unwrap();
    examine_octets(machine, &octets).unwrap()
}

fn findings(told: &Examined) -> Vec<(usize, Class, Direction, u64)> {
    let all = told.outcome.connections.iter().enumerate().flat_map(|(index, connection)| {
        connection
            .findings
            .iter()
            .map(move |finding| (index, finding.class, finding.direction, finding.location.packet))
    });
    all.collect()
}

fn count(told: &Examined, kind: TapFault) -> u64 {
    told.outcome.tap_faults.iter().find(|(known, _, _)| *known == kind).map_or(0, |(_, count, _)| count)
}

fn intervals(told: &Examined) -> u64 {
    let all = told.outcome.connections.iter().flat_map(|one| [&one.to_device, &one.to_host]);
    all.map(|direction| direction.intervals.times.count()).sum()
}

#[test]
fn one_step_back_hides_nothing_behind_it() {
    for stage in stages().into_iter().filter(|stage| ["FSCP 12/1", "FSCP 3/1", "declared"].contains(&stage.name)) {
        let whole = examined(&stage.machine, TapPlan::default());
        let due = findings(&whole);
        assert_eq!(due.len(), 2, "{}: {due:?}", stage.name);
        for kind in steps() {
            let tap = TapPlan { faults: vec![Planned { kind, at: ms(2_000) }], ..TapPlan::default() };
            let told = examined(&stage.machine, tap);
            let what = format!("{}, {kind:?}", stage.name);
            assert_eq!(findings(&told), due, "{what}");
            assert_eq!(count(&told, TapFault::ClockStepsAhead), 0, "{what}");
            // What was open at the step, and no more.
            let most = 4 * u64::try_from(stage.machine.connections.len()).unwrap();
            assert!(intervals(&told) + most >= intervals(&whole), "{what}: {} {}", intervals(&told), intervals(&whole));
        }
    }
}

/// A demand that nothing answers is told, and the reactions of the others are measured.
#[test]
fn a_demand_that_nothing_answers_is_told_behind_a_step_back() {
    let folder = tempfile::tempdir().unwrap();
    let [machine, capture] = [scenario_file(), folder.path().join("run.pcapng")].map(|path| path.display().to_string());
    let synth = ["synth", &machine, "-o", &capture, "--seed", "3", "--duration", "60 s"];
    let deviation = ["--deviation", "missing-reaction,gate-opens-in-cycle,4s"];
    for tap in [None, Some("clock-step:by=-3ms,3s"), Some("clock-step:by=-8ms,3s"), Some("reordered,3s")] {
        let tap = tap.map_or(vec![], |tap| vec!["--tap", tap]);
        let ran = run([&synth[..], &deviation, &tap].concat());
        assert_eq!(ran.code, 0, "{}", ran.err);
        let ran = run(["verify", &machine, &capture]);
        assert_eq!(ran.code, if tap.is_empty() { 1 } else { 2 }, "{tap:?}: {}", ran.out);
        assert!(ran.out.contains("gate-opens-in-cycle: MISSING REACTION"), "{tap:?}: {}", ran.out);
        // The other functions that have signals.
        assert_eq!(ran.out.matches("  supports\n").count(), 5, "{tap:?}: {}", ran.out);
        assert!(!ran.out.contains("jumps of the capture clock ahead"), "{tap:?}: {}", ran.out);
    }
}
