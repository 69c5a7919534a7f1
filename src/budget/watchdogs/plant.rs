//! A machine whose watchdogs can be turned, with the margins of its functions.
//!
//! A watchdog reaches a limit through the deciding response time alone, and that is a handful of sums, while a stop that may leave
//! its ramp is computed moment by moment. So limits are computed once for each response time and remembered; and as no figure
//! falls when the response grows, a response longer than one that missed a limit misses it too, and one shorter than one that
//! kept them all keeps them.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::cell::RefCell;
use std::collections::BTreeMap;

use super::super::function::{self, FunctionBudget, FunctionError, Limit};
use super::super::input::replace_watchdog;
use super::super::watchdog::WatchdogError;
use super::lower::Lower;
use crate::machine::{Function, Machine, Step, StopKind};
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
    /// Only its watchdogs may be changed.
    pub(super) machine: Machine,
    /// For each function the limits by the response time.
    known: RefCell<Vec<Known>>,
}

/// What was computed of a function.
#[derive(Clone, Debug, Default)]
struct Known {
    limits: BTreeMap<Span, Result<Vec<Limit>, FunctionError>>,
    /// The longest response time that keeps every limit, of those computed.
    kept: Option<Span>,
    /// The shortest that does not.
    missed: Option<Span>,
}

impl Plant {
    pub(super) fn new(machine: &Machine) -> Self {
        let mut machine = machine.clone();
        for function in &mut machine.functions {
            // What a tap sees has no limit, so it need not be computed.
            (function.demand, function.reaction) = (None, None);
        }
        let known = RefCell::new(vec![Known::default(); machine.functions.len()]);
        Self { machine, known }
    }

    pub(super) fn turn(&mut self, connection: usize, watchdog: Span) {
        if let Some(connection) = self.machine.connections.get_mut(connection) {
            replace_watchdog(connection, watchdog);
        }
    }

    /// Every watchdog at its lower end; where there is none, the set one stands for it.
    pub(super) fn at_lower_ends(&mut self, lowers: &[Result<Lower, WatchdogError>]) {
        for (index, lower) in lowers.iter().enumerate() {
            if let Ok(lower) = lower {
                self.turn(index, lower.settable);
            }
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
        let limits = self.limits(function)?;
        let margins = limits.iter().map(|limit| Margin { ppb: relative(limit), limit: *limit });
        margins.min_by_key(|margin| margin.ppb).ok_or(FunctionError::OutOfRange)
    }

    /// Whether the function has a budget and keeps its limits.
    pub(super) fn passes(&self, function: usize) -> bool {
        keeps_all(&self.limits(function))
    }

    /// The same, but a response time beyond one that is known is not computed. Right where no figure falls when the response
    /// grows; who relies on it looks at the result with [`passes`](Self::passes).
    pub(super) fn passes_by_order(&self, function: usize) -> bool {
        let Some(one) = self.machine.functions.get(function) else { return false };
        let Ok(deciding) = function::deciding(&self.machine, one) else { return false };
        let between = self.known.borrow().get(function).map(|known| (known.kept, known.missed));
        match between {
            _ if !is_ordered(&self.machine, one) => keeps_all(&self.limits_at(function, deciding)),
            Some((Some(kept), _)) if deciding <= kept => true,
            Some((_, Some(missed))) if deciding >= missed => false,
            _ => keeps_all(&self.limits_at(function, deciding)),
        }
    }

    fn limits(&self, function: usize) -> Result<Vec<Limit>, FunctionError> {
        let one = self.machine.functions.get(function).ok_or(FunctionError::OutOfRange)?;
        self.limits_at(function, function::deciding(&self.machine, one)?)
    }

    /// The limits with `deciding` as the deciding response time.
    fn limits_at(&self, function: usize, deciding: Span) -> Result<Vec<Limit>, FunctionError> {
        let told = self.known.borrow().get(function).and_then(|known| known.limits.get(&deciding).cloned());
        if let Some(told) = told {
            return told;
        }
        let computed = self.budget(function).map(|budget| budget.limits);
        if let Some(known) = self.known.borrow_mut().get_mut(function) {
            if keeps_all(&computed) {
                known.kept = known.kept.max(Some(deciding));
            } else {
                known.missed = Some(known.missed.map_or(deciding, |missed| missed.min(deciding)));
            }
            known.limits.insert(deciding, computed.clone());
        }
        computed
    }
}

/// Whether there are limits, and every one is kept.
fn keeps_all(limits: &Result<Vec<Limit>, FunctionError>) -> bool {
    limits.as_ref().is_ok_and(|limits| limits.iter().all(Limit::is_met))
}

/// Whether every figure of a function grows, or stays, with its response time. A slower axis crosses the window of SS2-t later; a
/// measured series counts up to the speed of its runs only.
fn is_ordered(machine: &Machine, function: &Function) -> bool {
    function.stop.is_none_or(|declared| {
        let measured = machine.axes.get(declared.axis).is_some_and(|axis| !axis.series.is_empty());
        declared.stop.kind != StopKind::Ss2T && !measured
    })
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
