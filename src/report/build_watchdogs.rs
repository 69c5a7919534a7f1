//! The watchdogs of a machine: results to report data.

use super::amount::{self, Amount};
use super::build_function::cause;
use super::watchdogs_model::{
    AdmissibleReport, ImpossibleReport, LowerReport, MeasuredLower, WatchdogFunction, WatchdogReport, WatchdogsReport,
    WayOutReport,
};
use crate::budget::watchdogs::{
    Connection, Decider, Function, Impossible, Interval, Lower, Margin, Position, RoundTripFrom, Watchdogs, WayOut,
    round_down,
};
use crate::budget::{Cause, LONGEST_WATCHDOG, Unit};
use crate::machine::{self, Faults, Machine, Step};
use crate::time::Span;
use crate::verdict::ObservedCycle;

const CRITERION: &str = "Of all settings in whole milliseconds that keep every function that can be kept, the proposal is one \
    whose smallest relative margin is largest. Margins are (W - lowest) / lowest of each watchdog and (allowed - figure) / \
    allowed of each function, the least over its limits. What that leaves open goes by the next smallest margin; of two that \
    could only swap the same margin, a function goes before a watchdog and the earlier connection of the machine file before \
    the later one. A connection that no function uses keeps its watchdog, or gets the smallest margin of the others.";

pub(super) fn watchdogs(machine: &Machine, told: &Watchdogs, observed: &[ObservedCycle]) -> WatchdogsReport {
    let connections = machine.connections.iter().zip(&told.connections).enumerate();
    let functions = machine.functions.iter().zip(&told.functions);
    WatchdogsReport {
        criterion: CRITERION,
        smallest_margin_ppb: told.smallest_margin_ppb,
        connections: connections
            .map(|(index, (declared, told))| connection(machine, declared, told, observed.get(index)))
            .collect(),
        functions: functions.map(|(declared, told)| function(machine, declared, told)).collect(),
        impossible: told.impossible.iter().filter_map(|told| impossible(machine, told)).collect(),
    }
}

/// What keeps the watchdogs from being judged, or the capture from being used.
pub(super) fn gaps(machine: &Machine, told: &Watchdogs, observed: &[ObservedCycle]) -> Vec<String> {
    let mut gaps = Vec::new();
    if machine.connections.is_empty() {
        gaps.push("the machine file has no connection".to_owned());
    }
    for (declared, told) in machine.functions.iter().zip(&told.functions) {
        if let Err(error) = &told.as_set {
            gaps.push(format!("function '{}': {error}", declared.id));
        }
    }
    for (declared, told) in machine.connections.iter().zip(&told.connections) {
        if let Err(error) = &told.lower {
            gaps.push(format!("connection '{}': {error}", declared.id));
        }
    }
    let disturbed = machine.connections.iter().zip(observed).filter(|(_, seen)| **seen == ObservedCycle::Disturbed);
    let disturbed: Vec<&str> = disturbed.map(|(declared, _)| declared.id.as_str()).collect();
    if !disturbed.is_empty() {
        gaps.push(format!(
            "the measured cycles of {} are not used: with findings or trips in the capture, a long silence may be the very fault \
             that a watchdog is there for",
            amount::and(&disturbed)
        ));
    }
    gaps
}

fn connection(
    machine: &Machine,
    declared: &machine::Connection,
    told: &Connection,
    observed: Option<&ObservedCycle>,
) -> WatchdogReport {
    let nanos = |span: Option<Span>| span.map(Span::as_nanos);
    let lower_end = told.lower.as_ref().ok();
    let bound_by = told.upper.function.and_then(|function| machine.functions.get(function));
    WatchdogReport {
        connection: declared.id.clone(),
        profile: declared.profile.name(),
        set_ns: told.set.as_nanos(),
        not_computed: told.lower.as_ref().err().map(ToString::to_string),
        lowest_ns: nanos(lower_end.map(|lower| lower.lowest)),
        lowest_settable_ns: nanos(lower_end.map(|lower| lower.settable)),
        lower: lower_end.map(|told| lower(declared, told)),
        measured: lower_end.zip(observed).and_then(|(lower, observed)| measured(lower, observed)),
        projected: None,
        highest_ns: nanos(told.upper.highest),
        highest_settable_ns: nanos(told.upper.highest.map(round_down)),
        bound_by: bound_by.map(|function| function.id.clone()),
        proposed_ns: nanos(told.proposed),
        margin_ppb: told.margin_ppb,
        highest_beside_proposed_ns: nanos(told.beside_proposed),
        verdict: position(told.position),
        note: without_effect(machine, declared),
    }
}

const fn position(position: Position) -> &'static str {
    match position {
        Position::Within => "within",
        Position::TooShort => "too short",
        Position::TooLong => "too long",
        Position::Empty => "empty interval",
        Position::NotComputed => "not computed",
    }
}

/// Why no figure of a function depends on the watchdog of a connection, if that is so.
pub(super) fn without_effect(machine: &Machine, declared: &machine::Connection) -> Option<String> {
    if let Some(form) = declared.response.form_without(declared.watchdog) {
        return Some(format!(
            "the response form of {} ({}) bounds a fault without the watchdog, so that no watchdog keeps a function that misses a \
             limit, nor endangers one that keeps them",
            form.name(),
            form.formula()
        ));
    }
    let goes_over = |step: &Step| match step {
        Step::Connection(index) => machine.connections.get(*index).is_some_and(|one| one.id == declared.id),
        Step::Element(_) => false,
    };
    let mut over = machine.functions.iter().filter(|function| function.path.iter().any(goes_over)).peekable();
    if over.peek().is_none() {
        return Some("no function goes over it".to_owned());
    }
    over.all(|function| function.faults == Faults::None)
        .then(|| "no function over it assumes a fault (faults = \"none\")".to_owned())
}

/// The interval of a watchdog, beside what was measured.
pub(super) fn admissible(machine: &Machine, index: usize, interval: &Interval) -> Option<AdmissibleReport> {
    let declared = machine.connections.get(index)?;
    let bound_by = interval.upper.function.and_then(|function| machine.functions.get(function));
    let highest = interval.upper.highest;
    Some(AdmissibleReport {
        lowest_ns: interval.lower.as_ref().ok().map(|lower| lower.lowest.as_nanos()),
        highest_ns: highest.map(Span::as_nanos),
        unbounded: bound_by.is_none() && highest == Some(LONGEST_WATCHDOG),
        bound_by: bound_by.map(|function| function.id.clone()),
        verdict: position(interval.position),
        note: without_effect(machine, declared),
    })
}

fn lower(declared: &machine::Connection, told: &Lower) -> LowerReport {
    let availability = &declared.availability;
    LowerReport {
        round_trip_ns: told.bounded.round_trip.as_nanos(),
        round_trip_from: match told.from {
            RoundTripFrom::Stated => "stated",
            RoundTripFrom::Cycles => "cycles",
            RoundTripFrom::Transfers => "transfers",
        },
        reserve: availability.reserve_permille.map(|permille| Amount::of(permille.into(), Some(Unit::Permille))),
        reserve_ns: told.bounded.reserve.as_nanos(),
        lost_telegrams: availability.lost_telegrams,
        lost_ns: told.bounded.lost.as_nanos(),
        lowest_ns: told.bounded.watchdog.as_nanos(),
    }
}

fn measured(lower: &Lower, observed: &ObservedCycle) -> Option<MeasuredLower> {
    let ObservedCycle::Longest { cycle, at } = observed else { return None };
    Some(MeasuredLower {
        cycle_ns: cycle.0.as_nanos(),
        packet: at.packet,
        file: at.file,
        lowest_ns: lower.measured?.watchdog.as_nanos(),
    })
}

fn function(machine: &Machine, declared: &machine::Function, told: &Function) -> WatchdogFunction {
    let as_set = told.as_set.as_ref().ok();
    let proposed = told.proposed.as_ref().ok();
    let name = |margin: &Margin| amount::limit(machine, declared, &margin.limit).0;
    WatchdogFunction {
        function: declared.id.clone(),
        no_budget: told.as_set.as_ref().err().map(ToString::to_string),
        as_set_margin_ppb: as_set.map(|margin| margin.ppb),
        as_set_limit: as_set.map(name),
        proposed_margin_ppb: proposed.map(|margin| margin.ppb),
        proposed_limit: proposed.map(name),
    }
}

fn impossible(machine: &Machine, told: &Impossible) -> Option<ImpossibleReport> {
    let function = machine.functions.get(told.function)?;
    let (limit, unit) = amount::limit(machine, function, &told.limit);
    let (step, decided_by) = decider(machine, &told.decided_by);
    Some(ImpossibleReport {
        function: function.id.clone(),
        limit,
        allowed: Amount::of(told.limit.allowed_nano(), Some(unit)),
        missing: Amount::of(told.limit.margin_nano().saturating_neg(), Some(unit)),
        step,
        decided_by,
        ways_out: told.ways_out.iter().map(|way| way_out(machine, function, way)).collect(),
    })
}

/// The one step that decides, if there is one, and the whole in words.
fn decider(machine: &Machine, decider: &Decider) -> (Option<String>, String) {
    match decider {
        Decider::Fault(by) => {
            let name = cause(machine, *by);
            let words = match (by, &name) {
                (Cause::Step(_), Some(name)) => format!("the watchdog of {name}"),
                (_, name) => name.clone().unwrap_or_default(),
            };
            (name, words)
        }
        Decider::Staged(by) => {
            let names: Vec<String> = by.iter().filter_map(|by| cause(machine, *by)).collect();
            (None, format!("faults of {}", amount::and(&names.iter().map(String::as_str).collect::<Vec<_>>())))
        }
        Decider::All => (None, "all watchdogs of its path together, because faults = \"all\"".to_owned()),
        Decider::WorstCases(longest) => {
            let name = longest.and_then(|step| cause(machine, Cause::Step(step)));
            let longest = name.as_ref().map_or_else(String::new, |name| format!(", {name} the longest"));
            (name, format!("the worst cases of its path{longest}, which no watchdog shortens"))
        }
    }
}

fn way_out(machine: &Machine, function: &machine::Function, way: &WayOut) -> WayOutReport {
    let unit = way.lever.unit(machine, function);
    WayOutReport {
        change: amount::lever(machine, function, &way.lever),
        now: Amount::of(way.present, unit),
        bound: if way.needed < way.present { "at most" } else { "at least" },
        needed: Amount::of(way.needed, unit),
        change_ppb: way.change_ppb,
    }
}

/// Whether an upper end is that of the setting alone.
pub(super) const fn is_unbounded(report: &WatchdogReport) -> bool {
    report.bound_by.is_none() && matches!(report.highest_ns, Some(highest) if highest == LONGEST_WATCHDOG.as_nanos())
}
