//! The budget of one safety function of a machine file: response, stop, separation, and each limit against its figure.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::error::Error;
use std::fmt;

use super::response::{self, Response, ResponseError, Supervision, Watched};
use super::separation::{Safeguard, Separation, SeparationError};
use super::stop::{self, Ramp, Stop, StopError, StopFunction};
use crate::machine::{
    Approach, Axis, AxisKind, BrakeStrength, Connection, Direction, Faults, Function, FunctionStop, Machine, Step,
    StopKind,
};
use crate::quantity::Travel;
use crate::time::Span;

/// The budget of one safety function: everything here is *bounded*.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FunctionBudget {
    /// Response times without fault, with one, with all.
    pub response: Response,
    /// The response time that decides, by the faults that the function assumes.
    pub deciding: Span,
    /// The step of the path whose watchdog makes the one-fault figure; `None` if no watchdog exceeds what it supervises.
    pub decided_by: Option<Step>,
    /// The stop of the axis, with the reaction before it.
    pub stop: Option<Stop>,
    /// Overall response time T: deciding response time plus time of the stop.
    pub overall: Span,
    /// Separation distance needed, if the function has one to keep.
    pub separation: Option<Separation>,
    /// Each limit of the function against its figure.
    pub limits: Vec<Limit>,
    /// Bound of the part of the reaction that shows on the wire; `None` without a demand and a reaction signal, or if nothing
    /// in the machine file bounds the time between them.
    pub on_the_wire: Option<Span>,
}

impl FunctionBudget {
    /// Whether every limit holds.
    pub fn is_met(&self) -> bool {
        self.limits.iter().all(Limit::is_met)
    }
}

/// A limit and the figure that must keep it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Limit {
    /// Safety function response time.
    ResponseTime {
        /// Allowed at most.
        allowed: Span,
        /// Bounded figure.
        figure: Span,
    },
    /// Overall response time.
    OverallTime {
        /// Allowed at most.
        allowed: Span,
        /// Bounded figure.
        figure: Span,
    },
    /// Travel from the demand to the end of the stop.
    Travel {
        /// Allowed at most.
        allowed: Travel,
        /// Bounded figure.
        figure: Travel,
    },
    /// Separation distance.
    Separation {
        /// Distance as built.
        built: Travel,
        /// Distance needed.
        needed: Travel,
        /// Longest overall response time that the built distance allows; `None` if it allows none.
        longest: Option<Span>,
    },
}

impl Limit {
    /// Whether the figure keeps the limit.
    pub fn is_met(&self) -> bool {
        self.margin_nano() >= 0
    }

    /// What is allowed: nanoseconds, nanometres or nanodegrees.
    pub const fn allowed_nano(&self) -> i64 {
        match self {
            Self::ResponseTime { allowed, .. } | Self::OverallTime { allowed, .. } => allowed.as_nanos(),
            Self::Travel { allowed, .. } => allowed.as_nano(),
            Self::Separation { built, .. } => built.as_nano(),
        }
    }

    /// What is left: nanoseconds, nanometres or nanodegrees; negative if the limit is missed.
    pub const fn margin_nano(&self) -> i64 {
        match self {
            Self::ResponseTime { allowed, figure } | Self::OverallTime { allowed, figure } => {
                allowed.as_nanos().saturating_sub(figure.as_nanos())
            }
            Self::Travel { allowed, figure } => allowed.as_nano().saturating_sub(figure.as_nano()),
            Self::Separation { built, needed, .. } => built.as_nano().saturating_sub(needed.as_nano()),
        }
    }
}

/// Why a function has no budget.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FunctionError {
    /// The path.
    Response(ResponseError),
    /// The stop.
    Stop(StopError),
    /// The separation distance.
    Separation(SeparationError),
    /// A sum exceeds the range of time.
    OutOfRange,
}

impl fmt::Display for FunctionError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Response(error) => error.fmt(f),
            Self::Stop(error) => error.fmt(f),
            Self::Separation(error) => error.fmt(f),
            Self::OutOfRange => f.write_str("the times add up to more than can be computed with"),
        }
    }
}

impl Error for FunctionError {}

/// Computes the budget of `function`.
///
/// # Errors
/// [`FunctionError`] if the figures allow none: nothing stops the axis, a rule does not cover the approach, a sum exceeds
/// the range.
pub fn function(machine: &Machine, function: &Function) -> Result<FunctionBudget, FunctionError> {
    let chain = Chain::new(machine, &function.path);
    let response = chain.response()?;
    let deciding = decide(&response, function.faults);
    let decided_by = response.one_fault_span.and_then(|watched| match watched {
        Watched::Element(place) => function.path.get(place).copied(),
        Watched::Connection(supervision) => chain.watching.get(supervision).copied(),
    });
    let stop = match &function.stop {
        Some(stop) => Some(axis_stop(machine, stop, deciding)?),
        None => None,
    };
    let stop_time = stop.as_ref().map_or(Span::ZERO, |stop| stop.time);
    let overall = deciding.checked_add(stop_time).ok_or(FunctionError::OutOfRange)?;
    let safeguard = function.required.separation.map(|separation| (separation.built, safeguard(separation.approach)));
    let separation = match safeguard {
        Some((_, safeguard)) => Some(safeguard.separation(overall).map_err(FunctionError::Separation)?),
        None => None,
    };
    let mut limits = Vec::new();
    let required = &function.required;
    limits.extend(required.response_time.map(|allowed| Limit::ResponseTime { allowed, figure: deciding }));
    limits.extend(required.time.map(|allowed| Limit::OverallTime { allowed, figure: overall }));
    if let (Some(allowed), Some(stop)) = (required.travel, &stop) {
        limits.push(Limit::Travel { allowed, figure: stop.travel });
    }
    if let (Some((built, safeguard)), Some(separation)) = (safeguard, &separation) {
        let longest = safeguard.longest_response(built).ok();
        limits.push(Limit::Separation { built, needed: separation.distance, longest });
    }
    let on_the_wire = on_the_wire(machine, function)?;
    Ok(FunctionBudget { response, deciding, decided_by, stop, overall, separation, limits, on_the_wire })
}

/// A path as the response is computed from it.
#[derive(Default)]
struct Chain {
    elements: Vec<response::Element>,
    supervisions: Vec<Supervision>,
    /// The connection steps in the order of the supervisions.
    watching: Vec<Step>,
}

impl Chain {
    fn new(machine: &Machine, path: &[Step]) -> Self {
        let mut chain = Self::default();
        for (place, step) in path.iter().enumerate() {
            match step {
                Step::Element(index) => {
                    let Some(element) = machine.elements.get(*index) else { continue };
                    chain.elements.push(response::Element {
                        name: element.id.clone(),
                        worst_case: element.worst_case,
                        watchdog: element.watchdog,
                    });
                }
                Step::Connection(index) => {
                    let Some(connection) = machine.connections.get(*index) else { continue };
                    chain.elements.push(response::Element {
                        name: connection.id.clone(),
                        worst_case: connection.worst_case,
                        watchdog: None,
                    });
                    let members = supervised(connection, path).chain([place]).collect();
                    chain.supervisions.push(Supervision { members, watchdog: connection.watchdog });
                    chain.watching.push(*step);
                }
            }
        }
        chain
    }

    /// One more transfer at the end, by a connection that has a place on the path already.
    fn transfer_back(&mut self, connection: &Connection) {
        self.elements.push(response::Element {
            name: connection.id.clone(),
            worst_case: connection.worst_case,
            watchdog: Some(connection.watchdog),
        });
    }

    fn response(&self) -> Result<Response, FunctionError> {
        response::response(&self.elements, &self.supervisions).map_err(FunctionError::Response)
    }
}

/// Places of the elements of `path` that `connection` supervises.
fn supervised(connection: &Connection, path: &[Step]) -> impl Iterator<Item = usize> {
    path.iter().enumerate().filter_map(|(place, step)| match step {
        Step::Element(element) if connection.supervises.contains(element) => Some(place),
        _ => None,
    })
}

const fn decide(response: &Response, faults: Faults) -> Span {
    match faults {
        Faults::None => response.no_fault,
        Faults::One => response.one_fault,
        Faults::All => response.all_faults,
    }
}

fn axis_stop(machine: &Machine, stop: &FunctionStop, reaction: Span) -> Result<Stop, FunctionError> {
    // An index that does not exist can't come from the reader.
    let axis = machine.axes.get(stop.axis).ok_or(FunctionError::OutOfRange)?;
    let ramp = Ramp { deceleration: stop.stop.deceleration.unwrap_or_default(), jerk: stop.stop.jerk };
    let (delay, window) = (stop.stop.delay, stop.stop.window);
    let function = match stop.stop.kind {
        StopKind::Sto => StopFunction::Sto,
        StopKind::Ss1T => StopFunction::Ss1T { delay },
        StopKind::Ss1R => StopFunction::Ss1R { delay, ramp },
        StopKind::Ss2T => StopFunction::Ss2T { delay, window },
        StopKind::Ss2R => StopFunction::Ss2R { delay, ramp, window },
    };
    stop::stop(&budget_axis(axis), stop.speed, reaction, &function).map_err(FunctionError::Stop)
}

fn budget_axis(axis: &Axis) -> stop::Axis {
    let motion = match (axis.kind, axis.gravity) {
        (AxisKind::Linear, false) => stop::Motion::Horizontal,
        (AxisKind::Linear, true) => stop::Motion::Vertical,
        (AxisKind::Rotary, _) => stop::Motion::Rotary { pull: crate::quantity::Acceleration::default() },
    };
    let brake = axis.brake.map(|brake| stop::Brake {
        engage: brake.engage,
        force: match brake.strength {
            BrakeStrength::ForceRatio(millionths) => {
                stop::BrakeForce::Ratio(stop::ForceRatio::from_nano(millionths.saturating_mul(1_000)))
            }
            BrakeStrength::Deceleration(deceleration) => stop::BrakeForce::Deceleration(deceleration),
        },
    });
    stop::Axis {
        motion,
        max_speed: axis.max_speed,
        fault_acceleration: axis.fault_acceleration,
        brake,
        coast: axis.coast_deceleration,
    }
}

const fn safeguard(approach: Approach) -> Safeguard {
    match approach {
        Approach::Orthogonal { resolution } => Safeguard::LightCurtain { resolution },
        Approach::Guard { intrusion } => Safeguard::InterlockedGuard { intrusion },
    }
}

/// The bound of what a tap sees: from the telegram that shows the demand to the one that shows the reaction.
///
/// A tap may see a telegram at the very start of its transfer or at the very end, so the whole transfers of both count. A
/// command to a device further down the path ends the part with its own transfer. Everything else is an answer: it has been
/// through the rest of the path and takes one more transfer. Between two commands of the host on one connection there is
/// nothing that the machine file bounds.
fn on_the_wire(machine: &Machine, function: &Function) -> Result<Option<Span>, FunctionError> {
    let signal = |index: Option<usize>| index.and_then(|index| machine.signals.get(index));
    let (Some(demand), Some(reaction)) = (signal(function.demand), signal(function.reaction)) else {
        return Ok(None);
    };
    let place = |connection| function.path.iter().position(|step| *step == Step::Connection(connection));
    let (Some(first), Some(last)) = (place(demand.connection), place(reaction.connection)) else {
        return Ok(None);
    };
    let answers = match (reaction.direction, first == last) {
        (Direction::ToDevice, false) => false,
        (Direction::ToDevice, true) if demand.direction == Direction::ToDevice => return Ok(None),
        _ => true,
    };
    let end = if answers { function.path.len() } else { last.saturating_add(1) };
    let Some(visible) = function.path.get(first..end) else { return Ok(None) };
    let mut chain = Chain::new(machine, visible);
    if let Some(connection) = machine.connections.get(reaction.connection).filter(|_| answers) {
        chain.transfer_back(connection);
    }
    Ok(Some(decide(&chain.response()?, function.faults)))
}

#[cfg(test)]
mod tests;
