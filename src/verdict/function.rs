//! One safety function: budget, measurement, and what they say together.

use super::function_finding::{FunctionFinding, findings};
use super::standstill::StandstillVerdict;
use super::{Comparison, Judgement, Tolerance, Uncertainty};
use crate::budget::{self, FunctionBudget, FunctionError};
use crate::check::{Location, ReactionOutcome};
use crate::machine::{Function, Machine};
use crate::time::{Instant, Span};

/// One safety function.
#[derive(Clone, Debug)]
pub struct FunctionVerdict {
    /// Bounded figures, or why there are none.
    pub budget: Result<FunctionBudget, FunctionError>,
    /// Measured figures; `None` if no demand of this function shows in the run.
    pub measured: Option<Measured>,
    /// Measured stops; `None` if no value of the axis is declared, or no run was looked at.
    pub standstill: Option<StandstillVerdict>,
    /// What was wrong although the telegrams were right, in the order of time.
    pub findings: Vec<FunctionFinding>,
    /// In one word.
    pub status: FunctionStatus,
}

/// What the run shows of a function.
#[derive(Clone, Debug)]
pub struct Measured {
    /// The reactions.
    pub reaction: ReactionOutcome,
    /// Demands that were not answered: before the next one, or waiting longer than the bound at the end of the capture.
    pub unanswered: u64,
    /// Demands that wait at the end of the capture, or of one of several, but no longer than the bound.
    pub pending: u64,
    /// By how much the true times may differ.
    pub uncertainty: Uncertainty,
    /// The longest one against the bound of what the wire shows; `None` without reactions or bound.
    pub comparison: Option<Comparison>,
    /// What they say of all reactions; `None` if there are none.
    pub tolerance: Option<Tolerance>,
}

/// The state of a function in one word, the worst that applies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FunctionStatus {
    /// Every limit holds; measured reactions, if any, keep the bound.
    Met,
    /// A limit does not hold.
    Missed,
    /// A measured reaction or stop is beyond its bound: the machine file is wrong about the machine.
    Refuted,
    /// A demand was not answered.
    Unanswered,
    /// A reaction was withdrawn, or the machine restarted, too early.
    OutOfOrder,
    /// A reaction came without a demand, where the function declares that there must be none.
    WithoutDemand,
    /// The figures allow no budget.
    NoBudget,
}

impl FunctionStatus {
    /// What the budget alone says.
    fn bounded(budget: &Result<FunctionBudget, FunctionError>) -> Self {
        match budget {
            Err(_) => Self::NoBudget,
            Ok(budget) if budget.is_met() => Self::Met,
            Ok(_) => Self::Missed,
        }
    }

    pub(super) const fn judgement(self) -> Judgement {
        match self {
            Self::Met => Judgement::WithinLimits,
            Self::Missed | Self::Refuted | Self::Unanswered | Self::OutOfOrder | Self::WithoutDemand => {
                Judgement::Findings
            }
            Self::NoBudget => Judgement::NotExamined,
        }
    }
}

/// Judges the budget of `function` alone.
pub(super) fn judge_budget(machine: &Machine, function: &Function) -> FunctionVerdict {
    let budget = budget::function(machine, function);
    let status = FunctionStatus::bounded(&budget);
    FunctionVerdict { budget, measured: None, standstill: None, findings: Vec::new(), status }
}

pub(super) fn judge(
    machine: &Machine,
    function: &Function,
    reaction: Option<&ReactionOutcome>,
    standstill: Option<StandstillVerdict>,
    end: Option<Instant>,
    clock: Span,
) -> FunctionVerdict {
    let budget = budget::function(machine, function);
    let bound = budget.as_ref().ok().and_then(|budget| budget.on_the_wire);
    let mut all = Vec::new();
    let measured = reaction.filter(|reaction| is_exercised(reaction)).map(|reaction| {
        // The one that waits at the end of the run, and of runs that were joined those that waited at the end of theirs.
        let last = reaction.waiting.map(|demand| (demand, end.unwrap_or(demand.at)));
        let waiting = reaction.waited.iter().copied().chain(last);
        let uncertainty = Uncertainty::of(machine, function, clock);
        // Clock and tap may make a time look longer than it is.
        let latest = bound.map(|bound| bound.checked_add(uncertainty.less()).unwrap_or(Span::MAX));
        let is_overdue =
            |(demand, end): &(Location, Instant)| latest.is_some_and(|latest| end.since(demand.at) > latest);
        let (overdue, pending): (Vec<_>, Vec<_>) = waiting.partition(is_overdue);
        let longest = reaction.sample.longest().zip(bound);
        let statement = function.reaction_rules.statement.unwrap_or(machine.measuring.statement);
        let found = findings(reaction, function.reaction_rules.without_demand, uncertainty.less(), &overdue);
        let missing = found.iter().filter(|found| matches!(found, FunctionFinding::Missing { .. })).count();
        all.extend(found);
        Measured {
            reaction: reaction.clone(),
            unanswered: u64::try_from(missing).unwrap_or(u64::MAX),
            pending: u64::try_from(pending.len()).unwrap_or(u64::MAX),
            uncertainty,
            comparison: longest.map(|(longest, bound)| uncertainty.compare(longest, bound)),
            tolerance: Tolerance::of(reaction, statement),
        }
    });
    let moved = standstill.iter().filter(|told| !told.is_doubted).flat_map(|told| &told.moved_again);
    all.extend(moved.map(|moved| FunctionFinding::MovedAgain(*moved)));
    all.sort_by_key(FunctionFinding::location);
    let refutes = measured.as_ref().is_some_and(|measured| measured.comparison == Some(Comparison::Refutes));
    let status = match FunctionStatus::bounded(&budget) {
        FunctionStatus::NoBudget => FunctionStatus::NoBudget,
        _ if measured.as_ref().is_some_and(|measured| measured.unanswered > 0) => FunctionStatus::Unanswered,
        _ if all.iter().any(|found| matches!(found, FunctionFinding::TooEarly(_))) => FunctionStatus::OutOfOrder,
        _ if refutes => FunctionStatus::Refuted,
        _ if standstill.as_ref().is_some_and(StandstillVerdict::refutes) => FunctionStatus::Refuted,
        _ if !all.is_empty() => FunctionStatus::WithoutDemand,
        bounded => bounded,
    };
    FunctionVerdict { budget, measured, standstill, findings: all, status }
}

fn is_exercised(reaction: &ReactionOutcome) -> bool {
    reaction.sample.count() > 0
        || reaction.interrupted > 0
        || reaction.already_reacted > 0
        || reaction.disturbed > 0
        || reaction.waiting.is_some()
        || !reaction.waited.is_empty()
        || reaction.missing.total > 0
        || reaction.order.too_early.total > 0
        || reaction.order.without_demand.total > 0
}
