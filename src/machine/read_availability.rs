//! What the watchdogs shall bear without a trip: `reserve`, `lost_telegrams`, `round_trip`, `send_interval`.
//!
//! `[machine]` may set the first two for all connections, a `[[connection]]` all four for itself.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::ops::Range;

use toml::de::DeValue;

use super::fields::{Fields, Value};
use super::mistake::{Mistake, Reported};
use super::model::Availability;
use super::source::shown;
use super::values::{Sign, integer, kind, time};
use crate::time::Span;

/// Beyond this many losses in a row a connection is not disturbed but broken.
const MOST_LOST: u32 = 100;
/// A reserve above ten times the round trip is a slip of the pen.
const MOST_RESERVE: u32 = 10_000;
const PERCENTAGE: &str = "a percentage from \"0 %\" to \"1000 %\" with at most one decimal, for example \"30 %\"";

/// What holds for all connections of the machine that don't say otherwise.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Defaults {
    reserve_permille: Option<u32>,
    lost_telegrams: Option<u32>,
}

/// The keys of `[machine]`.
pub(super) fn defaults(fields: &mut Fields<'_>) -> Result<Defaults, Reported> {
    let reserve = fields.optional("reserve", permille);
    let lost = fields.optional("lost_telegrams", integer(0..=MOST_LOST));
    Ok(Defaults { reserve_permille: reserve?, lost_telegrams: lost? })
}

/// The keys of a connection.
pub(super) struct Given {
    reserve_permille: Option<u32>,
    lost_telegrams: Option<(u32, Range<usize>)>,
    round_trip: Option<(Span, Range<usize>)>,
    send_interval: Option<Span>,
}

/// Reads the keys of a connection, before anything is known of its delays.
pub(super) fn given(fields: &mut Fields<'_>) -> Result<Given, Reported> {
    let reserve = fields.optional("reserve", permille);
    let lost = fields.optional("lost_telegrams", |value| Ok((integer(0..=MOST_LOST)(value)?, value.span.clone())));
    let round_trip = fields.optional("round_trip", |value| Ok((time(Sign::Positive)(value)?, value.span.clone())));
    let send_interval = fields.optional("send_interval", time(Sign::Positive));
    Ok(Given {
        reserve_permille: reserve?,
        lost_telegrams: lost?,
        round_trip: round_trip?,
        send_interval: send_interval?,
    })
}

impl Given {
    /// Puts the connection's keys and the machine's together and refuses what contradicts the delays.
    pub(super) fn availability(
        self,
        fields: &Fields<'_>,
        defaults: Defaults,
        worst_case: Span,
        has_cycles: bool,
    ) -> Result<Availability, Reported> {
        if let Some((round_trip, span)) = &self.round_trip
            && *round_trip < worst_case
        {
            let text =
                format!("a round trip of {round_trip} is shorter than the worst case of one transfer, {worst_case}");
            let mistake = Mistake::new(span, text).expected("the worst time of a telegram and its answer together");
            return Err(fields.mistakes().report(mistake));
        }
        let own = self.lost_telegrams.as_ref().map(|(lost, _)| *lost);
        let lost_telegrams = own.or(defaults.lost_telegrams);
        if lost_telegrams.is_some_and(|lost| lost > 0) && self.send_interval.is_none() && !has_cycles {
            let (span, whose) = match &self.lost_telegrams {
                Some((_, span)) => (span, "lost_telegrams"),
                None => (fields.span(), "lost_telegrams of [machine]"),
            };
            let text = format!("{whose} can't be turned into time for {}", fields.label());
            let mistake = Mistake::new(span, text).elsewhere();
            let expected = "send_interval = \"10 ms\" or cycles beside it, or lost_telegrams = 0";
            return Err(fields.mistakes().report(mistake.expected(expected)));
        }
        Ok(Availability {
            reserve_permille: self.reserve_permille.or(defaults.reserve_permille),
            lost_telegrams,
            round_trip: self.round_trip.map(|(round_trip, _)| round_trip),
            send_interval: self.send_interval,
        })
    }
}

/// A percentage in thousandths.
fn permille(value: &Value<'_>) -> Result<u32, Mistake> {
    let DeValue::String(text) = value.value else {
        let mistake = Mistake::new(&value.span, format!("'{}' is {}", value.key, kind(value.value)));
        return Err(mistake.expected(PERCENTAGE));
    };
    let refused = |why: &str| Err(Mistake::new(&value.span, format!("'{}' {why}", shown(text))).expected(PERCENTAGE));
    let Some(number) = text.trim().strip_suffix('%').map(str::trim) else {
        return refused("is not a percentage");
    };
    if number.starts_with('-') {
        return refused("is negative");
    }
    let (whole, tenth) = number.split_once('.').unwrap_or((number, "0"));
    let digits = |part: &str| !part.is_empty() && part.chars().all(|c| c.is_ascii_digit());
    if !digits(whole) || !digits(tenth) {
        return refused("is not a percentage");
    }
    if tenth.len() > 1 {
        return refused("is finer than a tenth of a percent");
    }
    let permille = format!("{whole}{tenth}").parse().ok().filter(|permille| *permille <= MOST_RESERVE);
    permille.map_or_else(|| refused("is out of range"), Ok)
}
