//! What each figure matters to a function: results to report data.

use super::amount::{self, Amount};
use super::inverse_model::{FigureSensitivity, LimitSensitivity, SensitivityReport};
use crate::budget;
use crate::machine::Machine;

/// What each figure matters to the function with index `function`; `None` if it has no budget, which is told elsewhere.
pub(super) fn sensitivity(machine: &Machine, function: usize) -> Option<SensitivityReport> {
    let function = machine.functions.get(function)?;
    let (budget, all) = budget::sensitivity(machine, function).ok()?;
    let limits = budget.limits.iter().enumerate().map(|(index, limit)| {
        let (name, unit) = amount::limit(machine, function, limit);
        let figures = all.iter().filter_map(|one| {
            let change = one.changes.get(index)?;
            let counted = Some(one.input.unit(machine, function));
            let of = |change: Option<i64>| change.map(|change| Amount::change(change, unit));
            Some(FigureSensitivity {
                figure: amount::input(machine, function, one.input),
                now: Amount::of(one.present, counted),
                step: Amount::of(one.step, counted),
                more: of(change.more),
                less: of(change.less),
            })
        });
        LimitSensitivity {
            limit: name,
            margin: Amount::of(limit.margin_nano(), Some(unit)),
            figures: figures.collect(),
        }
    });
    Some(SensitivityReport { function: function.id.clone(), limits: limits.collect() })
}
