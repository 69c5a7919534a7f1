//! `[[axis]]` with its brake.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::fields::{Fields, Value};
use super::mistake::{Mistake, Reported};
use super::model::{Axis, AxisKind, Brake, BrakeStrength};
use super::names;
use super::read_monitor::monitors;
use super::read_series::Measured;
use super::read_stop::stops;
use super::read_value::standstill;
use super::values::{Sign, one_of, quantity, ratio, time, words, yes_or_no};
use crate::quantity::{Acceleration, Dimension, Speed, Travel};

/// The dimensions of an axis that moves in millimetres or degrees.
#[derive(Clone, Copy)]
pub(super) struct Dimensions {
    pub(super) travel: Dimension,
    pub(super) speed: Dimension,
    pub(super) acceleration: Dimension,
    pub(super) jerk: Dimension,
}

impl Dimensions {
    pub(super) const fn of(kind: AxisKind) -> Self {
        match kind {
            AxisKind::Linear => Self {
                travel: Dimension::Length,
                speed: Dimension::Speed,
                acceleration: Dimension::Acceleration,
                jerk: Dimension::Jerk,
            },
            AxisKind::Rotary => Self {
                travel: Dimension::Angle,
                speed: Dimension::AngularSpeed,
                acceleration: Dimension::AngularAcceleration,
                jerk: Dimension::AngularJerk,
            },
        }
    }
}

pub(super) fn axis(mut fields: Fields<'_>) -> Result<Axis, Reported> {
    let id = fields.required("id", "\"lift\"", names::id);
    let title = fields.optional("title", words);
    let source = fields.optional("source", words);
    let kinds = [("linear", AxisKind::Linear), ("rotary", AxisKind::Rotary)];
    let kind = match fields.required("kind", "\"linear\"", one_of(&kinds)) {
        Ok(kind) => kind,
        // The units of everything else depend on the kind.
        Err(reported) => {
            fields.ignore_rest();
            return Err(reported);
        }
    };
    let is = Dimensions::of(kind);
    let gravity = fields.optional("gravity", |value| gravity(value, kind));
    let (speed, acceleration) = match kind {
        AxisKind::Linear => ("\"600 mm/s\"", "\"4 m/s^2\""),
        AxisKind::Rotary => ("\"180 deg/s\"", "\"720 deg/s^2\""),
    };
    let max_speed = fields.required("max_speed", speed, quantity(is.speed, Sign::Positive));
    let fault_acceleration =
        fields.required("fault_acceleration", acceleration, quantity(is.acceleration, Sign::NotNegative));
    let coast = fields.optional("coast_deceleration", quantity(is.acceleration, Sign::Positive));
    let pulls = matches!(gravity, Ok(Some(true)));
    let brake = fields.table("brake").and_then(|table| table.map(|table| brake(table, kind, pulls)).transpose());
    let stops = stops(&mut fields, Measured { kind, gravity: pulls, max_speed: max_speed.as_ref().ok().copied() });
    let radius = fields.optional("radius", |value| radius(value, kind));
    let standstill = standstill(&mut fields, is);
    // Read below, once the stops are known that it may name.
    fields.value("monitor");
    let (stops, series) = stops?;
    let mut axis = Axis {
        id: id?,
        title: title?,
        kind,
        gravity: gravity?.unwrap_or(false),
        max_speed: Speed::from_nano(max_speed?),
        fault_acceleration: Acceleration::from_nano(fault_acceleration?),
        brake: brake?,
        coast_deceleration: coast?.map(Acceleration::from_nano),
        stops,
        series,
        monitors: Vec::new(),
        radius: radius?.map(Travel::from_nano),
        standstill: standstill?,
        source: source?,
    };
    axis.monitors = monitors(&mut fields, &axis)?;
    Ok(axis)
}

/// Distance from the axis at which travel counts as an arc.
fn radius(value: &Value<'_>, kind: AxisKind) -> Result<i64, Mistake> {
    if kind == AxisKind::Linear {
        return Err(
            Mistake::new(&value.span, "a linear axis has no radius").expected("kind = \"rotary\", or no radius")
        );
    }
    quantity(Dimension::Length, Sign::Positive)(value)
}

fn gravity(value: &Value<'_>, kind: AxisKind) -> Result<bool, Mistake> {
    let gravity = yes_or_no(value)?;
    if gravity && kind == AxisKind::Rotary {
        return Err(Mistake::new(&value.span, "gravity does not pull on a rotary axis here")
            .expected("gravity on a linear axis only")
            .advice("put the torque of an unbalanced load into fault_acceleration and the decelerations"));
    }
    Ok(gravity)
}

fn brake(mut fields: Fields<'_>, kind: AxisKind, gravity: bool) -> Result<Brake, Reported> {
    let engage = fields.required("engage", "\"60 ms\"", time(Sign::NotNegative));
    let force_ratio = fields.optional("force_ratio", |value| force_ratio(value, kind, gravity));
    let deceleration = fields.optional("deceleration", quantity(Dimensions::of(kind).acceleration, Sign::Positive));
    let strength = match (force_ratio?, deceleration?) {
        (Some(ratio), None) => BrakeStrength::ForceRatio(ratio),
        (None, Some(deceleration)) => BrakeStrength::Deceleration(Acceleration::from_nano(deceleration)),
        (both, _) => {
            if both.is_none() && (fields.has_misspelt("force_ratio") || fields.has_misspelt("deceleration")) {
                return Err(super::mistake::Mistakes::already_reported());
            }
            let message =
                if both.is_some() { "the brake's strength is given twice" } else { "the brake has no strength" };
            return Err(fields.report(message, "either force_ratio or deceleration"));
        }
    };
    Ok(Brake { engage: engage?, strength })
}

fn force_ratio(value: &Value<'_>, kind: AxisKind, gravity: bool) -> Result<i64, Mistake> {
    let ratio = ratio(value)?;
    if kind == AxisKind::Rotary {
        return Err(Mistake::new(&value.span, "force_ratio compares with a weight, which a rotary axis does not lift")
            .expected("deceleration = \"720 deg/s^2\" instead"));
    }
    if gravity && ratio <= 1_000_000 {
        return Err(Mistake::new(&value.span, "the brake can't hold the load")
            .expected("a force_ratio above 1: braking force divided by the weight of the moving mass"));
    }
    Ok(ratio)
}
