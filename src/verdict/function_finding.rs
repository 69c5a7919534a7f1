//! What a machine did wrong with a function although its telegrams were all right.

use crate::check::{Location, MovedAgain, OrderOutcome, OutOfOrder, ReactionOutcome};
use crate::machine::WithoutDemand;
use crate::time::{Instant, Span};

/// A finding on a function.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FunctionFinding {
    /// A demand was never answered, although all connections ran and the tap saw all.
    Missing {
        /// The demand.
        demand: Location,
        /// The next demand, if there was one.
        next: Option<Location>,
        /// How long nothing came: up to the next demand, or to the end of the capture.
        waited: Span,
    },
    /// The reaction was withdrawn, or the machine restarted, too early.
    TooEarly(OutOfOrder),
    /// A reaction without a demand, where the function declares that there must be none.
    WithoutDemand {
        /// The telegram that shows it.
        at: Location,
    },
    /// The axis moved after its stop although the demand was still active.
    MovedAgain(MovedAgain),
}

impl FunctionFinding {
    /// The telegram that shows it.
    pub const fn location(&self) -> Location {
        match self {
            Self::Missing { demand, .. } => *demand,
            Self::TooEarly(told) => told.at,
            Self::WithoutDemand { at } => *at,
            Self::MovedAgain(moved) => moved.at,
        }
    }
}

/// The findings of one function in the order of time: what is certain beyond `uncertain`, the clock and the tap.
///
/// `overdue` are demands that wait longer than their bound when the capture ends, at the given time.
pub(super) fn findings(
    reaction: &ReactionOutcome,
    rule: WithoutDemand,
    uncertain: Span,
    overdue: &[(Location, Instant)],
) -> Vec<FunctionFinding> {
    let OrderOutcome { too_early, without_demand } = &reaction.order;
    let missing = reaction.missing.list.iter().filter(|missing| missing.beyond > uncertain);
    let missing = missing.map(|missing| FunctionFinding::Missing {
        demand: missing.demand,
        next: Some(missing.next),
        waited: missing.next.at.since(missing.demand.at),
    });
    let overdue = overdue.iter().map(|(demand, end)| {
        let waited = end.since(demand.at);
        FunctionFinding::Missing { demand: *demand, next: None, waited }
    });
    let too_early = too_early.list.iter().filter(|told| told.beyond > uncertain);
    let refused = without_demand.list.iter().filter(|_| rule == WithoutDemand::Finding);
    let mut all: Vec<FunctionFinding> = missing
        .chain(overdue)
        .chain(too_early.map(|told| FunctionFinding::TooEarly(*told)))
        .chain(refused.map(|at| FunctionFinding::WithoutDemand { at: *at }))
        .collect();
    all.sort_by_key(FunctionFinding::location);
    all
}
