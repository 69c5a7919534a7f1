//! The stop as a capture shows it: from the telegram with the demand to standstill, and the ramp on its own.
//!
//! The values that show it are not safety data, so nothing here makes a figure of the budget smaller; a measured stop may
//! refute one.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::axis_stop::{axis_stop, budget_axis};
use super::function::FunctionError;
use super::path::visible_to_the_end;
use super::stop::{Motion, Ramp};
use crate::machine::{Function, FunctionStop, Machine, StopKind};
use crate::quantity::{Acceleration, Travel};
use crate::time::Span;

/// Bounds of what shows of a stop, from the telegram with the demand on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct VisibleStop {
    /// Response time of the part of the path from the demand's connection to its end, with the faults that the function assumes.
    pub response: Span,
    /// Response and stop: from the telegram with the demand to standstill.
    pub overall: Span,
    /// Travel from the telegram with the demand to standstill.
    pub travel: Travel,
    /// How the axis is slowed down at least, once it is: by the monitored ramp, the brake or friction; `None` if the file doesn't say.
    pub ramp: Option<Ramp>,
}

/// The bounds of the stop of `function` from its demand on the wire; `None` without a demand signal on the path or a stop.
///
/// As in [`visible_part`](super::visible_part) the whole transfer of the demand counts: a tap may see its telegram at the very
/// start.
///
/// # Errors
/// As for the budget of the function.
pub fn visible_stop(machine: &Machine, function: &Function) -> Result<Option<VisibleStop>, FunctionError> {
    let Some(declared) = function.stop else { return Ok(None) };
    let Some(part) = visible_to_the_end(machine, function)? else { return Ok(None) };
    let response = part.bound;
    let (stop, _) = axis_stop(machine, &declared, response)?;
    let overall = response.checked_add(stop.time).ok_or(FunctionError::OutOfRange)?;
    Ok(Some(VisibleStop { response, overall, travel: stop.travel, ramp: ramp(machine, &declared) }))
}

/// What slows the axis down, as declared.
fn ramp(machine: &Machine, declared: &FunctionStop) -> Option<Ramp> {
    let axis = budget_axis(machine.axes.get(declared.axis)?, declared);
    let linear = |deceleration: Acceleration| Ramp { deceleration, jerk: None };
    if !declared.stop.computable {
        return None;
    }
    match declared.stop.kind {
        StopKind::Ss1R | StopKind::Ss2R => {
            Some(Ramp { deceleration: declared.stop.deceleration?, jerk: declared.stop.jerk })
        }
        // An axis that moves up is slowed down by gravity first; nobody supervises the ramp of the time-controlled forms.
        StopKind::Sto | StopKind::Sbc if axis.motion != Motion::Upward => match (axis.brake, axis.coast) {
            (Some(brake), _) => brake.deceleration(axis.motion).ok().map(linear),
            (None, coast) => coast.map(linear),
        },
        StopKind::Sto | StopKind::Sbc | StopKind::Ss1T | StopKind::Ss2T => None,
    }
}

#[cfg(test)]
mod tests;
