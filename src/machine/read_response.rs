//! `response` of a connection: the published form of a profile; `terms`, and `clock_tolerance`.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::delay::ResponseForm;
use super::fields::{Fields, Value};
use super::mistake::{Mistake, Reported};
use super::values::{Sign, integer, one_of, quantity, time, words};
use crate::latency::limit::Term;
use crate::latency::packet_limit::Timing;
use crate::latency::tolerance::Tolerance;
use crate::quantity::Dimension;
use crate::time::Span;

/// Terms that a sum may have.
const MOST_TERMS: usize = 64;
/// No clock of a device in order runs slower than this; more is a slip of the pen.
const MOST_TOLERANCE: i64 = 100_000_000;

/// What a form may fall back on.
pub(super) struct Known {
    /// Watchdog time.
    pub(super) watchdog: Option<Span>,
    /// Bus cycle from `cycles`.
    pub(super) bus_cycle: Option<Span>,
}

#[derive(Clone, Copy)]
enum Name {
    Fscp2_1,
    Fscp3_1,
    Fscp12_1,
    Fscp13_1,
    Iec62541_15,
}

/// The form under `response`, if there is one.
pub(super) fn form(fields: &mut Fields<'_>, known: &Known) -> Result<Option<ResponseForm>, Reported> {
    let Some(mut table) = fields.table("response")? else {
        return Ok(None);
    };
    let names = [
        ("FSCP 2/1", Name::Fscp2_1),
        ("FSCP 3/1", Name::Fscp3_1),
        ("FSCP 12/1", Name::Fscp12_1),
        ("FSCP 13/1", Name::Fscp13_1),
        ("IEC 62541-15", Name::Iec62541_15),
    ];
    let name = match table.required("form", "\"FSCP 3/1\"", one_of(&names)) {
        Ok(name) => name,
        Err(reported) => {
            table.ignore_rest();
            return Err(reported);
        }
    };
    let form = match name {
        Name::Fscp2_1 => packets(&mut table),
        Name::Fscp3_1 => Ok(ResponseForm::Fscp3_1),
        Name::Fscp12_1 => bus_way(&mut table, known),
        Name::Fscp13_1 => match terms(&mut table)? {
            Some(terms) => Ok(ResponseForm::Fscp13_1 { terms }),
            None => Err(table.lacks("terms", "terms = [{ name = \"device\", time = \"5 ms\", count = 2 }, ...]")),
        },
        Name::Iec62541_15 => consumer(&mut table, known),
    }?;
    if form.limit() == Some(None) {
        return Err(table.report("the times of the form are too long to be added", "times of milliseconds"));
    }
    Ok(Some(form))
}

fn packets(fields: &mut Fields<'_>) -> Result<ResponseForm, Reported> {
    let output = fields.required("leg", "\"input\"", one_of(&[("input", false), ("output", true)]));
    let packet_interval = fields.required("packet_interval", "\"10 ms\"", time(Sign::Positive));
    let timeout_multiplier = fields.required("timeout_multiplier", "2", integer(1..=255));
    let percent = fields.required("network_delay", "\"200 %\"", network_delay);
    let timing = Timing {
        packet_interval: packet_interval?,
        // Both are in the range that was just read.
        timeout_multiplier: u8::try_from(timeout_multiplier?).unwrap_or(u8::MAX),
        network_delay_percent: percent?,
    };
    Ok(ResponseForm::Fscp2_1 { output: output?, timing })
}

/// Network delay multiplier: whole percent of the packet interval.
fn network_delay(value: &Value<'_>) -> Result<u16, Mistake> {
    let billionths = quantity(Dimension::Share, Sign::NotNegative)(value)?;
    let percent = billionths.checked_div(10_000_000).and_then(|percent| u16::try_from(percent).ok());
    percent.filter(|_| billionths.checked_rem(10_000_000) == Some(0)).ok_or_else(|| {
        Mistake::new(&value.span, "the network delay multiplier can't be that")
            .expected("whole percent of the packet interval, for example \"200 %\"")
    })
}

fn bus_way(fields: &mut Fields<'_>, known: &Known) -> Result<ResponseForm, Reported> {
    let factor =
        fields.required("factor", "2, as the manual at hand prints it (2 and 3 are in print)", integer(1..=100));
    let bus_cycle = match (fields.optional("bus_cycle", time(Sign::Positive))?, known.bus_cycle) {
        (Some(bus_cycle), _) | (None, Some(bus_cycle)) => Ok(bus_cycle),
        (None, None) => Err(fields.lacks("bus_cycle", "a line such as bus_cycle = \"1 ms\"")),
    };
    Ok(ResponseForm::Fscp12_1 { bus_cycle: bus_cycle?, factor: factor? })
}

fn consumer(fields: &mut Fields<'_>, known: &Known) -> Result<ResponseForm, Reported> {
    let consumer_timeout = match (fields.optional("consumer_timeout", time(Sign::Positive)), known.watchdog) {
        (Ok(None), Some(watchdog)) => Ok(watchdog),
        (Ok(None), None) => Err(super::mistake::Mistakes::already_reported()),
        (Ok(Some(timeout)), _) => Ok(timeout),
        (Err(reported), _) => Err(reported),
    };
    let consumer_cycle = fields.required("consumer_cycle", "\"10 ms\"", time(Sign::Positive));
    Ok(ResponseForm::Iec62541_15 { consumer_timeout: consumer_timeout?, consumer_cycle: consumer_cycle? })
}

/// The list under `terms`.
pub(super) fn terms(fields: &mut Fields<'_>) -> Result<Option<Vec<Term>>, Reported> {
    let span = fields.value("terms").map(|value| value.span);
    let Some(list) = fields.tables("terms", MOST_TERMS)? else {
        return Ok(None);
    };
    let read: Vec<_> = list.into_iter().map(term).collect();
    let terms = read.into_iter().collect::<Result<Vec<Term>, Reported>>()?;
    if terms.is_empty() {
        let mistake = Mistake::new(&span.unwrap_or_default(), "there is no term");
        return Err(fields.mistakes().report(mistake.expected("at least one { name = \"device\", time = \"5 ms\" }")));
    }
    Ok(Some(terms))
}

fn term(mut fields: Fields<'_>) -> Result<Term, Reported> {
    let name = fields.required("name", "\"device\"", words);
    let time = fields.required("time", "\"5 ms\"", time(Sign::NotNegative));
    let count = fields.optional("count", integer(1..=1_000));
    Ok(Term { name: name?, count: count?.unwrap_or(1), time: time? })
}

/// A `clock_tolerance`.
pub(super) fn tolerance(value: &Value<'_>) -> Result<Tolerance, Mistake> {
    let billionths = quantity(Dimension::Share, Sign::NotNegative)(value)?;
    if billionths > MOST_TOLERANCE {
        return Err(Mistake::new(&value.span, "no clock of a device in order runs that slow")
            .expected("at most \"10 %\"; customary are \"0.2 %\" to \"1 %\""));
    }
    Ok(Tolerance::from_nano(billionths))
}

/// `time` as late as a clock with `tolerance` makes it.
pub(super) fn late(tolerance: Tolerance, time: Span, fields: &Fields<'_>) -> Result<Span, Reported> {
    tolerance.late(time).ok_or_else(|| {
        fields.report("the times with the tolerance of the clock are out of range", "times of milliseconds")
    })
}
