//! Whole reports of the commands.

use super::build_assumptions::assumptions;
use super::build_capture::capture;
use super::build_connection::{add_admissible, connections};
use super::build_function::functions;
use super::build_residual::{self, Computed};
use super::model::{FunctionReport, MachineHead, OneRunReport, Program, Report};
use super::words::{
    self, BUDGET_CAUTIONS, CAUTIONS, CONNECTION_CAUTIONS, CONTENTS_CAUTIONS, RESIDUAL_CAUTIONS, WATCHDOG_CAUTIONS,
};
use super::{build_inverse, build_sensitivity, build_sequence, build_watchdogs};
use crate::budget::residual::BitError;
use crate::budget::watchdogs::Watchdogs;
use crate::capture::Summary;
use crate::check::Outcome;
use crate::machine::Machine;
use crate::state::Combined;
use crate::time::Instant;
use crate::verdict::{FunctionVerdict, Gap, Judgement, ObservedCycle, Verdict};

/// The program as it stands in reports: version from the manifest, commit from the build.
pub const PROGRAM: Program =
    Program { name: "stopspan", version: env!("CARGO_PKG_VERSION"), commit: env!("STOPSPAN_COMMIT") };

/// Report of `budget`: bounded figures only.
pub fn budget(file: &str, machine: &Machine, verdicts: &[FunctionVerdict], result: Judgement) -> Report {
    let mut functions = functions(machine, verdicts);
    build_inverse::add(machine, &mut functions);
    Report {
        machine: Some(head(file, machine)),
        not_examined: draft(machine).chain(without_budget(&functions)).collect(),
        assumptions: Some(assumptions(machine, &functions, None)),
        functions: Some(functions),
        cautions: BUDGET_CAUTIONS,
        ..empty("stopspan.budget/1", result)
    }
}

/// `report` of `budget` with what each figure matters to the function with index `function`.
pub fn sensitivity(report: Report, machine: &Machine, function: usize) -> Report {
    Report { sensitivity: build_sensitivity::sensitivity(machine, function), ..report }
}

/// Report of `watchdogs`. `run` is the capture that was measured, with what it shows of each connection's cycle.
pub fn watchdogs(
    file: &str,
    machine: &Machine,
    watchdogs: &Watchdogs,
    run: Option<(&Outcome, &Summary, &Verdict, &[ObservedCycle])>,
    result: Judgement,
) -> Report {
    let contents = run.map(|(outcome, summary, verdict, _)| capture(outcome, summary, verdict));
    let observed = run.map_or(&[][..], |(_, _, _, observed)| observed);
    let mut not_examined = build_watchdogs::gaps(machine, watchdogs, observed);
    match run {
        None => not_examined.extend(draft(machine)),
        Some((_, summary, verdict, _)) => not_examined.extend(gaps(&verdict.gaps, machine, summary)),
    }
    let (capture, tap_faults) = contents.map(|told| (told.capture, told.tap_faults)).unzip();
    Report {
        machine: Some(head(file, machine)),
        capture,
        watchdogs: Some(build_watchdogs::watchdogs(machine, watchdogs, observed)),
        tap_faults,
        not_examined,
        cautions: WATCHDOG_CAUTIONS,
        ..empty("stopspan.watchdogs/1", result)
    }
}

/// Report of `residual`.
pub fn residual(
    file: &str,
    machine: &Machine,
    bit_error: &BitError,
    directions: &[Computed],
    result: Judgement,
) -> Report {
    Report {
        machine: Some(head(file, machine)),
        residual: Some(build_residual::residual(machine, bit_error, directions)),
        not_examined: build_residual::gaps(machine, directions),
        cautions: RESIDUAL_CAUTIONS,
        ..empty("stopspan.residual/1", result)
    }
}

/// Report of `analyze`: the capture, and its connections if there is a machine file. `result` leaves the functions out.
pub fn analyze(
    machine: Option<(&str, &Machine)>,
    outcome: &Outcome,
    summary: &Summary,
    verdict: &Verdict,
    result: Judgement,
) -> Report {
    let contents = capture(outcome, summary, verdict);
    let nobody = Machine::default();
    let known = machine.map_or(&nobody, |(_, machine)| machine);
    Report {
        machine: machine.map(|(file, machine)| head(file, machine)),
        capture: Some(contents.capture),
        connections: machine.map(|(_, machine)| connections(machine, outcome, verdict)),
        tap_faults: Some(contents.tap_faults),
        not_examined: gaps(&verdict.gaps, known, summary),
        verdict: if machine.is_none() && result == Judgement::WithinLimits {
            "read whole; nothing checked without a machine file"
        } else {
            words::judgement(result)
        },
        cautions: if machine.is_some() { CONNECTION_CAUTIONS } else { CONTENTS_CAUTIONS },
        ..empty("stopspan.analyze/1", result)
    }
}

/// Report of `verify`: everything.
pub fn verify(file: &str, machine: &Machine, outcome: &Outcome, summary: &Summary, verdict: &Verdict) -> Report {
    let contents = capture(outcome, summary, verdict);
    let mut functions = functions(machine, &verdict.functions);
    for (function, verdict) in functions.iter_mut().zip(&verdict.functions) {
        function.findings = Some(build_sequence::findings(&verdict.findings));
    }
    let mut not_examined = gaps(&verdict.gaps, machine, summary);
    not_examined.extend(without_budget(&functions));
    let mut connections = connections(machine, outcome, verdict);
    add_admissible(machine, &mut connections);
    Report {
        machine: Some(head(file, machine)),
        capture: Some(contents.capture),
        assumptions: Some(assumptions(machine, &functions, Some(outcome))),
        functions: Some(functions),
        pairs: build_sequence::pairs(machine, &verdict.pairs),
        connections: Some(connections),
        tap_faults: Some(contents.tap_faults),
        not_examined,
        ..empty("stopspan.verify/1", verdict.result)
    }
}

/// Report of `combine`: several runs together, and each alone in a line.
pub fn combine(file: &str, machine: &Machine, combined: &Combined, verdict: &Verdict) -> Report {
    let mut report = verify(file, machine, &combined.outcome, &combined.summary, verdict);
    let runs: Vec<_> = combined
        .runs
        .iter()
        .map(|(first_file, outcome, summary)| {
            let nanos = |at: Option<Instant>| at.map(Instant::as_nanos);
            OneRunReport {
                first_file: *first_file,
                files: summary.files.len(),
                packets: outcome.packets,
                first_ns: nanos(outcome.first),
                last_ns: nanos(outcome.last),
                span_ns: outcome.first.zip(outcome.last).map(|(first, last)| last.since(first).as_nanos()),
                findings: outcome.connections.iter().map(|connection| connection.findings.len()).sum(),
                trips: outcome.connections.iter().map(|connection| connection.trips.len()).sum(),
                verdict: words::judgement(crate::verdict::judge(machine, outcome, summary).result),
            }
        })
        .collect();
    if let Some(capture) = &mut report.capture {
        // The time between two runs was not looked at.
        capture.span_ns = runs.iter().filter_map(|run| run.span_ns).try_fold(0, i64::checked_add);
    }
    Report { schema: "stopspan.combine/1", runs: Some(runs), ..report }
}

pub(super) fn empty(schema: &'static str, result: Judgement) -> Report {
    Report {
        schema,
        program: PROGRAM,
        machine: None,
        capture: None,
        functions: None,
        pairs: None,
        connections: None,
        residual: None,
        simulation: None,
        watchdogs: None,
        projection: None,
        sensitivity: None,
        runs: None,
        comparison: None,
        tap_faults: None,
        assumptions: None,
        inputs: None,
        not_examined: Vec::new(),
        verdict: words::judgement(result),
        cautions: CAUTIONS,
    }
}

fn head(file: &str, machine: &Machine) -> MachineHead {
    MachineHead { file: file.to_owned(), name: machine.name.clone(), revision: machine.revision.clone() }
}

/// Whether the figures are placeholders.
pub(super) fn draft(machine: &Machine) -> impl Iterator<Item = String> {
    machine.draft.then(|| words::DRAFT.to_owned()).into_iter()
}

fn without_budget(functions: &[FunctionReport]) -> impl Iterator<Item = String> {
    functions
        .iter()
        .filter_map(|function| Some(format!("function '{}': {}", function.id, function.no_budget.as_ref()?)))
}

fn gaps(gaps: &[Gap], machine: &Machine, summary: &Summary) -> Vec<String> {
    gaps.iter().map(|gap| words::gap(gap, machine, summary)).collect()
}
