//! The stopping functions of a drive and the stop that each of them bounds.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::axis::Axis;
use super::error::StopError;
use super::phase::{Phase, PhaseKind, accelerate, cross_window, jerk_limited_ramp, linear_ramp, non_negative};
use crate::quantity::{Acceleration, Jerk, Speed, Travel};
use crate::time::Span;

/// A monitored ramp down to standstill.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ramp {
    /// Greatest deceleration of the envelope.
    pub deceleration: Acceleration,
    /// Its jerk; `None` for a linear envelope.
    pub jerk: Option<Jerk>,
}

/// Stopping functions of IEC 61800-5-2:2016, 4.2.3, in the order of the standard. The `-d` forms, in which the drive
/// controls the deceleration without a declared envelope, are not here: nothing about them can be bounded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StopFunction {
    /// Safe torque off: brake or friction stop the axis.
    Sto,
    /// Safe stop 1, ramp monitored, then STO. The axis keeps its speed for `delay`, follows the envelope to standstill,
    /// and a pulling load sags while the brake engages.
    Ss1R {
        /// From the start of the function until the envelope grips.
        delay: Span,
        /// The envelope.
        ramp: Ramp,
    },
    /// Safe stop 1, time controlled: STO after `delay`. Nobody supervises the ramp until then, so that the axis may
    /// still be accelerating, up to its maximum speed.
    Ss1T {
        /// From the start of the function until torque goes off.
        delay: Span,
    },
    /// Safe stop 2, ramp monitored, then SOS: torque holds the axis within the window. No brake is needed.
    Ss2R {
        /// From the start of the function until the envelope grips.
        delay: Span,
        /// The envelope.
        ramp: Ramp,
        /// What SOS lets pass as standstill.
        window: Travel,
    },
    /// Safe stop 2, time controlled: SOS after `delay`. Nobody supervises the ramp until then; an axis that still moves
    /// is noticed when it has crossed the window, and STO follows, which again takes a brake or friction. The time is
    /// that of the fastest axis; a slower one crosses the window later, and until then counts as standing still.
    Ss2T {
        /// From the start of the function until the standstill is monitored.
        delay: Span,
        /// What SOS lets pass as standstill.
        window: Travel,
    },
}

/// The stop of an axis.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stop {
    /// Time from the demand until the stop function begins, as given.
    pub reaction: Span,
    /// What happens one after the other, the reaction first.
    pub phases: Vec<Phase>,
    /// From the end of the reaction to standstill: what the overall response time adds to the response of the path.
    pub time: Span,
    /// From the demand to standstill.
    pub total_time: Span,
    /// From the demand to standstill, the reaction included.
    pub travel: Travel,
}

impl Stop {
    /// Highest speed on the way.
    pub fn highest_speed(&self) -> Speed {
        self.phases.iter().map(|phase| phase.end_speed).max().unwrap_or_default()
    }

    /// Highest speed as long as torque is on: without a fall until the brake holds.
    pub fn highest_driven_speed(&self) -> Speed {
        let driven = self.phases.iter().filter(|phase| phase.kind.is_driven());
        driven.map(|phase| phase.end_speed).max().unwrap_or_default()
    }
}

/// The stop of `axis`, which moves at `speed` when the demand comes and whose `function` begins after `reaction`.
///
/// The monitored forms take the drive to follow its envelope; the time-controlled forms don't trust it at all. A drive
/// that leaves its envelope is another case: [`violated_ramp`](super::violated_ramp).
///
/// # Errors
/// [`StopError`] says which input leaves the stop without a bound.
pub fn stop(axis: &Axis, speed: Speed, reaction: Span, function: &StopFunction) -> Result<Stop, StopError> {
    non_negative("reaction time", reaction.as_nanos())?;
    let first = axis.uncontrolled(PhaseKind::Reaction, speed, reaction)?;
    let speed = first.end_speed;
    let mut phases = vec![first];
    match *function {
        StopFunction::Sto => phases.extend(axis.torque_off(speed)?),
        StopFunction::Ss1R { delay, ramp } => {
            phases.extend(monitored(speed, delay, ramp)?);
            if axis.pull()? > Acceleration::default() {
                phases.extend(axis.torque_off(Speed::default())?);
            }
        }
        StopFunction::Ss1T { delay } => {
            let waited = axis.uncontrolled(PhaseKind::Delay, speed, delay)?;
            phases.push(waited);
            phases.extend(axis.torque_off(waited.end_speed)?);
        }
        StopFunction::Ss2R { delay, ramp, window } => {
            phases.extend(monitored(speed, delay, ramp)?);
            phases.push(cross_window(Speed::default(), Acceleration::default(), window, axis.max_speed)?);
        }
        StopFunction::Ss2T { delay, window } => {
            let waited = axis.uncontrolled(PhaseKind::Delay, speed, delay)?;
            let noticed = cross_window(waited.end_speed, axis.fault_acceleration, window, axis.max_speed)?;
            phases.extend([waited, noticed]);
            phases.extend(axis.torque_off(noticed.end_speed)?);
        }
    }
    summed(reaction, phases)
}

/// The delay at constant speed, then the envelope.
pub(super) fn monitored(speed: Speed, delay: Span, ramp: Ramp) -> Result<[Phase; 2], StopError> {
    let waited = accelerate(PhaseKind::Delay, speed, Acceleration::default(), delay, None)?;
    let ramped = match ramp.jerk {
        None => linear_ramp(PhaseKind::Ramp, waited.end_speed, ramp.deceleration)?,
        Some(jerk) => jerk_limited_ramp(PhaseKind::Ramp, waited.end_speed, ramp.deceleration, jerk)?,
    };
    Ok([waited, ramped])
}

pub(super) fn summed(reaction: Span, phases: Vec<Phase>) -> Result<Stop, StopError> {
    let (mut total_time, mut travel) = (Span::ZERO, 0_i64);
    for phase in &phases {
        let too_far = StopError::OutOfRange { phase: phase.kind };
        total_time = total_time.checked_add(phase.time).ok_or(too_far)?;
        travel = travel.checked_add(phase.travel.as_nano()).ok_or(too_far)?;
    }
    // Not negative: the reaction is the first of the phases.
    let time = total_time.checked_sub(reaction).unwrap_or(Span::ZERO);
    Ok(Stop { reaction, phases, time, total_time, travel: Travel::from_nano(travel) })
}
