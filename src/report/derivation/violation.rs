//! A violated limit as the demand: what finding it out adds to the response, and how far and how fast the axis gets beyond it.

use super::Step;
use super::step::{Rounding, sum};
use super::unit::{AxisUnits, MILLISECOND as MS, RATIO};
use crate::budget::{Excess, FunctionBudget};
use crate::latency::tolerance::Tolerance;
use crate::machine::{Axis, Function, Machine, Monitor, MonitorLimit};
use crate::time::Span;

const DETECTION: &str = "cycle of the monitoring times the cycles from an event to its bit (practice of drive makers)";
const COUNTED: &str = "a drive maker's rule: detection, internal response and that of the application";
const NOT_COUNTED: &str =
    "a drive maker's rule: the internal response does not count if the reaction takes torque off at once";

/// Axis and monitor of the violated limit, with what became of it.
pub(super) fn of<'a>(
    machine: &'a Machine,
    function: &Function,
    budget: &'a FunctionBudget,
) -> Option<(&'a Axis, &'a Monitor, &'a Excess)> {
    let violation = function.violation?;
    let axis = machine.axes.get(violation.axis)?;
    Some((axis, axis.monitors.get(violation.monitor)?, budget.excess.as_ref()?))
}

/// Name and delay of the finding out as a part of the path.
pub(super) fn element(machine: &Machine, function: &Function, budget: &FunctionBudget) -> Option<(String, Span)> {
    let (axis, monitor, excess) = of(machine, function, budget)?;
    Some((format!("{} of {}", monitor.id, axis.id), excess.counted))
}

/// What the demand adds to the response.
pub(super) fn response(machine: &Machine, function: &Function, budget: &FunctionBudget) -> Vec<Step> {
    let Some((axis, monitor, excess)) = of(machine, function, budget) else { return Vec::new() };
    let name = format!("{} of {}", monitor.id, axis.id);
    let source = monitor.source.as_deref().or(axis.source.as_deref());
    let given = |letter: &str, meaning: &str, span: Span| {
        Step::given(format!("{letter}({name})"), format!("{meaning} of '{name}'"), (span.as_nanos(), MS)).by(source)
    };
    let number = |span: Span| MS.number(span.as_nanos());
    let detection = monitor.detection;
    let cycles = (i64::from(detection.cycles).saturating_mul(1_000_000_000), RATIO);
    let mut steps = vec![
        given("cycle", "cycle", detection.cycle),
        Step::given(format!("cycles({name})"), format!("cycles until '{name}' answers; 3 unless stated"), cycles)
            .by(source),
    ];
    let formula =
        (format!("cycle({name}) x cycles({name})"), format!("{} x {}", number(detection.cycle), detection.cycles));
    let found = (excess.detection.as_nanos(), MS);
    let step =
        Step::follows(format!("det({name})"), "from the violation to its detection", formula, found, Rounding::Exact);
    steps.push(step.by(Some(DETECTION)).provided(detection.time() == Some(excess.detection)));
    steps.push(given("int", "internal response", monitor.internal_response));
    steps.push(given("app", "response of the application", monitor.application_response));
    let mut terms = vec![("det", excess.detection)];
    if excess.internal_counts {
        terms.push(("int", monitor.internal_response));
    }
    terms.push(("app", monitor.application_response));
    let names = sum(terms.iter().map(|(letter, _)| format!("{letter}({name})")));
    let numbers = sum(terms.iter().map(|(_, span)| number(*span)));
    let clock = machine.clock_tolerance;
    let (formula, rounding) = if clock == Tolerance::NONE {
        ((names, numbers), Rounding::Exact)
    } else {
        let share = RATIO.number(clock.as_nano());
        let meaning = "share by which the clock of the monitoring may run slow";
        steps.push(Step::given(format!("c({name})"), meaning, (clock.as_nano(), RATIO)));
        ((format!("({names}) x (1 + c({name}))"), format!("({numbers}) x (1 + {share})")), Rounding::Up)
    };
    let figure = (excess.counted.as_nanos(), MS);
    let meaning = "what the violated limit adds to the path";
    let step = Step::follows(format!("w({name})"), meaning, formula, figure, rounding);
    let added = Span::checked_sum(terms.iter().map(|(_, span)| *span)).and_then(|added| clock.late(added));
    let rule = if excess.internal_counts { COUNTED } else { NOT_COUNTED };
    steps.push(step.by(Some(rule)).provided(added == Some(excess.counted)));
    steps
}

/// Excess of speed and travel. Highest driven speed is `vd` and the travel `s` before.
pub(super) fn excess(machine: &Machine, function: &Function, budget: &FunctionBudget) -> Vec<Step> {
    let Some((axis, monitor, excess)) = of(machine, function, budget) else { return Vec::new() };
    let units = AxisUnits::of(axis.kind);
    let mut steps = Vec::new();
    if let (Some(over), Some(driven), MonitorLimit::Speed(limit)) = (excess.speed, excess.driven_speed, monitor.limit) {
        let [driven, limit] = [driven, limit].map(|speed| units.speed.number(speed.as_nano()));
        let formula = ("max(0, vd - v0)".to_owned(), format!("max(0, {driven} - {limit})"));
        let meaning = "speed beyond the limit";
        steps.push(Step::follows("over(v)", meaning, formula, (over.as_nano(), units.speed), Rounding::Exact));
    }
    let travel = units.way.number(excess.travel.as_nano());
    let figure = (excess.travel.as_nano(), units.way);
    let meaning = "travel beyond the limit, to the end of the stop or of the response";
    let step = Step::follows("over(s)", meaning, ("s", travel.as_str()), figure, Rounding::Exact);
    let same = budget.stop.as_ref().is_none_or(|stop| stop.travel == excess.travel);
    steps.push(step.provided(same));
    if let (Some(whole), MonitorLimit::Travel(before)) = (excess.whole_travel, monitor.limit) {
        let before = units.way.number(before.as_nano());
        let formula = ("sL + over(s)".to_owned(), format!("{before} + {travel}"));
        let meaning = "whole travel, with the window, increment or tolerance before the violation";
        steps.push(Step::follows("whole(s)", meaning, formula, (whole.as_nano(), units.way), Rounding::Exact));
    }
    steps
}
