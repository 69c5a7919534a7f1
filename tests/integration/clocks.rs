//! The clock of the capture goes back once, or two packets change places: what happens behind that is found as ever. A clock that is
//! too coarse for a watchdog finds nothing, good or bad.

use std::io::Cursor;

use stopspan::capture::{Input, Run};
use stopspan::check::{Checker, Class, Detail, Outcome, TapFault, Unchecked};
use stopspan::machine::{Direction, Machine};
use stopspan::synth::{self, Demands, FaultKind, Plan, PlannedFault, TapFault as Planned, TapFaultKind, TapPlan};
use stopspan::time::{Instant, Span};
use stopspan::verdict::{self, Gap};

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

/// The outcome if the clock had gone on in steps of `step`, and what keeps the run from being fully examined.
fn with_steps(machine: &Machine, octets: &[u8], step: Span) -> (Outcome, Vec<Gap>) {
    let mut run = Run::open([Input::stream("capture", Cursor::new(octets.to_vec()))]).unwrap();
    let mut checker = Checker::new(machine);
    while let Some(mut packet) = run.next_packet().unwrap() {
        let nanos = packet.at.unwrap().since(Instant::from_nanos(0)).as_nanos();
        packet.at = Some(Instant::from_nanos(nanos - nanos % step.as_nanos()));
        checker.packet(&packet);
    }
    let outcome = checker.finish();
    let gaps = verdict::gaps(machine, &outcome, &run.summary());
    (outcome, gaps)
}

/// In steps of the clock that are as long as a watchdog time or longer nothing shows that it was kept; what is told is beyond the step.
#[test]
fn a_clock_that_is_too_coarse_judges_no_watchdog() {
    for stage in stages() {
        let machine = &stage.machine;
        let last = machine.connections.len() - 1;
        let fault = PlannedFault {
            kind: FaultKind::UnacceptableDelay,
            connection: last,
            direction: Direction::ToHost,
            at: ms(3_000),
        };
        for (faults, steps) in [(vec![], [1_000, 1_000_000, i64::MAX]), (vec![fault], [1_000, 100_000, i64::MAX])] {
            let demands = Demands::List(Vec::new());
            let faulty = !faults.is_empty();
            let plan = Plan { duration: ms(6_000), seed: 4, demands, faults, ..Plan::default() };
            let mut octets = Vec::new();
            synth::synthesise(machine, &plan, &mut octets).unwrap();
            for step in steps.map(|us| Span::from_nanos(us.saturating_mul(1_000))) {
                let (outcome, gaps) = with_steps(machine, &octets, step);
                let what = format!("{}, {step}", stage.name);
                for (index, (told, connection)) in outcome.connections.iter().zip(&machine.connections).enumerate() {
                    let is_coarse = step >= connection.watchdog;
                    let is_told = gaps
                        .iter()
                        .any(|gap| matches!(gap, Gap::Connection { connection, .. } if *connection == index));
                    assert!(is_told || !is_coarse, "{what}: {gaps:?}");
                    let clock = matches!(told.unchecked, Some(Unchecked::ClockTooCoarse(_)));
                    // A step of 1 ms is fine, unless for a delay that is hardly longer than the watchdog time.
                    let is_near = faulty && index == last;
                    assert!(step > ms(1) || is_near || !clock, "{what}: {:?}", told.unchecked);
                    for finding in told.findings.iter().filter(|finding| finding.class == Class::UnacceptableDelay) {
                        let Detail::Silence { watchdog, silence, .. } = finding.detail else { continue };
                        assert!(silence.checked_sub(step).unwrap() > watchdog, "{what}: {finding:?}");
                        assert!(faulty && index == last, "{what}: {finding:?}");
                    }
                }
            }
        }
    }
}
