//! The budget of one safety function of a machine file: response, stop, separation, and each limit against its figure.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::error::Error;
use std::fmt;

use super::axis_stop::{StopBasis, axis_stop, budget_axis};
use super::limit_violation::{Demand, Excess};
use super::path::{Cause, Chain, decide, visible_part};
use super::response::{Response, ResponseError};
use super::separation::{Beams, Edition, Safeguard, Separation, SeparationError};
use super::stop::{self, SeriesError, Stop, StopError};
use crate::machine::{self, Approach, Function, FunctionStop, Machine};
use crate::quantity::{Speed, Travel};
use crate::time::Span;

/// The budget of one safety function: everything here is *bounded*.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FunctionBudget {
    /// Response times without fault, with one, with all.
    pub response: Response,
    /// The response time that decides, by the faults that the function assumes.
    pub deciding: Span,
    /// What makes the one-fault figure; `None` if no watchdog exceeds what it supervises.
    pub decided_by: Option<Cause>,
    /// What makes the staged figure: two faults, one if a second adds nothing.
    pub staged_by: Vec<Cause>,
    /// Places on the path that each connection supervises, its own among them, by the number in
    /// [`Watched::Connection`](super::response::Watched::Connection).
    pub supervised: Vec<Vec<usize>>,
    /// The axis as its stop was computed.
    pub axis: Option<stop::Axis>,
    /// The stop of the axis, with the reaction before it: the worst of what it rests on.
    pub stop: Option<Stop>,
    /// What the stop rests on: computed, with its ramp violated, measured.
    pub basis: Option<StopBasis>,
    /// How far beyond its limit the axis gets, if a violated limit is the demand.
    pub excess: Option<Excess>,
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
    /// Travel of a rotary axis as an arc at its radius.
    Arc {
        /// Allowed at most.
        allowed: Travel,
        /// Bounded figure.
        figure: Travel,
    },
    /// Highest speed on the way.
    Speed {
        /// Allowed at most.
        allowed: Speed,
        /// Bounded figure.
        figure: Speed,
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

    /// What is allowed: nanoseconds, nanometres or nanodegrees, the same per second.
    pub const fn allowed_nano(&self) -> i64 {
        match self {
            Self::ResponseTime { allowed, .. } | Self::OverallTime { allowed, .. } => allowed.as_nanos(),
            Self::Travel { allowed, .. } | Self::Arc { allowed, .. } => allowed.as_nano(),
            Self::Speed { allowed, .. } => allowed.as_nano(),
            Self::Separation { built, .. } => built.as_nano(),
        }
    }

    /// What is left: nanoseconds, nanometres or nanodegrees, the same per second; negative if the limit is missed.
    pub const fn margin_nano(&self) -> i64 {
        match self {
            Self::ResponseTime { allowed, figure } | Self::OverallTime { allowed, figure } => {
                allowed.as_nanos().saturating_sub(figure.as_nanos())
            }
            Self::Speed { allowed, figure } => allowed.as_nano().saturating_sub(figure.as_nano()),
            Self::Travel { allowed, figure } | Self::Arc { allowed, figure } => {
                allowed.as_nano().saturating_sub(figure.as_nano())
            }
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
    /// The series of measured stops.
    Series(SeriesError),
    /// A stop is known from a series alone, and the axis may be faster than its runs were.
    SeriesTooSlow,
    /// A stop is known from a series alone, and that was measured while the axis moved up, where gravity helps.
    MeasuredUpwards,
    /// A stop is known from a series of runs upwards alone, and a fault may turn the axis before it begins.
    MayBeTurned,
    /// A measured run exceeds the computed stop at its own speed.
    StopRefuted,
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
            Self::Series(error) => error.fmt(f),
            Self::SeriesTooSlow => f.write_str(
                "the axis may be faster when its stop begins than it was in the measured runs; measure at its maximum speed, or \
                 declare the stop so that it can be computed",
            ),
            Self::MeasuredUpwards => f.write_str(
                "the runs were measured while the axis moved up, where gravity helps; measure downwards, or declare that the \
                 function moves up",
            ),
            Self::MayBeTurned => f.write_str(
                "a fault may drive the axis down before its stop begins, which runs upwards do not show; measure downwards, or \
                 declare the stop so that it can be computed",
            ),
            Self::StopRefuted => f.write_str(
                "a measured run of the stop exceeds what is computed for its speed, so the figures of the axis are wrong; correct \
                 its delay, deceleration or brake",
            ),
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
    let (chain, demand) = chain(machine, function)?;
    let response = chain.response()?;
    let deciding = decide(&response, function.faults);
    let decided_by = response.one_fault_span.and_then(|watched| chain.cause(watched));
    let staged_by = response.staged_spans.iter().filter_map(|watched| chain.cause(*watched)).collect();
    let declared = function
        .stop
        .map(|stop| FunctionStop { speed: demand.as_ref().map_or(stop.speed, |demand| demand.start), ..stop });
    let (stop, basis) = declared.map(|stop| axis_stop(machine, &stop, deciding)).transpose()?.unzip();
    let excess = demand.map(|demand| demand.excess(stop.as_ref().zip(basis.as_ref()), deciding)).transpose()?;
    let stop_time = stop.as_ref().map_or(Span::ZERO, |stop| stop.time);
    let overall = deciding.checked_add(stop_time).ok_or(FunctionError::OutOfRange)?;
    let kept = kept_distance(function.required.separation, overall)?;
    let mut limits = Vec::new();
    let required = &function.required;
    limits.extend(required.response_time.map(|allowed| Limit::ResponseTime { allowed, figure: deciding }));
    limits.extend(required.time.map(|allowed| Limit::OverallTime { allowed, figure: overall }));
    if let (Some(allowed), Some(stop)) = (required.travel, &stop) {
        limits.push(Limit::Travel { allowed, figure: stop.travel });
    }
    limits.extend(moving_limits(function, basis.as_ref(), excess.as_ref()));
    limits.extend(kept.map(|(_, limit)| limit));
    let on_the_wire = visible_part(machine, function)?.map(|part| part.bound);
    let separation = kept.map(|(separation, _)| separation);
    let supervised = chain.supervisions.into_iter().map(|supervision| supervision.members).collect();
    let axis = declared.and_then(|stop| Some(budget_axis(machine.axes.get(stop.axis)?, &stop)));
    Ok(FunctionBudget {
        response,
        deciding,
        decided_by,
        staged_by,
        supervised,
        axis,
        stop,
        basis,
        excess,
        overall,
        separation,
        limits,
        on_the_wire,
    })
}

/// The path of `function` with the finding out of its violated limit, if that is its demand.
fn chain<'m>(machine: &'m Machine, function: &Function) -> Result<(Chain, Option<Demand<'m>>), FunctionError> {
    let mut chain = Chain::new(machine, &function.path);
    let demand = function.violation.map(|violation| Demand::new(machine, violation)).transpose()?;
    // Behind the path, so that places on the path stay what they are.
    chain.elements.extend(demand.as_ref().map(Demand::element));
    Ok((chain, demand))
}

/// The response time that decides, alone. Of all that a limit is held against, it is the only part that depends on a watchdog:
/// stop, travel and distance follow from it.
pub(super) fn deciding(machine: &Machine, function: &Function) -> Result<Span, FunctionError> {
    let (chain, _) = chain(machine, function)?;
    Ok(decide(&chain.response()?, function.faults))
}

/// The limits of arc and speed.
fn moving_limits(function: &Function, basis: Option<&StopBasis>, excess: Option<&Excess>) -> Vec<Limit> {
    let highest = match basis {
        Some(basis) => basis.highest_speed,
        None => excess.and_then(|excess| excess.highest_speed),
    };
    let required = &function.required;
    let arc = required.arc.zip(basis.and_then(|basis| basis.arc));
    let arc = arc.map(|(allowed, figure)| Limit::Arc { allowed, figure });
    let speed = required.speed.zip(highest).map(|(allowed, figure)| Limit::Speed { allowed, figure });
    arc.into_iter().chain(speed).collect()
}

/// The distance that is needed, and the limit that it makes with the one as built.
fn kept_distance(
    declared: Option<machine::Separation>,
    overall: Span,
) -> Result<Option<(Separation, Limit)>, FunctionError> {
    let Some(machine::Separation { built, approach, addition }) = declared else {
        return Ok(None);
    };
    let safeguard = safeguard(approach)?;
    let separation = safeguard.separation(overall, addition).map_err(FunctionError::Separation)?;
    let longest = safeguard.longest_response(built, addition).ok();
    Ok(Some((separation, Limit::Separation { built, needed: separation.distance, longest })))
}

fn safeguard(approach: Approach) -> Result<Safeguard, FunctionError> {
    Ok(match approach {
        Approach::Orthogonal { resolution } => Safeguard::LightCurtain { resolution },
        // Another number can't come from the reader.
        Approach::Beams { beams } => Safeguard::Beams(Beams::new(beams).ok_or(FunctionError::OutOfRange)?),
        Approach::Parallel { edition, height, resolution } => {
            Safeguard::Parallel { edition: edition_of(edition), height, resolution }
        }
        Approach::Mat => Safeguard::Mat,
        Approach::TwoHand => Safeguard::TwoHand,
        Approach::Guard { edition, intrusion } => {
            Safeguard::InterlockedGuard { edition: edition_of(edition), intrusion }
        }
        Approach::Press { resolution } => Safeguard::Press { resolution },
        Approach::B11 { resolution, brake_monitor } => Safeguard::B11 { resolution, brake_monitor },
    })
}

const fn edition_of(edition: machine::Edition) -> Edition {
    match edition {
        machine::Edition::Of2010 => Edition::Of2010,
        machine::Edition::Of2024 => Edition::Of2024,
    }
}

#[cfg(test)]
mod tests;
