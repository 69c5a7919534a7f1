//! Deviations: what a machine whose telegrams are all right can do wrong, placed on purpose.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::error::SynthError;
use super::link::Link;
use super::tap::Place;
use crate::machine::{Function, Machine, Step};
use crate::time::Span;

const MILLISECOND: i64 = 1_000_000;

/// A deviation to be placed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PlannedDeviation {
    /// What happens.
    pub kind: DeviationKind,
    /// Index of the function, or of the pair, by the kind.
    pub index: usize,
    /// When, from the start: the next demand on the function, or on a channel of the pair, takes it. A reaction without a demand
    /// comes when the function and all others with the same reaction are at rest.
    pub at: Span,
}

/// What can be made to happen.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum DeviationKind {
    /// The demand is never answered.
    MissingReaction,
    /// The reaction is withdrawn while the demand is active.
    WithdrawnDuringDemand,
    /// The reaction is withdrawn without any acknowledgement.
    NotAcknowledged,
    /// The acknowledgement comes while the demand is active, and none after it.
    AcknowledgedTooEarly,
    /// The restart signal comes before the acknowledgement; without one, while the demand is active.
    RestartedTooEarly,
    /// The reaction comes without a demand.
    WithoutDemand,
    /// The second channel follows the first later than the discrepancy time allows.
    LateChannel,
    /// The second channel does not follow the first at all.
    DeadChannel,
}

impl DeviationKind {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self::MissingReaction,
        Self::WithdrawnDuringDemand,
        Self::NotAcknowledged,
        Self::AcknowledgedTooEarly,
        Self::RestartedTooEarly,
        Self::WithoutDemand,
        Self::LateChannel,
        Self::DeadChannel,
    ];

    /// The name used in plans and ledgers.
    pub const fn name(self) -> &'static str {
        match self {
            Self::MissingReaction => "missing reaction",
            Self::WithdrawnDuringDemand => "withdrawn during demand",
            Self::NotAcknowledged => "not acknowledged",
            Self::AcknowledgedTooEarly => "acknowledged too early",
            Self::RestartedTooEarly => "restarted too early",
            Self::WithoutDemand => "without demand",
            Self::LateChannel => "late channel",
            Self::DeadChannel => "dead channel",
        }
    }

    /// Whether it happens to a pair; else to a function.
    pub const fn is_of_pair(self) -> bool {
        matches!(self, Self::LateChannel | Self::DeadChannel)
    }
}

/// A deviation on its way.
#[derive(Clone, Debug)]
pub(super) struct Deviation {
    pub(super) plan: PlannedDeviation,
    /// A demand has taken it.
    pub(super) taken: bool,
    pub(super) place: Option<Place>,
}

impl Deviation {
    /// Those of a plan, each of which can happen.
    pub(super) fn all(machine: &Machine, planned: &[PlannedDeviation]) -> Result<Vec<Self>, SynthError> {
        for plan in planned {
            check(machine, plan)?;
        }
        Ok(planned.iter().map(|plan| Self { plan: *plan, taken: false, place: None }).collect())
    }
}

fn check(machine: &Machine, plan: &PlannedDeviation) -> Result<(), SynthError> {
    let PlannedDeviation { kind, index, .. } = *plan;
    let refuse =
        |of: &str, why: &str| Err(SynthError::Deviation { what: kind.name(), of: of.to_owned(), why: why.to_owned() });
    if kind.is_of_pair() {
        let Some(pair) = machine.pairs.get(index) else {
            return Err(SynthError::Unknown { what: "pair", index, count: machine.pairs.len() });
        };
        let demanded = |signal: &usize| machine.functions.iter().any(|function| demands(function, *signal));
        if !pair.channels.iter().any(demanded) {
            return refuse(&pair.id, "no function with a reaction is demanded by one of its channels; add one");
        }
        return Ok(());
    }
    let Some(function) = machine.functions.get(index) else {
        return Err(SynthError::Unknown { what: "function", index, count: machine.functions.len() });
    };
    if function.demand.is_none() || function.reaction.is_none() {
        return Err(SynthError::NotDemandable { function: function.id.clone() });
    }
    let rules = &function.reaction_rules;
    match kind {
        DeviationKind::NotAcknowledged | DeviationKind::AcknowledgedTooEarly if rules.acknowledge.is_none() => {
            refuse(&function.id, "it declares no acknowledge signal; add one")
        }
        DeviationKind::RestartedTooEarly if rules.restart.is_none() => {
            refuse(&function.id, "it declares no restart signal; add one")
        }
        _ => Ok(()),
    }
}

pub(super) fn demands(function: &Function, signal: usize) -> bool {
    function.reaction.is_some() && function.demand == Some(signal)
}

/// By how much a demand with a deviation lasts longer, in nanoseconds: so long that what comes before its end is certainly too
/// early. Every step of the path at its worst and at its watchdog, and a second.
pub(super) fn stretch(machine: &Machine, function: &Function) -> i64 {
    let nanos = |step: &Step| match *step {
        Step::Element(index) => machine.elements.get(index).map_or(0, |element| {
            element.worst_case.as_nanos().saturating_add(element.watchdog.map_or(0, Span::as_nanos))
        }),
        Step::Connection(index) => connection_time(machine, index),
    };
    let path = function.path.iter().map(nanos).fold(0_i64, i64::saturating_add);
    let signals = [function.reaction, function.reaction_rules.acknowledge].into_iter().flatten();
    let ends = signals.filter_map(|signal| machine.signals.get(signal)).map(|s| connection_time(machine, s.connection));
    ends.fold(path, i64::saturating_add).saturating_add(1_000 * MILLISECOND)
}

fn connection_time(machine: &Machine, index: usize) -> i64 {
    machine
        .connections
        .get(index)
        .map_or(0, |connection| connection.worst_case.as_nanos().saturating_add(connection.fault_time().as_nanos()))
}

/// By how much the second channel follows later than allowed, beyond everything that sampling explains.
pub(super) fn lateness(links: &[Link], machine: &Machine, pair: usize) -> i64 {
    let Some(pair) = machine.pairs.get(pair) else { return 0 };
    let connections = pair.channels.iter().filter_map(|channel| machine.signals.get(*channel)).map(|s| s.connection);
    let exchange = connections.filter_map(|c| links.get(c)).map(|link| link.periods.exchange()).max().unwrap_or(0);
    exchange.saturating_mul(3)
}

/// The longest time that a deviation of the plan adds to a demand.
pub(super) fn longest(machine: &Machine, planned: &[PlannedDeviation]) -> i64 {
    let one = |plan: &PlannedDeviation| {
        if plan.kind.is_of_pair() {
            let limit = machine.pairs.get(plan.index).map_or(0, |pair| pair.discrepancy.as_nanos());
            return limit.saturating_add(3_000 * MILLISECOND);
        }
        machine.functions.get(plan.index).map_or(0, |function| stretch(machine, function))
    };
    planned.iter().map(one).max().unwrap_or(0)
}
