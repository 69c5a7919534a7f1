//! `measured` of a stop: a series of runs with an instrument.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use toml::de::DeValue;

use super::fields::{Fields, Value};
use super::mistake::{Mistake, Mistakes, Reported};
use super::model::{AxisKind, StopKind};
use super::read_axis::Dimensions;
use super::read_stop::{entries, quoted};
use super::series::{Run, Series, SeriesRule};
use super::source::shown;
use super::values::{Sign, kind, one_of, quantity, ratio, time, words};
use crate::quantity::{Speed, Travel};

const RULES: &str = "rule = \"max\", \"mean + 3 s\", \"max or mean + 3 s\", or { coverage = 0.99, confidence = 0.95 }";

/// Runs of one series; a day's work with any instrument stays far below.
const MOST_RUNS: usize = 10_000;

/// What of the axis its series need to know.
#[derive(Clone, Copy)]
pub(super) struct Measured {
    pub(super) kind: AxisKind,
    pub(super) gravity: bool,
    pub(super) max_speed: Option<i64>,
}

pub(super) fn series(mut fields: Fields<'_>, stop: StopKind, axis: Measured) -> Result<Series, Reported> {
    let Measured { kind: axis, gravity, max_speed } = axis;
    let is = Dimensions::of(axis);
    let runs = runs(&mut fields, axis);
    let speed = fields.required("speed", quoted(is.speed), |value| {
        let speed = quantity(is.speed, Sign::Positive)(value)?;
        if max_speed.is_some_and(|most| speed > most) {
            return Err(Mistake::new(&value.span, "the runs were faster than the max_speed of the axis")
                .expected("a speed at or below max_speed; correct one of them"));
        }
        Ok(Speed::from_nano(speed))
    });
    let ways = one_of(&[("down", false), ("up", true)]);
    let upward = if gravity {
        fields.required("moves", "\"down\"", ways)
    } else {
        let refused = |value: &Value<'_>| -> Result<bool, Mistake> {
            Err(Mistake::new(&value.span, "gravity does not pull on this axis").expected("no moves"))
        };
        fields.optional("moves", refused).map(|_| false)
    };
    let rule = rule(&mut fields);
    let conditions = fields.required("conditions", "\"rated load, lowest position, brake at 20 deg C\"", words);
    let instrument = fields.required("instrument", "\"stop-time meter, number 7\"", words);
    let calibrated = fields.required("calibrated", "\"2026-03-01\"", date);
    let source = fields.optional("source", words);
    Ok(Series {
        kind: stop,
        runs: runs?,
        speed: speed?,
        upward: upward?,
        rule: rule?,
        conditions: conditions?,
        instrument: instrument?,
        calibrated: calibrated?,
        source: source?,
    })
}

/// Every run has both figures, and each figure one unit throughout: a column of mixed units is where slips hide.
fn runs(fields: &mut Fields<'_>, axis: AxisKind) -> Result<Vec<Run>, Reported> {
    let span = fields.value("runs").map(|value| value.span);
    let mut units: [Option<String>; 2] = [None, None];
    let mut runs = Vec::new();
    let mut broken = None;
    for entry in entries(fields, "runs")? {
        match entry.and_then(|fields| run(fields, axis, &mut units)) {
            Ok(run) => runs.push(run),
            Err(reported) => broken = Some(reported),
        }
    }
    if let Some(reported) = broken {
        return Err(reported);
    }
    let Some(span) = span else {
        return Err(fields.lacks("runs", "runs = [{ time = \"182 ms\", travel = \"31 mm\" }, ...]"));
    };
    if runs.len() < 2 {
        let mistake = Mistake::new(&span, "a series of fewer than two runs has no spread");
        return Err(fields.mistakes().report(mistake.expected("at least two runs; ten and more are common practice")));
    }
    if runs.len() > MOST_RUNS {
        let mistake = Mistake::new(&span, format!("a series of {} runs", runs.len()));
        return Err(fields.mistakes().report(mistake.expected(format!("at most {MOST_RUNS}"))));
    }
    Ok(runs)
}

fn run(mut fields: Fields<'_>, axis: AxisKind, units: &mut [Option<String>; 2]) -> Result<Run, Reported> {
    let [time_unit, travel_unit] = units;
    let duration = fields.required("time", "\"182 ms\"", |value| {
        let duration = time(Sign::NotNegative)(value)?;
        same_unit(value, time_unit)?;
        Ok(duration)
    });
    let is = Dimensions::of(axis);
    let travel = fields.required("travel", quoted(is.travel), |value| {
        let travel = quantity(is.travel, Sign::NotNegative)(value)?;
        same_unit(value, travel_unit)?;
        Ok(travel)
    });
    Ok(Run { time: duration?, travel: Travel::from_nano(travel?) })
}

/// Refuses a unit other than that of the first run.
fn same_unit(value: &Value<'_>, first: &mut Option<String>) -> Result<(), Mistake> {
    let unit = value.value.as_str().unwrap_or_default().trim().trim_start_matches(|c: char| !c.is_alphabetic());
    match first {
        None => *first = Some(unit.to_owned()),
        Some(first) if first == unit => {}
        Some(first) => {
            let message = format!("a run in '{}' behind runs in '{}'", shown(unit), shown(first));
            return Err(Mistake::new(&value.span, message).expected("one unit for all runs of a series"));
        }
    }
    Ok(())
}

fn rule(fields: &mut Fields<'_>) -> Result<SeriesRule, Reported> {
    let Some(value) = fields.value("rule") else {
        return Err(fields.lacks("rule", RULES));
    };
    match value.value {
        DeValue::Table(_) => {
            let Some(mut table) = fields.table("rule")? else {
                return Err(Mistakes::already_reported());
            };
            let coverage = table.required("coverage", "0.99", share);
            let confidence = table.required("confidence", "0.95", share);
            Ok(SeriesRule::Tolerance { coverage: coverage?, confidence: confidence? })
        }
        DeValue::String(_) => {
            let named = SeriesRule::NAMED.map(|rule| (rule.name().unwrap_or_default(), rule));
            fields.required("rule", "\"max\"", one_of(&named))
        }
        other => {
            let mistake = Mistake::new(&value.span, format!("'rule' is {}", kind(other)));
            Err(fields.mistakes().report(mistake.expected(RULES)))
        }
    }
}

/// A share from one half to below one, in millionths.
pub(super) fn share(value: &Value<'_>) -> Result<u32, Mistake> {
    let millionths = ratio(value)?;
    u32::try_from(millionths).ok().filter(|share| (500_000..1_000_000).contains(share)).ok_or_else(|| {
        Mistake::new(&value.span, format!("{} is not a share", value.key))
            .expected("a number from 0.5 to below 1, for example 0.95")
    })
}

/// A date, with or without quotes, kept as written.
fn date(value: &Value<'_>) -> Result<String, Mistake> {
    let text = match value.value {
        DeValue::Datetime(date) => date.to_string(),
        DeValue::String(text) => text.trim().to_owned(),
        _ => String::new(),
    };
    let digits = |range: std::ops::Range<usize>| text.get(range).and_then(|part| part.parse::<u8>().ok());
    let legal = text.len() == 10
        && text.char_indices().all(|(i, c)| if i == 4 || i == 7 { c == '-' } else { c.is_ascii_digit() })
        && digits(5..7).is_some_and(|month| (1..=12).contains(&month))
        && digits(8..10).is_some_and(|day| (1..=31).contains(&day));
    if !legal {
        return Err(Mistake::new(&value.span, format!("'{}' is not a date", value.key)).expected("\"2026-03-01\""));
    }
    Ok(text)
}
