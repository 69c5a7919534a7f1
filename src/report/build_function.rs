//! Safety functions: results to report data.

use super::build_reaction;
use super::build_standstill::standstill;
use super::build_stop::{stop, violation};
use super::model::{ElementReport, Figures, FunctionReport, MeasuredReport, OccurrenceReport, TermReport};
use super::number::{Unit, inches, milli_units, milli_units_down};
use super::separation_model::SeparationReport;
use super::words;
use crate::budget::{Cause, FunctionBudget, Limit};
use crate::latency::limit::Term;
use crate::latency::tolerance::Tolerance;
use crate::machine::{AxisKind, Direction, Function, Machine, ResponseForm, Step};
use crate::quantity::NANO;
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
    let arc_limit = required.arc.map(|arc| milli_units_down(arc.as_nano(), Unit::Millimetre.nano()));
    let speed_limit = required.speed.map(|speed| milli_units_down(speed.as_nano(), unit.nano()));
    let (speed_mm_per_s, speed_deg_per_s) = by_unit(unit, speed_limit);
    FunctionReport {
        id: function.id.clone(),
        title: function.title.clone(),
        source: function.source.clone(),
        elements: monitor(machine, function, budget).into_iter().chain(elements(machine, function)).collect(),
        faults: function.faults.name(),
        no_budget: verdict.budget.as_ref().err().map(ToString::to_string),
        no_fault_ns: budget.map(|budget| budget.response.no_fault.as_nanos()),
        one_fault_ns: budget.map(|budget| budget.response.one_fault.as_nanos()),
        one_fault_at: budget.and_then(|budget| cause(machine, budget.decided_by?)),
        staged_faults_ns: budget.map(|budget| budget.response.staged_faults.as_nanos()),
        staged_faults_at: budget.iter().flat_map(|b| &b.staged_by).filter_map(|by| cause(machine, *by)).collect(),
        all_faults_ns: budget.map(|budget| budget.response.all_faults.as_nanos()),
        response_ns: budget.map(|budget| budget.deciding.as_nanos()),
        violation: budget.and_then(|budget| violation(machine, function, budget.excess.as_ref()?, unit)),
        conditions: function.conditions.clone(),
        stop: budget.and_then(|budget| stop(machine, function, budget, unit)),
        overall_ns: budget.map(|budget| budget.overall.as_nanos()),
        separation: budget.and_then(separation),
        required: Figures {
            response_time_ns: required.response_time.map(Span::as_nanos),
            time_ns: required.time.map(Span::as_nanos),
            travel_mm: travel_mm.or(arc_limit),
            travel_deg,
            speed_mm_per_s,
            speed_deg_per_s,
            separation_mm: required
                .separation
                .map(|separation| milli_units_down(separation.built.as_nano(), Unit::Millimetre.nano())),
        },
        margin: budget.map(|budget| margins(budget, unit)).unwrap_or_default(),
        on_the_wire_ns: budget.and_then(|budget| budget.on_the_wire).map(Span::as_nanos),
        outside_the_wire: build_reaction::outside(machine, function),
        answer_over: build_reaction::answer_over(machine, function),
        free_cycles: build_reaction::free_cycles(machine, function),
        has_signals: function.demand.is_some() && function.reaction.is_some(),
        measured: verdict.measured.as_ref().map(measured),
        standstill: verdict.standstill.as_ref().and_then(|told| standstill(machine, function, told, unit)),
        findings: None,
        verdict: words::status(verdict.status),
        derivation: None,
        allows: None,
    }
}

fn unit(machine: &Machine, function: &Function) -> Unit {
    let index = function.stop.map(|stop| stop.axis).or_else(|| function.violation.map(|violation| violation.axis));
    let axis = index.and_then(|index| machine.axes.get(index));
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

/// The finding out of a violated limit as a step in front of the path.
fn monitor(machine: &Machine, function: &Function, budget: Option<&FunctionBudget>) -> Option<ElementReport> {
    let violation = function.violation?;
    let excess = budget?.excess.as_ref()?;
    let axis = machine.axes.get(violation.axis)?;
    let monitor = axis.monitors.get(violation.monitor)?;
    Some(ElementReport {
        id: format!("{} of {}", monitor.id, axis.id),
        kind: "monitor",
        worst_case_ns: excess.counted.as_nanos(),
        watchdog_ns: excess.counted.as_nanos(),
        direction: None,
        worst_case_from: "detection and responses of the monitoring",
        response_form: None,
        response_formula: None,
        clock_tolerance_percent: None,
        terms: Vec::new(),
        data_age_ns: None,
        source: monitor.source.clone(),
    })
}

fn elements(machine: &Machine, function: &Function) -> Vec<ElementReport> {
    let direction = |place: usize| function.directions.get(place).copied().flatten().map(Direction::name);
    let steps = function.path.iter().enumerate();
    steps
        .filter_map(|(place, step)| Some(ElementReport { direction: direction(place), ..element(machine, *step)? }))
        .collect()
}

/// The name of what lets a watchdog run out.
pub(super) fn cause(machine: &Machine, cause: Cause) -> Option<String> {
    match cause {
        Cause::Step(step) => Some(element(machine, step)?.id),
        Cause::Medium(index) => machine.media.get(index).map(|medium| format!("medium {}", medium.id)),
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
            direction: None,
            worst_case_from: words::worst_case_from(element.delay.worst_case_from, element.delay.stages.as_ref()),
            response_form: None,
            response_formula: None,
            clock_tolerance_percent: tolerance(element.delay.clock_tolerance),
            terms: terms(&element.delay.terms),
            data_age_ns: element.delay.stages.as_ref().map(|stages| nanos(stages.derived.data_age)),
            source: element.source.clone(),
        }),
        Step::Connection(index) => machine.connections.get(index).map(|connection| {
            let response = &connection.response;
            let stages = response.stages.as_ref();
            ElementReport {
                id: connection.id.clone(),
                kind: "connection",
                worst_case_ns: nanos(connection.worst_case),
                watchdog_ns: nanos(connection.fault_time()),
                direction: None,
                worst_case_from: words::worst_case_from(response.worst_case_from, stages),
                response_form: response.form.as_ref().map(ResponseForm::name),
                response_formula: response.form.as_ref().map(ResponseForm::formula),
                clock_tolerance_percent: tolerance(response.clock_tolerance),
                terms: match &response.form {
                    Some(ResponseForm::Fscp13_1 { terms: list }) => terms(list),
                    _ => Vec::new(),
                },
                data_age_ns: stages.map(|stages| nanos(stages.derived.data_age)),
                source: connection.source.clone(),
            }
        }),
    }
}

/// In percent, to a thousandth, rounded up; `None` for none.
fn tolerance(tolerance: Tolerance) -> Option<f64> {
    (tolerance > Tolerance::NONE).then(|| milli_units(tolerance.as_nano(), NANO / 100))
}

fn terms(terms: &[Term]) -> Vec<TermReport> {
    let report = |term: &Term| TermReport { name: term.name.clone(), count: term.count, time_ns: term.time.as_nanos() };
    terms.iter().map(report).collect()
}

fn separation(budget: &FunctionBudget) -> Option<SeparationReport> {
    let separation = budget.separation.as_ref()?;
    let millimetres = |nano: i64| milli_units(nano, Unit::Millimetre.nano());
    let longest = budget.limits.iter().find_map(|limit| match limit {
        Limit::Separation { longest, .. } => *longest,
        _ => None,
    });
    let (rule, addition) = (separation.rule, separation.addition.as_nano());
    Some(SeparationReport {
        needed_mm: millimetres(separation.distance.as_nano()),
        needed_in: rule.is_in_inches().then(|| inches(separation.distance.as_nano())),
        edition: rule.edition(),
        rule: words::rule(rule),
        from_memory: rule.from_memory(),
        approach_mm_per_s: millimetres(separation.approach.as_nano()),
        supplement_mm: millimetres(separation.supplement.as_nano()),
        addition_mm: (addition > 0).then(|| millimetres(addition)),
        extra: words::extra(separation.extra),
        access_below: separation.access_below,
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
            Limit::Arc { .. } => figures.travel_mm = Some(milli_units_down(margin, Unit::Millimetre.nano())),
            Limit::Speed { .. } => {
                (figures.speed_mm_per_s, figures.speed_deg_per_s) =
                    by_unit(unit, Some(milli_units_down(margin, unit.nano())));
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
        pending: measured.pending,
        interrupted: reaction.interrupted,
        already_reacted: reaction.already_reacted,
        disturbed: reaction.disturbed,
        without_demand: reaction.order.without_demand.total,
        uncertainty: build_reaction::uncertainty(&measured.uncertainty),
        comparison: measured.comparison.map(words::comparison),
        tolerance: measured.tolerance.as_ref().map(build_reaction::tolerance),
        occurrences: occurrences.collect(),
    }
}
