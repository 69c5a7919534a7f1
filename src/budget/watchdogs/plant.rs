//! A machine whose watchdogs can be turned, with the margins of its functions.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::super::function::{self, FunctionBudget, FunctionError, Limit};
use super::super::input::replace_watchdog;
use crate::machine::{Function, Machine, Step};
use crate::time::Span;

/// Margins are counted in billionths.
pub(super) const WHOLE: i64 = 1_000_000_000;

/// The smallest relative margin of a function.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Margin {
    /// `(allowed - figure) / allowed`, in billionths, rounded down; negative if the limit is missed.
    pub ppb: i64,
    /// The limit that has it, the first if several do.
    pub limit: Limit,
}

/// Clone of a machine, to be computed with other watchdogs.
#[derive(Clone, Debug)]
pub(super) struct Plant {
    pub(super) machine: Machine,
}

impl Plant {
    pub(super) fn new(machine: &Machine) -> Self {
        let mut machine = machine.clone();
        for function in &mut machine.functions {
            // What a tap sees has no limit, so it need not be computed.
            (function.demand, function.reaction) = (None, None);
        }
        Self { machine }
    }

    pub(super) fn turn(&mut self, connection: usize, watchdog: Span) {
        if let Some(connection) = self.machine.connections.get_mut(connection) {
            replace_watchdog(connection, watchdog);
        }
    }

    #[cfg(test)]
    pub(super) fn turn_all(&mut self, watchdogs: &[Span]) {
        for (index, watchdog) in watchdogs.iter().enumerate() {
            self.turn(index, *watchdog);
        }
    }

    pub(super) fn budget(&self, function: usize) -> Result<FunctionBudget, FunctionError> {
        // An index that does not exist can't come from the machine itself.
        let one = self.machine.functions.get(function).ok_or(FunctionError::OutOfRange)?;
        function::function(&self.machine, one)
    }

    /// The smallest relative margin of `function`.
    pub(super) fn margin(&self, function: usize) -> Result<Margin, FunctionError> {
        let budget = self.budget(function)?;
        let margins = budget.limits.iter().map(|limit| Margin { ppb: relative(limit), limit: *limit });
        margins.min_by_key(|margin| margin.ppb).ok_or(FunctionError::OutOfRange)
    }

    /// Whether the function has a budget and keeps its limits.
    pub(super) fn passes(&self, function: usize) -> bool {
        self.budget(function).is_ok_and(|budget| budget.is_met())
    }
}

/// Whether a function's path goes over a connection.
pub(super) fn uses(function: &Function, connection: usize) -> bool {
    function.path.contains(&Step::Connection(connection))
}

/// `(allowed - figure) / allowed` in billionths, rounded down.
fn relative(limit: &Limit) -> i64 {
    part(limit.margin_nano(), limit.allowed_nano())
}

/// `part / whole` in billionths, rounded down, kept within the range of an `i64`.
pub(super) fn part(part: i64, whole: i64) -> i64 {
    let scaled = i128::from(part).saturating_mul(i128::from(WHOLE));
    let ppb = scaled.checked_div_euclid(i128::from(whole)).unwrap_or(i128::from(i64::MIN));
    i64::try_from(ppb).unwrap_or(if ppb < 0 { i64::MIN } else { i64::MAX })
}
