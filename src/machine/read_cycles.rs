//! `cycles`: the three cycles of a connection, or a list of stages, with the worst case that follows.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::ops::Range;

use toml::de::DeValue;

use super::delay::Stages;
use super::fields::{Fields, Value};
use super::mistake::{Mistake, Mistakes, Reported};
use super::model::Cycles;
use super::values::{self, Sign, integer, one_of, time, words, yes_or_no};
use crate::latency::chain::{self, ChainError, Communication, Rank, Stage};
use crate::time::Span;

/// Stages that a list may have; no real chain comes near.
const MOST_STAGES: usize = 64;

/// What stands under `cycles`.
pub(super) enum Given {
    /// Bus, host and device.
    Named(Cycles),
    /// A list.
    Listed(Stages),
}

/// `cycles` of a connection, with its place.
pub(super) fn of_connection(fields: &mut Fields<'_>) -> Result<Option<(Given, Range<usize>)>, Reported> {
    match fields.value("cycles") {
        Some(value) if matches!(value.value, DeValue::Array(_)) => {
            let span = value.span;
            Ok(stages(fields)?.map(|stages| (Given::Listed(stages), span)))
        }
        Some(Value { span, .. }) => {
            let cycles = fields.table("cycles")?.map(named).transpose();
            refuse_synchronised(fields)?;
            Ok(cycles?.map(|cycles| (Given::Named(cycles), span)))
        }
        None => refuse_synchronised(fields).map(|()| None),
    }
}

fn named(mut fields: Fields<'_>) -> Result<Cycles, Reported> {
    let bus = fields.required("bus", "\"2 ms\"", time(Sign::Positive));
    let host = fields.required("host", "\"4 ms\"", time(Sign::Positive));
    let device = fields.required("device", "\"4 ms\"", time(Sign::Positive));
    Ok(Cycles { bus: bus?, host: host?, device: device? })
}

fn refuse_synchronised(fields: &mut Fields<'_>) -> Result<(), Reported> {
    let refused = fields.optional("synchronised", |value| {
        yes_or_no(value)?;
        Err::<(), _>(
            Mistake::new(&value.span, "'synchronised' without a list of cycles")
                .expected("cycles = [{ period = \"4 ms\", response = \"1 ms\", offset = \"0 ms\" }, ...] beside it"),
        )
    });
    refused.map(|_| ())
}

/// `cycles` as a list, with `synchronised` beside it; `None` without the key.
pub(super) fn stages(fields: &mut Fields<'_>) -> Result<Option<Stages>, Reported> {
    let span = fields.value("cycles").map(|value| value.span);
    let synchronised = fields.optional("synchronised", yes_or_no);
    let Some(list) = fields.tables("cycles", MOST_STAGES)? else {
        return synchronised.map(|_| None);
    };
    let synchronised = synchronised?.unwrap_or(false);
    let mut processors = Vec::new();
    // Every stage is read, so that all mistakes are reported.
    let read: Vec<_> = list.into_iter().map(|entry| stage(entry, synchronised, &mut processors)).collect();
    let stages = read.into_iter().collect::<Result<Vec<Stage>, Reported>>()?;
    match chain::derive(&stages) {
        Ok(derived) => Ok(Some(Stages { stages, derived })),
        Err(error) => {
            let mistake = Mistake::new(&span.unwrap_or_default(), error.to_string());
            Err(fields.mistakes().report(match error {
                ChainError::Empty => mistake.expected("the stages that the data passes, in its order"),
                _ => mistake.expected("cycles of milliseconds"),
            }))
        }
    }
}

fn stage(mut fields: Fields<'_>, synchronised: bool, processors: &mut Vec<String>) -> Result<Stage, Reported> {
    fields.optional("name", words).map(|_| ())?;
    let period = fields.required("period", "\"4 ms\"", time(Sign::Positive));
    let within = period.ok();
    let response = fields.optional("response", |value| response(value, within));
    let forms = [("implicit", Communication::Implicit), ("let", Communication::LogicalExecutionTime)];
    let communication = fields.optional("communication", one_of(&forms));
    let offset = offset(&mut fields, synchronised);
    let rank = rank(&mut fields, processors);
    let (period, response) = (period?, response?);
    let communication = match (communication?, response) {
        (Some(Communication::Implicit), None) => {
            return Err(
                fields.lacks("response", "a line such as response = \"1 ms\" for the communication \"implicit\"")
            );
        }
        (Some(communication), _) => communication,
        (None, Some(_)) => Communication::Implicit,
        (None, None) => Communication::LogicalExecutionTime,
    };
    Ok(Stage { period, response: response.unwrap_or(period), communication, offset: offset?, rank: rank? })
}

fn response(value: &Value<'_>, period: Option<Span>) -> Result<Span, Mistake> {
    let response = time(Sign::NotNegative)(value)?;
    match period {
        Some(period) if response > period => {
            Err(Mistake::new(&value.span, format!("a response of {response} is longer than the period, {period}"))
                .expected("a response within the period: else the stage falls behind"))
        }
        _ => Ok(response),
    }
}

fn offset(fields: &mut Fields<'_>, synchronised: bool) -> Result<Option<Span>, Reported> {
    let offset = fields.optional("offset", |value| {
        let offset = time(Sign::NotNegative)(value)?;
        if !synchronised {
            return Err(Mistake::new(&value.span, "an offset of cycles that are not synchronised")
                .expected("synchronised = true beside the cycles, if one clock keeps all of them; else no offset")
                .elsewhere());
        }
        Ok(offset)
    })?;
    if synchronised && offset.is_none() {
        return Err(fields.lacks("offset", "a line such as offset = \"0 ms\" in every synchronised cycle"));
    }
    Ok(offset)
}

/// `processor` and `priority` together.
fn rank(fields: &mut Fields<'_>, processors: &mut Vec<String>) -> Result<Option<Rank>, Reported> {
    let processor = fields.optional("processor", values::text);
    let priority = fields.optional("priority", integer(1..=u32::MAX));
    match (processor?, priority?) {
        (Some(name), Some(priority)) => {
            let known = processors.iter().position(|known| known == name.text);
            let processor = known.unwrap_or_else(|| {
                processors.push(name.text.to_owned());
                processors.len().saturating_sub(1)
            });
            Ok(Some(Rank { processor, priority }))
        }
        (None, None) => Ok(None),
        (Some(_), None) if !fields.has_misspelt("priority") => {
            Err(fields.lacks("priority", "a line such as priority = 1 (1 is the highest) beside the processor"))
        }
        (None, Some(_)) if !fields.has_misspelt("processor") => {
            Err(fields.lacks("processor", "a line such as processor = \"controller\" beside the priority"))
        }
        _ => Err(Mistakes::already_reported()),
    }
}
