//! `[[function]]` with its limits.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::fields::{Fields, Value};
use super::mistake::{Mistake, Mistakes, Reported};
use super::model::{Axis, Connection, Faults, Function, FunctionStop, Required, Signal};
use super::names::{self, Names};
use super::path::{Observed, check, steps};
use super::read_axis::Dimensions;
use super::read_reaction_rules;
use super::read_separation::separation;
use super::read_stop::stop_of;
use super::read_violation::{highest_speed, travel, upward, violation};
use super::values::{self, Sign, Text, one_of, quantity, time, words};
use crate::quantity::Speed;

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
    let violated = fields.value("violation").is_some();
    let path = steps(&mut fields, names, violated);
    if let Ok(path) = &path {
        let seen = |signal: &Result<Option<Observed>, Reported>| signal.as_ref().ok().and_then(Clone::clone);
        check(path, [seen(&demand), seen(&reaction)], parts, fields.mistakes());
    }
    let (violation, stop) = if violated {
        violation(&mut fields, names, parts.axes)
            .map_or_else(|reported| (Err(reported), Err(reported)), |(v, s)| (Ok(Some(v)), Ok(s)))
    } else {
        (Ok(None), stop(&mut fields, names, parts.axes))
    };
    let conditions = fields.optional("conditions", values::sentences);
    let all = [Faults::None, Faults::One, Faults::Staged, Faults::All].map(|faults| (faults.name(), faults));
    let faults = fields.optional("faults", one_of(&all));
    let source = fields.optional("source", words);
    let reaction_rules = read_reaction_rules::of_function(&mut fields, names, [&demand, &reaction]);
    let required = fields
        .required_table(
            "required",
            "[function.required] with at least one of response_time, time, travel, speed, separation",
        )
        .and_then(|table| {
            let watched = violation.as_ref().ok().copied().flatten().map(|violation| violation.axis);
            required(table, stop.as_ref().ok().copied(), watched, parts.axes)
        });
    let (path, directions) = path?.into_iter().map(|named| (named.step, named.direction)).unzip();
    Ok(Function {
        id: id?,
        title: title?,
        demand: demand?.map(|observed| observed.signal),
        reaction: reaction?.map(|observed| observed.signal),
        reaction_rules: reaction_rules?,
        directions,
        path,
        violation: violation?,
        stop: stop?,
        conditions: conditions?.unwrap_or_default(),
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
    fields.value("moves");
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
    let upward = fields.optional("moves", |value| upward(value, axis));
    Ok(Some(FunctionStop {
        axis: index,
        stop: stop?,
        speed: speed?.unwrap_or(axis.max_speed),
        upward: upward?.unwrap_or(false),
    }))
}

fn alone(fields: &Fields<'_>, other: &'static str, message: &str, text: &Text<'_>) -> Reported {
    if fields.has_misspelt(other) {
        return Mistakes::already_reported();
    }
    let mistake = Mistake::new(&text.span, message).expected(format!("{other} beside it, or none of both"));
    fields.mistakes().report(mistake.elsewhere())
}

pub(super) fn limited_speed(value: &Value<'_>, axis: &Axis) -> Result<Speed, Mistake> {
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
    watched: Option<usize>,
    axes: &[Result<Axis, Reported>],
) -> Result<Required, Reported> {
    let response_time = fields.optional("response_time", time(Sign::Positive));
    let overall = fields.optional("time", time(Sign::Positive));
    let travel = travel(&mut fields, stop, axes);
    let speed = highest_speed(&mut fields, stop, watched, axes);
    let separation = separation(&mut fields);
    let required = Required {
        response_time: response_time?,
        time: overall?,
        travel: travel?.and_then(|limit| limit.along()),
        arc: travel?.and_then(|limit| limit.arc()),
        speed: speed?,
        separation: separation?,
    };
    let Required { response_time, time, travel, arc, speed, separation } = &required;
    let moves = travel.is_some() || arc.is_some() || speed.is_some();
    if response_time.is_none() && time.is_none() && !moves && separation.is_none() {
        let names = ["response_time", "time", "travel", "speed", "separation"];
        if names.into_iter().any(|name| fields.has_misspelt(name)) {
            return Err(Mistakes::already_reported());
        }
        let message = format!("{} sets no limit", fields.label());
        return Err(fields.report(message, "at least one of response_time, time, travel, speed, separation"));
    }
    Ok(required)
}
