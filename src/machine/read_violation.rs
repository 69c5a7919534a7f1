//! Keys of a function that concern the movement: `violation`, `moves`, and the limits of travel and speed.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::fields::{Fields, Value};
use super::mistake::{Mistake, Mistakes, Reported};
use super::model::{Axis, AxisKind, FunctionStop};
use super::monitor::{Monitor, MonitorKind, MonitorLimit, Violation};
use super::names::Names;
use super::read_axis::Dimensions;
use super::read_function::limited_speed;
use super::source::shown;
use super::values::{self, Sign, Text, one_of, quantity};
use crate::quantity::{self as quantities, Dimension, Speed, Travel};

/// `violation` with `axis`, `speed` and `moves`: the limit that is violated, and the stop that answers it.
pub(super) fn violation<'t>(
    fields: &mut Fields<'t>,
    names: &Names<'t>,
    axes: &[Result<Axis, Reported>],
) -> Result<(Violation, Option<FunctionStop>), Reported> {
    let stop: Result<Option<()>, Reported> = fields.optional("stop", |value| {
        Err(Mistake::new(&value.span, "a stop beside a violation")
            .expected("no stop: the monitor of the axis has its reaction"))
    });
    // Known keys, read once the axis is.
    for key in ["violation", "speed", "moves"] {
        fields.value(key);
    }
    let axis = fields.required("axis", "\"lift\"", values::text)?;
    let index = names.axis(&axis)?;
    let Some(Ok(axis)) = axes.get(index) else {
        return Err(Mistakes::already_reported());
    };
    let (place, monitor) = fields.required("violation", "\"SLS\"", |value| monitor_of(axis, &values::text(value)?))?;
    let speed = fields.optional("speed", |value| speed(value, axis, monitor));
    let moves = fields.optional("moves", |value| {
        let upward = upward(value, axis)?;
        if upward && monitor.kind == MonitorKind::Sos {
            return Err(Mistake::new(&value.span, "a standstill may be left either way")
                .expected("no moves: down is worse, and a fault may drive the axis down"));
        }
        Ok(upward)
    });
    stop?;
    let speed = match monitor.limit {
        MonitorLimit::Speed(limit) => limit,
        _ => speed?.unwrap_or(axis.max_speed),
    };
    let upward = moves?.unwrap_or(false);
    let stop = monitor.reaction.map(|stop| FunctionStop { axis: index, stop, speed, upward });
    Ok((Violation { axis: index, monitor: place, speed }, stop))
}

fn monitor_of<'a>(axis: &'a Axis, text: &Text<'_>) -> Result<(usize, &'a Monitor), Mistake> {
    axis.monitors.iter().enumerate().find(|(_, monitor)| monitor.id == text.text).ok_or_else(|| {
        let known = || axis.monitors.iter().map(|monitor| monitor.id.as_str());
        let message = format!("'{}' monitors no '{}'", axis.id, shown(text.text));
        let mistake = Mistake::new(&text.span, message).near(text.text, known()).elsewhere();
        if axis.monitors.is_empty() {
            return mistake.expected("an entry [[axis.monitor]] of that axis");
        }
        mistake.expected(format!("one of {}", known().collect::<Vec<_>>().join(", ")))
    })
}

fn speed(value: &Value<'_>, axis: &Axis, monitor: &Monitor) -> Result<Speed, Mistake> {
    if let MonitorLimit::Speed(_) = monitor.limit {
        return Err(Mistake::new(&value.span, format!("a speed beside the limit of {}", monitor.kind.name()))
            .expected("no speed: the limit is violated at its own speed"));
    }
    limited_speed(value, axis)
}

/// Which way a vertical axis moves at the demand.
pub(super) fn upward(value: &Value<'_>, axis: &Axis) -> Result<bool, Mistake> {
    let upward = one_of(&[("down", false), ("up", true)])(value)?;
    if !axis.gravity {
        return Err(Mistake::new(&value.span, format!("gravity does not pull on '{}'", axis.id))
            .expected("no moves, or gravity = true in the axis: only then the way matters"));
    }
    Ok(upward)
}

/// A limit of travel.
#[derive(Clone, Copy)]
pub(super) enum TravelLimit {
    /// In the unit of the axis.
    Along(Travel),
    /// Of a rotary axis, at its radius.
    Arc(Travel),
}

impl TravelLimit {
    pub(super) const fn along(self) -> Option<Travel> {
        match self {
            Self::Along(travel) => Some(travel),
            Self::Arc(_) => None,
        }
    }

    pub(super) const fn arc(self) -> Option<Travel> {
        match self {
            Self::Along(_) => None,
            Self::Arc(travel) => Some(travel),
        }
    }
}

/// `stop` is `None` if it could not be read.
pub(super) fn travel(
    fields: &mut Fields<'_>,
    stop: Option<Option<FunctionStop>>,
    axes: &[Result<Axis, Reported>],
) -> Result<Option<TravelLimit>, Reported> {
    let axis = stop.flatten().and_then(|stop| axes.get(stop.axis)).and_then(|axis| axis.as_ref().ok());
    fields.value("travel").map_or(Ok(None), |_| match (stop, axis) {
        (Some(None), _) => fields.optional("travel", |value| {
            Err(Mistake::new(&value.span, "a limit of travel without an axis")
                .expected("axis and stop of the function")
                .elsewhere())
        }),
        (_, Some(axis)) => fields.optional("travel", |value| travel_limit(value, axis)),
        // The axis is unknown, and so is the unit.
        _ => Err(Mistakes::already_reported()),
    })
}

fn travel_limit(value: &Value<'_>, axis: &Axis) -> Result<TravelLimit, Mistake> {
    let is_length = value.value.as_str().is_some_and(|text| quantities::parse(text, Dimension::Length).is_ok());
    if axis.kind == AxisKind::Rotary && is_length {
        if axis.radius.is_none() {
            return Err(Mistake::new(&value.span, format!("a length, but '{}' turns", axis.id))
                .expected("an angle, for example \"90 deg\", or a radius of the axis: then travel is the arc there")
                .elsewhere());
        }
        return quantity(Dimension::Length, Sign::Positive)(value).map(Travel::from_nano).map(TravelLimit::Arc);
    }
    let travel = Dimensions::of(axis.kind).travel;
    quantity(travel, Sign::Positive)(value).map(Travel::from_nano).map(TravelLimit::Along)
}

/// The limit of the speed on the way, for functions with an axis. `watched` is the axis of a violated limit.
pub(super) fn highest_speed(
    fields: &mut Fields<'_>,
    stop: Option<Option<FunctionStop>>,
    watched: Option<usize>,
    axes: &[Result<Axis, Reported>],
) -> Result<Option<Speed>, Reported> {
    let Some(value) = fields.value("speed") else {
        return Ok(None);
    };
    let Some(stop) = stop else {
        return Err(Mistakes::already_reported());
    };
    let Some(index) = stop.map(|stop| stop.axis).or(watched) else {
        let mistake = Mistake::new(&value.span, "a limit of speed without an axis");
        return Err(fields.mistakes().report(mistake.expected("axis and stop of the function").elsewhere()));
    };
    let Some(Ok(axis)) = axes.get(index) else {
        return Err(Mistakes::already_reported());
    };
    if stop.is_some_and(|stop| !stop.stop.computable) {
        let mistake = Mistake::new(&value.span, "a limit of speed for a stop that was only measured");
        let advice = "delay and deceleration of the stop, or a limit of time or travel: the series holds no speeds";
        return Err(fields.mistakes().report(mistake.expected(advice).elsewhere()));
    }
    let speed = fields.optional("speed", quantity(Dimensions::of(axis.kind).speed, Sign::Positive))?;
    Ok(speed.map(Speed::from_nano))
}
