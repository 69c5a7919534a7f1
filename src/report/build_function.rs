//! Safety functions: results to report data.

use super::model::{
    ElementReport, Figures, FunctionReport, MeasuredReport, OccurrenceReport, PhaseReport, SeparationReport, StopReport,
};
use super::number::{Unit, milli_units, milli_units_down};
use super::words;
use crate::budget::{FunctionBudget, Limit};
use crate::machine::{AxisKind, Function, Machine, Step};
use crate::time::Span;
use crate::verdict::{FunctionVerdict, Measured};

/// Functions with their figures.
pub fn functions(machine: &Machine, verdicts: &[FunctionVerdict]) -> Vec<FunctionReport> {
    machine.functions.iter().zip(verdicts).map(|(function, verdict)| report(machine, function, verdict)).collect()
}

fn report(machine: &Machine, function: &Function, verdict: &FunctionVerdict) -> FunctionReport {
    let unit = unit(machine, function);
    let budget = verdict.budget.as_ref().ok();
    let required = &function.required;
    let travel_limit = required.travel.map(|travel| milli_units_down(travel.as_nano(), unit.nano()));
    let (travel_mm, travel_deg) = by_unit(unit, travel_limit);
    FunctionReport {
        id: function.id.clone(),
        title: function.title.clone(),
        source: function.source.clone(),
        elements: function.path.iter().filter_map(|step| element(machine, *step)).collect(),
        faults: function.faults.name(),
        no_budget: verdict.budget.as_ref().err().map(ToString::to_string),
        no_fault_ns: budget.map(|budget| budget.response.no_fault.as_nanos()),
        one_fault_ns: budget.map(|budget| budget.response.one_fault.as_nanos()),
        one_fault_at: budget.and_then(|budget| budget.decided_by).and_then(|step| Some(element(machine, step)?.id)),
        all_faults_ns: budget.map(|budget| budget.response.all_faults.as_nanos()),
        response_ns: budget.map(|budget| budget.deciding.as_nanos()),
        stop: budget.and_then(|budget| stop(machine, function, budget, unit)),
        overall_ns: budget.map(|budget| budget.overall.as_nanos()),
        separation: budget.and_then(separation),
        required: Figures {
            response_time_ns: required.response_time.map(Span::as_nanos),
            time_ns: required.time.map(Span::as_nanos),
            travel_mm,
            travel_deg,
            separation_mm: required
                .separation
                .map(|separation| milli_units_down(separation.built.as_nano(), Unit::Millimetre.nano())),
        },
        margin: budget.map(|budget| margins(budget, unit)).unwrap_or_default(),
        on_the_wire_ns: budget.and_then(|budget| budget.on_the_wire).map(Span::as_nanos),
        measured: verdict.measured.as_ref().map(measured),
        verdict: words::status(verdict.status),
        allows: None,
    }
}

fn unit(machine: &Machine, function: &Function) -> Unit {
    let axis = function.stop.as_ref().and_then(|stop| machine.axes.get(stop.axis));
    match axis.map(|axis| axis.kind) {
        Some(AxisKind::Rotary) => Unit::Degree,
        _ => Unit::Millimetre,
    }
}

const fn by_unit(unit: Unit, value: Option<f64>) -> (Option<f64>, Option<f64>) {
    match unit {
        Unit::Millimetre => (value, None),
        Unit::Degree => (None, value),
    }
}

fn element(machine: &Machine, step: Step) -> Option<ElementReport> {
    let nanos = Span::as_nanos;
    match step {
        Step::Element(index) => machine.elements.get(index).map(|element| ElementReport {
            id: element.id.clone(),
            kind: "element",
            worst_case_ns: nanos(element.worst_case),
            watchdog_ns: nanos(element.watchdog.unwrap_or(element.worst_case)),
            worst_case_from: "stated",
            source: element.source.clone(),
        }),
        Step::Connection(index) => machine.connections.get(index).map(|connection| ElementReport {
            id: connection.id.clone(),
            kind: "connection",
            worst_case_ns: nanos(connection.worst_case),
            watchdog_ns: nanos(connection.watchdog),
            worst_case_from: if connection.worst_case_derived { "2 x (bus + host + device cycle)" } else { "stated" },
            source: connection.source.clone(),
        }),
    }
}

fn stop(machine: &Machine, function: &Function, budget: &FunctionBudget, unit: Unit) -> Option<StopReport> {
    let (declared, stop) = (function.stop.as_ref()?, budget.stop.as_ref()?);
    let axis = machine.axes.get(declared.axis)?;
    let travel = |nano: i64| by_unit(unit, Some(milli_units(nano, unit.nano())));
    let (travel_mm, travel_deg) = travel(stop.travel.as_nano());
    let phases = stop.phases.iter().map(|phase| {
        let (travel_mm, travel_deg) = travel(phase.travel.as_nano());
        PhaseReport { phase: words::phase(phase.kind), time_ns: phase.time.as_nanos(), travel_mm, travel_deg }
    });
    Some(StopReport {
        axis: axis.id.clone(),
        function: declared.stop.kind.name(),
        time_ns: stop.time.as_nanos(),
        travel_mm,
        travel_deg,
        phases: phases.collect(),
        source: axis.source.clone(),
    })
}

fn separation(budget: &FunctionBudget) -> Option<SeparationReport> {
    let separation = budget.separation.as_ref()?;
    let millimetres = |nano: i64| milli_units(nano, Unit::Millimetre.nano());
    let longest = budget.limits.iter().find_map(|limit| match limit {
        Limit::Separation { longest, .. } => *longest,
        _ => None,
    });
    Some(SeparationReport {
        needed_mm: millimetres(separation.distance.as_nano()),
        edition: separation.edition,
        rule: words::rule(separation.rule),
        approach_mm_per_s: millimetres(separation.approach.as_nano()),
        supplement_mm: millimetres(separation.supplement.as_nano()),
        longest_time_ns: longest.map(Span::as_nanos),
    })
}

fn margins(budget: &FunctionBudget, unit: Unit) -> Figures {
    let mut figures = Figures::default();
    for limit in &budget.limits {
        let margin = limit.margin_nano();
        match limit {
            Limit::ResponseTime { .. } => figures.response_time_ns = Some(margin),
            Limit::OverallTime { .. } => figures.time_ns = Some(margin),
            Limit::Travel { .. } => {
                (figures.travel_mm, figures.travel_deg) = by_unit(unit, Some(milli_units_down(margin, unit.nano())));
            }
            Limit::Separation { .. } => {
                figures.separation_mm = Some(milli_units_down(margin, Unit::Millimetre.nano()));
            }
        }
    }
    figures
}

fn measured(measured: &Measured) -> MeasuredReport {
    let reaction = &measured.reaction;
    let sample = &reaction.sample;
    let occurrences = reaction.occurrences.iter().map(|occurrence| OccurrenceReport {
        demand_packet: occurrence.demand.packet,
        demand_file: occurrence.demand.file,
        demand_at_ns: occurrence.demand.at.as_nanos(),
        reaction_packet: occurrence.reaction.packet,
        reaction_file: occurrence.reaction.file,
        reaction_at_ns: occurrence.reaction.at.as_nanos(),
        reaction_ns: occurrence.span.as_nanos(),
    });
    MeasuredReport {
        n: sample.count(),
        min_ns: sample.shortest().map(Span::as_nanos),
        mean_ns: sample.mean().map(Span::as_nanos),
        s_ns: sample.standard_deviation().map(Span::as_nanos),
        max_ns: sample.longest().map(Span::as_nanos),
        unanswered: measured.unanswered,
        pending: u64::from(reaction.waiting.is_some()).saturating_sub(measured.unanswered),
        interrupted: reaction.interrupted,
        already_reacted: reaction.already_reacted,
        disturbed: reaction.disturbed,
        occurrences: occurrences.collect(),
    }
}
