//! The budget read backwards: results to report data.

use super::amount::{self, Amount};
use super::inverse_model::AllowedReport;
use super::model::FunctionReport;
use crate::budget::{self, Allowed, Answer, Input, Safer, Unit};
use crate::machine::{Faults, Function, Machine};
use crate::quantity::Dimension;

/// Adds to each function how far its figures may go.
pub(super) fn add(machine: &Machine, reports: &mut [FunctionReport]) {
    for (report, function) in reports.iter_mut().zip(&machine.functions) {
        if let Some(response) = report.response_ns {
            report.allows = Some(allowed(machine, function, response));
        }
    }
}

fn allowed(machine: &Machine, function: &Function, response: i64) -> Vec<AllowedReport> {
    let inverse = budget::inverse(machine, function);
    let time = Unit::Of(Dimension::Time);
    let mut rows = vec![row("response time".to_owned(), response, time, Safer::Smaller, inverse.longest_response)];
    rows.extend(inverse.inputs.iter().map(|answer| {
        let name = amount::input(machine, function, answer.input);
        let unit = answer.input.unit(machine, function);
        let told = row(name, answer.present, unit, answer.input.safer(), answer.allowed);
        AllowedReport { note: note(machine, function, answer), ..told }
    }));
    rows
}

fn row(figure: String, now: i64, unit: Unit, safer: Safer, allowed: Allowed) -> AllowedReport {
    let (bound, value) = match (allowed, safer) {
        (Allowed::UpTo(value), Safer::Smaller) => ("at most", Some(value)),
        (Allowed::UpTo(value), Safer::Larger) => ("at least", Some(value)),
        (Allowed::Anything, _) => ("any", None),
        (Allowed::Nothing, _) => ("none", None),
    };
    let allowed = value.map(|value| Amount::of(value, Some(unit)));
    AllowedReport { figure, now: Amount::of(now, Some(unit)), bound, allowed, note: None }
}

/// Why a watchdog may be anything, or why none helps.
fn note(machine: &Machine, function: &Function, answer: &Answer) -> Option<String> {
    let Input::Watchdog(index) = answer.input else { return None };
    let declared = machine.connections.get(index)?;
    if let Some(form) = declared.response.form_without(declared.watchdog) {
        return Some(format!("the response form of {} bounds a fault without the watchdog", form.name()));
    }
    (function.faults == Faults::None).then(|| "the function assumes no fault (faults = \"none\")".to_owned())
}
