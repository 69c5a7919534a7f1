//! What one unit of each figure does to the margins of a function, by computing it again.
//!
//! These are exact differences, not derivatives: a watchdog that does not decide costs nothing, and the first millisecond of
//! one that does may cost less than the second. So both directions are given.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::function::{FunctionBudget, FunctionError};
use super::input::{Input, Trial};
use crate::machine::{Function, Machine};

/// What one step of an input does.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sensitivity {
    /// Which input.
    pub input: Input,
    /// Its value in the machine file.
    pub present: i64,
    /// The step, in the input's unit.
    pub step: i64,
    /// For each limit of the function, in the order of [`FunctionBudget::limits`].
    pub changes: Vec<Change>,
}

/// Change of a margin, in the limit's nanoseconds, nanometres or nanodegrees; negative is worse.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Change {
    /// With one step more; `None` if that has no budget.
    pub more: Option<i64>,
    /// With one step less; `None` if that has no budget, or no such value.
    pub less: Option<i64>,
}

/// The budget of `function`, and what one step of each of its inputs does to its margins.
///
/// # Errors
/// [`FunctionError`] if the function has no budget as it is.
pub fn sensitivity(
    machine: &Machine,
    function: &Function,
) -> Result<(FunctionBudget, Vec<Sensitivity>), FunctionError> {
    let mut trial = Trial::new(machine, function);
    let budget = trial.budget()?;
    let mut all = Vec::new();
    for input in Input::all(machine, function) {
        let Some(present) = input.value(machine, function) else { continue };
        let step = input.unit(machine, function).step();
        let (least, most) = input.range(machine, function);
        let mut with = |value: Option<i64>| {
            let value = value.filter(|value| (least..=most).contains(value))?;
            trial.set(input, value);
            let changed = trial.budget().ok();
            trial.set(input, present);
            changed
        };
        let (more, less) = (with(present.checked_add(step)), with(present.checked_sub(step)));
        let change = |limit: usize, other: &Option<FunctionBudget>| {
            let other = other.as_ref()?.limits.get(limit)?;
            other.margin_nano().checked_sub(budget.limits.get(limit)?.margin_nano())
        };
        let changes = (0..budget.limits.len())
            .map(|limit| Change { more: change(limit, &more), less: change(limit, &less) })
            .collect();
        all.push(Sensitivity { input, present, step, changes });
    }
    Ok((budget, all))
}

#[cfg(test)]
mod tests;
