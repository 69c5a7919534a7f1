//! What is left to each limit.

use super::Step;
use super::separation::source;
use super::step::Rounding;
use super::unit::{AxisUnits, MILLIMETRE as MM, MILLIMETRE_PER_SECOND, MILLISECOND, SECOND, Unit};
use crate::budget::separation::{Extra, Separation};
use crate::budget::{FunctionBudget, Limit};
use crate::machine::{AxisKind, Function, Machine};
use crate::quantity::Travel;
use crate::time::Span;

pub(super) fn steps(machine: &Machine, function: &Function, budget: &FunctionBudget) -> Vec<Step> {
    let axis = function.stop.as_ref().and_then(|stop| machine.axes.get(stop.axis));
    let units = AxisUnits::of(axis.map_or(AxisKind::Linear, |axis| axis.kind));
    let mut steps = Vec::new();
    for limit in &budget.limits {
        let (name, figure_name, unit) = match limit {
            Limit::ResponseTime { .. } => ("response time", "R", MILLISECOND),
            Limit::OverallTime { .. } => ("overall response time", "T", SECOND),
            Limit::Travel { .. } => ("travel", "s", units.way),
            Limit::Arc { .. } => ("travel at the radius", "sr", MM),
            Limit::Speed { .. } => ("highest speed", "v", units.speed),
            Limit::Separation { .. } => ("separation distance", "S", MM),
        };
        let (allowed, figure) = figures(limit);
        let symbol = format!("lim({figure_name})");
        let meaning = match limit {
            Limit::Separation { .. } => "separation distance as built".to_owned(),
            _ => format!("allowed {name}"),
        };
        steps.push(Step::given(&symbol, meaning, (allowed, unit)).by(function.source.as_deref()));
        let formula =
            (format!("{symbol} - {figure_name}"), format!("{} - {}", unit.number(allowed), unit.number(figure)));
        let verdict = if limit.is_met() { "met" } else { "MISSED" };
        let meaning = format!("margin of the {name}: {verdict}");
        let margin = (limit.margin_nano(), unit);
        steps.push(Step::follows(format!("margin({figure_name})"), meaning, formula, margin, Rounding::Exact));
        if let (Limit::Separation { built, longest: Some(longest), .. }, Some(separation)) = (limit, &budget.separation)
        {
            steps.push(longest_response(*built, *longest, separation));
        }
    }
    steps
}

const fn figures(limit: &Limit) -> (i64, i64) {
    match limit {
        Limit::ResponseTime { allowed, figure } | Limit::OverallTime { allowed, figure } => {
            (allowed.as_nanos(), figure.as_nanos())
        }
        Limit::Travel { allowed, figure } | Limit::Arc { allowed, figure } => (allowed.as_nano(), figure.as_nano()),
        Limit::Speed { allowed, figure } => (allowed.as_nano(), figure.as_nano()),
        Limit::Separation { built, needed, .. } => (built.as_nano(), needed.as_nano()),
    }
}

/// The rule solved for `T`.
fn longest_response(built: Travel, longest: Span, separation: &Separation) -> Step {
    let Separation { supplement, addition, extra, rule, at_fast_approach, approach, .. } = separation;
    let left = built.as_nano().saturating_sub(addition.as_nano());
    // The light curtain that tries 2000 mm/s first: from 500 mm on the slower speed counts, whatever it is now.
    let speed = match at_fast_approach {
        Some(_) if left < 500_000_000 => 2_000_000_000,
        Some(_) => 1_600_000_000,
        None => approach.as_nano(),
    };
    let (k, number) = (MILLIMETRE_PER_SECOND.number(speed), |unit: Unit, nano: i64| unit.number(nano));
    let (mut names, mut numbers) = ("lim(S)".to_owned(), number(MM, built.as_nano()));
    for (name, value) in [(" - Z", addition), (" - C", supplement)] {
        if value.as_nano() > 0 {
            names.push_str(name);
            numbers = format!("{numbers} - {}", number(MM, value.as_nano()));
        }
    }
    let (names, numbers) = (format!("({names}) / {k}"), format!("({numbers}) / {k}"));
    let formula = match extra {
        Extra::None => (names, numbers),
        Extra::Time(time) => (format!("{names} - Tbm"), format!("{numbers} - {}", number(SECOND, time.as_nanos()))),
        Extra::Fifth => (format!("{names} / f"), format!("{numbers} / 1.2")),
    };
    let meaning = "longest overall response time that the distance as built allows";
    Step::follows("Tmax", meaning, formula, (longest.as_nanos(), SECOND), Rounding::Down).by(Some(source(*rule)))
}
