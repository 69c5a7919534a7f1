//! A safety function whose demand is its own limit violated: SOS, SLA, SLS, SLP, SLI, SDI of IEC 61800-5-2, and SSM as an
//! output.
//!
//! From the violation on nobody is in control: the axis accelerates with its fault acceleration while the monitoring finds
//! out (cycle times number of cycles; two or three between an event and its bit are normal) and while the reaction
//! begins. A drive maker states that the excess has to be computed from the internal response, the response of the
//! application and its greatest acceleration, and that the internal response does not count if the reaction is STO
//! (check-values section 5). Then the reaction stops the axis as any demand does.
//!
//! The speed at the violation: SLS and SSM, the limit itself. SOS and SDI begin at standstill and cross the window or the
//! tolerance under the fault acceleration (an SDI that is selected while the axis moves the wrong way already is not
//! this case). SLP, SLI and SLA may be violated at any speed: the one of another limit in force, or the axis's maximum.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::axis_stop::StopBasis;
use super::function::FunctionError;
use super::response;
use super::stop::{PhaseKind, Stop, accelerate, cross_window};
use crate::machine::{Axis, Machine, Monitor, MonitorKind, MonitorLimit, StopKind, Violation};
use crate::quantity::{Speed, Travel};
use crate::time::Span;

/// How far and how fast an axis gets beyond a limit. Rotary: nanodegrees for nanometres.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Excess {
    /// From the violation until the monitoring has found out.
    pub detection: Span,
    /// The same with the responses that count, by a clock as slow as the machine's tolerance allows: what the demand adds to the
    /// response of the path.
    pub counted: Span,
    /// Whether the internal response counts; not if the reaction takes torque off at once.
    pub internal_counts: bool,
    /// Speed at the violation.
    pub start: Speed,
    /// Highest speed on the way; `None` if the stop was only measured.
    pub highest_speed: Option<Speed>,
    /// The same as long as torque is on: a load that falls until its brake holds may become faster.
    pub driven_speed: Option<Speed>,
    /// How much the driven speed is above the limit, for SLS and SSM.
    pub speed: Option<Speed>,
    /// Travel from the violation to the end of the stop; for SSM until the output has changed.
    pub travel: Travel,
    /// Travel with the window, increment or tolerance before it, for SOS, SLI and SDI.
    pub whole_travel: Option<Travel>,
}

/// A violated limit as the demand of a function.
pub(super) struct Demand<'m> {
    axis: &'m Axis,
    monitor: &'m Monitor,
    detection: Span,
    counted: Span,
    internal_counts: bool,
    /// Speed at the violation.
    pub(super) start: Speed,
}

impl<'m> Demand<'m> {
    pub(super) fn new(machine: &'m Machine, violation: Violation) -> Result<Self, FunctionError> {
        // Indices that do not exist can't come from the reader.
        let axis = machine.axes.get(violation.axis).ok_or(FunctionError::OutOfRange)?;
        let monitor = axis.monitors.get(violation.monitor).ok_or(FunctionError::OutOfRange)?;
        let detection = monitor.detection.time().ok_or(FunctionError::OutOfRange)?;
        let torque_off = [StopKind::Sto, StopKind::Sbc];
        let internal_counts = monitor.reaction.is_none_or(|stop| !torque_off.contains(&stop.kind));
        let internal = if internal_counts { monitor.internal_response } else { Span::ZERO };
        let counted = Span::checked_sum([detection, internal, monitor.application_response]);
        // A drive maker stretches all of its times by the tolerance of the clock (check-values D1).
        let counted = counted.and_then(|counted| machine.clock_tolerance.late(counted));
        let counted = counted.ok_or(FunctionError::OutOfRange)?;
        let start = speed_at_violation(axis, monitor, violation.speed)?;
        Ok(Self { axis, monitor, detection, counted, internal_counts, start })
    }

    /// The finding out as an element of the response.
    pub(super) fn element(&self) -> response::Element {
        let name = format!("{} of {}", self.monitor.id, self.axis.id);
        response::Element { name, worst_case: self.counted, watchdog: None }
    }

    /// What the stop, or without one the response time alone, makes of it.
    pub(super) fn excess(&self, stop: Option<(&Stop, &StopBasis)>, response: Span) -> Result<Excess, FunctionError> {
        let (travel, highest_speed, driven_speed) = match stop {
            Some((stop, basis)) => (stop.travel, basis.highest_speed, basis.driven_speed),
            None => {
                let Axis { fault_acceleration, max_speed, .. } = *self.axis;
                let phase = accelerate(PhaseKind::Reaction, self.start, fault_acceleration, response, Some(max_speed))
                    .map_err(FunctionError::Stop)?;
                (phase.travel, Some(phase.end_speed), Some(phase.end_speed))
            }
        };
        let above = |limit: Speed| {
            driven_speed.map(|highest| Speed::from_nano(highest.as_nano().saturating_sub(limit.as_nano()).max(0)))
        };
        let (speed, before) = match (self.monitor.kind, self.monitor.limit) {
            (MonitorKind::Sls | MonitorKind::Ssm, MonitorLimit::Speed(limit)) => (above(limit), None),
            (_, MonitorLimit::Travel(before)) => (None, Some(before)),
            _ => (None, None),
        };
        let whole_travel = before
            .map(|before| before.as_nano().checked_add(travel.as_nano()).ok_or(FunctionError::OutOfRange))
            .transpose()?
            .map(Travel::from_nano);
        let Self { detection, counted, internal_counts, start, .. } = *self;
        Ok(Excess {
            detection,
            counted,
            internal_counts,
            start,
            highest_speed,
            driven_speed,
            speed,
            travel,
            whole_travel,
        })
    }
}

/// `speed` is the highest that another limit in force, or the axis itself, allows.
fn speed_at_violation(axis: &Axis, monitor: &Monitor, speed: Speed) -> Result<Speed, FunctionError> {
    match monitor.limit {
        MonitorLimit::Speed(limit) => Ok(limit),
        MonitorLimit::Travel(window) if monitor.begins_at_standstill() => {
            cross_window(Speed::default(), axis.fault_acceleration, window, speed)
                .map(|crossed| crossed.end_speed)
                .map_err(FunctionError::Stop)
        }
        MonitorLimit::Travel(_) | MonitorLimit::Position(_) | MonitorLimit::Acceleration(_) => Ok(speed),
    }
}

#[cfg(test)]
mod tests;
