//! `[[axis]]` with its brake and its stops.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use toml::de::DeValue;

use super::fields::{Fields, Value};
use super::mistake::{Mistake, Reported};
use super::model::{Axis, AxisKind, Brake, BrakeStrength, Stop, StopKind};
use super::names;
use super::values::{Sign, kind, one_of, quantity, ratio, time, words, yes_or_no};
use crate::quantity::{Acceleration, Dimension, Jerk, Speed, Travel};
use crate::time::Span;

/// The dimensions of an axis that moves in millimetres or degrees.
#[derive(Clone, Copy)]
pub(super) struct Dimensions {
    pub(super) travel: Dimension,
    pub(super) speed: Dimension,
    acceleration: Dimension,
    jerk: Dimension,
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
    let stops = stops(&mut fields, is);
    Ok(Axis {
        id: id?,
        title: title?,
        kind,
        gravity: gravity?.unwrap_or(false),
        max_speed: Speed::from_nano(max_speed?),
        fault_acceleration: Acceleration::from_nano(fault_acceleration?),
        brake: brake?,
        coast_deceleration: coast?.map(Acceleration::from_nano),
        stops: stops?,
        source: source?,
    })
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

fn stops(fields: &mut Fields<'_>, is: Dimensions) -> Result<Vec<Stop>, Reported> {
    let Some(value) = fields.value("stop") else {
        return Ok(Vec::new());
    };
    let mistakes = fields.mistakes();
    let owner = fields.label().to_owned();
    let DeValue::Array(array) = value.value else {
        let mistake = Mistake::new(&value.span, format!("'stop' of {owner} is {}", kind(value.value)));
        return Err(mistakes.report(mistake.expected("double brackets, [[axis.stop]]: there can be several")));
    };
    let mut stops: Vec<Result<Stop, Reported>> = Vec::new();
    for (number, entry) in (1_usize..).zip(array.iter()) {
        let DeValue::Table(table) = entry.get_ref() else {
            let mistake = Mistake::new(&entry.span(), format!("a stop of {owner} is {}", kind(entry.get_ref())));
            stops.push(Err(mistakes.report(mistake.expected("a line [[axis.stop]] with its keys below"))));
            continue;
        };
        let before = stops.iter().flatten().map(|stop| stop.kind).collect::<Vec<_>>();
        let fields = Fields::new(format!("stop {number} of {owner}"), table, entry.span(), mistakes);
        stops.push(stop(fields, is, &before));
    }
    stops.into_iter().collect()
}

fn stop(mut fields: Fields<'_>, is: Dimensions, before: &[StopKind]) -> Result<Stop, Reported> {
    // STO needs no entry: nothing is set in the drive.
    let [_, kinds @ ..] = StopKind::ALL.map(|kind| (kind.name(), kind));
    let kind = fields.required("function", "\"SS1-r\"", |value| {
        if value.value.as_str() == Some("STO") {
            return Err(Mistake::new(&value.span, "STO has nothing to set")
                .expected("SS1-t, SS1-r, SS2-t or SS2-r; a function may use STO without an entry here"));
        }
        let kind = one_of(&kinds)(value)?;
        if before.contains(&kind) {
            return Err(Mistake::new(&value.span, format!("a second {} for one axis", kind.name()))
                .expected("each stopping function once"));
        }
        Ok(kind)
    });
    let kind = match kind {
        Ok(kind) => kind,
        Err(reported) => {
            fields.ignore_rest();
            return Err(reported);
        }
    };
    let delay = fields.required("delay", "\"20 ms\"", time(Sign::NotNegative));
    let deceleration = fields.optional("deceleration", ramp_only(kind, quantity(is.acceleration, Sign::Positive)));
    let jerk = fields.optional("jerk", ramp_only(kind, quantity(is.jerk, Sign::Positive)));
    let ramp = matches!(kind, StopKind::Ss1R | StopKind::Ss2R);
    let deceleration = match deceleration {
        Ok(None) if ramp => Err(fields.lacks("deceleration", "the monitored deceleration, which an -r function needs")),
        other => other,
    };
    let window = window(&mut fields, kind, is);
    finish_stop(kind, delay, deceleration, jerk, window)
}

fn finish_stop(
    kind: StopKind,
    delay: Result<Span, Reported>,
    deceleration: Result<Option<i64>, Reported>,
    jerk: Result<Option<i64>, Reported>,
    window: Result<i64, Reported>,
) -> Result<Stop, Reported> {
    Ok(Stop {
        kind,
        delay: delay?,
        deceleration: deceleration?.map(Acceleration::from_nano),
        jerk: jerk?.map(Jerk::from_nano),
        window: Travel::from_nano(window?),
    })
}

/// Refuses a ramp where no ramp is monitored: a reader of the file would believe that it counts.
fn ramp_only<T>(
    kind: StopKind,
    read: impl Fn(&Value<'_>) -> Result<T, Mistake>,
) -> impl Fn(&Value<'_>) -> Result<T, Mistake> {
    move |value| match kind {
        StopKind::Sto | StopKind::Ss1T | StopKind::Ss2T => {
            Err(Mistake::new(&value.span, format!("{} does not monitor a ramp", kind.name()))
                .expected(format!("no {}, or an -r function whose ramp the drive monitors", value.key)))
        }
        StopKind::Ss1R | StopKind::Ss2R => read(value),
    }
}

/// Travel that the standstill supervision tolerates: needed for SS2, senseless for SS1.
fn window(fields: &mut Fields<'_>, kind: StopKind, is: Dimensions) -> Result<i64, Reported> {
    let supervised = matches!(kind, StopKind::Ss2T | StopKind::Ss2R);
    let window = fields.optional("window", |value| {
        if !supervised {
            return Err(Mistake::new(&value.span, format!("{} ends without standstill supervision", kind.name()))
                .expected("no window, or SS2-t or SS2-r"));
        }
        quantity(is.travel, Sign::NotNegative)(value)
    })?;
    match window {
        None if supervised => Err(fields.lacks("window", "the travel that the standstill supervision (SOS) tolerates")),
        other => Ok(other.unwrap_or(0)),
    }
}
