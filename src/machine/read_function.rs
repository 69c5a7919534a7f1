//! `[[function]]` with its limits.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::fields::{Fields, Value};
use super::mistake::{Mistake, Mistakes, Reported};
use super::model::{
    Approach, Axis, Connection, Faults, Function, FunctionStop, Required, Separation, Signal, Stop, StopKind,
};
use super::names::{self, Names};
use super::path::{Observed, check, steps};
use super::read_axis::Dimensions;
use super::values::{self, Sign, Text, one_of, quantity, time, words};
use crate::quantity::{Dimension, Speed, Travel};
use crate::time::Span;

/// What functions refer to, as far as it could be read.
pub(super) struct Parts<'a> {
    pub(super) connections: &'a [Result<Connection, Reported>],
    pub(super) axes: &'a [Result<Axis, Reported>],
    pub(super) signals: &'a [Result<Signal, Reported>],
}

pub(super) fn function<'t>(mut fields: Fields<'t>, names: &Names<'t>, parts: &Parts<'_>) -> Result<Function, Reported> {
    let id = fields.required("id", "\"gate-opens\"", names::id);
    let title = fields.optional("title", words);
    let demand = signal(&mut fields, "demand", names);
    let reaction = signal(&mut fields, "reaction", names);
    let path = steps(&mut fields, names);
    if let Ok(path) = &path {
        let seen = |signal: &Result<Option<Observed>, Reported>| signal.as_ref().ok().and_then(Clone::clone);
        check(path, [seen(&demand), seen(&reaction)], parts, fields.mistakes());
    }
    let stop = stop(&mut fields, names, parts.axes);
    let all = [Faults::None, Faults::One, Faults::Staged, Faults::All].map(|faults| (faults.name(), faults));
    let faults = fields.optional("faults", one_of(&all));
    let source = fields.optional("source", words);
    let required = fields
        .required_table("required", "[function.required] with at least one of response_time, time, travel, separation")
        .and_then(|table| required(table, stop.as_ref().ok().copied(), parts.axes));
    let (path, directions) = path?.into_iter().map(|named| (named.step, named.direction)).unzip();
    Ok(Function {
        id: id?,
        title: title?,
        demand: demand?.map(|observed| observed.signal),
        reaction: reaction?.map(|observed| observed.signal),
        directions,
        path,
        stop: stop?,
        faults: faults?.unwrap_or(Faults::One),
        required: required?,
        source: source?,
    })
}

fn signal<'t>(fields: &mut Fields<'t>, key: &'static str, names: &Names<'t>) -> Result<Option<Observed>, Reported> {
    let Some(name) = fields.optional(key, values::text)? else {
        return Ok(None);
    };
    Ok(Some(Observed { signal: names.signal(&name)?, span: name.span }))
}

/// `axis`, `stop` and `speed` together.
fn stop<'t>(
    fields: &mut Fields<'t>,
    names: &Names<'t>,
    axes: &[Result<Axis, Reported>],
) -> Result<Option<FunctionStop>, Reported> {
    let axis = fields.optional("axis", values::text);
    let stop = fields.optional("stop", values::text);
    let speed_value = fields.value("speed");
    let (axis, stop) = match (axis?, stop?) {
        (Some(axis), Some(stop)) => (axis, stop),
        (Some(axis), None) => return Err(alone(fields, "stop", "an axis without a stop", &axis)),
        (None, Some(stop)) => return Err(alone(fields, "axis", "a stop without an axis", &stop)),
        (None, None) => {
            return speed_value.map_or(Ok(None), |value| {
                let mistake = Mistake::new(&value.span, "a speed without an axis and a stop");
                Err(fields.mistakes().report(mistake.expected("axis and stop beside it").elsewhere()))
            });
        }
    };
    let index = names.axis(&axis)?;
    let Some(Ok(axis)) = axes.get(index) else {
        return Err(Mistakes::already_reported());
    };
    let stop = stop_of(axis, &stop).map_err(|mistake| fields.mistakes().report(mistake));
    let speed = fields.optional("speed", |value| limited_speed(value, axis));
    Ok(Some(FunctionStop { axis: index, stop: stop?, speed: speed?.unwrap_or(axis.max_speed) }))
}

fn alone(fields: &Fields<'_>, other: &'static str, message: &str, text: &Text<'_>) -> Reported {
    if fields.has_misspelt(other) {
        return Mistakes::already_reported();
    }
    let mistake = Mistake::new(&text.span, message).expected(format!("{other} beside it, or none of both"));
    fields.mistakes().report(mistake.elsewhere())
}

fn stop_of(axis: &Axis, text: &Text<'_>) -> Result<Stop, Mistake> {
    if text.text == StopKind::Sto.name() {
        if axis.brake.is_none() && axis.coast_deceleration.is_none() {
            return Err(Mistake::new(&text.span, format!("nothing stops '{}' after STO", axis.id))
                .expected("a brake or a coast_deceleration of the axis, or another stop")
                .elsewhere());
        }
        let zero = Travel::from_nano(0);
        return Ok(Stop { kind: StopKind::Sto, delay: Span::ZERO, deceleration: None, jerk: None, window: zero });
    }
    let found = axis.stops.iter().find(|stop| stop.kind.name() == text.text);
    found.copied().ok_or_else(|| {
        let known = || std::iter::once(StopKind::Sto.name()).chain(axis.stops.iter().map(|stop| stop.kind.name()));
        let mistake =
            Mistake::new(&text.span, format!("'{}' has no stop '{}'", axis.id, super::source::shown(text.text)));
        mistake
            .expected(format!("one of {}", known().collect::<Vec<_>>().join(", ")))
            .near(text.text, known())
            .advice("the stops of an axis are its entries [[axis.stop]]")
            .elsewhere()
    })
}

fn limited_speed(value: &Value<'_>, axis: &Axis) -> Result<Speed, Mistake> {
    let speed = quantity(Dimensions::of(axis.kind).speed, Sign::Positive)(value)?;
    if speed > axis.max_speed.as_nano() {
        return Err(Mistake::new(&value.span, format!("the speed limit is above the max_speed of '{}'", axis.id))
            .expected("a monitored limit (SLS) at or below max_speed, or no speed"));
    }
    Ok(Speed::from_nano(speed))
}

/// `stop` is `None` if it could not be read.
fn required(
    mut fields: Fields<'_>,
    stop: Option<Option<FunctionStop>>,
    axes: &[Result<Axis, Reported>],
) -> Result<Required, Reported> {
    let response_time = fields.optional("response_time", time(Sign::Positive));
    let overall = fields.optional("time", time(Sign::Positive));
    let travel = travel(&mut fields, stop, axes);
    let separation = separation(&mut fields);
    let required = Required {
        response_time: response_time?,
        time: overall?,
        travel: travel?.map(Travel::from_nano),
        separation: separation?,
    };
    let Required { response_time, time, travel, separation } = &required;
    if response_time.is_none() && time.is_none() && travel.is_none() && separation.is_none() {
        let names = ["response_time", "time", "travel", "separation"];
        if names.into_iter().any(|name| fields.has_misspelt(name)) {
            return Err(Mistakes::already_reported());
        }
        let message = format!("{} sets no limit", fields.label());
        return Err(fields.report(message, "at least one of response_time, time, travel, separation"));
    }
    Ok(required)
}

fn travel(
    fields: &mut Fields<'_>,
    stop: Option<Option<FunctionStop>>,
    axes: &[Result<Axis, Reported>],
) -> Result<Option<i64>, Reported> {
    let axis = stop.flatten().and_then(|stop| axes.get(stop.axis)).and_then(|axis| axis.as_ref().ok());
    fields.value("travel").map_or(Ok(None), |_| match (stop, axis) {
        (Some(None), _) => fields.optional("travel", |value| {
            Err(Mistake::new(&value.span, "a limit of travel without an axis")
                .expected("axis and stop of the function")
                .elsewhere())
        }),
        (_, Some(axis)) => fields.optional("travel", quantity(Dimensions::of(axis.kind).travel, Sign::Positive)),
        // The axis is unknown, and so is the unit.
        _ => Err(Mistakes::already_reported()),
    })
}

#[derive(Clone, Copy)]
enum ApproachName {
    Orthogonal,
    Guard,
}

/// The detection capability up to which the orthogonal approach of ISO 13855:2010 has a formula.
const COARSEST_RESOLUTION: i64 = 70_000_000;

fn separation(fields: &mut Fields<'_>) -> Result<Option<Separation>, Reported> {
    let built = fields.optional("separation", quantity(Dimension::Length, Sign::Positive));
    let edition = fields.optional("edition", one_of(&[("ISO 13855:2010", ())]));
    let names = [("orthogonal", ApproachName::Orthogonal), ("guard", ApproachName::Guard)];
    let approach = fields.optional("approach", one_of(&names));
    let given = ["approach", "resolution", "intrusion", "edition"].map(|key| fields.value(key));
    let Some(built) = built? else {
        return match given.into_iter().flatten().next() {
            Some(value) if !fields.has_misspelt("separation") => {
                let mistake = Mistake::new(&value.span, format!("'{}' without a separation", value.key));
                Err(fields.mistakes().report(mistake.expected("a line such as separation = \"900 mm\"").elsewhere()))
            }
            Some(_) => Err(Mistakes::already_reported()),
            None => Ok(None),
        };
    };
    let Some(approach) = approach? else {
        return Err(
            fields.lacks("approach", "approach = \"orthogonal\" with a resolution, or \"guard\" with an intrusion")
        );
    };
    let approach = supplement(fields, approach)?;
    edition?;
    Ok(Some(Separation { built: Travel::from_nano(built), approach }))
}

/// Reads what the approach needs and refuses what belongs to the other one.
fn supplement(fields: &mut Fields<'_>, approach: ApproachName) -> Result<Approach, Reported> {
    let foreign = |name: &'static str| {
        move |value: &Value<'_>| -> Result<i64, Mistake> {
            Err(Mistake::new(&value.span, format!("'{}' does not belong to the approach \"{name}\"", value.key))
                .expected("\"orthogonal\" with a resolution, or \"guard\" with an intrusion"))
        }
    };
    match approach {
        ApproachName::Orthogonal => {
            fields.optional("intrusion", foreign("orthogonal"))?;
            let resolution = fields.required("resolution", "\"14 mm\"", |value| {
                let resolution = quantity(Dimension::Length, Sign::Positive)(value)?;
                if resolution > COARSEST_RESOLUTION {
                    return Err(Mistake::new(
                        &value.span,
                        "the resolution is too coarse for an approach at right angles",
                    )
                    .expected("at most \"70 mm\" (ISO 13855:2010)"));
                }
                Ok(resolution)
            })?;
            Ok(Approach::Orthogonal { resolution: Travel::from_nano(resolution) })
        }
        ApproachName::Guard => {
            fields.optional("resolution", foreign("guard"))?;
            let intrusion = fields.required("intrusion", "\"0 mm\"", quantity(Dimension::Length, Sign::NotNegative))?;
            Ok(Approach::Guard { intrusion: Travel::from_nano(intrusion) })
        }
    }
}
