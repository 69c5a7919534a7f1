//! The stop of an axis whose drive leaves its monitored ramp: envelope, time until that is noticed, STO.
//!
//! Up to the violation the speed is at most that of the envelope; then nobody is in control until the monitoring has
//! noticed; then torque goes off. When the drive fails is not known, so the worst moment counts. Early is worst for an axis
//! whose brake is weaker than its ramp, a later moment can be worst for a stronger one: there is no closed form for all
//! axes, and a maximum between samples must not be missed. So the ramp is cut into cells: within a cell the travel up to
//! the violation is that of its end, and the speed that of its start. That is a bound, above the exact one by at most
//! one cell of the ramp.
//!
//! That the reaction to a violated ramp is STO is practice of drive makers (check-values section 5: the -r form compares
//! with a falling envelope and faults when it is exceeded); the clause wasn't seen.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::axis::Axis;
use super::error::StopError;
use super::function::{Ramp, Stop, monitored, summed};
use super::phase::{Phase, PhaseKind, non_negative};
use crate::budget::rounding::div_up;
use crate::quantity::{Speed, Travel};
use crate::time::Span;

/// Cells of a ramp: the bound is at most 0.05 % of the ramp's travel above the exact figure.
const CELLS: i128 = 2_048;

/// Nanoseconds in a second.
const NANO: i128 = 1_000_000_000;

/// The stop with a violation at the worst moment.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ViolatedRamp {
    /// The stop whose violation leads farthest. Another moment may take longer.
    pub farthest: Stop,
    /// Longest time from the end of the reaction to standstill over all moments.
    pub time: Span,
    /// Highest speed over all moments.
    pub highest_speed: Speed,
    /// The same as long as torque is on.
    pub highest_driven_speed: Speed,
}

/// The stop of `axis`, which moves at `speed` when the demand comes, follows `ramp` from `reaction` and `delay` on, leaves
/// it at the worst moment, and loses torque when that has been noticed after `detection`.
///
/// # Errors
/// [`StopError`] says which input leaves the stop without a bound.
pub fn violated_ramp(
    axis: &Axis,
    speed: Speed,
    reaction: Span,
    (delay, ramp): (Span, Ramp),
    detection: Span,
) -> Result<ViolatedRamp, StopError> {
    non_negative("reaction time", reaction.as_nanos())?;
    let first = axis.uncontrolled(PhaseKind::Reaction, speed, reaction)?;
    let [waited, whole] = monitored(first.end_speed, delay, ramp)?;
    let mut worst: Option<ViolatedRamp> = None;
    let mut followed = 0_i128;
    for cell in 0..=CELLS {
        let too_far = StopError::OutOfRange { phase: PhaseKind::Ramp };
        let part = cell_of(waited.end_speed, ramp, whole.time, cell, &mut followed).ok_or(too_far)?;
        let unnoticed = axis.uncontrolled(PhaseKind::Unnoticed, part.end_speed, detection)?;
        let mut phases = vec![first, waited, part, unnoticed];
        phases.extend(axis.torque_off(unnoticed.end_speed)?);
        let stop = summed(reaction, phases)?;
        worst = Some(match worst {
            None => ViolatedRamp {
                time: stop.time,
                highest_speed: stop.highest_speed(),
                highest_driven_speed: stop.highest_driven_speed(),
                farthest: stop,
            },
            Some(worst) => ViolatedRamp {
                time: worst.time.max(stop.time),
                highest_speed: worst.highest_speed.max(stop.highest_speed()),
                highest_driven_speed: worst.highest_driven_speed.max(stop.highest_driven_speed()),
                farthest: if stop.travel > worst.farthest.travel { stop } else { worst.farthest },
            },
        });
    }
    // At least one cell there is.
    worst.ok_or(StopError::OutOfRange { phase: PhaseKind::Ramp })
}

/// The ramp up to the end of `cell`, at the speed of its start; `followed` is the travel so far in nanometres times NANO. The
/// cell behind the last is standstill.
fn cell_of(start: Speed, ramp: Ramp, whole: Span, cell: i128, followed: &mut i128) -> Option<Phase> {
    let whole = i128::from(whole.as_nanos());
    let time = |cell: i128| whole.checked_mul(cell)?.checked_div(CELLS);
    let (from, to) = (time(cell)?, time(cell.checked_add(1)?.min(CELLS))?);
    let speed = if cell == CELLS { 0 } else { envelope(i128::from(start.as_nano()), ramp, whole, from)? };
    *followed = followed.checked_add(speed.checked_mul(to.checked_sub(from)?)?)?;
    Some(Phase {
        kind: PhaseKind::Ramp,
        time: Span::from_nanos(i64::try_from(to).ok()?),
        travel: Travel::from_nano(i64::try_from(div_up(*followed, NANO)?).ok()?),
        end_speed: Speed::from_nano(i64::try_from(speed).ok()?),
    })
}

/// Speed of the envelope `at` nanoseconds behind its start, rounded up; `whole` is its length, rounded up.
fn envelope(v: i128, ramp: Ramp, whole: i128, at: i128) -> Option<i128> {
    let a = i128::from(ramp.deceleration.as_nano());
    let Some(jerk) = ramp.jerk else {
        return Some(v.checked_sub(a.checked_mul(at)?.checked_div(NANO)?)?.max(0));
    };
    let j = i128::from(jerk.as_nano());
    let left = whole.checked_sub(at)?;
    let square = NANO.checked_mul(NANO)?.checked_mul(2)?;
    // Twice a speed gained or lost under the jerk alone in a time, times the square of NANO.
    let under_jerk = |time: i128| j.checked_mul(time)?.checked_mul(time);
    let beginning = || v.checked_sub(under_jerk(at)?.checked_div(square)?);
    let end = || div_up(under_jerk(left)?, square);
    let reaches = v.checked_mul(j)? >= a.checked_mul(a)?;
    let limit = a.checked_mul(NANO)?;
    let speed = match reaches {
        false if at <= left => beginning()?,
        true if j.checked_mul(at)? <= limit => beginning()?,
        true if j.checked_mul(left)? > limit => {
            let lost = a.checked_mul(at)?.checked_div(NANO)?;
            v.checked_sub(lost)?.checked_add(div_up(a.checked_mul(a)?, j.checked_mul(2)?)?)?
        }
        _ => end()?,
    };
    Some(speed.clamp(0, v))
}
