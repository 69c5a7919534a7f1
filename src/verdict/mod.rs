//! The verdict: what is bounded against what is required and what was measured, function by function, connection by
//! connection, and whether everything was examined at all.
//!
//! A measured figure may refute a bound; it never replaces one.

mod connection;
mod coverage;
mod function;
mod function_finding;
mod normality;
mod pair;
mod projection;
mod standstill;
mod tap;
#[cfg(test)]
mod tests;
mod tolerance;
pub mod trip;
mod uncertainty;
mod watchdogs;

pub use connection::{ConnectionVerdict, Health};
pub use coverage::{Gap, ValueGap, gaps};
pub use function::{FunctionStatus, FunctionVerdict, Measured};
pub use function_finding::FunctionFinding;
pub use normality::Normality;
pub use pair::{PairStatus, PairVerdict};
pub use projection::{DirectionTail, NoTail, tails};
pub use standstill::{Against, RampJudged, StandstillVerdict, StopJudged};
pub use tap::tap_faults;
pub use tolerance::{Free, Normal, Taken, Tolerance};
pub use uncertainty::{Comparison, Uncertainty};
pub use watchdogs::{ObservedCycle, judge_watchdogs, observed_cycles};

use crate::capture::Summary;
use crate::check::{Location, Outcome, TapFault};
use crate::machine::Machine;

/// Verdict over a machine and a run.
#[derive(Clone, Debug)]
pub struct Verdict {
    /// One per safety function, in the order of the machine file.
    pub functions: Vec<FunctionVerdict>,
    /// One per pair, in the order of the machine file.
    pub pairs: Vec<PairVerdict>,
    /// One per connection, in the order of the machine file.
    pub connections: Vec<ConnectionVerdict>,
    /// What the capture lost: kind, number, first place.
    pub tap_faults: Vec<(TapFault, u64, Location)>,
    /// Why the run was not fully examined.
    pub gaps: Vec<Gap>,
    /// The whole.
    pub result: Judgement,
}

impl Verdict {
    /// The verdict on capture and connections alone, without the functions.
    pub fn communication(&self) -> Judgement {
        let coverage = if self.gaps.is_empty() { Judgement::WithinLimits } else { Judgement::NotExamined };
        self.connections.iter().map(|connection| connection.health.judgement()).fold(coverage, Judgement::max)
    }
}

/// The whole in one word. The order is the order of precedence.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Judgement {
    /// Everything was examined and is within its limits.
    WithinLimits,
    /// There are findings or trips, or a limit is missed, or a measurement refutes a bound.
    Findings,
    /// Not everything could be examined.
    NotExamined,
}

/// Judges the budgets of a machine, without a run. A machine without functions is not examined.
pub fn judge_budgets(machine: &Machine) -> (Vec<FunctionVerdict>, Judgement) {
    let functions: Vec<_> = machine.functions.iter().map(|one| function::judge_budget(machine, one)).collect();
    let result = functions.iter().map(|function| function.status.judgement()).max();
    let result = if machine.draft { Some(Judgement::NotExamined) } else { result };
    (functions, result.unwrap_or(Judgement::NotExamined))
}

/// Judges a run of a machine.
pub fn judge(machine: &Machine, outcome: &Outcome, summary: &Summary) -> Verdict {
    let gaps = gaps(machine, outcome, summary);
    let clock = uncertainty::clock(summary, &outcome.grain);
    let functions: Vec<_> = machine
        .functions
        .iter()
        .enumerate()
        .map(|(index, function)| {
            let reaction = outcome.reactions.iter().find(|reaction| reaction.function == index);
            let standstill = standstill::judge(machine, (index, function), outcome, clock);
            function::judge(machine, function, reaction, standstill, outcome.last, clock)
        })
        .collect();
    let connections: Vec<_> = machine
        .connections
        .iter()
        .zip(&outcome.connections)
        .map(|(connection, outcome)| connection::judge(connection, outcome))
        .collect();
    let uncertain = uncertainty::both_ways(clock, machine);
    let pairs = machine.pairs.iter().zip(&outcome.pairs).map(|(pair, outcome)| pair::judge(pair, outcome, uncertain));
    let mut verdict = Verdict {
        functions,
        pairs: pairs.collect(),
        connections,
        tap_faults: tap_faults(machine, outcome),
        gaps,
        result: Judgement::WithinLimits,
    };
    let functions = verdict.functions.iter().map(|function| function.status.judgement());
    let pairs = verdict.pairs.iter().map(|pair| pair.status.judgement());
    verdict.result = functions.chain(pairs).fold(verdict.communication(), Judgement::max);
    verdict
}
