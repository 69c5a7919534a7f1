//! Worst case of a chain of periodic stages whose phases nobody knows: bus cycle, copy task of the host, device task.
//!
//! Each stage looks at its input once per period, so that a change is at worst just missed and waits one period, and
//! publishes its output one response time after the period starts (implicit communication) or at the end of the period
//! (logical execution time, LET). No offsets and no common clock are needed for these bounds:
//!
//! - `sum (T_i + R_i)`: Davare et al., "Period optimization for hard real-time distributed automotive systems", DAC 2007. A LET
//!   stage counts as `R = T`, which gives the `sum 2 T_i` common to the literature on LET (no single source).
//! - `T_1 + R_n + sum over i < n of max(R_i, T_(i+1) + P_i R_i)`: Duerr et al., "End-to-end timing analysis of sporadic
//!   cause-effect chains in distributed systems", ACM TECS 18(5s) a58, 2019; `P_i = 0` if stage i has the higher priority on the
//!   processor of stage i + 1, else 1. The formula was read from a public research implementation, not from the paper. It never
//!   exceeds the sum, and equals it without shared processors.
//! - Data age at the moment of publication (without the time for which the output is then held):
//!   `R_n + sum over i < n of (T_i + P_i R_i)`, same source. With the hold, the worst age equals the worst reaction time (Guenzel
//!   et al., ECRTS 2023), so the bounds above serve for both.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::error::Error;
use std::fmt;

use super::exact;
use crate::time::Span;

/// One periodic stage of a chain.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stage {
    /// Period `T`, or the longest interval between two starts.
    pub period: Span,
    /// Worst-case response `R`: from the nominal start of the period until the output is there; at most the period.
    pub response: Span,
    /// When it publishes.
    pub communication: Communication,
    /// Start of its first period by the clock that all stages of the chain keep; `None` without such a clock.
    pub offset: Option<Span>,
    /// Its place on a processor that it shares with other stages; `None` has one of its own.
    pub rank: Option<Rank>,
}

/// When a stage publishes its output.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Communication {
    /// As soon as it has it, at the latest one response time after the start of the period.
    Implicit,
    /// At the end of the period.
    LogicalExecutionTime,
}

/// Place of a stage on a shared processor with preemption by fixed priorities.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rank {
    /// Number of the processor.
    pub processor: usize,
    /// Priority; 1 is the highest.
    pub priority: u32,
}

/// Which result gives the worst case of a chain.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rule {
    /// Enumeration over the hyperperiod of stages that keep declared offsets.
    Enumeration,
    /// Duerr et al. 2019, with a shared processor.
    Priorities,
    /// Davare et al. 2007, `sum (T + R)`.
    Sum,
    /// Logical execution time in every stage, `sum 2 T`.
    LogicalExecutionTime,
}

/// Worst case of a chain, and what it comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Derived {
    /// Longest time from a change in front of the first stage to the output behind the last one; with the hold, also the
    /// greatest age of the data that is there.
    pub worst_case: Span,
    /// Greatest age of the data at the moment when it is published.
    pub data_age: Span,
    /// What decides.
    pub rule: Rule,
    /// The chain keeps declared offsets, but enumerating its hyperperiod would take too long: the bound over all phases
    /// stands in.
    pub too_long_to_enumerate: bool,
}

/// Why a chain has no worst case.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ChainError {
    /// There is no stage.
    Empty,
    /// A period is zero or negative.
    NoPeriod {
        /// Place of the stage in the chain, from 0.
        stage: usize,
    },
    /// A response is negative or longer than the period, so that jobs of one stage would pile up.
    ResponseOutsidePeriod {
        /// Place of the stage in the chain, from 0.
        stage: usize,
    },
    /// The sum leaves the range of a span.
    OutOfRange,
}

impl fmt::Display for ChainError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Empty => f.write_str("the chain of cycles is empty"),
            Self::NoPeriod { stage } => write!(f, "cycle {stage} of the chain has no positive period"),
            Self::ResponseOutsidePeriod { stage } => {
                write!(f, "the response of cycle {stage} of the chain is not between zero and its period")
            }
            Self::OutOfRange => f.write_str("the cycles are too long to be added"),
        }
    }
}

impl Error for ChainError {}

impl Stage {
    /// A stage that publishes at the end of its period, on a processor of its own.
    pub const fn logical_execution_time(period: Span) -> Self {
        let communication = Communication::LogicalExecutionTime;
        Self { period, response: period, communication, offset: None, rank: None }
    }

    /// Time from the start of the period to the output at the latest.
    pub const fn publication(&self) -> Span {
        match self.communication {
            Communication::Implicit => self.response,
            Communication::LogicalExecutionTime => self.period,
        }
    }

    /// Whether `self` runs before `next` on the same processor, so that `next` never reads while `self` works (`P = 0`).
    pub fn precedes(&self, next: &Self) -> bool {
        let implicit = |stage: &Self| stage.communication == Communication::Implicit;
        match (self.rank, next.rank) {
            (Some(own), Some(other)) => {
                own.processor == other.processor && own.priority < other.priority && implicit(self) && implicit(next)
            }
            _ => false,
        }
    }
}

/// The worst case of `chain` by the sharpest result that holds for it: enumeration if every stage has an offset, else the
/// bounds over all phases.
///
/// # Errors
/// [`ChainError`] names the stage that no result covers.
pub fn derive(chain: &[Stage]) -> Result<Derived, ChainError> {
    let sum = sum(chain)?;
    let priorities = priorities(chain)?;
    let data_age = data_age(chain)?;
    let all_let = chain.iter().all(|stage| stage.communication == Communication::LogicalExecutionTime);
    let rule = match () {
        () if priorities < sum => Rule::Priorities,
        () if all_let => Rule::LogicalExecutionTime,
        () => Rule::Sum,
    };
    let bound = Derived { worst_case: sum.min(priorities), data_age, rule, too_long_to_enumerate: false };
    if chain.iter().any(|stage| stage.offset.is_none()) {
        return Ok(bound);
    }
    Ok(match exact::enumerate(chain) {
        Some(exact) if exact.reaction < bound.worst_case => Derived {
            worst_case: exact.reaction,
            data_age: exact.age_at_publication.min(data_age),
            rule: Rule::Enumeration,
            too_long_to_enumerate: false,
        },
        Some(_) => bound,
        None => Derived { too_long_to_enumerate: true, ..bound },
    })
}

/// `sum (T_i + R_i)` over all phases (Davare et al. 2007); `sum 2 T_i` where every stage is LET.
///
/// # Errors
/// [`ChainError`] names the stage that the bound doesn't cover.
pub fn sum(chain: &[Stage]) -> Result<Span, ChainError> {
    validate(chain)?;
    Span::checked_sum(chain.iter().flat_map(|s| [s.period, s.publication()])).ok_or(ChainError::OutOfRange)
}

/// `T_1 + R_n + sum max(R_i, T_(i+1) + P_i R_i)` over all phases (Duerr et al. 2019).
///
/// # Errors
/// [`ChainError`] names the stage that the bound doesn't cover.
pub fn priorities(chain: &[Stage]) -> Result<Span, ChainError> {
    validate(chain)?;
    let [first, .., last] = chain else { return sum(chain) };
    let between = chain.iter().zip(chain.iter().skip(1)).map(|(stage, next)| {
        let publication = stage.publication();
        if stage.precedes(next) { Some(publication.max(next.period)) } else { next.period.checked_add(publication) }
    });
    between
        .chain([Some(first.period), Some(last.publication())])
        .try_fold(Span::ZERO, |sum, part| sum.checked_add(part?))
        .ok_or(ChainError::OutOfRange)
}

/// `R_n + sum (T_i + P_i R_i)`: greatest age of the data at its publication, over all phases (Duerr et al. 2019).
///
/// # Errors
/// [`ChainError`] names the stage that the bound doesn't cover.
pub fn data_age(chain: &[Stage]) -> Result<Span, ChainError> {
    validate(chain)?;
    let last = chain.last().map_or(Span::ZERO, Stage::publication);
    let between = chain.iter().zip(chain.iter().skip(1)).map(|(stage, next)| {
        if stage.precedes(next) { Some(stage.period) } else { stage.period.checked_add(stage.publication()) }
    });
    between.chain([Some(last)]).try_fold(Span::ZERO, |sum, part| sum.checked_add(part?)).ok_or(ChainError::OutOfRange)
}

fn validate(chain: &[Stage]) -> Result<(), ChainError> {
    if chain.is_empty() {
        return Err(ChainError::Empty);
    }
    for (stage, Stage { period, response, .. }) in chain.iter().enumerate() {
        if *period <= Span::ZERO {
            return Err(ChainError::NoPeriod { stage });
        }
        if *response < Span::ZERO || response > period {
            return Err(ChainError::ResponseOutsidePeriod { stage });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests;
