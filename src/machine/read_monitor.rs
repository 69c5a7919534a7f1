//! `[[axis.monitor]]`: limits that the drive monitors, and what it does if one is violated.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::fields::{Fields, Value};
use super::mistake::{Mistake, Reported};
use super::model::Axis;
use super::monitor::{Detection, Monitor, MonitorKind, MonitorLimit};
use super::names;
use super::read_axis::Dimensions;
use super::read_stop::{entries, quoted, stop_of};
use super::values::{Sign, integer, one_of, quantity, text, time, words};
use crate::quantity::{Acceleration, Speed, Travel};
use crate::time::Span;

/// Cycles from a violation to the answer of the monitoring, if the file doesn't say.
const CYCLES: u32 = 3;

/// The monitors of `axis`, whose stops are known already.
pub(super) fn monitors(fields: &mut Fields<'_>, axis: &Axis) -> Result<Vec<Monitor>, Reported> {
    let mut monitors: Vec<Monitor> = Vec::new();
    let mut broken = None;
    for entry in entries(fields, "monitor")? {
        match entry.and_then(|fields| monitor(fields, axis, &monitors)) {
            Ok(monitor) => monitors.push(monitor),
            Err(reported) => broken = Some(reported),
        }
    }
    broken.map_or(Ok(monitors), Err)
}

fn monitor(mut fields: Fields<'_>, axis: &Axis, before: &[Monitor]) -> Result<Monitor, Reported> {
    let kinds = MonitorKind::ALL.map(|kind| (kind.name(), kind));
    let kind = match fields.required("function", "\"SLS\"", one_of(&kinds)) {
        Ok(kind) => kind,
        // The units and the other keys depend on it.
        Err(reported) => {
            fields.ignore_rest();
            return Err(reported);
        }
    };
    let id = id(&mut fields, kind, axis, before);
    let limit = limit(&mut fields, kind, axis);
    let detection = detection(&mut fields);
    let internal_response = fields.optional("internal_response", time(Sign::NotNegative));
    let application_response = fields.optional("application_response", time(Sign::NotNegative));
    let reaction = reaction(&mut fields, kind, axis);
    let source = fields.optional("source", words);
    Ok(Monitor {
        id: id?,
        kind,
        limit: limit?,
        detection: detection?,
        internal_response: internal_response?.unwrap_or(Span::ZERO),
        application_response: application_response?.unwrap_or(Span::ZERO),
        reaction: reaction?,
        source: source?,
    })
}

/// The name of the function, or another where that is taken.
fn id(fields: &mut Fields<'_>, kind: MonitorKind, axis: &Axis, before: &[Monitor]) -> Result<String, Reported> {
    let is_taken = |id: &str| before.iter().any(|other| other.id == id);
    let id = fields.optional("id", |value| {
        let id = names::id(value)?;
        if is_taken(&id) {
            return Err(
                Mistake::new(&value.span, format!("a second monitor '{id}' of '{}'", axis.id)).expected("another id")
            );
        }
        Ok(id)
    })?;
    if id.is_none() && is_taken(kind.name()) {
        let message = format!("a second {} of '{}' without an id", kind.name(), axis.id);
        return Err(fields.report(message, "a line such as id = \"SLS-jog\", by which functions refer to it"));
    }
    Ok(id.unwrap_or_else(|| kind.name().to_owned()))
}

/// `cycle` and `cycles`.
pub(super) fn detection(fields: &mut Fields<'_>) -> Result<Detection, Reported> {
    let cycle = fields.required("cycle", "\"4 ms\"", time(Sign::Positive));
    let cycles = fields.optional("cycles", integer(1..=1_000));
    Ok(Detection { cycle: cycle?, cycles: cycles?.unwrap_or(CYCLES) })
}

fn limit(fields: &mut Fields<'_>, kind: MonitorKind, axis: &Axis) -> Result<MonitorLimit, Reported> {
    let is = Dimensions::of(axis.kind);
    match kind {
        MonitorKind::Sls | MonitorKind::Ssm => {
            fields.required("limit", quoted(is.speed), |value| limited_speed(value, axis)).map(MonitorLimit::Speed)
        }
        MonitorKind::Sla => fields
            .required("limit", quoted(is.acceleration), |value| limited_acceleration(value, axis))
            .map(MonitorLimit::Acceleration),
        MonitorKind::Sos | MonitorKind::Sli | MonitorKind::Sdi => {
            let read = |value: &Value<'_>| {
                let travel = quantity(is.travel, Sign::NotNegative)(value)?;
                if kind != MonitorKind::Sli && axis.fault_acceleration == Acceleration::default() {
                    return Err(Mistake::new(&value.span, format!("'{}' can't violate this limit", axis.id))
                        .expected(format!("a fault_acceleration above zero: {} begins at standstill", kind.name())));
                }
                Ok(MonitorLimit::Travel(Travel::from_nano(travel)))
            };
            fields.required("limit", quoted(is.travel), read)
        }
        MonitorKind::Slp => fields
            .required("limit", quoted(is.travel), quantity(is.travel, Sign::Any))
            .map(|position| MonitorLimit::Position(Travel::from_nano(position))),
    }
}

fn limited_speed(value: &Value<'_>, axis: &Axis) -> Result<Speed, Mistake> {
    let speed = quantity(Dimensions::of(axis.kind).speed, Sign::Positive)(value)?;
    if speed > axis.max_speed.as_nano() {
        return Err(Mistake::new(&value.span, format!("the limit is above the max_speed of '{}'", axis.id))
            .expected("a limit at or below max_speed: above it nothing is ever violated"));
    }
    Ok(Speed::from_nano(speed))
}

fn limited_acceleration(value: &Value<'_>, axis: &Axis) -> Result<Acceleration, Mistake> {
    let limit = quantity(Dimensions::of(axis.kind).acceleration, Sign::Positive)(value)?;
    if limit >= axis.fault_acceleration.as_nano() {
        return Err(Mistake::new(
            &value.span,
            format!("the limit is not below the fault_acceleration of '{}'", axis.id),
        )
        .expected("a limit below it: the worst acceleration of a fault must violate it"));
    }
    Ok(Acceleration::from_nano(limit))
}

fn reaction(fields: &mut Fields<'_>, kind: MonitorKind, axis: &Axis) -> Result<Option<super::model::Stop>, Reported> {
    if kind == MonitorKind::Ssm {
        let refused = |value: &Value<'_>| -> Result<super::model::Stop, Mistake> {
            Err(Mistake::new(&value.span, "SSM is an output and stops nothing")
                .expected("no reaction, or SLS, which has one"))
        };
        return fields.optional("reaction", refused);
    }
    fields.required("reaction", "\"STO\"", |value| stop_of(axis, &text(value)?)).map(Some)
}
