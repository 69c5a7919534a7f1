//! The watchdogs of a machine: results to report data.

use super::amount::{self, Amount};
use super::build_function::cause;
use super::watchdogs_model::{
    ImpossibleReport, LowerReport, MeasuredLower, WatchdogFunction, WatchdogReport, WatchdogsReport, WayOutReport,
};
use crate::budget::watchdogs::{
    Connection, Function, Impossible, Lower, Margin, Position, RoundTripFrom, Watchdogs, WayOut, round_down,
};
use crate::budget::{LONGEST_WATCHDOG, Unit};
use crate::machine::{self, Machine};
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
        highest_ns: nanos(told.upper.highest),
        highest_settable_ns: nanos(told.upper.highest.map(round_down)),
        bound_by: bound_by.map(|function| function.id.clone()),
        proposed_ns: nanos(told.proposed),
        margin_ppb: told.margin_ppb,
        highest_beside_proposed_ns: nanos(told.beside_proposed),
        verdict: match told.position {
            Position::Within => "within",
            Position::TooShort => "too short",
            Position::TooLong => "too long",
            Position::Empty => "empty interval",
            Position::NotComputed => "not computed",
        },
    }
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
    let step = told.step.and_then(|step| cause(machine, step));
    Some(ImpossibleReport {
        function: function.id.clone(),
        limit,
        allowed: Amount::of(told.limit.allowed_nano(), Some(unit)),
        missing: Amount::of(told.limit.margin_nano().saturating_neg(), Some(unit)),
        step,
        ways_out: told.ways_out.iter().map(|way| way_out(machine, function, way)).collect(),
    })
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
