//! One safety function: budget, measurement, and what they say together.

use super::Judgement;
use crate::budget::{self, FunctionBudget, FunctionError};
use crate::check::ReactionOutcome;
use crate::machine::{Function, Machine};
use crate::time::{Instant, Span};

/// One safety function.
#[derive(Clone, Debug)]
pub struct FunctionVerdict {
    /// Bounded figures, or why there are none.
    pub budget: Result<FunctionBudget, FunctionError>,
    /// Measured figures; `None` if no demand of this function shows in the run.
    pub measured: Option<Measured>,
    /// In one word.
    pub status: FunctionStatus,
}

/// What the run shows of a function.
#[derive(Clone, Debug)]
pub struct Measured {
    /// The reactions.
    pub reaction: ReactionOutcome,
    /// Demands that were not answered: waiting longer than the bound at the end of the capture.
    pub unanswered: u64,
}

/// The state of a function in one word, the worst that applies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FunctionStatus {
    /// Every limit holds; measured reactions, if any, keep the bound.
    Met,
    /// A limit does not hold.
    Missed,
    /// A measured reaction took longer than its bound: the machine file is wrong about the machine.
    Refuted,
    /// A demand was not answered.
    Unanswered,
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
            Self::Missed | Self::Refuted | Self::Unanswered => Judgement::Findings,
            Self::NoBudget => Judgement::NotExamined,
        }
    }
}

/// Judges the budget of `function` alone.
pub(super) fn judge_budget(machine: &Machine, function: &Function) -> FunctionVerdict {
    let budget = budget::function(machine, function);
    let status = FunctionStatus::bounded(&budget);
    FunctionVerdict { budget, measured: None, status }
}

pub(super) fn judge(
    machine: &Machine,
    function: &Function,
    reaction: Option<&ReactionOutcome>,
    end: Option<Instant>,
) -> FunctionVerdict {
    let budget = budget::function(machine, function);
    let bound = budget.as_ref().ok().and_then(|budget| budget.on_the_wire);
    let measured = reaction.filter(|reaction| is_exercised(reaction)).map(|reaction| {
        let overdue = match (reaction.waiting, end, bound) {
            (Some(demand), Some(end), Some(bound)) => end.since(demand.at) > bound,
            _ => false,
        };
        let waited = reaction.waited.iter().filter(|waited| bound.is_some_and(|bound| **waited > bound)).count();
        let unanswered = u64::from(overdue).saturating_add(u64::try_from(waited).unwrap_or(u64::MAX));
        Measured { reaction: reaction.clone(), unanswered }
    });
    let longest = measured.as_ref().and_then(|measured| measured.reaction.sample.longest());
    let status = match FunctionStatus::bounded(&budget) {
        FunctionStatus::NoBudget => FunctionStatus::NoBudget,
        _ if measured.as_ref().is_some_and(|measured| measured.unanswered > 0) => FunctionStatus::Unanswered,
        _ if exceeds(longest, bound) => FunctionStatus::Refuted,
        bounded => bounded,
    };
    FunctionVerdict { budget, measured, status }
}

fn exceeds(longest: Option<Span>, bound: Option<Span>) -> bool {
    matches!((longest, bound), (Some(longest), Some(bound)) if longest > bound)
}

fn is_exercised(reaction: &ReactionOutcome) -> bool {
    reaction.sample.count() > 0
        || reaction.interrupted > 0
        || reaction.already_reacted > 0
        || reaction.disturbed > 0
        || reaction.waiting.is_some()
        || !reaction.waited.is_empty()
}
