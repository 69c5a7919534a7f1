//! The bound of the stop that the values of the drive show, from the telegram with the demand to standstill.

use super::step::Rounding;
use super::unit::{AxisUnits, MILLISECOND, SECOND};
use super::{Step, response};
use crate::budget;
use crate::machine::{Function, Machine};

/// Nothing without a stop whose axis sends a value.
pub(super) fn steps(machine: &Machine, function: &Function) -> Vec<Step> {
    let Some(declared) = function.stop else { return Vec::new() };
    let sends = machine.values.iter().any(|value| value.axis == declared.axis);
    let (true, Some(axis)) = (sends, machine.axes.get(declared.axis)) else { return Vec::new() };
    let (Ok(Some(part)), Ok(Some(bound))) =
        (budget::visible_to_the_end(machine, function), budget::visible_stop(machine, function))
    else {
        return Vec::new();
    };
    let Some(time) = bound.overall.checked_sub(bound.response) else { return Vec::new() };
    let way = AxisUnits::of(axis.kind).way;
    let [reaction, overall, time] = [bound.response, bound.overall, time].map(|span| span.as_nanos());
    let again = "computed as the stop above, phase by phase, with Rshown in place of R";
    let mut steps = response::to_the_end(machine, function, &part);
    steps.push(Step::stated("tshown", "time of the stop after Rshown", (time, SECOND), again));
    let formula = (
        "Rshown / 1000 + tshown".to_owned(),
        format!("{} / 1000 + {}", MILLISECOND.number(reaction), SECOND.number(time)),
    );
    let meaning = "bound from the telegram with the demand to standstill";
    steps.push(Step::follows("Tshown", meaning, formula, (overall, SECOND), Rounding::Exact));
    let meaning = "bound of the travel from the telegram with the demand to standstill";
    steps.push(Step::stated("sshown", meaning, (bound.travel.as_nano(), way), again));
    steps
}
