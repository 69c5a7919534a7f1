//! How the figures of a function come about, step by step, for a reviewer with a pocket calculator.
//!
//! Every figure that a step uses was given by the machine file or is the value of a step before it, so that nothing has to
//! be believed. The values are those of the budget, not computed anew; only what the budget doesn't keep (a root on the way
//! to a time, the speed at which a jerk-limited ramp changes its form) is. Numbers are exact decimals in the unit of the step: times in
//! milliseconds for the response and in seconds where they are multiplied.

mod basis;
mod delay;
mod limits;
mod phase;
mod response;
mod separation;
mod shown;
mod step;
mod stop;
mod unit;
mod violation;

use schemars::JsonSchema;
use serde::Serialize;

use super::model::Report;
use crate::budget::{self, FunctionBudget};
use crate::machine::{Function, Machine};
use crate::verdict::FunctionVerdict;

/// A row of steps to one result.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct Derivation {
    /// What is derived.
    pub title: &'static str,
    /// From what is given to the result.
    pub steps: Vec<Step>,
}

/// One step: a figure that is given, or an expression with its value.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct Step {
    /// Name of the figure in the formulas after it.
    pub symbol: String,
    /// What it is.
    pub meaning: String,
    /// How it follows from figures above; absent if it is given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub formula: Option<String>,
    /// The formula with the figures put in: numbers, `+ - x / ^`, brackets, `max`, `min`, `sqrt`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub substituted: Option<String>,
    /// The value: a decimal number.
    pub value: String,
    /// Its unit; empty for a ratio.
    pub unit: &'static str,
    /// `given`, `exact`, `up, to 0.000001 mm`, `down, to ...`; `stated` of a figure that no formula gives, with its method as
    /// the source; `not derived` of a figure of the budget without a formula here.
    pub rounding: String,
    /// The machine file's words about where a given figure comes from, or the source of the formula.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
}

/// Adds to a report of `budget` how the figures come about: of the function at place `only`, or of all.
pub fn explained(mut report: Report, machine: &Machine, verdicts: &[FunctionVerdict], only: Option<usize>) -> Report {
    let functions = report.functions.iter_mut().flatten();
    for (place, (told, (function, verdict))) in functions.zip(machine.functions.iter().zip(verdicts)).enumerate() {
        if let Ok(budget) = &verdict.budget
            && only.is_none_or(|only| only == place)
        {
            told.derivation = Some(derivation(machine, function, budget));
        }
    }
    report
}

/// The derivation of every figure of `function`.
fn derivation(machine: &Machine, function: &Function, budget: &FunctionBudget) -> Vec<Derivation> {
    let mut derivations = vec![Derivation {
        title: "Response time, from the demand to the safe output",
        steps: response::steps(machine, function, budget),
    }];
    let stop = stop::steps(machine, function, budget);
    if !stop.is_empty() {
        derivations.push(Derivation { title: "Stop: time and travel, phase by phase", steps: stop });
    }
    let excess = violation::excess(machine, function, budget);
    if !excess.is_empty() {
        derivations.push(Derivation { title: "Beyond the limit", steps: excess });
    }
    derivations.push(Derivation { title: "Overall response time", steps: stop::overall(budget) });
    let separation = separation::steps(function, budget);
    if !separation.is_empty() {
        derivations.push(Derivation { title: "Separation distance", steps: separation });
    }
    if let Ok(Some(part)) = budget::visible_part(machine, function) {
        let steps = response::on_the_wire(machine, function, &part);
        derivations.push(Derivation { title: "Bound of what shows on the wire", steps });
    }
    let shown = shown::steps(machine, function);
    if !shown.is_empty() {
        derivations.push(Derivation { title: "Bound of the stop that the values of the drive show", steps: shown });
    }
    derivations.push(Derivation { title: "Margins of the limits", steps: limits::steps(machine, function, budget) });
    derivations
}
