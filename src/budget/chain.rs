//! End-to-end worst case of a chain of unsynchronised periodic tasks: bus cycle, copy task of the host, device task.
//!
//! Each stage looks at its input once per period, so that a change is at worst just missed and waits one period, and
//! publishes its output one response time after the period starts. The two bounds need no offsets and no common clock:
//!
//! - implicit communication (output as soon as the job ends): `sum (T_i + R_i)`; Davare et al., "Period optimization
//!   for hard real-time distributed automotive systems", DAC 2007
//! - logical execution time (output at the end of the period): `sum 2 T_i`; each stage one period to sample and one to
//!   publish (common to the literature on logical execution time; no single source)

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::error::Error;
use std::fmt;

use crate::time::Span;

/// One periodic stage of a chain.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Task {
    /// Period `T`, or the longest interval between two starts.
    pub period: Span,
    /// Worst-case response `R`: from the nominal start of the period until the output is there; at most the period.
    pub response: Span,
}

/// Why a chain has no bound.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ChainError {
    /// There is no task.
    Empty,
    /// A period is zero or negative.
    NoPeriod {
        /// Place of the task in the chain, from 0.
        task: usize,
    },
    /// A response is negative or longer than the period, so that jobs of one task would pile up.
    ResponseOutsidePeriod {
        /// Place of the task in the chain, from 0.
        task: usize,
    },
    /// The sum leaves the range of a span.
    OutOfRange,
}

impl fmt::Display for ChainError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Empty => f.write_str("the chain of cycles is empty"),
            Self::NoPeriod { task } => write!(f, "cycle {task} of the chain has no positive period"),
            Self::ResponseOutsidePeriod { task } => {
                write!(f, "the response of cycle {task} of the chain is not between zero and its period")
            }
            Self::OutOfRange => f.write_str("the cycles are too long to be added"),
        }
    }
}

impl Error for ChainError {}

/// Worst case with implicit communication, `sum (T_i + R_i)` (Davare et al. 2007).
///
/// # Errors
/// [`ChainError`] names the task that the bound doesn't cover.
pub fn implicit(chain: &[Task]) -> Result<Span, ChainError> {
    validate(chain)?;
    Span::checked_sum(chain.iter().flat_map(|t| [t.period, t.response])).ok_or(ChainError::OutOfRange)
}

/// Worst case with logical execution time, `sum 2 T_i`.
///
/// # Errors
/// [`ChainError`] names the task that the bound doesn't cover.
pub fn logical_execution_time(chain: &[Task]) -> Result<Span, ChainError> {
    validate(chain)?;
    Span::checked_sum(chain.iter().flat_map(|t| [t.period, t.period])).ok_or(ChainError::OutOfRange)
}

fn validate(chain: &[Task]) -> Result<(), ChainError> {
    if chain.is_empty() {
        return Err(ChainError::Empty);
    }
    for (task, Task { period, response }) in chain.iter().enumerate() {
        if *period <= Span::ZERO {
            return Err(ChainError::NoPeriod { task });
        }
        if *response < Span::ZERO || response > period {
            return Err(ChainError::ResponseOutsidePeriod { task });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// (period, phase, response) in whole units.
    type Timing = (i64, i64, i64);

    fn tasks(timings: &[Timing]) -> Vec<Task> {
        let span = Span::from_millis;
        timings.iter().map(|&(period, _, response)| Task { period: span(period), response: span(response) }).collect()
    }

    /// Longest reaction by trying every job of the first task over a long stretch: an event just after a start is seen
    /// at the next one; a value written at `t` is read by the first start at or after `t`. `offset` is what follows the
    /// start until the output is there.
    fn longest_reaction(timings: &[Timing], offset: impl Fn(&Timing) -> i64) -> i64 {
        let hyperperiod: i64 = timings.iter().map(|t| t.0).product();
        let (period, phase, _) = timings[0];
        let reaction = |event: i64| {
            let mut now = event + period;
            for (i, t) in timings.iter().enumerate() {
                if i > 0 {
                    now = t.1 + (now - t.1 + t.0 - 1).div_euclid(t.0) * t.0;
                }
                now += offset(t);
            }
            now - event
        };
        (0..hyperperiod / period).map(|job| reaction(phase + job * period)).max().unwrap()
    }

    /// check-values E1 to E5, columns Davare, LET bound, and as a check of the oracle the exact figures by enumeration
    /// (own computation, another program).
    #[test]
    fn bounds_of_the_reference_chains() {
        let rows: [(&[Timing], i64, i64, i64, i64); 5] = [
            (&[(4, 0, 1), (6, 0, 2), (10, 0, 3)], 26, 40, 23, 36),
            (&[(2, 0, 1), (3, 0, 1)], 7, 10, 6, 9),
            (&[(5, 0, 2), (10, 0, 3), (20, 0, 5)], 45, 70, 40, 55),
            (&[(10, 0, 4), (2, 0, 1), (4, 0, 1), (10, 0, 2)], 34, 52, 22, 40),
            (&[(4, 1, 1), (6, 3, 2), (10, 7, 3)], 26, 40, 23, 36),
        ];
        for (row, davare, let_bound, exact_implicit, exact_let) in rows {
            assert_eq!(implicit(&tasks(row)), Ok(Span::from_millis(davare)), "{row:?}");
            assert_eq!(logical_execution_time(&tasks(row)), Ok(Span::from_millis(let_bound)), "{row:?}");
            assert_eq!(longest_reaction(row, |t| t.2), exact_implicit, "{row:?}");
            assert_eq!(longest_reaction(row, |t| t.0), exact_let, "{row:?}");
        }
    }

    #[test]
    fn impossible_chains_are_refused() {
        assert_eq!(implicit(&[]), Err(ChainError::Empty));
        assert_eq!(implicit(&tasks(&[(4, 0, 1), (0, 0, 0)])), Err(ChainError::NoPeriod { task: 1 }));
        assert_eq!(implicit(&tasks(&[(4, 0, 5)])), Err(ChainError::ResponseOutsidePeriod { task: 0 }));
        assert_eq!(implicit(&tasks(&[(4, 0, -1)])), Err(ChainError::ResponseOutsidePeriod { task: 0 }));
        let endless = [Task { period: Span::MAX, response: Span::ZERO }; 2];
        assert_eq!(implicit(&endless), Err(ChainError::OutOfRange));
    }

    proptest! {
        /// Whatever the phases, the exact reaction stays within the bounds.
        #[test]
        fn enumeration_never_exceeds_the_bounds(
            raw in prop::collection::vec((1_i64..12, 0_i64..12, 0_i64..12), 1..4)
        ) {
            let timings: Vec<Timing> = raw.iter().map(|&(t, phase, r)| (t, phase % t, r % (t + 1))).collect();
            let bound = |b: Result<Span, ChainError>| b.unwrap().as_nanos() / 1_000_000;
            prop_assert!(longest_reaction(&timings, |t| t.2) <= bound(implicit(&tasks(&timings))));
            prop_assert!(longest_reaction(&timings, |t| t.0) <= bound(logical_execution_time(&tasks(&timings))));
        }
    }
}
