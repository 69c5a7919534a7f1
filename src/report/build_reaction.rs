//! Measured reactions: results to report data.

use super::model::FreeCyclesReport;
use super::reaction_model::{OutsideReport, ToleranceReport, UncertaintyReport};
use super::words;
use crate::budget;
use crate::machine::{Function, Machine, Step};
use crate::time::Span;
use crate::verdict::{Taken, Tolerance, Uncertainty};

/// The steps of the path that the wire doesn't show; none if nothing bounds what it shows.
pub(super) fn outside(machine: &Machine, function: &Function) -> Vec<OutsideReport> {
    let Ok(Some(part)) = budget::visible_part(machine, function) else {
        return Vec::new();
    };
    let of = |steps: &[Step], place| steps.iter().filter_map(|step| one(machine, *step, place)).collect::<Vec<_>>();
    [of(&part.before, words::BEFORE_THE_WIRE), of(&part.behind, words::BEHIND_THE_WIRE)].concat()
}

/// The cycles whose phases all measurements of a run share; none without a demand on the wire.
pub(super) fn free_cycles(machine: &Machine, function: &Function) -> Option<FreeCyclesReport> {
    let nanos = |spans: Vec<Span>| spans.into_iter().map(Span::as_nanos).collect::<Vec<_>>();
    let told = budget::free_cycles(machine, function);
    let told = FreeCyclesReport { reaction_ns: nanos(told.reaction), stop_ns: nanos(told.stop) };
    function.demand.map(|_| told)
}

/// The connection of the transfer back, if the part ends with one that the path does not name.
pub(super) fn answer_over(machine: &Machine, function: &Function) -> Option<String> {
    let part = budget::visible_part(machine, function).ok().flatten().filter(|part| part.answers)?;
    match part.steps.last()? {
        Step::Connection(index) => machine.connections.get(*index).map(|connection| connection.id.clone()),
        Step::Element(_) => None,
    }
}

fn one(machine: &Machine, step: Step, place: &'static str) -> Option<OutsideReport> {
    let (id, kind, worst_case, watchdog) = match step {
        Step::Element(index) => {
            let element = machine.elements.get(index)?;
            (&element.id, "element", element.worst_case, element.watchdog.unwrap_or(element.worst_case))
        }
        Step::Connection(index) => {
            let connection = machine.connections.get(index)?;
            (&connection.id, "connection", connection.worst_case, connection.fault_time())
        }
    };
    let (worst_case_ns, watchdog_ns) = (worst_case.as_nanos(), watchdog.as_nanos());
    Some(OutsideReport { id: id.clone(), kind, place, worst_case_ns, watchdog_ns })
}

pub(super) fn uncertainty(told: &Uncertainty) -> UncertaintyReport {
    UncertaintyReport {
        less_ns: told.less().as_nanos(),
        more_ns: told.more().as_nanos(),
        clock_ns: told.clock.as_nanos(),
        tap_delay_ns: told.tap.as_nanos(),
        demand_late_ns: told.demand_late.as_nanos(),
        reaction_early_ns: told.reaction_early.as_nanos(),
    }
}

pub(super) fn tolerance(told: &Tolerance) -> ToleranceReport {
    let percent = |millionths: u32| f64::from(millionths) / 1e4;
    let (taken, limit) = match told.taken {
        Taken::Free(limit) => ("distribution-free", Some(limit)),
        Taken::Normal(limit) => ("normal", Some(limit)),
        Taken::Neither => ("none", None),
    };
    #[expect(clippy::cast_possible_truncation, reason = "the statistic is n at most times a logarithm, far below 1e9")]
    let billionths = |statistic: f64| (statistic * 1e9).round() as i64;
    ToleranceReport {
        coverage_percent: percent(told.statement.coverage),
        confidence_percent: percent(told.statement.confidence),
        n: told.n,
        needed_n: told.needed,
        confidence_of_largest_percent: percent(told.confidence_of_largest),
        distribution_free_ns: told.free.map(|free| free.limit.as_nanos()),
        rank: told.free.map(|free| free.rank),
        normal_ns: told.normal.map(|normal| normal.limit.as_nanos()),
        factor_billionths: told.normal.map(|normal| normal.factor),
        normality: match told.normality {
            None => "not checked",
            Some(normality) if normality.is_rejected() => "rejected",
            Some(_) => "not rejected",
        },
        anderson_darling_billionths: told.normality.map(|normality| billionths(normality.statistic)),
        disagree: told.disagree(),
        taken,
        limit_ns: limit.map(Span::as_nanos),
    }
}
