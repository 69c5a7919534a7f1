//! Findings on functions, and pairs: results to report data.

use super::number::millis_short;
use super::sequence_model::{DiscrepancyReport, FunctionFindingReport, PairReport};
use crate::check::{Awaited, Discrepancy, DiscrepancyEnd, Location, OutOfOrder, TooEarly};
use crate::machine::{Machine, Pair};
use crate::time::Span;
use crate::verdict::{FunctionFinding, PairStatus, PairVerdict};

pub(super) fn findings(found: &[FunctionFinding]) -> Vec<FunctionFindingReport> {
    found.iter().map(finding).collect()
}

fn finding(found: &FunctionFinding) -> FunctionFindingReport {
    let at = found.location();
    let (class, demand, expected, seen) = match found {
        FunctionFinding::Missing { demand, next, waited } => {
            let until = if next.is_some() { "the next demand" } else { "the end of the capture" };
            let seen = format!("none for {}, until {until}", ms(*waited));
            ("missing reaction", Some(*demand), "a reaction to the demand".to_owned(), seen)
        }
        FunctionFinding::TooEarly(told) => {
            let (class, expected, seen) = too_early(told);
            (class, Some(told.demand), expected, seen)
        }
        FunctionFinding::WithoutDemand { .. } => {
            let expected = "no reaction without a demand, as the machine file says".to_owned();
            (
                "reaction without demand",
                None,
                expected,
                "the reaction, while no demand with this reaction was active".to_owned(),
            )
        }
        FunctionFinding::MovedAgain(moved) => {
            let expected = "standstill until the demand ends".to_owned();
            let after = |from: Location| ms(moved.at.at.since(from.at));
            let stopped = moved.standstill.at > moved.demand.at;
            let (from, after) = if stopped {
                ("standstill", after(moved.standstill))
            } else {
                ("demand, which found it standing,", after(moved.demand))
            };
            let seen = format!(
                "motion for {}, from {after} after the {from} on; an axis without torque may have been moved by its load or by hand",
                ms(moved.lasted)
            );
            ("moved again during demand", Some(moved.demand), expected, seen)
        }
    };
    FunctionFindingReport {
        class,
        packet: at.packet,
        file: at.file,
        at_ns: at.at.as_nanos(),
        demand_packet: demand.map(|demand| demand.packet),
        demand_file: demand.map(|demand| demand.file),
        demand_at_ns: demand.map(|demand| demand.at.as_nanos()),
        expected,
        seen,
    }
}

fn too_early(told: &OutOfOrder) -> (&'static str, String, String) {
    let what = match told.what {
        TooEarly::Withdrawal => "the reaction withdrawn",
        TooEarly::Restart => "the restart",
    };
    let after = |from: Location| ms(told.at.at.since(from.at));
    let class = match (told.what, told.awaited) {
        (TooEarly::Withdrawal, Awaited::DemandEnd) => "withdrawn during demand",
        (TooEarly::Withdrawal, Awaited::Acknowledgement) => "withdrawn before acknowledgement",
        (TooEarly::Restart, Awaited::DemandEnd) => "restarted during demand",
        (TooEarly::Restart, Awaited::Acknowledgement) => "restarted before acknowledgement",
    };
    match told.awaited {
        Awaited::DemandEnd => (
            class,
            format!("{what} after the demand has ended"),
            format!("{what} {} after its begin, while it was active", after(told.demand)),
        ),
        Awaited::Acknowledgement => {
            let last = told.acknowledged.map_or_else(
                || "none was seen".to_owned(),
                |last| format!("the last rising edge was packet {}, {} before", last.packet, after(last)),
            );
            let end = told.end.map_or_else(String::new, |end| format!(" {} after the end of the demand", after(end)));
            let expected = format!("{what} after an acknowledgement that follows the end of the demand");
            (class, expected, format!("{what}{end} without one ({last})"))
        }
    }
}

fn ms(span: Span) -> String {
    format!("{} ms", millis_short(span.as_nanos()))
}

/// Pairs in the order of the machine file; `None` if it has none.
pub(super) fn pairs(machine: &Machine, verdicts: &[PairVerdict]) -> Option<Vec<PairReport>> {
    let all = machine.pairs.iter().zip(verdicts).map(|(declared, verdict)| pair(machine, declared, verdict));
    (!machine.pairs.is_empty()).then(|| all.collect())
}

fn pair(machine: &Machine, declared: &Pair, verdict: &PairVerdict) -> PairReport {
    let outcome = &verdict.outcome;
    let discrepancies = |list: &[Discrepancy]| list.iter().map(|told| discrepancy(machine, told)).collect();
    let unseen_begin = outcome.changes.list.iter().any(|told| told.most.is_none());
    PairReport {
        id: declared.id.clone(),
        title: declared.title.clone(),
        channels: declared.channels.map(|channel| name(machine, channel)),
        relation: declared.relation.name(),
        limit_ns: declared.discrepancy.as_nanos(),
        n: outcome.changes.total,
        max_ns: outcome.sample.longest().map(Span::as_nanos),
        at_least_ns: outcome.worst.map(|worst| worst.least.as_nanos()),
        at_most_ns: outcome.longest.filter(|_| !unseen_begin).map(Span::as_nanos),
        disturbed: outcome.disturbed,
        verdict: match verdict.status {
            PairStatus::NotExamined => "not examined",
            PairStatus::Within => "within",
            PairStatus::Uncertain => "within the uncertainty",
            PairStatus::Exceeded => "exceeded",
        },
        findings: discrepancies(&verdict.exceeded),
        changes: discrepancies(&outcome.changes.list),
        source: declared.source.clone(),
    }
}

fn discrepancy(machine: &Machine, told: &Discrepancy) -> DiscrepancyReport {
    DiscrepancyReport {
        end: match told.how {
            DiscrepancyEnd::Followed => "followed",
            DiscrepancyEnd::Returned => "never followed",
            DiscrepancyEnd::Lasting => "lasting",
        },
        first: name(machine, told.first),
        packet: told.begin.packet,
        file: told.begin.file,
        at_ns: told.begin.at.as_nanos(),
        end_packet: told.end.packet,
        end_file: told.end.file,
        measured_ns: told.measured.as_nanos(),
        at_least_ns: told.least.as_nanos(),
        at_most_ns: told.most.map(Span::as_nanos),
    }
}

fn name(machine: &Machine, signal: usize) -> String {
    machine.signals.get(signal).map_or_else(String::new, |signal| signal.id.clone())
}
