//! `[[axis.stop]]`: the stops of an axis as set in its drive or measured with an instrument, and their names elsewhere.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use toml::de::DeValue;

use super::fields::{Fields, Value};
use super::mistake::{Mistake, Reported};
use super::model::{Axis, AxisKind, Stop, StopKind};
use super::monitor::Detection;
use super::read_axis::Dimensions;
use super::read_monitor::detection;
use super::read_series::{Measured, series};
use super::series::Series;
use super::values::{Sign, Text, kind, one_of, quantity, time};
use crate::quantity::{Acceleration, Dimension, Jerk, Travel};

/// The entries of a list of tables under `key`, each with its fields.
pub(super) fn entries<'t>(
    fields: &mut Fields<'t>,
    key: &'static str,
) -> Result<Vec<Result<Fields<'t>, Reported>>, Reported> {
    let Some(value) = fields.value(key) else {
        return Ok(Vec::new());
    };
    let mistakes = fields.mistakes();
    let owner = fields.label().to_owned();
    let one = key.trim_end_matches('s');
    let DeValue::Array(array) = value.value else {
        let mistake = Mistake::new(&value.span, format!("'{key}' of {owner} is {}", kind(value.value)));
        return Err(mistakes.report(mistake.expected(match one {
            "run" => "a list of tables: [{ time = \"182 ms\", travel = \"31 mm\" }, ...]".to_owned(),
            _ => format!("double brackets, [[axis.{key}]]: there can be several"),
        })));
    };
    let entry = |(number, entry): (usize, &'t toml::Spanned<DeValue<'t>>)| {
        let DeValue::Table(table) = entry.get_ref() else {
            let mistake = Mistake::new(&entry.span(), format!("a {one} of {owner} is {}", kind(entry.get_ref())));
            return Err(mistakes.report(mistake.expected(match one {
                "run" => "{ time = \"182 ms\", travel = \"31 mm\" }".to_owned(),
                _ => format!("a line [[axis.{key}]] with its keys below"),
            })));
        };
        Ok(Fields::new(format!("{one} {number} of {owner}"), table, entry.span(), mistakes))
    };
    Ok((1_usize..).zip(array.iter()).map(entry).collect())
}

/// An example of a quantity in quotes.
pub(super) const fn quoted(dimension: Dimension) -> &'static str {
    match dimension {
        Dimension::Time => "\"12 ms\"",
        Dimension::Length => "\"31 mm\"",
        Dimension::Speed => "\"250 mm/s\"",
        Dimension::Acceleration => "\"4 m/s^2\"",
        Dimension::Jerk => "\"30 m/s^3\"",
        Dimension::Angle => "\"90 deg\"",
        Dimension::AngularSpeed => "\"180 deg/s\"",
        Dimension::AngularAcceleration => "\"720 deg/s^2\"",
        Dimension::AngularJerk => "\"7200 deg/s^3\"",
        Dimension::Share => "\"30 %\"",
    }
}

/// The stops of an axis, and the series of those that were measured.
pub(super) fn stops(fields: &mut Fields<'_>, axis: Measured) -> Result<(Vec<Stop>, Vec<Series>), Reported> {
    let (mut stops, mut measured) = (Vec::new(), Vec::new());
    let mut broken = None;
    for entry in entries(fields, "stop")? {
        match entry.and_then(|fields| stop(fields, axis, &stops)) {
            Ok((stop, series)) => {
                stops.push(stop);
                measured.extend(series);
            }
            Err(reported) => broken = Some(reported),
        }
    }
    broken.map_or(Ok((stops, measured)), Err)
}

fn stop(mut fields: Fields<'_>, axis: Measured, before: &[Stop]) -> Result<(Stop, Option<Series>), Reported> {
    let is_measured = fields.value("measured").is_some();
    let kind = fields.required("function", "\"SS1-r\"", |value| kind_of(value, is_measured, before));
    let kind = match kind {
        Ok(kind) => kind,
        Err(reported) => {
            fields.ignore_rest();
            return Err(reported);
        }
    };
    let table = fields.table("measured");
    let series = table.and_then(|table| table.map(|table| series(table, kind, axis)).transpose());
    // A measured stop need not be set out as well; if it is, then whole.
    let is_computed = ["delay", "deceleration", "jerk", "window", "violated"].map(|key| fields.value(key).is_some());
    if is_measured && is_computed == [false; 5] {
        return Ok((Stop::unset(kind, false), series?));
    }
    if matches!(kind, StopKind::Sto | StopKind::Sbc) {
        fields.ignore_rest();
        return Err(fields.report(
            format!("{} has nothing to set", kind.name()),
            "only 'function' and 'measured' in an entry of it",
        ));
    }
    Ok((settings(&mut fields, kind, axis.kind)?, series?))
}

/// What is set in the drive.
fn settings(fields: &mut Fields<'_>, kind: StopKind, axis: AxisKind) -> Result<Stop, Reported> {
    let is = Dimensions::of(axis);
    let delay = fields.required("delay", "\"20 ms\"", time(Sign::NotNegative));
    let deceleration = fields.optional("deceleration", ramp_only(kind, quantity(is.acceleration, Sign::Positive)));
    let jerk = fields.optional("jerk", ramp_only(kind, quantity(is.jerk, Sign::Positive)));
    let ramp = matches!(kind, StopKind::Ss1R | StopKind::Ss2R);
    let deceleration = match deceleration {
        Ok(None) if ramp => Err(fields.lacks("deceleration", "the monitored deceleration, which an -r function needs")),
        other => other,
    };
    let window = window(fields, kind, is);
    let violated = violated(fields, kind);
    Ok(Stop {
        kind,
        delay: delay?,
        deceleration: deceleration?.map(Acceleration::from_nano),
        jerk: jerk?.map(Jerk::from_nano),
        window: Travel::from_nano(window?),
        violated: violated?,
        computable: true,
    })
}

fn kind_of(value: &Value<'_>, is_measured: bool, before: &[Stop]) -> Result<StopKind, Mistake> {
    let name = value.value.as_str().unwrap_or_default();
    // STO and SBC need no entry unless they were measured: nothing is set in the drive.
    if !is_measured && (name == StopKind::Sto.name() || name == StopKind::Sbc.name()) {
        return Err(Mistake::new(&value.span, format!("{name} has nothing to set"))
            .expected(format!("SS1-t, SS1-r, SS2-t or SS2-r; a function may use {name} without an entry here")));
    }
    let [sto, set @ .., sbc] = StopKind::ALL.map(|kind| (kind.name(), kind));
    let kind = if is_measured {
        let [t1, r1, t2, r2] = set;
        one_of(&[sto, t1, r1, t2, r2, sbc])(value)?
    } else {
        one_of(&set)(value)?
    };
    if before.iter().any(|stop| stop.kind == kind) {
        return Err(Mistake::new(&value.span, format!("a second {} for one axis", kind.name()))
            .expected("each stopping function once"));
    }
    Ok(kind)
}

/// How a violated ramp is noticed.
fn violated(fields: &mut Fields<'_>, kind: StopKind) -> Result<Option<Detection>, Reported> {
    let span = fields.value("violated").map(|value| value.span);
    if let Some(span) = span.filter(|_| !matches!(kind, StopKind::Ss1R | StopKind::Ss2R)) {
        let mistake = Mistake::new(&span, format!("{} does not monitor a ramp", kind.name()));
        return Err(fields.mistakes().report(mistake.expected("no violated, or an -r function")));
    }
    fields.table("violated")?.map(|mut table| detection(&mut table)).transpose()
}

/// The stop of `axis` that `text` names. STO and SBC need no entry.
pub(super) fn stop_of(axis: &Axis, text: &Text<'_>) -> Result<Stop, Mistake> {
    let found = axis.stops.iter().find(|stop| stop.kind.name() == text.text).copied();
    let without_entry = [StopKind::Sto, StopKind::Sbc].into_iter().find(|kind| kind.name() == text.text);
    let Some(mut stop) = found.or_else(|| without_entry.map(|kind| Stop::unset(kind, true))) else {
        let known = || {
            let entries = axis.stops.iter().map(|stop| stop.kind.name());
            std::iter::once(StopKind::Sto.name()).chain(entries.filter(|name| *name != StopKind::Sto.name()))
        };
        let mistake =
            Mistake::new(&text.span, format!("'{}' has no stop '{}'", axis.id, super::source::shown(text.text)));
        return Err(mistake
            .expected(format!("one of {}", known().collect::<Vec<_>>().join(", ")))
            .near(text.text, known())
            .advice("the stops of an axis are its entries [[axis.stop]]")
            .elsewhere());
    };
    match unheld(axis, &stop) {
        None => stop.computable |= without_entry.is_some(),
        Some(_) if axis.series.iter().any(|series| series.kind == stop.kind) => stop.computable = false,
        Some(needed) => {
            return Err(Mistake::new(&text.span, format!("nothing stops '{}' after {}", axis.id, text.text))
                .expected(needed)
                .elsewhere());
        }
    }
    Ok(stop)
}

/// What `axis` lacks to come to rest, and stay there, once a stop has taken its torque off.
fn unheld(axis: &Axis, stop: &Stop) -> Option<&'static str> {
    let torque_goes = match stop.kind {
        StopKind::Sto | StopKind::Sbc | StopKind::Ss1T | StopKind::Ss2T => true,
        StopKind::Ss1R => axis.gravity || stop.violated.is_some(),
        StopKind::Ss2R => stop.violated.is_some(),
    };
    if !torque_goes || axis.brake.is_some() {
        return None;
    }
    if axis.gravity || stop.kind == StopKind::Sbc {
        return Some("a brake of the axis, or another stop");
    }
    let coasts = axis.coast_deceleration.is_some();
    (!coasts).then_some("a brake or a coast_deceleration of the axis, or another stop")
}

/// Refuses a ramp where no ramp is monitored: a reader of the file would believe that it counts.
fn ramp_only<T>(
    kind: StopKind,
    read: impl Fn(&Value<'_>) -> Result<T, Mistake>,
) -> impl Fn(&Value<'_>) -> Result<T, Mistake> {
    move |value| match kind {
        StopKind::Sto | StopKind::Ss1T | StopKind::Ss2T | StopKind::Sbc => {
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
